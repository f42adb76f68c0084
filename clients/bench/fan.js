// Wear against hours. The service gives the numbers; this draws them and never fits a line.

import { compare, isDecimal } from "./digits.js";
import { html, scale, steps, svg } from "./draw.js";
import { asNumbers, chartWords, day, grouped, rounded, stage, tableHeads, uom, wearSentence } from "./say.js";

const TOP = 14;
const LEFT = 58;
const RIGHT = 16;
const FOOT = 46;

/**
 * `wear` as the service answers it; `about` {title, unit, supplyDays?, lower}; `size` {width, height} in px.
 * Returns {element, sentence, points}: a figure with the drawing, its sentence and its numbers.
 */
export function fan(wear, about, { width, height }) {
  const sentence = wearSentence(wear, about);
  const points = (wear.points ?? []).filter(
    (p) => typeof p.hours === "string" && isDecimal(p.hours) && isDecimal(p.value),
  );
  const children = [];
  if (points.length) children.push(drawing(wear, about, points, sentence, width, height));
  children.push(html("figcaption", {}, sentence), table(wear));
  return { element: html("figure", { class: "fan" }, ...children), sentence, points: points.length };
}

function drawing(wear, about, points, sentence, width, height) {
  const marks = ["watch", "acting_limit", "limit"]
    .map((name) => wear[name])
    .filter((v) => typeof v === "string" && isDecimal(v));
  const crossing = wear.crossing?.hours && isDecimal(wear.crossing.hours) ? Number(wear.crossing.hours) : null;
  const service =
    wear.next_service?.hours && isDecimal(wear.next_service.hours) ? Number(wear.next_service.hours) : null;
  const hoursAt = points.map((p) => Number(p.hours));
  const [first, last] = [Math.min(...hoursAt), Math.max(...hoursAt)];
  const reach = Math.max(last - first, 50);
  // A crossing far beyond the readings would press them into a corner: the line then leaves the picture.
  const ahead = [crossing, service].filter((h) => h !== null && h < last + reach);
  const right = Math.max(last, ...ahead) + reach * 0.06;
  const left = Math.max(0, first - reach * 0.06);
  const values = [...points.map((p) => p.value), ...marks].map(Number);
  const top = Math.max(...values) * 1.12 || 1; // room for the words over the limit
  const bottom = about.lower ? Math.min(...values) - (top - Math.min(...values)) * 0.1 : Math.min(0, ...values);
  const x = scale([left, right], [LEFT, width - RIGHT]);
  const y = scale([bottom, top], [height - FOOT, TOP]);
  const parts = [];

  for (const tick of steps([bottom, top], 5)) {
    parts.push(
      svg("line", { x1: LEFT, x2: width - RIGHT, y1: y(tick), y2: y(tick), class: "grid" }),
      svg("text", { x: LEFT - 8, y: y(tick) + 5, "text-anchor": "end" }, tick),
    );
  }
  for (const tick of steps([left, right], Math.max(2, Math.floor(width / 100)))) {
    parts.push(
      svg("line", { x1: x(tick), x2: x(tick), y1: height - FOOT, y2: height - FOOT + 6, class: "tick" }),
      svg("text", { x: x(tick), y: height - FOOT + 22, "text-anchor": "middle" }, grouped(tick)),
    );
  }
  parts.push(
    svg("line", { x1: LEFT, x2: width - RIGHT, y1: y(bottom), y2: y(bottom), class: "edge" }),
    svg("text", { x: width - RIGHT, y: height - 6, "text-anchor": "end" }, `h`),
    svg("text", { x: LEFT, y: height - 6 }, uom(wear.uom)),
  );

  const guarded =
    typeof wear.acting_limit === "string" &&
    typeof wear.limit === "string" &&
    compare(wear.acting_limit, wear.limit) !== 0;
  if (guarded) {
    const [upper, lower] = [y(wear.limit), y(wear.acting_limit)].sort((a, b) => a - b);
    for (let h = LEFT; h < width - RIGHT - 6; h += 10)
      parts.push(svg("line", { x1: h, x2: h + 6, y1: lower, y2: upper, class: "hatch" }));
  }
  const level = (value, name, word, shifts, dy) => {
    if (typeof value !== "string" || !isDecimal(value)) return;
    for (const shift of shifts)
      parts.push(svg("line", { x1: LEFT, x2: width - RIGHT, y1: y(value) + shift, y2: y(value) + shift, class: name }));
    parts.push(svg("text", { x: LEFT + 6, y: y(value) + dy, class: "level" }, `${word} ${value}`));
  };
  level(wear.watch, "watch", chartWords.watch, [0], -5);
  if (guarded) level(wear.acting_limit, "acting", chartWords.acting, [0], 17);
  level(wear.limit, "limit", chartWords.limit, [-2, 2], -8);

  if (service !== null && service < right) {
    for (const shift of [-2, 2])
      parts.push(
        svg("line", { x1: x(service) + shift, x2: x(service) + shift, y1: TOP, y2: y(bottom), class: "service" }),
      );
    const wide = chartWords.service.length * 9;
    parts.push(
      svg(
        "text",
        {
          x: Math.min(x(service) - 6, width - RIGHT),
          y: y(bottom) - 8,
          "text-anchor": x(service) - wide > LEFT ? "end" : "start",
        },
        chartWords.service,
      ),
    );
  }
  if (wear.fit?.slope != null && wear.fit?.intercept != null)
    parts.push(...line(wear.fit, { first, last, right, bottom, top, x, y }));
  for (const gap of wear.gaps ?? []) {
    const at = gap.hours?.value ?? gap.hours;
    if (typeof at === "string" && isDecimal(at) && Number(at) >= left && Number(at) <= right)
      parts.push(svg("rect", { x: x(at) - 6, y: y(bottom) - 12, width: 12, height: 12, class: "gap" }));
  }
  for (const p of points) {
    parts.push(
      svg("circle", { cx: x(p.hours), cy: y(p.value), r: 6, class: p.stage === "as_left" ? "point left" : "point" }),
    );
  }
  if (crossing !== null && crossing < right && wear.acting_limit) {
    const [cx, cy] = [x(crossing), y(wear.acting_limit)];
    parts.push(svg("path", { d: `M${cx - 7} ${cy - 7}l14 14M${cx - 7} ${cy + 7}l14 -14`, class: "crossing" }));
  }
  return svg(
    "svg",
    { role: "img", "aria-label": sentence, width, height, viewBox: `0 0 ${width} ${height}` },
    ...parts,
  );
}

