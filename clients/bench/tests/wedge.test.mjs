import assert from "node:assert/strict";
import { test } from "node:test";
import { bursts, clean, isTag } from "../wedge.js";

function feed(burst, text, gap, from = 1000) {
  let at = from;
  for (const key of [...text]) burst.key(key, (at += gap));
  return burst.key("Enter", at + gap);
}

test("keys 8 ms apart with Enter behind them are a scan", () => {
  assert.equal(feed(bursts(), "FT.J3K70S6ET", 8), "FT.J3K70S6ET");
});

test("a hand that types is no scanner, and neither are two quick digits", () => {
  assert.equal(feed(bursts(), "FT.J3K70S6ET", 150), null);
  assert.equal(feed(bursts(), "31", 8), null);
});

test("what was typed by hand before the burst is no part of it", () => {
  const burst = bursts();
  burst.key("a", 0);
  burst.key("b", 200);
  assert.equal(feed(burst, "FT.J3K70S6ET", 8, 1000), "FT.J3K70S6ET");
});

test("a symbology identifier in front is taken off and letters become capitals", () => {
  assert.equal(clean("]C0ft.j3k70s6et"), "FT.J3K70S6ET");
  assert.ok(isTag("]Q1FT.J3K70S6ET"));
  assert.ok(!isTag("SEL-004"));
});
