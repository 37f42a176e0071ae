// Figures, ticks and notes: each is kept as soon as it is typed. Who changes what somebody else
// has changed meanwhile is asked; what cannot be sent just now is sent later. Nothing is lost
// silently.
import { ask, say } from "./ask.js";
import { refresh } from "./renew.js";

const WITHIN_MS = 8000; // an answer that takes longer is waited for on a new connection
const TYPED = 'input:not([type="checkbox"]):not([type="file"]), textarea';
const underWay = new WeakSet();
const again = new WeakSet();

function isTyped(node) {
  return node.matches(TYPED) && node.value !== node.defaultValue;
}

// Whether a person's own work stands here that the laptop does not have yet: the page that
// renews itself leaves it alone, and the revision with it on which it was begun.
export function isOwn(node) {
  if (!node.matches) return false;
  if (node.matches("[data-spots]")) return Array.from(node.querySelectorAll("input")).some(isTyped);
  return "unsaved" in node.dataset || isTyped(node);
}

// What stands here now is what the laptop has.
function settle(input, text) {
  if (input.matches(TYPED)) input.defaultValue = text;
}

function valueOf(input) {
  switch (input.dataset.kind) {
    case "bool":
      return input.checked;
    case "json":
      return JSON.parse(input.value);
    case "time": {
      if (!input.value) return null;
      const [hours, minutes] = input.value.split(":").map(Number);
      const at = new Date();
      at.setHours(hours, minutes, 0, 0);
      // A time long past is tomorrow's: load-in before midnight, sound check after.
      if (at.getTime() < Date.now() - 6 * 3600e3) at.setDate(at.getDate() + 1);
      return at.toISOString();
    }
    case "number": {
      const text = input.value.trim().replace(",", ".");
      if (!text) return null;
      return Number.isFinite(Number(text)) ? Number(text) : input.value;
    }
    default:
      return input.value.trim() ? input.value : null;
  }
}

function show(input, value) {
  if (input.dataset.kind === "bool") input.checked = Boolean(value);
  else if (input.dataset.kind === "json") input.value = JSON.stringify(value);
  else input.value = value ?? "";
}

function spoken(value) {
  if (value === null || value === "") return "nothing";
  return Array.isArray(value) ? value.join(", ") : String(value);
}

function fault(input, lines) {
  const place = document.getElementById(`fault-${input.dataset.entry}`);
  if (place) place.textContent = lines.join(" ");
  else if (lines.length) say(lines.join(" "));
  if (lines.length) input.setAttribute("aria-invalid", "true");
  else input.removeAttribute("aria-invalid");
}

function askWhose(input, theirs) {
  const home = input.closest(".field, li") ?? input.closest("label").parentElement;
  home.querySelector(":scope > .conflict")?.remove();
  const box = document.createElement("div");
  box.className = "conflict";
  box.setAttribute("role", "alert");
  const text = document.createElement("p");
  text.textContent = `Changed on another page meanwhile, to ${spoken(theirs.value)}.`;
  const mine = document.createElement("button");
  mine.type = "button";
  mine.textContent = "Keep mine";
  const other = document.createElement("button");
  other.type = "button";
  other.textContent = "Take theirs";
  mine.onclick = () => {
    box.remove();
    input.dataset.revision = theirs.revision;
    save(input);
  };
  other.onclick = () => {
    box.remove();
    input.dataset.revision = theirs.revision;
    show(input, theirs.value);
    settle(input, input.value);
    fault(input, []);
    refresh();
  };
  box.append(text, mine, other);
  home.append(box);
}

async function sendOnce(input) {
  const visit = document.body.dataset.visit;
  const was = input.dataset.revision === "" ? null : Number(input.dataset.revision);
  const path = `/api/visits/${visit}/entries/${encodeURIComponent(input.dataset.entry)}`;
  const text = input.value;
  const value = valueOf(input);
  input.dataset.unsaved = "1";
  const answer = await ask("PUT", path, { value, was }, WITHIN_MS);
  if (!answer.status) {
    fault(input, ["Not kept yet: no connection to the laptop. It is sent as soon as there is one."]);
    return;
  }
  delete input.dataset.unsaved;
  const same = JSON.stringify(answer.data?.value) === JSON.stringify(value);
  if (answer.ok || (answer.status === 409 && same)) {
    if (was !== null) input.dataset.revision = answer.data.revision;
    settle(input, text);
    fault(input, []);
    refresh();
  } else if (answer.status === 409) askWhose(input, answer.data);
  else fault(input, answer.faults);
}

// One after the other: the second change of a thing builds on the revision that the first made.
async function save(input) {
  again.add(input);
  if (underWay.has(input)) return;
  underWay.add(input);
  while (again.delete(input)) await sendOnce(input);
  underWay.delete(input);
}

// Send what could not be sent before.
export function sendUnsaved() {
  for (const input of document.querySelectorAll("[data-unsaved]")) {
    if (!underWay.has(input)) save(input);
  }
}

async function saveSpots(list) {
  const spots = Array.from(list.querySelectorAll("li"), (line) => ({
    label: line.querySelector('[name="label"]').value.trim(),
    along_m: Number(line.querySelector('[name="along_m"]').value.replace(",", ".")) || null,
  })).filter((spot) => spot.label || spot.along_m); // one that is emptied is gone
  if (spots.some((spot) => !spot.label || !spot.along_m)) return; // half typed
  const visit = document.body.dataset.visit;
  const was = Number(list.dataset.revision);
  const answer = await ask("PUT", `/api/visits/${visit}/entries/spots`, { value: spots, was });
  const place = document.getElementById("fault-spots");
  if (answer.ok || answer.status === 409) {
    for (const line of list.children) delete line.dataset.keep;
    for (const input of list.querySelectorAll("input")) settle(input, input.value);
  }
  if (answer.ok) {
    list.dataset.revision = answer.data.revision;
    place.textContent = "";
    refresh();
  } else if (answer.status === 409) {
    place.textContent = "The spots were changed on another page meanwhile: these are the new ones.";
    refresh();
  } else place.textContent = answer.faults.join(" ");
}

function addSpot(list) {
  const line = list.lastElementChild.cloneNode(true);
  for (const input of line.querySelectorAll("input")) input.value = "";
  line.dataset.keep = "1"; // until it is typed in, nobody else knows of it
  list.append(line);
  line.querySelector("input").focus();
}

export function startEntries() {
  document.addEventListener("click", (event) => {
    if (event.target.closest("[data-add-spot]")) addSpot(document.querySelector("[data-spots]"));
  });
  document.addEventListener("change", (event) => {
    const input = event.target;
    if (input.dataset?.entry) save(input);
    const list = input.closest?.("[data-spots]");
    if (list) saveSpots(list);
  });
  document.addEventListener("visibilitychange", () => {
    // A phone that is put away in the middle of a note may not come back to it.
    const input = document.activeElement;
    if (document.visibilityState === "hidden" && input?.dataset.entry && isOwn(input)) save(input);
  });
}
