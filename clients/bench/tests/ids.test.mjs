import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { test } from "node:test";
import { build, maker } from "../ids.js";

const vectors = JSON.parse(readFileSync(new URL("../../../tests/vectors/checks/uuid7.json", import.meta.url)));

for (const { id, title, kind, inputs, expected } of vectors.cases.filter((c) => c.kind === "uuid7_build")) {
  test(`vector ${id}: ${title}`, () => {
    const make = () => build(inputs.unix_ms, (BigInt(`0x${inputs.rand_a}`) << 62n) | BigInt(`0x${inputs.rand_b}`));
    if (expected.refused) assert.throws(make, RangeError);
    else assert.equal(make(), expected.uuid.value, `kind ${kind}`);
  });
}

test("ids rise within one ms and when the clock goes back (RFC 9562, 6.2)", () => {
  // all the bits that the maker may use are set, so that it counts on from the top
  const next = maker((bytes) => bytes.fill(255));
  const made = [1_700_000_000_000, 1_700_000_000_000, 1_699_992_800_000, 1_700_000_000_001].map(next);
  assert.deepEqual(made, [...made].sort(), "text order is time order");
  assert.equal(new Set(made).size, 4);
  for (const id of made) assert.match(id, /^[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$/);
});
