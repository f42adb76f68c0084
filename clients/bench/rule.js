// One straight steel rule: last as left, watch, acting limit, limit, and the value that is being typed.

import { compare, isDecimal } from "./digits.js";
import { scale, steps, svg } from "./draw.js";
import { ruleSentence } from "./say.js";

const EDGE = 14;
const BASE = 46;

/**
 * `facts` {title, unit, uom, limit?, acting?, watch?, adjust?, last?, value [decimal], lower, low?, high?}, decimals as
 * text; `width` in px. Returns {element, sentence}: an SVG figure and what it says.
 */
export function rule(facts, width) {
  const typed = (facts.value ?? []).filter(isDecimal);
  const known = [facts.limit, facts.acting, facts.watch, facts.adjust, facts.last, facts.low, facts.high, ...typed]
    .filter((v) => v != null && isDecimal(v))
    .map(Number);
  const greatest = Math.max(...known, 0) || 1;
  const least = Math.min(...known, greatest);
  // Smaller is worse: the rule begins near the limit, else the marks would crowd at its end.
  const low = facts.lower && least > 0 ? least - (greatest - least || greatest * 0.1) * 0.25 : Math.min(0, least);
  const high = greatest + (greatest - low) * 0.08;
  const x = scale([low, high], [EDGE, width - EDGE]);
  const at = (value) => x(Number(value));
  const parts = [svg("line", { x1: EDGE, x2: width - EDGE, y1: BASE, y2: BASE, class: "edge" })];

  const big = steps([low, high], Math.max(3, Math.min(6, Math.floor(width / 70))));
  const fine = steps([low, high], Math.max(15, Math.floor(width / 14)));
  for (const tick of fine)
    parts.push(svg("line", { x1: at(tick), x2: at(tick), y1: BASE, y2: BASE - 6, class: "tick" }));
  for (const tick of big)
    parts.push(svg("line", { x1: at(tick), x2: at(tick), y1: BASE, y2: BASE - 12, class: "tick" }));

  const below = []; // marks with their words; spread over two lines so that near ones can be read
  const note = (value, word, lines, name) => {
    if (value == null || !isDecimal(value)) return;
    for (const shift of lines) {
      parts.push(
        svg("line", { x1: at(value) + shift, x2: at(value) + shift, y1: BASE - 26, y2: BASE + 8, class: name }),
      );
    }
    below.push({ x: at(value), text: `${word} ${value}` });
  };
  const guarded =
    facts.acting != null && facts.limit != null && isDecimal(facts.acting) && compare(facts.acting, facts.limit) !== 0;
  if (guarded) {
    const [from, to] = [at(facts.acting), at(facts.limit)].sort((a, b) => a - b);
    for (let h = from + 4; h < to; h += 6)
      parts.push(svg("line", { x1: h, x2: h - 4, y1: BASE - 22, y2: BASE, class: "hatch" }));
  }
  note(facts.watch, "watch", [0], "watch");
  if (guarded) note(facts.acting, "acting", [0], "acting");
  note(facts.limit, "limit", [-2, 2], "limit");
  note(facts.low, "low", [-2, 2], "limit");
  note(facts.high, "high", [-2, 2], "limit");
  parts.push(...words(below, width, BASE + 24));

  const above = [];
  if (facts.last != null && isDecimal(facts.last)) {
    parts.push(svg("circle", { cx: at(facts.last), cy: BASE - 6, r: 5, class: "last" }));
    above.push({ x: at(facts.last), text: `last ${facts.last}` });
  }
  for (const value of typed) {
    parts.push(svg("path", { d: `M${at(value)} ${BASE} l-7 -16 h14 z`, class: "value" }));
  }
  if (typed.length) {
    const worst = typed.reduce((a, b) => (compare(b, a) < 0 === Boolean(facts.lower) ? b : a));
    above.push({ x: at(worst), text: `now ${worst}` });
  }
  parts.push(...beside(above, width, 15));

  const sentence = ruleSentence({ ...facts, value: typed });
  const lines = new Set(below.map((b) => b.line)).size;
  const element = svg(
    "svg",
    {
      class: "rule",
      role: "img",
      "aria-label": sentence,
      width,
      height: BASE + 14 + 18 * Math.max(1, lines),
      viewBox: `0 0 ${width} ${BASE + 14 + 18 * Math.max(1, lines)}`,
    },
    ...parts,
  );
  return { element, sentence };
}

const half = (note) => note.text.length * 4.6; // px: 16 px digits and letters are about 9 px wide
const inside = (x, note, width) => Math.min(Math.max(x, half(note)), width - half(note));
const word = (note, x, y) => svg("text", { x, y, "text-anchor": "middle" }, note.text);

/** Words under their marks, moved to the next line where they would touch. */
function words(notes, width, y) {
  const ends = [];
  return [...notes]
    .sort((a, b) => a.x - b.x)
    .map((note) => {
      const x = inside(note.x, note, width);
      const free = ends.findIndex((end) => end < x - half(note) - 6);
      note.line = free < 0 ? ends.length : free;
      ends[note.line] = x + half(note);
      return word(note, x, y + note.line * 18);
    });
}

/** At most two words on one line, the left one moved aside where they would touch. */
function beside(notes, width, y) {
  const sorted = [...notes].sort((a, b) => a.x - b.x);
  const at = sorted.map((note) => inside(note.x, note, width));
  if (sorted.length === 2) {
    const need = half(sorted[0]) + half(sorted[1]) + 10;
    at[0] = Math.min(at[0], at[1] - need);
    if (at[0] < half(sorted[0])) [at[0], at[1]] = [half(sorted[0]), half(sorted[0]) + need];
  }
  return sorted.map((note, i) => word(note, at[i], y));
}
