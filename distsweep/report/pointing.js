// Pointing at a figure: by mouse without a button, by touch with a tap or a sideways stroke.

function frameAt(figure, x, y) {
  const away = ([left, top, right, bottom]) =>
    Math.max(left - x, 0, x - right) + Math.max(top - y, 0, y - bottom);
  return figure.frames.reduce((best, frame) => (away(frame.box) < away(best.box) ? frame : best));
}

function pointAt(figure, event) {
  const box = figure.svg.getBoundingClientRect();
  const { scale, left, top } = figure.fit;
  const x = (event.clientX - box.left - left) / scale;
  const frame = frameAt(figure, x, (event.clientY - box.top - top) / scale);
  const [first, , last] = frame.box;
  const share = Math.min(Math.max((x - first) / (last - first), 0), 1);
  const [low, high] = frame.ends;
  const value = frame.log ? low * (high / low) ** share : low + share * (high - low);
  place(frame.x, snapped(figure, frame, value));
}

// The nearest point of the figure's own curves; other frames are read where they are pointed at.
function snapped(figure, frame, value) {
  if (frame.x !== figure.quantity) return value;
  const grid = steps(figure);
  return grid[nearestIndex(grid, value, isLogarithmic(frame.x))];
}

function addCursor(figure) {
  const grid = steps(figure);
  figure.ends = [grid[0], grid.at(-1)];
  figure.lines = figure.frames.map(() => make("i", {}));
  const caption = figure.element.querySelector("figcaption");
  const title = (caption.querySelector("b") ?? caption).textContent.trim().replace(/\.$/, "");
  figure.slider = make("div", {
    class: "cursor", role: "slider", tabindex: "0", "aria-label": `Cursor in: ${title}`,
    "aria-valuemin": figure.ends[0], "aria-valuemax": figure.ends[1], "aria-valuenow": figure.ends[0],
    "aria-valuetext": "off",
  }, ...figure.lines);
  figure.drawing.append(figure.slider);
  figure.slider.addEventListener("keydown", (event) => hearKey(figure, event));
  for (const kind of ["pointermove", "pointerdown"]) {
    figure.slider.addEventListener(kind, (event) => pointAt(figure, event));
  }
}

const sight = new IntersectionObserver((entries) => {
  for (const entry of entries) {
    const figure = figures.find((one) => one.element === entry.target);
    figure.near = entry.isIntersecting;
    if (figure.near && figure.stale) refresh(figure);
  }
}, { rootMargin: "50% 0px" });

const resized = new ResizeObserver((entries) => {
  for (const entry of entries) {
    const figure = figures.find((one) => one.svg === entry.target);
    figure.fitted = null;
    figure.stale = true;
    if (figure.near) refresh(figure);
  }
});

for (const figure of figures) {
  if (!figure.entry || !figure.curves.length) continue;
  addLegend(figure);
  if (!figure.frames.length || !steps(figure).length) continue;
  addCursor(figure);
  sight.observe(figure.element);
  resized.observe(figure.svg);
}
document.body.append(announced);
