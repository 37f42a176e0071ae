// Light or dark; the sound device; the door for the phone.
import { ask, say } from "./ask.js";
import { refresh } from "./renew.js";

export function startLook() {
  document.addEventListener("click", (event) => {
    if (!event.target.closest("[data-look-switch]")) return;
    const root = document.documentElement;
    const dark = root.dataset.look
      ? root.dataset.look === "dark"
      : matchMedia("(prefers-color-scheme: dark)").matches;
    root.dataset.look = dark ? "light" : "dark";
    document.cookie = `evenhall_look=${root.dataset.look}; path=/; max-age=31536000; samesite=strict`;
  });
}

function labelled(text, control) {
  const label = document.createElement("label");
  label.append(text, " ", control);
  return label;
}

function select(options, chosen) {
  const made = document.createElement("select");
  for (const [value, text] of options) {
    const option = new Option(text, value, false, String(value) === String(chosen));
    made.append(option);
  }
  return made;
}

const WAYS = [
  ["inside", "What is sent: no second cable"],
  ["cable", "A cable back to a second input"],
  ["outside", "The mixer plays by itself, into a second input"],
];

async function listDevices(home) {
  const answer = await ask("GET", "/api/devices");
  const fault = document.getElementById("fault-devices");
  fault.textContent = answer.faults.join(" ");
  if (!answer.ok) return;
  const { devices, chosen } = answer.data;
  if (!devices.length) {
    fault.textContent = "No sound device is there. Plug the interface in, and look again.";
    return;
  }
  devices.sort((one, other) => one.is_program - other.is_program);
  const named = (way) => devices.filter((one) => one[way]).map((one) => [
    one.full_name, one.full_name + (one.is_program ? ", a program" : ""),
  ]);
  const channels = (name, way) => {
    const count = devices.find((one) => one.full_name === name)?.[way] ?? 2;
    return Array.from({ length: Math.min(count, 32) }, (_, at) => [at + 1, `Input ${at + 1}`]);
  };
  const input = select(named("inputs"), chosen?.input);
  const output = select(named("outputs"), chosen?.output || input.value);
  const way = select(WAYS, chosen?.reference ?? "inside");
  const mic = select(channels(input.value, "inputs"), chosen?.mic_channel ?? 1);
  const other = select(channels(input.value, "inputs"), chosen?.reference_channel || 2);
  const keep = document.createElement("button");
  keep.type = "button";
  keep.textContent = "Use these";
  keep.onclick = async () => {
    const choice = { input: input.value, mic_channel: Number(mic.value), reference: way.value };
    if (way.value !== "outside") choice.output = output.value;
    if (way.value !== "inside") choice.reference_channel = Number(other.value);
    const kept = await ask("PUT", "/api/devices", choice);
    fault.textContent = kept.faults.join(" ");
    if (kept.ok) {
      say("The sound device is chosen.");
      home.replaceChildren(again());
      refresh();
    }
  };
  home.replaceChildren(
    labelled("Records", input),
    labelled("Microphone on", mic),
    labelled("Plays", output),
    labelled("Reference", way),
    labelled("Second input", other),
    keep,
  );
  for (const node of home.children) node.dataset.keep = "1";
}

function again() {
  const button = document.createElement("button");
  button.type = "button";
  button.dataset.listDevices = "";
  button.textContent = "Choose the sound device";
  return button;
}

export function startDevices() {
  document.addEventListener("click", (event) => {
    const button = event.target.closest("[data-list-devices]");
    if (button) listDevices(button.closest("[data-devices]"));
  });
}

export function startDoor() {
  document.addEventListener("click", async (event) => {
    if (!event.target.closest("[data-open-door]")) return;
    const address = document.querySelector("[data-address]")?.value;
    const answer = await ask("POST", "/api/phone/open", address ? { address } : {});
    const home = document.querySelector("[data-door]");
    if (!answer.ok) {
      home.textContent = answer.faults.join(" ");
      return;
    }
    const { qr_svg: qr, code, address: url } = answer.data;
    const door = event.target.closest("[data-open-door]");
    door.textContent = "Make a new code";
    door.classList.remove("act");
    document.querySelector("[data-door-done]").classList.add("act");
    document.querySelector("[data-close-door]").hidden = false;
    home.innerHTML = qr;
    home.firstElementChild?.setAttribute("role", "img");
    home.firstElementChild?.setAttribute("aria-label", "QR code of the address and the code below");
    const where = document.createElement("p");
    where.textContent = url;
    const what = document.createElement("p");
    what.className = "code";
    what.textContent = code;
    home.append(where, what);
  });
  const form = document.querySelector("[data-pair]");
  if (!form) return;
  const come = async () => {
    const answer = await ask("POST", "/api/pair", { code: form.elements.code.value });
    if (answer.ok) location.replace("/");
    else document.getElementById("fault-pair").textContent = answer.faults.join(" ");
  };
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    come();
  });
  if (location.hash.length > 1) {
    form.elements.code.value = location.hash.slice(1);
    history.replaceState(null, "", "/pair"); // the code is spent; it need not stand in the address
    come();
  }
}
