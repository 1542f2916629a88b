// Numbers as the page writes them: a true minus, few digits, the unit behind a hard space.

const SPACE = "\u00a0";

function signed(number, decimals = 1) {
  const text = number.toFixed(decimals);
  return (Number(text) === 0 ? text.replace("-", "") : text).replace("-", "\u2212");
}

function withUnit(text, unit) {
  return unit ? text + SPACE + unit : text;
}

// Two significant digits, whole from 10 up.
function percentOf(levelDb) {
  const percent = 100 * 10 ** (levelDb / 20);
  if (percent === 0) return withUnit("0", "%");
  const decimals = Math.min(Math.max(0, 1 - Math.floor(Math.log10(percent))), 6);
  return withUnit(percent.toFixed(decimals), "%");
}

// To a hundredth: samples are some twenty microseconds apart.
function inMilliseconds(seconds) {
  return String(Number((1000 * seconds).toFixed(2)) || 0).replace("-", "\u2212");
}

function placeOf(value, quantity, unit) {
  if (quantity === "time") return withUnit(inMilliseconds(value), "ms"); // as the axes have it
  if (unit !== "Hz") return withUnit(signed(value, 1), unit);
  return value >= 1000
    ? withUnit(String(Number((value / 1000).toPrecision(4))), "kHz")
    : withUnit(String(Number(value.toPrecision(4))), "Hz");
}

// "Level, dB SPL (in part averages)" has the unit dB SPL, "THD, dB re fundamental" dB.
function unitOf(quantity) {
  const comma = quantity.lastIndexOf(", ");
  return comma < 0 ? "" : quantity.slice(comma + 2).split(/ re | \(/)[0];
}

// A value of a curve and its 95 % interval, in words. Nothing is rounded to less than is stored but
// for the last digit; a low end that is nothing leaves only what the value is at most.
function reading(curve, index) {
  const value = levelAt(curve.values, index);
  const low = levelAt(curve.low, index);
  const high = levelAt(curve.high, index);
  const unit = unitOf(curve.quantity);
  const inPercent = (level) => (curve.percent ? `, ${percentOf(level)}` : "");
  if (low === -Infinity && high !== null && high !== -Infinity) {
    return { value: `at most ${withUnit(signed(high), unit)}${inPercent(high)}`, interval: "" };
  }
  if (value === null) return { value: "not known", interval: "" };
  if (value === -Infinity) return { value: "nothing", interval: "" };
  const ends = low === null || high === null ? "" : `${signed(low)} to ${withUnit(signed(high), unit)}`;
  return {
    value: withUnit(signed(value), unit) + inPercent(value),
    interval: ends && `95${SPACE}%: ${ends}`,
  };
}
