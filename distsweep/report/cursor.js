// A cursor: one place a quantity, shown in every frame over that quantity and read off every curve.
// Only figures in sight are written anew at once, the others when they come into sight.

const cursors = new Map(); // quantity -> place

const announced = make("p", { class: "told", "aria-live": "polite" });

function place(quantity, value) {
  cursors.set(quantity, value);
  for (const figure of figures) {
    if (!figure.slider || !figure.reads(quantity)) continue;
    figure.stale = true;
    if (figure.near) refresh(figure);
  }
}

function refresh(figure) {
  figure.stale = false;
  figure.frames.forEach((frame, index) => moveLine(figure, frame, figure.lines[index]));
  const value = cursors.get(figure.quantity) ?? null;
  figure.slider.setAttribute("aria-valuenow", value ?? figure.ends[0]);
  figure.slider.setAttribute("aria-valuetext", value === null ? "off" : placeText(figure, value));
  for (const curve of figure.curves) write(curve, value, figure);
  figure.at.data = value === null ? "" : `At ${placeText(figure, value)}`;
}

function moveLine(figure, frame, line) {
  const value = cursors.get(frame.x) ?? null;
  const [low, high] = frame.ends;
  const inside = value !== null && value >= low && value <= high;
  line.style.visibility = inside ? "visible" : "hidden";
  if (!inside) return;
  const [left, top, right, bottom] = frame.box;
  const share = frame.log ? Math.log(value / low) / Math.log(high / low) : (value - low) / (high - low);
  const { scale, left: x, top: y } = figure.fit;
  line.style.height = `${scale * (bottom - top)}px`;
  line.style.transform = `translate(${x + scale * (left + share * (right - left))}px, ${y + scale * top}px)`;
}

function placeText(figure, value) {
  return placeOf(value, figure.quantity, figure.entry.unit);
}

function write(curve, value, figure) {
  const shown = value === null ? { value: "", interval: "" } : readAt(curve, value, figure);
  if (curve.valueText.data !== shown.value) curve.valueText.data = shown.value;
  if (curve.intervalText.data !== shown.interval) curve.intervalText.data = shown.interval;
}

// A curve is read at its own point that lies nearest; where that is another place, it is named.
function readAt(curve, value, figure) {
  if (!curve.x.length) return { value: "not known", interval: "" };
  const log = isLogarithmic(figure.quantity);
  const index = nearestIndex(curve.x, value, log);
  const there = curve.x[index];
  const step = Math.abs(curve.x[Math.min(index + 1, curve.x.length - 1)] - curve.x[Math.max(index - 1, 0)]);
  if (Math.abs(there - value) > step) return { value: "not known", interval: "" };
  const shown = reading(curve, index);
  const same = placeText(figure, there) === placeText(figure, value);
  return same ? shown : { ...shown, value: `${shown.value} (at ${placeText(figure, there)})` };
}

// The points that keys go by: those of the curve that has most.
function steps(figure) {
  return figure.curves.reduce((most, curve) => (curve.x.length > most.length ? curve.x : most), []);
}

function step(figure, count) {
  const grid = steps(figure);
  const value = cursors.get(figure.quantity) ?? null;
  const log = isLogarithmic(figure.quantity);
  const middle = log ? Math.sqrt(figure.ends[0] * figure.ends[1]) : (figure.ends[0] + figure.ends[1]) / 2;
  const from = nearestIndex(grid, value ?? middle, log);
  let to = value === null ? from : Math.min(Math.max(from + count, 0), grid.length - 1);
  while (grid[to] === value && grid[to + Math.sign(count)] !== undefined) to += Math.sign(count);
  place(figure.quantity, grid[to]);
}

const KEYS = {
  ArrowLeft: (figure, many) => step(figure, many ? -10 : -1),
  ArrowRight: (figure, many) => step(figure, many ? 10 : 1),
  Home: (figure) => place(figure.quantity, steps(figure)[0]),
  End: (figure) => place(figure.quantity, steps(figure).at(-1)),
  Escape: (figure) => place(figure.quantity, null),
};

function hearKey(figure, event) {
  const act = KEYS[event.key];
  if (!act || event.ctrlKey || event.altKey || event.metaKey) return;
  event.preventDefault();
  act(figure, event.shiftKey);
  if (figure.stale) refresh(figure); // it has the focus, but may not have come into sight yet
  tell(figure);
}

let telling = 0;

// Say what is read off the figure that has the focus, once the keys rest.
function tell(figure) {
  clearTimeout(telling);
  telling = setTimeout(() => {
    const shown = figure.curves.filter((curve) => !curve.hidden && curve.valueText.data);
    const texts = shown.map((c) => `${c.name}: ${c.valueText.data}${c.intervalText.data && `, ${c.intervalText.data}`}`);
    announced.textContent = texts.join(". ");
  }, 250); // chosen: a key held down repeats some 30 times a second
}