/** The straight line: solid among the readings, dashed beyond the last one, cut at the edges of the picture. */
function line(fit, { first, last, right, bottom, top, x, y }) {
  const per = Number(fit.per?.value ?? 100);
  const at = (h) => Number(fit.intercept) + (Number(fit.slope) * h) / per;
  const until =
    at(right) > top
      ? first + ((top - at(first)) / (at(right) - at(first))) * (right - first)
      : at(right) < bottom
        ? first + ((at(first) - bottom) / (at(first) - at(right))) * (right - first)
        : right;
  const stretch = (from, to, name) =>
    svg("line", { x1: x(from), y1: y(at(from)), x2: x(to), y2: y(at(to)), class: name });
  return [stretch(first, Math.min(last, until), "fit"), until > last ? stretch(last, until, "fit ahead") : null].filter(
    Boolean,
  );
}

function table(wear) {
  const rows = (wear.points ?? []).map((p) =>
    html(
      "tr",
      {},
      html("td", {}, day(p.at)),
      html("td", {}, typeof p.hours === "string" ? grouped(p.hours) : "not known"),
      html("td", {}, stage(p.stage)),
      html("td", {}, `${p.value} ${uom(wear.uom)}`.trim()),
    ),
  );
  if (wear.crossing?.hours) {
    rows.push(
      html(
        "tr",
        { class: "ahead" },
        html("td", {}, wear.crossing.on ? day(wear.crossing.on) : "not known"),
        html("td", {}, rounded(wear.crossing.hours)),
        html("td", {}, chartWords.forecast),
        html("td", {}, `${wear.acting_limit} ${uom(wear.uom)}`.trim()),
      ),
    );
  }
  const head = html("thead", {}, html("tr", {}, ...tableHeads.map((word) => html("th", { scope: "col" }, word))));
  return html("details", {}, html("summary", {}, asNumbers), html("table", {}, head, html("tbody", {}, ...rows)));
}
