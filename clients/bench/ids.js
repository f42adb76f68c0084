// Entry ids are UUIDs of version 7 (RFC 9562). They are names, not an order.

const hex = (n, digits) => n.toString(16).padStart(digits, "0");

/** The UUID of a time in ms since 1970 and 74 random bits (12 behind the version, 62 behind the variant). */
export function build(ms, random) {
  if (!Number.isInteger(ms) || ms < 0 || ms >= 2 ** 48) throw new RangeError("the time does not fit 48 bits");
  const a = random >> 62n;
  const b = random & ((1n << 62n) - 1n);
  const text = hex(ms, 12) + hex((7n << 12n) | a, 4) + hex((2n << 62n) | b, 16);
  return [text.slice(0, 8), text.slice(8, 12), text.slice(12, 16), text.slice(16, 20), text.slice(20)].join("-");
}

/** 74 fresh bits; the topmost stays 0 so that counting up inside one ms never runs over. */
export function randomBits(bytes) {
  return bytes.reduce((sum, byte) => (sum << 8n) | BigInt(byte), 0n) & ((1n << 73n) - 1n);
}

/** A maker of ids: within one ms, or when the clock went back, the last time stands and the random part goes up. */
export function maker(fill = (bytes) => crypto.getRandomValues(bytes)) {
  let last = { ms: -1, random: 0n };
  return (ms) => {
    last = ms > last.ms ? { ms, random: randomBits(fill(new Uint8Array(10))) } : { ...last, random: last.random + 1n };
    return build(last.ms, last.random);
  };
}
