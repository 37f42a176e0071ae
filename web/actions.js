// Buttons: data-do="METHOD path", data-send="JSON"; data-holder adds who asks, and stays for the
// sound, data-named only adds who; data-warned adds whether everybody near the loudspeakers was
// warned; data-go goes to the visit that was made, data-then to a page.
import { ask, say } from "./ask.js";
import { hold, holder, release } from "./holder.js";
import { refresh } from "./renew.js";

// A sound that begins long after its button was pressed finds people near the loudspeakers.
const SOUND_WITHIN_MS = 4000;

function warned(button) {
  if (button.dataset.warned === "1") return true;
  return document.querySelector('[data-entry="warned"]')?.checked ?? false;
}

async function act(button) {
  const [method, path] = button.dataset.do.split(" ");
  let body = button.dataset.send ? JSON.parse(button.dataset.send) : undefined;
  if ("holder" in button.dataset) {
    body = { ...body, holder: holder() };
    hold();
  }
  if ("named" in button.dataset) body = { ...body, holder: holder() };
  if ("warned" in button.dataset) body = { ...body, warned: warned(button) };
  // Not disabled: that would take the focus from it.
  button.setAttribute("aria-disabled", "true");
  const answer = await ask(method, path, body, "holder" in button.dataset ? SOUND_WITHIN_MS : undefined);
  button.removeAttribute("aria-disabled");
  if (!answer.ok) {
    if ("holder" in button.dataset) release();
    say(answer.faults.join(" ") || "That did not work. Try again.");
    return;
  }
  if (answer.data?.number && "go" in button.dataset) location.assign(`/visit/${answer.data.number}`);
  else if (button.dataset.then) location.assign(button.dataset.then);
  else refresh();
}

export function startActions() {
  document.addEventListener("click", (event) => {
    const button = event.target.closest("button[data-do]");
    if (button && !button.hasAttribute("aria-disabled")) act(button);
  });
  document.addEventListener("submit", async (event) => {
    const form = event.target;
    if ("new" in form.dataset) {
      event.preventDefault();
      const venue = form.elements.venue.value.trim();
      const like = form.elements.visit?.value;
      const order = like ? { kind: "again", visit: Number(like), venue } : { kind: "own", venue };
      const answer = await ask("POST", "/api/visits", order);
      if (answer.ok) location.assign(`/visit/${answer.data.number}`);
      else say(answer.faults.join(" "));
    } else if (form.id === "figures") event.preventDefault();
  });
}
