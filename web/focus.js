// A page that renews itself may take away the very button that was pressed. Whoever works with the
// keyboard is then led to what has taken its place: Stop, how it went, or the page.

let last = null;

export function startFocus() {
  document.addEventListener("focusin", (event) => (last = event.target));
  document.addEventListener("htmx:afterSettle", () => {
    if (!last || last.isConnected || document.activeElement !== document.body) return;
    const place = document.querySelector("main .stop, main .outcome") ?? document.getElementById("main");
    place?.focus({ preventScroll: true });
  });
}
