// Asking the laptop for something, and saying what came of it.

export function say(text, seconds = 6) {
  const said = document.getElementById("said");
  said.textContent = text;
  clearTimeout(say.timer);
  say.timer = setTimeout(() => (said.textContent = ""), 1000 * seconds);
}

const MOMENT = "One moment…";
const SHOWN_AFTER_MS = 500;

// Says that something is under way where it takes longer; give what it returns once it is done.
function moment() {
  const timer = setTimeout(() => say(MOMENT, 600), SHOWN_AFTER_MS);
  return () => {
    clearTimeout(timer);
    const said = document.getElementById("said");
    if (said?.textContent === MOMENT) said.textContent = "";
  };
}

// Gives the answer; its status is 0 where there was none. Faults are lines.
export async function ask(method, path, body, withinMs) {
  const form = body instanceof FormData;
  const done = moment();
  try {
    const response = await fetch(path, {
      method,
      headers: form || body === undefined ? {} : { "content-type": "application/json" },
      body: body === undefined ? undefined : form ? body : JSON.stringify(body),
      signal: withinMs ? AbortSignal.timeout(withinMs) : undefined,
    });
    const text = await response.text();
    const json = text && (response.headers.get("content-type") || "").includes("json");
    const data = json ? JSON.parse(text) : null;
    if (response.status === 401 && location.pathname !== "/pair") location.assign("/pair");
    return { ok: response.ok, status: response.status, data, faults: data?.faults ?? [] };
  } catch {
    return { ok: false, status: 0, data: null, faults: ["No connection to the laptop. Try again."] };
  } finally {
    done();
  }
}
