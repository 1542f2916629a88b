// The figures of the page, and the numbers behind them, decoded when a figure is first read.

const NO_VALUE = -32768; // codes of figure_json.py
const NOTHING = -32767;

const written = document.getElementById("figure-data");
const stored = written ? JSON.parse(written.textContent) : { grids: [], figures: {} };

function bytesOf(text) {
  return Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0)).buffer;
}

// What JavaScript runs on is little-endian, as the data are.
const grids = stored.grids.map((text) => new Float32Array(bytesOf(text)));

function levelsOf(text) {
  return text === null ? null : new Int16Array(bytesOf(text));
}

// Hundredths as a number: null is no value, -Infinity nothing.
function levelAt(levels, index) {
  const code = levels === null ? NO_VALUE : levels[index];
  if (code === NO_VALUE) return null;
  return code === NOTHING ? -Infinity : code / 100;
}

function curvesOf(entry) {
  return entry.curves.map((curve) => ({
    ...curve,
    x: grids[curve.grid],
    values: levelsOf(curve.values),
    low: levelsOf(curve.low),
    high: levelsOf(curve.high),
  }));
}

class Figure {
  constructor(element) {
    this.element = element;
    this.name = element.dataset.figure;
    this.drawing = element.querySelector(".drawing");
    this.svg = element.querySelector(".drawing > svg");
    this.frames = JSON.parse(this.svg?.dataset.frames || "[]");
    this.entry = stored.figures[this.name];
    this.quantity = this.entry?.x;
    this.near = false; // in sight, or nearly
    this.stale = true; // what it shows is not where the cursor is
  }

  get curves() {
    this.decoded ??= this.entry ? curvesOf(this.entry) : [];
    return this.decoded;
  }

  reads(quantity) {
    return this.quantity === quantity || this.frames.some((frame) => frame.x === quantity);
  }

  // Place and scale of the drawing in its box, which it may not fill.
  get fit() {
    if (this.fitted) return this.fitted;
    const box = this.svg.getBoundingClientRect();
    const view = this.svg.viewBox.baseVal;
    const scale = Math.min(box.width / view.width, box.height / view.height);
    this.fitted = {
      scale,
      left: (box.width - scale * view.width) / 2 - scale * view.x,
      top: (box.height - scale * view.height) / 2 - scale * view.y,
    };
    return this.fitted;
  }
}

const figures = [...document.querySelectorAll("figure[data-figure]")].map((e) => new Figure(e));

// Index of the value of a rising grid that lies nearest, by ratio where the axis is logarithmic.
function nearestIndex(grid, value, log) {
  let low = 0;
  let high = grid.length - 1;
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (grid[middle] <= value) low = middle;
    else high = middle;
  }
  const between = log ? Math.sqrt(grid[low] * grid[high]) : (grid[low] + grid[high]) / 2;
  return value > between ? high : low;
}

function isLogarithmic(quantity) {
  return quantity === "frequency" || quantity === "heard";
}
