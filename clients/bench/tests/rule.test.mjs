import assert from "node:assert/strict";
import { test } from "node:test";
import { marked } from "./paper.mjs";
import { rule } from "../rule.js";

const NUT = {
  title: "Feed nut backlash (three places)",
  unit: "SEL-004",
  uom: "circ",
  limit: "0.33",
  acting: "0.31",
  watch: "0.20",
  last: "0.27",
  value: [],
  lower: false,
}; // JOB.md 8.1, S1

const at = (node) => Number(node.attributes.x1 ?? node.attributes.cx);

test("the rule says its marks in one sentence", () => {
  const { sentence, element } = rule({ ...NUT, value: ["0.30", "0.28"] }, 400);
  assert.equal(
    sentence,
    "Feed nut backlash, SEL-004: now 0.30, 0.28, last 0.27, watch 0.20, acting limit 0.31, limit 0.33 turn.",
  );
  assert.equal(element.attributes["aria-label"], sentence);
});

test("watch, last, acting limit and limit stand in their order on the rule", () => {
  const { element } = rule(NUT, 400);
  const order = ["watch", "last", "acting", "limit"].map((name) => at(marked(element, name)[0]));
  assert.deepEqual(
    order,
    [...order].sort((a, b) => a - b),
  );
  assert.equal(marked(element, "limit").length, 2, "the limit is a double line: it can be told without colour");
  assert.ok(marked(element, "hatch").length > 0, "the guard band is hatched");
});

test("a simple rule has no acting limit of its own", () => {
  const { element, sentence } = rule({ ...NUT, limit: "0.40", acting: "0.40" }, 400);
  assert.equal(marked(element, "acting").length, 0);
  assert.doesNotMatch(sentence, /acting/);
});

test("nothing is drawn for a value that is not there", () => {
  const { element, sentence } = rule(
    { title: "Thrust float", unit: "SEL-004", uom: "mm", value: [], lower: false },
    400,
  );
  assert.equal(marked(element, "last").length + marked(element, "value").length, 0);
  assert.equal(sentence, "Thrust float, SEL-004: no marks mm.");
});

test("every mark lies inside the width, smaller-is-worse too", () => {
  for (const facts of [NUT, { ...NUT, limit: "16.00", acting: "16.05", watch: "16.50", last: "17.40", lower: true }]) {
    const { element } = rule(facts, 300);
    for (const name of ["watch", "last", "acting", "limit"]) {
      for (const node of marked(element, name)) assert.ok(at(node) > 0 && at(node) < 300, `${name} at ${at(node)}`);
    }
  }
});
