import assert from "node:assert/strict";
import { test } from "node:test";
import { endOfDay, offset, stamp } from "../clock.js";

test("a moment carries the offset at which it was seen", () => {
  const ms = Date.UTC(2024, 11, 3, 9, 40, 5);
  assert.equal(stamp(ms, 60), "2024-12-03T10:40:05+01:00");
  assert.equal(stamp(ms, -210), "2024-12-03T06:10:05-03:30");
  assert.equal(stamp(ms, 0), "2024-12-03T09:40:05+00:00");
});

test("how things stood on a day takes in the whole day", () => {
  assert.equal(endOfDay("2024-12-03", 60), "2024-12-03T23:59:59+01:00");
});

test("the clock's offset is device minus service, and unknown without a header", () => {
  const service = Date.UTC(2024, 11, 3, 9, 0, 0);
  assert.equal(
    offset(service + 86_400_000 + 400, service + 86_400_000 + 600, "Tue, 03 Dec 2024 09:00:00 GMT"),
    86_400_000,
  );
  assert.equal(offset(1, 2, null), null);
});
