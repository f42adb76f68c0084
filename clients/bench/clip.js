// The identity band: which iron this is, how it stands, its hours. It never scrolls away.

import { html, mark, put } from "./draw.js";
import * as say from "./say.js";

/** Fills `band` from {unit, title, serial, standing, why, hours, clock?, fresh}. */
export function showClip(band, { unit, title, serial, standing, why, hours, clock, fresh }) {
  band.className = `clip ${standing}${fresh ? " fresh" : ""}`; // a new unit is seen to have come
  put(
    band,
    html("p", { class: "unit", id: "clip-unit" }, unit),
    html(
      "p",
      { class: "who" },
      html("span", { class: "title" }, title ?? ""),
      html("span", { class: "iron" }, [serial && `iron ${serial}`, hours].filter(Boolean).join(" \u00b7 ")),
    ),
    html(
      "p",
      { class: "standing", id: "clip-standing" },
      mark(standing, say.standing(standing)),
      why ? html("span", { class: "why" }, why) : null,
    ),
    clock ? html("p", { class: "clock" }, clock) : null,
  );
  band.hidden = false;
}
