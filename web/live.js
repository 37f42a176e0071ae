// News from the laptop: what has changed is asked for again, levels are drawn at once. Where
// nothing is heard for a while the connection is gone; it is made again until it holds.
import { drawFollow } from "./follow.js";
import { release, resume } from "./holder.js";
import { sendUnsaved } from "./entries.js";
import { refresh } from "./renew.js";
import { walkOn } from "./walk.js";

const SILENT_MS = 3000;
const LOWEST_DBFS = -60;
let source = null;
let heardAt = 0;

function lost(is) {
  const note = document.getElementById("lost");
  if (note) note.hidden = !is;
}

function heard() {
  heardAt = Date.now();
  lost(false);
  sendUnsaved();
}

function drawLevels(data) {
  const left = document.querySelector("[data-left]");
  if (left && data.left_s) left.textContent = `${Math.ceil(data.left_s)} s`;
  const share = document.querySelector("[data-share]");
  if (share) share.style.transform = `scaleX(${data.share})`;
  const hint = document.querySelector("[data-hint]");
  if (hint && data.text) hint.textContent = data.text;
  for (const [name, level] of Object.entries(data.levels)) {
    const home = document.querySelector(`[data-level="${name}"]`);
    if (!home) continue;
    const part = (dbfs) => Math.min(1, Math.max(0, 1 - dbfs / LOWEST_DBFS));
    home.querySelector(".fill").style.transform = `scaleX(${part(level.rms_dbfs)})`;
    home.querySelector(".peak").style.transform = `translateX(${100 * (part(level.peak_dbfs) - 1)}%)`;
    home.querySelector(".figures").textContent = level.clips
      ? "clips"
      : `${level.rms_dbfs.toFixed(0).replace("-", "\u2212")} dBFS`;
  }
}

function connect(visit) {
  source?.close();
  source = new EventSource(`/api/visits/${visit}/live`);
  source.addEventListener("beat", heard);
  source.addEventListener("levels", (event) => {
    heard();
    const data = JSON.parse(event.data);
    drawLevels(data);
    walkOn(data);
  });
  source.addEventListener("faders", (event) => {
    heard();
    drawFollow(JSON.parse(event.data));
  });
  source.addEventListener("changed", (event) => {
    heard();
    const phase = JSON.parse(event.data).phase;
    if (phase === "ended" || phase === "failed") release();
    refresh();
  });
}

export function startLive() {
  const visit = document.body.dataset.visit;
  if (!visit) return;
  if ("busy" in document.body.dataset) resume();
  else release();
  heardAt = Date.now();
  connect(visit);
  setInterval(() => {
    if (Date.now() - heardAt < SILENT_MS) return;
    lost(true);
    heardAt = Date.now() - SILENT_MS / 2; // again soon
    connect(visit);
  }, 400);
  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState === "visible") refresh();
  });
}
