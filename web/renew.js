// The page asks for itself again: one time after the other. Were two under way, the older answer
// could come last, and the page would go on showing what was.

let underWay = false;
let again = false;

export function refresh() {
  if (!document.querySelector("main[hx-get]")) return;
  if (underWay) {
    again = true; // something has changed since that one was asked for
    return;
  }
  underWay = true;
  document.body.dispatchEvent(new Event("refresh"));
}

// Steps that were scrolled along stay where they were; on a page that opens, its own is seen.
let along = null;

export function startRenewing() {
  document.addEventListener("htmx:beforeSwap", () => {
    along = document.querySelector(".steps ol")?.scrollLeft ?? null;
  });
  document.addEventListener("htmx:afterSettle", () => {
    const steps = document.querySelector(".steps ol");
    if (steps && along !== null) steps.scrollLeft = along;
  });
  document.addEventListener("htmx:afterRequest", (event) => {
    if (event.detail.target?.id !== "main") return;
    // What was drawn for a figure that is still being typed is drawn for it again.
    document.querySelector("#figures:focus-within")?.dispatchEvent(new Event("input"));
    setTimeout(() => {
      underWay = false;
      if (again) {
        again = false;
        refresh();
      }
    });
  });
}

// Scrolled by hand: scrollIntoView() would have the tab key start there, past the way to the page.
export function showOwnStep() {
  const steps = document.querySelector(".steps ol");
  const own = steps?.querySelector("[aria-current]")?.getBoundingClientRect();
  if (!own) return;
  const all = steps.getBoundingClientRect();
  steps.scrollLeft += own.left + own.width / 2 - all.left - all.width / 2;
}
