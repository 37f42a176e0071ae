// A walk through the rows: the mark on the plan goes its way at a steady pace, and the words say
// where to. News of the sound come unevenly over Wi-Fi: between them it goes on as it went so far.
const CATCH_UP_PER_S = 6;
const AHEAD_S = 0.5; // no farther than this without news
const still = matchMedia("(prefers-reduced-motion: reduce)");

let seen = null; // the last news
let first = null; // and the first of this walk
let shown = 0; // seconds of the sound, as drawn
let drawnAt = 0;

function put(name, text) {
  const place = document.querySelector(`[data-walk-${name}]`);
  if (place && place.textContent !== text) place.textContent = text; // a reader hears it once
}

function draw(home, elapsed) {
  const { from_s: from, to_s: to, legs } = JSON.parse(home.dataset.walk);
  if (to === undefined) return;
  const share = Math.min(1, Math.max(0, (elapsed - from) / (to - from)));
  if (elapsed < from) put("left", `${Math.ceil(from - elapsed)} \u2026`);
  else {
    const leg = legs.filter(([begins]) => begins <= share).at(-1);
    const words = leg ? leg[1] : "through the rows";
    put("leg", share < 1 ? `Walk ${words}.` : "Stand still: it rings out.");
    put("left", `${Math.ceil(Math.max(0, to - elapsed))} s`);
  }
  for (const svg of home.querySelectorAll("svg")) {
    const way = svg.querySelector(".way");
    if (!way || !svg.getClientRects().length) continue; // the other look
    const place = way.getPointAtLength(share * way.getTotalLength());
    svg.querySelector(".walker").setAttribute("transform", `translate(${place.x.toFixed(2)} ${place.y.toFixed(2)})`);
  }
}

function step() {
  const home = document.querySelector("[data-walk]");
  if (!home) {
    seen = null;
    return;
  }
  const now = performance.now() / 1000;
  const span = seen.at - first.at;
  const pace = span > 0.2 ? (seen.elapsed - first.elapsed) / span : 0;
  const there = seen.elapsed + pace * Math.min(AHEAD_S, now - seen.at);
  const share = Math.min(1, CATCH_UP_PER_S * (now - drawnAt));
  shown = Math.max(shown, shown + share * (there - shown)); // never back
  drawnAt = now;
  draw(home, still.matches ? Math.floor(there) : shown);
  requestAnimationFrame(step);
}

export function walkOn(data) {
  if (!document.querySelector("[data-walk]")) return;
  const now = performance.now() / 1000;
  const idle = !seen;
  if (idle || data.elapsed_s < seen.elapsed) {
    first = { elapsed: data.elapsed_s, at: now };
    shown = data.elapsed_s;
    drawnAt = now;
  }
  seen = { elapsed: data.elapsed_s, at: now };
  if (idle) requestAnimationFrame(step);
}
