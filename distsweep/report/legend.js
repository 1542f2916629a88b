// Below each figure: its curves by name, each a button that shows and hides the curve where it is
// drawn by itself, with room for what the cursor reads off it.

function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...children);
  return element;
}

// A piece of the curve's line: its colour, and its dashes where it has any.
function swatchOf(curve) {
  const swatch = make("span", { class: "swatch" });
  const colour = `var(--c-${curve.colour.slice(1)}, ${curve.colour || "currentColor"})`;
  if (!curve.dash) {
    swatch.style.background = colour;
    return swatch;
  }
  let end = 0;
  const edges = curve.dash.split(" ").map((length) => (end += Number(length)));
  const stops = edges.map((edge, index) => {
    const part = index % 2 ? "transparent" : colour;
    return `${part} ${index ? edges[index - 1] : 0}px ${edge}px`;
  });
  swatch.style.background = `repeating-linear-gradient(to right, ${stops.join(", ")})`;
  return swatch;
}

function nameOf(curve) {
  const name = make("span", {}, curve.name);
  if (curve.spl !== null) name.append(make("small", {}, withUnit(signed(curve.spl), "dB SPL")));
  return name;
}

function drawnParts(figure, key) {
  return [...figure.drawing.querySelectorAll(".curve")].filter((part) => part.dataset.key === key);
}

function setShown(figure, curve, shown) {
  curve.hidden = !shown;
  curve.button.setAttribute("aria-pressed", String(shown));
  for (const part of curve.parts) part.classList.toggle("hidden", !shown);
}

function legendRow(figure, curve) {
  curve.parts = drawnParts(figure, curve.key);
  curve.hidden = false;
  curve.valueText = document.createTextNode("");
  curve.intervalText = document.createTextNode("");
  const values = make("span", { class: "values" }, curve.valueText, make("small", {}, curve.intervalText));
  let label = make("span", {}, swatchOf(curve), nameOf(curve));
  if (curve.parts.length) {
    label = make("button", { type: "button", "aria-pressed": "true" }, ...label.childNodes);
    label.addEventListener("click", () => setShown(figure, curve, curve.hidden));
    curve.button = label;
  }
  const row = make("li", {}, label, values);
  if (curve.parts.length) pointsOut(figure, curve, row);
  return row;
}

// While a name in the legend is pointed at, or has the focus, the other curves step back.
function pointsOut(figure, curve, row) {
  const set = (on) => {
    figure.drawing.classList.toggle("pointed", on);
    for (const part of curve.parts) part.classList.toggle("lit", on);
  };
  row.addEventListener("pointerenter", () => set(true));
  row.addEventListener("pointerleave", () => set(false));
  row.addEventListener("focusin", () => set(true));
  row.addEventListener("focusout", () => set(false));
}

// On the first screen, whose figures name their curves, a longer legend stands with the numbers.
const MOST_BELOW = 4;

function addLegend(figure) {
  figure.at = document.createTextNode("");
  const tools = make("div", { class: "tools" }, make("span", { class: "at" }, figure.at));
  const save = make("button", { type: "button" }, "Save numbers (CSV)");
  save.addEventListener("click", () => saveNumbers(figure));
  tools.append(save);
  const quantities = [...new Set(figure.curves.map((curve) => curve.quantity))].join("; ");
  const list = make("ul", { class: "curves", "aria-label": `Curves: ${quantities}` });
  list.append(...figure.curves.map((curve) => legendRow(figure, curve)));
  const fold = figure.element.matches(".verdict > figure") && figure.element.querySelector("details");
  if (fold && figure.curves.length > MOST_BELOW) fold.firstElementChild.after(tools, list);
  else figure.drawing.after(tools, list);
}
