import assert from "node:assert/strict";
import { test } from "node:test";
import { marked } from "./paper.mjs";
import { fan } from "../fan.js";

// JOB.md 8.1, S1: dates, hours, readings, crossing and plan as printed there.
const READ = [
  ["2022-05-10", "212", "0.06"],
  ["2022-11-22", "498", "0.10"],
  ["2023-06-14", "765", "0.14"],
  ["2023-12-05", "1012", "0.19"],
  ["2024-06-18", "1268", "0.23"],
  ["2024-12-03", "1503", "0.27"],
];
const points = READ.map(([on, hours, value], i) => ({
  entry: `e${i}`,
  at: `${on}T10:40:00+01:00`,
  hours,
  value,
  stage: "as_found",
}));
const S1 = {
  uom: "circ",
  points,
  fit: { n: 6, intercept: "0.0204", slope: "0.0165", per: { value: "100", uom: "h" } },
  limit: "0.33",
  acting_limit: "0.31",
  watch: "0.20",
  crossing: { hours: "1754.1", on: "2025-06-07" },
  next_service: { on: "2025-06-10", hours: "1757.0" },
  order_by: "2025-02-15",
  verdict: "crosses_before_service",
  gaps: [],
};
const ABOUT = { title: "Nut backlash", unit: "SEL-004", supplyDays: 112, lower: false };
const SIZE = { width: 560, height: 300 };

test("the drifting nut is told in the sentence of the bench brief, section 3", () => {
  const { sentence } = fan(S1, ABOUT, SIZE);
  assert.equal(
    sentence,
    "Nut backlash, SEL-004: six readings, 0.06 to 0.27 turn, 212 to 1,503 h. Acting limit 0.31. " +
      "Straight line reaches it about 7 June 2025 at 1,754 h; next planned service 10 June: it will be past. " +
      "Order by mid-February (16 weeks).",
  );
});

test("every reading is a point, later ones further right and wear higher up", () => {
  const { element, points: drawn } = fan(S1, ABOUT, SIZE);
  const dots = marked(element, "point");
  assert.equal(drawn, 6);
  assert.equal(dots.length, 6);
  for (let i = 1; i < 6; i += 1) {
    assert.ok(Number(dots[i].attributes.cx) > Number(dots[i - 1].attributes.cx));
    assert.ok(Number(dots[i].attributes.cy) < Number(dots[i - 1].attributes.cy));
  }
});

test("the line goes on dashed beyond the last reading and is crossed at the acting limit", () => {
  const { element } = fan(S1, ABOUT, SIZE);
  assert.equal(marked(element, "fit").length, 2);
  assert.equal(marked(element, "ahead").filter((n) => n.name === "line").length, 1);
  const [crossing] = marked(element, "crossing");
  const acting = marked(element, "acting")[0];
  const y = Number(/^M[\d.]+ ([\d.]+)/.exec(crossing.attributes.d)[1]) + 7;
  assert.ok(Math.abs(y - Number(acting.attributes.y1)) < 0.2, "the cross stands on the acting limit");
});

test("an as-left reading is hollow", () => {
  const left = {
    ...S1,
    points: [
      ...points,
      { entry: "l", at: "2025-04-15T11:00:00+01:00", hours: "1660", value: "0.04", stage: "as_left" },
    ],
  };
  assert.equal(marked(fan(left, ABOUT, SIZE).element, "left").length, 1);
});

test("repeatability only is no trend: the look-alike of S1 must not alarm", () => {
  const flat = {
    ...S1,
    points: points.slice(0, 3).map((p, i) => ({ ...p, value: ["0.19", "0.21", "0.20"][i] })),
    verdict: "no_trend",
    crossing: null,
  };
  const { sentence, element } = fan(flat, { ...ABOUT, unit: "SEL-003" }, SIZE);
  assert.match(sentence, /No trend beyond repeatability\.$/);
  assert.equal(marked(element, "crossing").length, 0);
});

test("two readings are too few to forecast, and no reading gives no drawing", () => {
  const two = { ...S1, points: points.slice(0, 2), fit: null, crossing: null, verdict: "too_few_points" };
  assert.match(fan(two, ABOUT, SIZE).sentence, /Too few to forecast: 2\./);
  const none = fan({ ...two, points: [] }, ABOUT, SIZE);
  assert.equal(none.points, 0);
  assert.match(none.sentence, /no readings yet/);
});

test("a missed check is drawn and said: a tick is no measurement (S1, SEL-007)", () => {
  const missed = { ...S1, gaps: [{ from: "2023-05-09", until: "2024-10-08", hours: "1100", entries: [] }] };
  const { sentence, element } = fan(missed, ABOUT, SIZE);
  assert.match(sentence, /Nobody wrote a value at the service between 9 May 2023 and 8 Oct 2024\./);
  assert.equal(marked(element, "gap").length, 1);
});

test("the numbers behind the drawing are a table", () => {
  const rows = [];
  const walk = (n) => (n.name === "tr" ? rows.push(n) : n.children?.forEach?.(walk));
  walk(fan(S1, ABOUT, SIZE).element);
  assert.equal(rows.length, 1 + 6 + 1, "heads, readings, forecast");
  assert.equal(rows[6].textContent, "3 Dec 20241,503as found0.27 turn");
});
