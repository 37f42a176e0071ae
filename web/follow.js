// What the hand on the faders has to do, drawn five times a second: large, an arrow, and where
// the fader is on the way to its place.
const ARROWS = { up: "\u2191", down: "\u2193", there: "\u2022", stands: "\u2713", done: "\u2713", unsure: "\u2026" };
const SPAN_DB = 6;

export function drawFollow(data) {
  const home = document.querySelector("[data-follow]");
  if (!home || !data) return;
  const put = (name, text) => (home.querySelector(`[data-follow-${name}]`).textContent = text);
  home.dataset.way = data.way;
  put("name", data.name ? `${data.name} Hz`.replace("k Hz", " kHz") : "");
  put("arrow", ARROWS[data.way]);
  put("text", data.text);
  put("stray", data.stray);
  if (!data.name) return;
  const figure = (db) => db.toFixed(1).replace("-", "\u2212");
  put("figures", `now ${figure(data.now_db)} dB, card ${figure(data.wanted_db)} dB, ${data.left} left`);
  const share = Math.max(-1, Math.min(1, data.off_db / SPAN_DB));
  // Up is up, as the fader itself.
  home.querySelector("[data-follow-off]").style.transform = `translateY(${-3.6 * share}rem)`;
}
