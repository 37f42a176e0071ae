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

function refill(made, options, chosen) {
  made.replaceChildren(
    ...options.map(([value, text]) => new Option(text, value, false, String(value) === String(chosen))),
  );
}

function select(options, chosen) {
  const made = document.createElement("select");
  refill(made, options, chosen);
  return made;
}

const WAYS = [
  ["inside", "What is sent: no second cable"],
  ["cable", "A cable back to a second input"],
  ["outside", "The mixer plays by itself, into a second input"],
];
const MOST_CHANNELS = 32;

function numbered(count, name) {
  return Array.from({ length: Math.min(count, MOST_CHANNELS) }, (_, at) => [at + 1, `${name} ${at + 1}`]);
}

// Stereo pairs first, as most rigs are played through one.
function outputs(count) {
  const pairs = [];
  for (let at = 1; at < Math.min(count, MOST_CHANNELS); at += 2) pairs.push([[at, at + 1], `Outputs ${at} and ${at + 1}`]);
  return [...pairs, ...numbered(count, "Output").map(([at, text]) => [[at], text])];
}

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
    one.full_name,
    `${one.full_name}${one.is_program ? ", a program" : ""}: ${one.inputs} in, ${one.outputs} out, ${one.rate_hz} Hz`,
  ]);
  const count = (name, way) => devices.find((one) => one.full_name === name)?.[way] ?? 0;
  const input = select(named("inputs"), chosen?.input);
  const output = select(named("outputs"), chosen?.output || input.value);
  const [mic, way, other, play] = Array.from({ length: 4 }, () => select([], ""));
  const lines = Object.entries({
    "Records with": input,
    "Microphone on": mic,
    "Plays with": output,
    "Plays on": play,
    Reference: way,
    "Reference on": other,
  }).map(([text, control]) => labelled(text, control));
  // What an interface does not have, or nobody has wired, is not asked for.
  const fit = () => {
    const inputs = numbered(count(input.value, "inputs"), "Input");
    refill(mic, inputs, mic.value || chosen?.mic_channel || 1);
    refill(way, inputs.length > 1 ? WAYS : WAYS.slice(0, 1), way.value || chosen?.reference);
    const free = inputs.filter(([at]) => String(at) !== mic.value);
    refill(other, free, other.value || chosen?.reference_channel);
    refill(play, outputs(count(output.value, "outputs")), play.value || chosen?.output_channels);
    lines[2].hidden = lines[3].hidden = way.value === "outside";
    lines[4].hidden = inputs.length < 2;
    lines[5].hidden = way.value === "inside";
  };
  fit();
  // One device for both has one clock.
  input.addEventListener("change", () => {
    if (count(input.value, "outputs")) output.value = input.value;
  });
  for (const control of [input, output, mic, way]) control.addEventListener("change", fit);
  const keep = document.createElement("button");
  keep.type = "button";
  keep.className = home.querySelector(".act") ? "act" : "";
  keep.textContent = "Use this device";
  keep.onclick = async () => {
    const choice = { input: input.value, mic_channel: Number(mic.value), reference: way.value };
    if (way.value !== "outside") {
      choice.output = output.value;
      choice.output_channels = play.value.split(",").map(Number);
    }
    if (way.value !== "inside") choice.reference_channel = Number(other.value);
    const kept = await ask("PUT", "/api/devices", choice);
    fault.textContent = kept.faults.join(" ");
    if (kept.ok) {
      say("The sound device is chosen.");
      home.replaceChildren();
      refresh();
    }
  };
  home.replaceChildren(...lines, keep);
  for (const node of home.children) node.dataset.keep = "1";
}

export function startDevices() {
  document.addEventListener("click", async (event) => {
    const button = event.target.closest("[data-list-devices]");
    if (!button || button.hasAttribute("aria-disabled")) return;
    button.setAttribute("aria-disabled", "true");
    await listDevices(button.closest("[data-devices]"));
    button.removeAttribute("aria-disabled");
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
