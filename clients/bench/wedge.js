// A scanner is a keyboard in a hurry: five characters or more, close together, ended by Enter or Tab.

export const GAP_MS = 50; // common practice, no source: builders use 20 to 50 ms
const TAG = /^FT\.[0-9A-Z]{9}$/;
const BADGE = /^FP\.[0-9A-Z]{4,61}$/;
const PREFIX = /^\][A-Za-z][0-9A-Za-z]/; // a symbology identifier that some scanners put in front

/** The text of a scan as it counts: without the symbology identifier, in capitals. */
export const clean = (text) => text.trim().replace(PREFIX, "").toUpperCase();
export const isTag = (text) => TAG.test(clean(text));
export const isBadge = (text) => BADGE.test(clean(text));

/** Collects keys by their time. `key(name, at)` gives the burst that this key ended, else null. Times in ms. */
export function bursts(gap = GAP_MS) {
  let text = "";
  let last = -Infinity;
  return {
    key(name, at) {
      const close = at - last <= gap;
      last = at;
      if (name === "Enter" || name === "Tab") {
        const whole = close && text.length >= 5 ? text : null;
        text = "";
        return whole;
      }
      if (name.length === 1) text = close ? text + name : name;
      return null;
    },
    get length() {
      return text.length;
    },
  };
}

const isBox = (node) => node?.matches?.("input[type=text]") ?? false;

/**
 * Listens on the whole window. A tag or a badge counts wherever the focus is, and the box that had the focus gets its own text
 * back. Any other burst is left alone: it belongs to the box it was typed into.
 */
export function listen(window, onTag, onBadge = () => {}) {
  const burst = bursts();
  let before = null; // the box under the burst, and what it held
  window.addEventListener(
    "keydown",
    (event) => {
      if (event.isComposing || event.ctrlKey || event.metaKey || event.altKey || event.key === "Shift") return;
      const box = isBox(event.target) ? event.target : null;
      const whole = burst.key(event.key, event.timeStamp);
      if (burst.length === 1) before = box && { box, value: box.value };
      if (!whole || !(isTag(whole) || isBadge(whole))) return;
      event.preventDefault();
      event.stopImmediatePropagation();
      if (before?.box.isConnected) {
        before.box.value = before.value;
        before.box.dispatchEvent(new Event("input", { bubbles: true }));
      }
      (isTag(whole) ? onTag : onBadge)(clean(whole));
    },
    { capture: true },
  );
}
