// Tables of numbers sort by a click on a heading: upwards, downwards, as written.

const ORDERS = { none: "ascending", ascending: "descending", descending: "none" };

const NUMBER = /^(?:[≈≤≥<>\s]|at most|at least|about|up to)*(-?\d+(?:\.\d+)?)/;

// The number that a cell begins with, in its basic unit; null where it begins with none.
function numberIn(cell) {
  const text = cell.firstChild?.textContent ?? "";
  const found = text.replaceAll("\u2212", "-").match(NUMBER);
  if (!found) return null;
  return Number(found[1]) * (/\bkHz\b/.test(text) ? 1000 : 1);
}

function compare(a, b, downwards) {
  const [first, second] = [numberIn(a), numberIn(b)];
  if (first === null && second === null) {
    const order = a.textContent.localeCompare(b.textContent);
    return downwards ? -order : order;
  }
  if (first === null || second === null) return first === null ? 1 : -1; // no number: last
  return downwards ? second - first : first - second;
}

function sortBy(table, heads, column, rows) {
  const order = ORDERS[heads[column].getAttribute("aria-sort")];
  heads.forEach((head) => head.setAttribute("aria-sort", "none"));
  heads[column].setAttribute("aria-sort", order);
  const sorted = order === "none" ? rows : [...rows].sort((a, b) => {
    return compare(a.cells[column], b.cells[column], order === "descending");
  });
  table.tBodies[0].append(...sorted);
}

for (const table of document.querySelectorAll("table")) {
  const rows = [...table.tBodies[0].rows];
  const heads = [...table.tHead.querySelectorAll("th")];
  if (rows.length < 3) continue; // chosen: two rows are seen at a glance
  heads.forEach((head, column) => {
    const button = make("button", { type: "button" }, ...head.childNodes);
    head.setAttribute("aria-sort", "none");
    head.append(button);
    button.addEventListener("click", () => sortBy(table, heads, column, rows));
  });
}
