import assert from "node:assert/strict";
import { test } from "node:test";
import { blanksOf, comb, compare, greatest, isFull, isStep, least, press } from "../digits.js";

// JOB.md 2.1
const BACKLASH = { resolution: "0.01", new: ["0.03", "0.06"], adjust: "0.12", watch: "0.20", replace: "0.33" };
const VANE = { resolution: "0.05", new: ["18.00", "18.00"], watch: "16.50", replace: "16.00" };
const typed = (keys, row) => [...keys].reduce((text, key) => press(text, key, comb(row)), comb(row).start);

test("decimals are compared by their digits, not as floats", () => {
  assert.equal(compare("0.3", "0.30"), 0);
  assert.ok(compare("0.31", "0.309999999999999999999999") > 0, "a float sees no difference here");
  assert.ok(compare("-0.02", "0.01") < 0);
  assert.equal(least(["9.5", "10.0"]), "9.5");
  assert.equal(greatest(["9.5", "10.0"]), "10.0");
});

test("a value under one begins behind the point and takes no digit beyond the resolution (R4)", () => {
  assert.equal(typed("31", BACKLASH), "0.31");
  assert.equal(typed("319", BACKLASH), "0.31");
  assert.ok(!isFull(typed("3", BACKLASH), comb(BACKLASH)), "0.3 is not 0.30");
  assert.ok(isFull(typed("30", BACKLASH), comb(BACKLASH)));
  assert.equal(blanksOf("0.3", comb(BACKLASH)), "_");
});

test("the zero in front can be overtyped", () => {
  const form = comb(BACKLASH);
  assert.equal(press(press("0.", "rub", form), "rub", form), "");
  assert.equal(
    ["1", "2", "0"].reduce((text, key) => press(text, key, form), ""),
    "1.20",
  );
});

test("the point comes by itself behind as many digits as the limit has", () => {
  assert.equal(typed("1740", VANE), "17.40");
  assert.equal(typed("9.50", VANE), "9.50");
  assert.equal(blanksOf("", comb(VANE)), "__.__");
});

test("a whole-number reading may be longer than its limit", () => {
  const drag = { resolution: "1", new: ["25", "40"], low: "20", high: "50" };
  assert.equal(typed("105", drag), "105");
  assert.ok(isFull("9", comb(drag)));
  assert.ok(!isFull("", comb(drag)));
});

test("a gauge that reads in steps of 0.005 cannot have read 0.012", () => {
  assert.ok(isStep("0.015", "0.005"));
  assert.ok(!isStep("0.012", "0.005"));
});
