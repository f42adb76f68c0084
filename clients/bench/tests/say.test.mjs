import assert from "node:assert/strict";
import { test } from "node:test";
import * as say from "../say.js";

const ROW = { title: "Radial feed screw backlash at the crank (25, 50, 75 % of travel)", uom: "circ", worse: "higher" };
const S1 = {
  value: "0.32",
  uom: "circ",
  uncertainty: "0.02",
  limit: "0.33",
  acting_limit: "0.31",
  rule: "guarded",
  sheet_rev: 1,
  watch: "0.20",
  adjust: "0.12",
};

test("0.32 against 0.33 with U 0.02 cannot be decided, and the acting limit is named (JOB.md 1.8)", () => {
  assert.equal(
    say.verdict({ ...S1, outcome: "not_proved" }, ROW),
    "0.32 turn: CANNOT DECIDE. Too near the limit to prove it good. " +
      "Acting limit 0.31: limit 0.33 less 0.02, sheet revision 1.",
  );
});

test("the other outcomes name the mark that was passed", () => {
  assert.match(
    say.verdict({ ...S1, value: "0.27", outcome: "watch" }, ROW),
    /^0\.27 turn: WATCH\. Past the watch mark 0\.20\./,
  );
  assert.match(say.verdict({ ...S1, value: "0.47", outcome: "replace" }, ROW), /REPLACE\. Past the limit 0\.33\./);
  assert.match(say.verdict({ ...S1, value: "0.05", outcome: "good" }, ROW), /GOOD\. Inside every mark\./);
  assert.match(
    say.verdict({ value: "19", uom: "N", outcome: "adjust", limit: { low: "20", high: "50" } }, {}),
    /Outside the window\. Window 20 to 50 N\./,
  );
  assert.equal(
    say.verdict({ outcome: "undecided", value: null, why: "not measured yet", uom: "mm" }, ROW),
    "CANNOT DECIDE: not measured yet.",
  );
});

test("digits stay as written, only grouped", () => {
  assert.equal(say.grouped("1503.20"), "1,503.20");
  assert.equal(say.grouped("212"), "212");
  assert.equal(say.quantity({ low: "601.8", high: "1025.8", uom: "h" }), "601.8 to 1,025.8 h");
  assert.equal(say.hours({ unknown: "never read" }), "hours: never read");
});

test("a moment is told as it was typed, in its own offset", () => {
  assert.equal(say.moment("2024-12-03T00:40:00+01:00"), "3 Dec 2024 00:40");
});

test("a kept line says what, with which gauge, who and when", () => {
  const entry = {
    type: "reading.taken",
    occurred_at: "2024-12-03T10:40:00+01:00",
    by: "pell.marrowby",
    typed_by: "bertil.oake-lund",
    data: {
      characteristic: "SEL-BL",
      stage: "as_found",
      uom: "circ",
      gauge: "G-022",
      hours: { value: "1503", uom: "h" },
      readings: [
        { value: "0.25", position: "25" },
        { value: "0.30", position: "50" },
        { value: { unknown: "no reach" }, position: "75" },
      ],
    },
  };
  const names = new Map([["pell.marrowby", "Pell Marrowby"]]);
  assert.equal(
    say.line(entry, { characteristics: [{ code: "SEL-BL", ...ROW }] }),
    "Radial feed screw backlash at the crank, as found: " +
      "0.25, 0.30, not known (no reach) turn at 25, 50, 75, with G-022, at 1,503 h",
  );
  assert.equal(say.whoAndWhen(entry, names), "3 Dec 2024 10:40, Pell Marrowby, typed by bertil.oake-lund");
});

test("an entry type that this page does not know is still told", () => {
  assert.equal(say.line({ type: "goodwill.granted", data: {} }), "Goodwill granted");
});

test("a refusal names the box, what is wrong and what would do, and that nothing was lost", () => {
  const problem = {
    type: "https://shop.example/problems/unknown-unit",
    status: 422,
    errors: [{ pointer: "/data/gauge", code: "unknown-unit", detail: "no unit G-22", near: ["G-022", "G-021"] }],
  };
  assert.equal(
    say.refusal(422, problem),
    "Not kept. Gauge: not one of ours, or never seen here; did you mean G-022 or G-021? What you typed is still here.",
  );
  assert.deepEqual(say.faultPlace("/data/readings/2/value"), { word: "reading", index: 2 });
});

test("a tag that opens nothing says why", () => {
  const tag = {
    tag: "FT.000000000",
    check: "valid",
    status: "unknown",
    unit: null,
    worn_before: [],
    now_wears: null,
    warnings: [],
  };
  assert.match(say.tagRefused({ ...tag, check: "invalid" }), /does not add up/);
  assert.match(say.tagRefused(tag), /on no unit/);
  assert.match(
    say.tagRefused({
      ...tag,
      status: "detached",
      worn_before: [{ unit: "FAC-006", until: "2023-05-03T10:00:00+01:00" }],
    }),
    /retired: FAC-006 wore it until 3 May 2023/,
  );
  assert.match(
    say.tagRefused({ ...tag, status: "attached", warnings: ["on two units at once: A, B; read the engraving"] }),
    /read the engraving/,
  );
  assert.equal(say.tagRefused({ ...tag, status: "attached", unit: "SEL-004" }), null);
});

test("do not miss is worst first and says each thing once", () => {
  const card = {
    holds: [{ hold: null, key: "meter-backwards:e", why: "the meter ran backwards", lift_by: ["lead"] }],
    alerts: [],
    warnings: [
      { warning: "on-hold", words: "the meter ran backwards" },
      { warning: "tag-changed", words: "The tag changed on 2024-10-23: read the engraving." },
    ],
    discrepancies: [{ key: "meter-backwards:e", detail: "the meter ran backwards", holds_release: true }],
    findings: [{ words: "Wiper torn", blocking: false }],
    concessions: [],
    exams: [],
  };
  const lines = say.doNotMiss(card, "Nut reaches its acting limit about 7 Jun 2025.");
  assert.deepEqual(
    lines.map((l) => l.state),
    ["hold", "doubt", "adjust", "watch"],
  );
  assert.equal(lines[0].text, "Hold: The meter ran backwards. May be lifted by: lead.");
});
