// Minutes to sound check.

function tick() {
  const clock = document.querySelector("[data-check]");
  const place = clock?.querySelector("[data-minutes]");
  if (!place || !clock.dataset.check) return;
  const minutes = Math.round((Date.parse(clock.dataset.check) - Date.now()) / 60e3);
  place.textContent = minutes >= 0 ? `${minutes} min` : "over";
}

export function startClock() {
  setInterval(tick, 10e3);
}
