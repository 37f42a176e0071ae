// Files that are chosen or dropped: taken in one after the other, and said what they are worth.
import { ask, say } from "./ask.js";
import { refresh } from "./renew.js";

function guess(name, options) {
  const plain = name.toLowerCase().replace(/[^a-z0-9]+/g, " ");
  return options
    .filter((one) => ` ${plain} `.includes(` ${one.toLowerCase()} `))
    .sort((one, other) => other.length - one.length)[0];
}

function playsAlong(zone, side, name) {
  const options = Array.from(zone.querySelector('[name="side"]').options);
  if (!options.some((one) => one.value === side && "along" in one.dataset)) return false;
  const chosen = zone.querySelector('[name="with_subs"]').value === "true";
  return chosen || /\b(and|with).(the.)?subs?\b/i.test(name);
}

async function takeIn(zone, files) {
  const list = zone.querySelector("[data-arrived]");
  for (const file of files) {
    const form = new FormData();
    for (const name of ["side", "spot"]) {
      const select = zone.querySelector(`[name="${name}"]`);
      const options = Array.from(select.options, (option) => option.value);
      form.append(name, guess(file.name, options) ?? select.value);
    }
    const withSubs = playsAlong(zone, form.get("side"), file.name);
    form.append("with_subs", withSubs);
    form.append("reference", zone.querySelector('[name="reference"]').value);
    form.append("state", zone.dataset.state);
    form.append("file", file);
    const line = document.createElement("li");
    line.textContent = `${file.name}: reading…`;
    line.dataset.keep = "1";
    list.append(line);
    const answer = await ask("POST", zone.dataset.drop, form);
    const what = `${form.get("side")}${withSubs ? " with the subs" : ""}, ${form.get("spot")}`;
    line.textContent = answer.ok
      ? `${file.name} as ${what}: ${answer.data.text} ${answer.data.problems.join(" ")}`
      : `${file.name}: ${answer.faults.join(" ")}`;
  }
  refresh();
}

async function upload(input) {
  const form = new FormData();
  form.append("file", input.files[0]);
  const answer = await ask("POST", input.dataset.upload, form);
  input.value = "";
  if (!answer.ok) say(answer.faults.join(" "), 12);
  else if ("go" in input.dataset) location.assign(`/visit/${answer.data.number}`);
  else refresh();
}

export function startFiles() {
  document.addEventListener("change", (event) => {
    const input = event.target;
    // What was chosen for the next file stays when the page renews itself.
    if (input.matches?.("[data-drop] select")) input.dataset.chosen = "1";
    if (input.dataset?.upload && input.files.length) upload(input);
    if (input.matches?.("[data-files]") && input.files.length) {
      takeIn(input.closest("[data-drop]"), Array.from(input.files)).then(() => (input.value = ""));
    }
  });
  const zoneOf = (event) => event.target.closest?.("[data-drop]");
  document.addEventListener("dragover", (event) => {
    event.preventDefault(); // a file that misses the place must not replace the page
    zoneOf(event)?.classList.add("over");
  });
  document.addEventListener("dragleave", (event) => zoneOf(event)?.classList.remove("over"));
  document.addEventListener("drop", (event) => {
    event.preventDefault();
    const zone = zoneOf(event);
    zone?.classList.remove("over");
    if (zone && event.dataTransfer.files.length) takeIn(zone, Array.from(event.dataTransfer.files));
  });
}
