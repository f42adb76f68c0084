// Decimals stay the text that was written: 0.30 is not 0.3, and 0.31 is compared without a float.

const DECIMAL = /^-?\d+(\.\d+)?$/;

/** How many digits stand after the point. */
export const places = (text) => (text.split(".")[1] ?? "").length;

/** The decimal as a whole number of its last places. Throws RangeError for a text that is no decimal. */
function scaled(text, digits) {
  if (!DECIMAL.test(text)) throw new RangeError(`${text} is no decimal`);
  const [whole, rest = ""] = text.split(".");
  return BigInt(whole + rest.padEnd(digits, "0"));
}

/** Below 0, 0 or above 0, as a is less than, equal to or greater than b. */
export function compare(a, b) {
  const digits = Math.max(places(a), places(b));
  const [left, right] = [scaled(a, digits), scaled(b, digits)];
  return left < right ? -1 : left > right ? 1 : 0;
}

/** True when the value is a whole number of steps: 0.015 in steps of 0.005. */
export function isStep(value, step) {
  const digits = Math.max(places(value), places(step));
  const size = scaled(step, digits);
  return size === 0n || scaled(value, digits) % size === 0n;
}

export const isDecimal = (text) => DECIMAL.test(text);
export const least = (texts) => texts.reduce((a, b) => (compare(b, a) < 0 ? b : a));
export const greatest = (texts) => texts.reduce((a, b) => (compare(b, a) > 0 ? b : a));

/** A comb: what may be typed for one reading of a sheet's characteristic, digit by digit. */
export function comb(row) {
  const decimals = places(row.resolution ?? "1");
  const marks = [row.replace, row.high, row.watch, row.adjust, ...(row.new ?? [])].filter(Boolean);
  const whole = marks.length ? String(greatest(marks)).split(".")[0].length : 1;
  const belowOne = decimals > 0 && marks.length > 0 && marks.every((m) => compare(m, "1") < 0);
  return { decimals, whole, start: belowOne ? "0." : "", step: row.resolution ?? null };
}

/** The text after one more key; the same text when the key does not fit (R4: no digit beyond the resolution). */
export function press(text, key, form) {
  if (key === "rub") return text.slice(0, -1);
  const pointed = text.includes(".");
  if (key === ".") return !pointed && form.decimals && text ? `${text}.` : text;
  if (!/^\d$/.test(key)) return text;
  if (pointed) return places(text) < form.decimals ? text + key : text;
  if (text === "0" || text.length >= 6) return text; // 07 is no decimal
  const next = text + key;
  return form.decimals && (next.length === form.whole || next === "0") ? `${next}.` : next;
}

/** The boxes of the comb that are still empty, one `_` each. */
export function blanksOf(text, form) {
  const before = text ? "" : "_".repeat(form.whole);
  if (!form.decimals) return before;
  if (text.includes(".")) return "_".repeat(form.decimals - places(text));
  return `${before}.${"_".repeat(form.decimals)}`;
}

/** True when every box of the comb is filled. */
export const isFull = (text, form) => DECIMAL.test(text) && places(text) === form.decimals;
