/** Pure functions: numbers and times as the pages show them. Nothing here touches the document. */

/** The display as text: a typographic minus, an en dash where nothing is known. @param {string|null|undefined} display */
export function figure(display) {
  return display == null || display === "" ? "–" : display.replaceAll("-", "−");
}

/** Width of the figure in widths of a nought, for a layout that does not jump; rounded up. @param {string} display */
export function places(display) {
  const width = (/** @type {string} */ char) => ({ ".": 0.7, ",": 0.7, "-": 1.4, "−": 1.4 })[char] ?? 1;
  return [...display].reduce((sum, char) => sum + width(char), 0);
}

/** A number with its unit, a space between (SI Brochure 5.4.3). @param {number|null|undefined} value @param {string} unit @param {number} [digits] */
export function withUnit(value, unit, digits = 4) {
  if (value == null || !Number.isFinite(value)) return "–";
  const text = String(Number(value.toPrecision(digits))).replace("-", "−");
  return unit ? `${text} ${unit}` : text;
}

/** An age in words. @param {number} seconds */
export function age(seconds) {
  if (!Number.isFinite(seconds)) return "";
  if (seconds < 1) return "now";
  if (seconds < 90) return `${Math.floor(seconds)} s ago`;
  if (seconds < 5400) return `${Math.floor(seconds / 60)} min ago`;
  return `${Math.floor(seconds / 3600)} h ago`;
}

/** Time of day of a Unix time. @param {number} t */
export function clock(t) {
  return new Date(t * 1000).toLocaleTimeString([], { hour12: false });
}

/** Round values between two limits: 1, 2 or 5 times a power of ten. @param {number} lo @param {number} hi @param {number} about */
export function roundSteps(lo, hi, about) {
  const span = hi - lo;
  if (!(span > 0) || !Number.isFinite(span)) return [lo];
  const power = 10 ** Math.floor(Math.log10(span / about));
  const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= (span / about) * 0.999999) ?? power;
  const out = [];
  for (let i = Math.ceil(lo / step - 1e-9); i * step <= hi + step * 1e-9; i += 1) out.push(Number((i * step).toPrecision(12)));
  return out;
}

/** What is spoken for a reading. @param {{display: string, unit: string}} reading */
export function spoken(reading) {
  return `${reading.display.replaceAll("-", "minus ")} ${SPOKEN_UNITS[reading.unit] ?? reading.unit}`.trim();
}

const SPOKEN_UNITS = Object.freeze({
  "mg/L": "milligrams per litre", "µS/cm": "microsiemens per centimetre", "mS/cm": "millisiemens per centimetre",
  "°C": "degrees Celsius", "°F": "degrees Fahrenheit", "%": "per cent", "kΩ": "kilohms", "MΩ": "megohms", "Ω": "ohms",
  mV: "millivolts", V: "volts", mA: "milliamps", "µA": "microamps", A: "amps", pH: "p H",
});
