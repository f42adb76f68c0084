// Elements from data. Text goes in as text, so a name is never markup.

const SVG = "http://www.w3.org/2000/svg";

function fill(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value !== null && value !== undefined && value !== false) node.setAttribute(name, value === true ? "" : value);
  }
  node.append(...children.filter((child) => child !== null && child !== undefined));
  return node;
}

export const html = (name, attributes = {}, ...children) => fill(document.createElement(name), attributes, children);
export const svg = (name, attributes = {}, ...children) =>
  fill(document.createElementNS(SVG, name), attributes, children);

/** Puts children in the place of what was there; nothing stands for no child. */
export const put = (node, ...children) => node.replaceChildren(...children.filter((child) => child !== null));

/** Calls `redraw` when the place got another width; its height follows from what is drawn, so it is not watched. */
export function whenWider(place, redraw) {
  let known = place.clientWidth;
  new ResizeObserver(() => {
    if (place.clientWidth === known) return;
    known = place.clientWidth;
    redraw();
  }).observe(place);
}

/** Straight scale from data to pixels, rounded to a tenth of a pixel so that drawings are the same everywhere. */
export const scale =
  ([low, high], [from, to]) =>
  (value) =>
    Math.round((from + ((value - low) / (high - low || 1)) * (to - from)) * 10) / 10;

/** Round steps (1, 2 or 5 times a power of ten) inside [low, high], about `count` of them. */
export function steps([low, high], count) {
  const raw = (high - low || 1) / count;
  const power = 10 ** Math.floor(Math.log10(raw));
  const size = [1, 2, 5, 10].map((n) => n * power).find((n) => n >= raw * 0.999);
  const first = Math.ceil(low / size - 1e-9);
  const last = Math.floor(high / size + 1e-9);
  const digits = Math.max(0, -Math.floor(Math.log10(size) + 1e-9));
  return Array.from({ length: last - first + 1 }, (_, i) => ((first + i) * size).toFixed(digits));
}

// State is a shape and a word; colour is the third voice (drawn with currentColor).
const SHAPES = {
  good: ["M3 5h18", "M12 9a6 6 0 1 0 .01 0z"],
  watch: ["M6 12a6 6 0 0 0 12 0z", "O M12 6a6 6 0 1 0 .01 0z"],
  adjust: ["M12 4l8 13H4z", "M3 21h18"],
  replace: ["M6 5h12v12H6z", "M3 21h18"],
  doubt: ["O M12 3l9 9-9 9-9-9z"],
  hold: ["O M2 2h20v20H2z", "O M7 7h10v10H7z"],
  out: ["O M4 12h14", "O M12 5l7 7-7 7"],
  shop: ["O M4 5h16v15H4z", "M9 2h6v5H9z"],
  ready: ["O M4 12l6 7L20 4"],
  gone: ["O M4 4l16 16M20 4L4 20"],
};
const SHAPE_OF = {
  good: "good",
  watch: "watch",
  adjust: "adjust",
  replace: "replace",
  not_proved: "doubt",
  undecided: "doubt",
  ready: "ready",
  in_shop: "shop",
  out: "out",
  on_hold: "hold",
  retired: "gone",
  unidentified: "doubt",
};
const TONE_OF = {
  good: "good",
  ready: "good",
  watch: "watch",
  adjust: "watch",
  replace: "bad",
  hold: "bad",
  gone: "bad",
  doubt: "doubt",
  out: "ink",
  shop: "ink",
};

/** The mark of an outcome or a standing: a shape beside its word. */
export function mark(state, word) {
  const shape = SHAPE_OF[state] ?? state;
  const paths = (SHAPES[shape] ?? SHAPES.doubt).map((d) =>
    d.startsWith("O ")
      ? svg("path", { d: d.slice(2), class: "line" })
      : svg("path", { d, class: d.endsWith("h18") ? "line" : "solid" }),
  );
  const drawing = svg("svg", { viewBox: "0 0 24 24", width: 24, height: 24, "aria-hidden": "true" }, ...paths);
  return html("span", { class: `mark ${TONE_OF[shape] ?? "doubt"}` }, drawing, html("span", {}, word));
}
