// Drawings answer to a pointer, a thumb, and the arrow keys: what lies there is said in words.
// Every part of a drawing that means something has a title; that title is what is said.

function shownDrawing(figure) {
  return Array.from(figure.querySelectorAll("svg")).find((svg) => svg.getClientRects().length);
}

function titled(node) {
  for (let at = node; at && at.tagName !== "svg"; at = at.parentNode) {
    if (at.querySelector?.(":scope > title")) return at;
  }
  return null;
}

function partsOf(figure) {
  const svg = shownDrawing(figure);
  return svg ? Array.from(svg.querySelectorAll("g > title"), (title) => title.parentNode) : [];
}

// Which part was told last, for each drawing.
const told = new WeakMap();

// Drawn last, so that no neighbour covers it; light around dark, so that it is seen on any colour.
function outline(part) {
  const { x, y, width, height } = part.getBBox();
  for (const look of ["ring around", "ring"]) {
    const ring = document.createElementNS(part.namespaceURI, "rect");
    const place = { x: x - 1, y: y - 1, width: width + 2, height: height + 2, class: look };
    for (const [name, value] of Object.entries(place)) ring.setAttribute(name, value);
    part.ownerSVGElement.append(ring);
  }
}

function tell(figure, part) {
  figure.querySelector(".pointed")?.classList.remove("pointed");
  for (const ring of figure.querySelectorAll(".ring")) ring.remove();
  if (!part) return;
  told.set(figure, partsOf(figure).indexOf(part));
  part.classList.add("pointed");
  outline(part);
  figure.querySelector(".reading").textContent = part.querySelector(":scope > title").textContent;
}

function step(figure, by) {
  const parts = partsOf(figure);
  if (!parts.length) return;
  const at = parts.findIndex((part) => part.classList.contains("pointed"));
  const next = parts[(at + by + parts.length + (at < 0 && by < 0 ? 1 : 0)) % parts.length];
  tell(figure, next);
  next.scrollIntoView({ block: "nearest", inline: "nearest" });
}

export function startExploring() {
  const point = (event) => {
    const figure = event.target.closest?.("[data-explore]");
    if (figure && event.target.closest("svg")) tell(figure, titled(event.target));
  };
  // A page that renewed itself goes on telling the same part, with the figures of now.
  document.addEventListener("htmx:afterSwap", () => {
    for (const figure of document.querySelectorAll("[data-explore]")) {
      const part = partsOf(figure)[told.get(figure)];
      if (part) tell(figure, part);
    }
  });
  document.addEventListener("pointerdown", point);
  document.addEventListener("pointermove", point);
  document.addEventListener("click", (event) => {
    const button = event.target.closest("button[data-step]");
    if (button) step(button.closest("[data-explore]"), Number(button.dataset.step));
  });
  document.addEventListener("keydown", (event) => {
    const figure = event.target.closest?.("[data-explore]");
    const by = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
    if (!figure || !by) return;
    event.preventDefault();
    step(figure, by);
  });
}
