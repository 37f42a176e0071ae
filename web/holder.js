// Whoever starts a sound has to be there while it sounds: a sign of life, several times a second.
// When this page is gone, or the Wi-Fi, the laptop stops the sound.

const EVERY_MS = 350;
let timer = 0;

export function holder() {
  let name = sessionStorage.getItem("holder");
  if (!name) {
    name = Array.from(crypto.getRandomValues(new Uint8Array(12)), (one) => one.toString(16).padStart(2, "0")).join("");
    sessionStorage.setItem("holder", name);
  }
  return name;
}

function beat() {
  fetch("/api/sound/alive", {
    method: "POST",
    headers: { "content-type": "application/json" },
    body: JSON.stringify({ holder: holder() }),
    signal: AbortSignal.timeout(1200),
  }).catch(() => {});
}

export function hold() {
  sessionStorage.setItem("holding", "1");
  if (!timer) {
    beat();
    timer = setInterval(beat, EVERY_MS);
  }
}

export function release() {
  sessionStorage.removeItem("holding");
  clearInterval(timer);
  timer = 0;
}

// A page that was loaded anew in the middle of its own take goes on with it.
export function resume() {
  if (sessionStorage.getItem("holding")) hold();
}
