// The kept lines of a unit, newest first: what, who, when. A struck line stays and says why it no longer counts.

import { html } from "./draw.js";
import * as say from "./say.js";

/** Fills `list` with the entries of a history answer; `names` maps person ids to names. Returns the count of lines. */
export function showPage(list, items, { names, sheet }) {
  const lines = items.map((entry) => {
    const word = say.lineMark(entry.mark);
    const text = say.line(entry, sheet);
    const gone = ["superseded", "withdrawn", "moved_out"].includes(entry.mark);
    return html(
      "li",
      { class: entry.mark ?? "", "data-entry": entry.id },
      html("span", { class: "what" }, word ? html("strong", {}, `${word} `) : null, gone ? html("s", {}, text) : text),
      html("span", { class: "whom" }, say.whoAndWhen(entry, names)),
    );
  });
  list.replaceChildren(...(lines.length ? lines : [html("li", { class: "blank" }, say.emptyPage)]));
  return lines.length;
}
