// The numbers behind a figure as a file: a row for each place, three columns a curve.

function quoted(text) {
  return /[",\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
}

function asText(level) {
  if (level === null) return "";
  return level === -Infinity ? "-inf" : level.toFixed(2);
}

function csvOf(figure) {
  const curves = figure.curves;
  const places = [...new Set(curves.flatMap((curve) => [...curve.x]))].sort((a, b) => a - b);
  const across = `${figure.quantity} (${figure.entry.unit})`;
  const heads = [across];
  for (const curve of curves) {
    const name = `${curve.quantity}: ${curve.name}`.replaceAll("\u2212", "-").replaceAll(SPACE, " ");
    heads.push(name, `${name}, low`, `${name}, high`);
  }
  const rows = places.map((place) => [String(Number(place.toPrecision(7)))]);
  for (const curve of curves) {
    const indices = new Map([...curve.x].map((place, index) => [place, index]));
    places.forEach((place, row) => {
      const index = indices.get(place);
      for (const part of [curve.values, curve.low, curve.high]) {
        rows[row].push(index === undefined ? "" : asText(levelAt(part, index)));
      }
    });
  }
  return [heads, ...rows].map((row) => row.map(quoted).join(",")).join("\r\n") + "\r\n";
}

function saveNumbers(figure) {
  const address = URL.createObjectURL(new Blob([csvOf(figure)], { type: "text/csv" }));
  const link = make("a", { href: address, download: `${figure.name}.csv` });
  link.click();
  setTimeout(() => URL.revokeObjectURL(address), 10000); // chosen: a dialogue may ask where to
}
