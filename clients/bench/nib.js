// One reading being written: a comb per place of the sheet, as found and then as left. It writes through `keep`.

import { blanksOf, comb, isDecimal, isFull, isStep, press } from "./digits.js";
import { html, whenWider } from "./draw.js";
import { rule } from "./rule.js";
import * as say from "./say.js";

const KEYS = ["7", "8", "9", "rub", "4", "5", "6", "back", "1", "2", "3", "still", ".", "0", "keep"];

/** The marks of a sheet's row as the rule draws them; `conformity` adds the acting limit, worked out by the service. */
export function marksOf(row, conformity) {
  const acting = typeof conformity?.acting_limit === "string" ? conformity.acting_limit : null;
  const window = row.kind === "window";
  return {
    title: row.title,
    uom: row.uom,
    lower: row.worse === "lower",
    watch: row.watch,
    adjust: row.adjust,
    limit: window || row.against_baseline ? null : row.replace,
    acting: row.against_baseline ? null : acting,
    low: window ? row.low : null,
    high: window ? row.high : null,
  };
}

/**
 * `place` is the section that the nib draws in. `keep(draft)` is called with {stage, readings [{value, position?}],
 * gauge, hours, by}, and answers true when the shop has it. `memory` {by, gauge, drafts} outlives the nib, `stored`
 * puts it away on every key: nothing half-written moves to another unit, and nothing is lost.
 */
export function makeNib(place, { keep, still, memory, stored }) {
  let now = null; // what is being written
  let busy = false;

  // One place for the sentence: what the next digit writes, or what was just kept or refused.
  const words = html("h2", { id: "nib-words" });
  const refused = html("p", { id: "nib-refused", class: "nib-refused", role: "alert" });
  const told = html("p", { id: "nib-kept", class: "nib-kept", role: "status" });
  const sentence = html("div", { class: "sentence" }, words, refused, told);
  const refuse = (text) => {
    if (refused.textContent !== text) refused.textContent = text;
    if (told.textContent) told.textContent = "";
  };
  const tell = (text) => {
    refused.textContent = "";
    told.textContent = text;
  };
  const rowOfBoxes = html("div", { class: "beside" });
  const combs = html("div", { class: "combs", role: "group", "aria-labelledby": "nib-words" });
  const scale = html("div", { class: "scale" });
  const pad = html("div", { class: "pad" });
  const boxes = {
    gauge: html("input", {
      id: "gauge",
      type: "text",
      autocomplete: "off",
      autocapitalize: "characters",
      spellcheck: "false",
    }),
    hours: html("input", { id: "hours", type: "text", inputmode: "decimal", autocomplete: "off" }),
    by: html("select", { id: "by" }),
  };
  for (const [name, box] of Object.entries(boxes)) {
    rowOfBoxes.append(html("p", { class: `box ${name}` }, html("label", { for: name }, say.labels[name]), box));
  }
  const keys = new Map();
  for (const key of KEYS) {
    const word = say.labels[key] ?? say.keyName(key);
    const button = html(
      "button",
      { type: "button", class: `key ${/\d|\./.test(key) ? "digit" : key}`, id: `key-${key === "." ? "point" : key}` },
      key === "." ? "." : word,
    );
    // the keyboard has these itself; Tab goes past them
    if (/\d|\.|rub|back/.test(key)) button.tabIndex = -1;
    if (key === ".") button.setAttribute("aria-label", say.keyName(key));
    button.addEventListener("click", () => act(key));
    keys.set(key, button);
    pad.append(button);
  }
  place.replaceChildren(sentence, scale, combs, pad, rowOfBoxes);

  const inputs = () => [...combs.querySelectorAll("input")];
  const active = () => now.texts[now.at];
  const where = (i) => say.place(now.positions[i], i, now.positions.length);
  const faultOf = (i) => {
    const text = now.texts[i];
    if (!isFull(text, now.form)) return say.refusedSoftly.box(where(i), now.form.decimals);
    return now.form.step && !isStep(text, now.form.step) ? say.refusedSoftly.step(where(i), now.form.step) : null;
  };
  const allFull = () => now.texts.every((_, i) => faultOf(i) === null);

  function act(key) {
    if (!now || now.readOnly) return;
    if (busy) return refuse(say.refusedSoftly.busy);
    if (key === "keep") return forward();
    if (key === "still") return still(now.stage);
    if (key === "back") return focusAt(Math.max(0, now.at - 1));
    write(now.at, press(active(), key, now.form));
  }

  function write(i, text) {
    now.texts[i] = text;
    memory.drafts.set(now.key, now.texts);
    stored();
    refuse("");
    redraw();
  }

  function focusAt(i, options) {
    now.at = i;
    inputs()[i]?.focus(options);
    redraw();
  }

  /** Enter and Keep: on to the first place that is not full; when all are, write. */
  function forward() {
    const fault = faultOf(now.at);
    if (fault) return refuse(fault);
    const blank = now.texts.findIndex((_, i) => faultOf(i) !== null);
    if (blank >= 0) return focusAt(blank);
    const hours = boxes.hours.value.trim().replace(",", ".");
    const gauge = boxes.gauge.value.trim();
    if (now.row.needs_gauge && !gauge) return shut(boxes.gauge, say.refusedSoftly.gauge);
    if (hours && !isDecimal(hours)) return shut(boxes.hours, say.refusedSoftly.hours);
    if (!boxes.by.value) return shut(boxes.by, say.refusedSoftly.by);
    return send({
      stage: now.stage,
      by: boxes.by.value,
      gauge: gauge || null,
      hours: hours || null,
      readings: now.texts.map((value, i) =>
        now.positions[i] == null ? { value } : { value, position: now.positions[i] },
      ),
    });
  }

  function shut(box, text) {
    refuse(text);
    box.focus();
  }

  async function send(draft) {
    busy = true;
    place.setAttribute("aria-busy", "true");
    const writing = now;
    try {
      await keep(draft);
    } finally {
      busy = false;
      place.removeAttribute("aria-busy");
      if (now === writing) redraw();
    }
  }

  function redraw() {
    const { row, form } = now;
    for (const [i, input] of inputs().entries()) {
      const text = now.texts[i];
      if (input.value !== text) input.value = text;
      const blanks = blanksOf(text, form);
      const cells = input.parentElement.querySelector(".cells");
      cells.replaceChildren(
        ...[...(text + blanks)].map((c) =>
          html("span", { class: c === "." ? "dot" : c === "_" ? "cell empty" : "cell" }, c === "_" ? " " : c),
        ),
      );
      const label = input.parentElement;
      label.classList.toggle("live", i === now.at && !now.readOnly);
      label.classList.toggle("full", faultOf(i) === null);
      input.readOnly = now.readOnly;
    }
    words.textContent = say.nibWords({
      unit: now.unit,
      row,
      stageWord: now.stage,
      position: now.positions[now.at],
      text: active(),
      blanks: blanksOf(active(), form),
      gauge: boxes.gauge.value.trim(),
    });
    const open = allFull();
    const last = open || now.positions.length === 1;
    const keepKey = keys.get("keep");
    keepKey.textContent = last ? say.labels.keep : say.labels.next;
    keepKey.setAttribute("aria-disabled", String(now.readOnly || (last ? !open : faultOf(now.at) !== null)));
    keys.get("still").hidden = now.stage !== "as_left";
    keys.get("back").disabled = now.readOnly || now.at === 0;
    keys.get(".").disabled = now.readOnly || !form.decimals;
    const full = now.texts.filter((t) => isFull(t, form));
    const width = Math.max(280, scale.clientWidth || 360);
    const drawn = rule({ ...marksOf(row, now.conformity), unit: now.unit, last: now.last, value: full }, width);
    scale.replaceChildren(drawn.element);
  }

  combs.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const { key } = event;
    if (/^[\d.,]$/.test(key)) act(key === "," ? "." : key);
    else if (key === "Backspace") act("rub");
    else if (key === "Enter") act("keep");
    else if (key === "Escape") {
      if (!busy && !now.readOnly) write(now.at, now.form.start);
    } else if (key === "ArrowLeft" || key === "ArrowUp") focusAt(Math.max(0, now.at - 1));
    else if (key === "ArrowRight" || key === "ArrowDown") focusAt(Math.min(now.positions.length - 1, now.at + 1));
    else if (key.length !== 1) return; // Tab and the like go their own way
    event.preventDefault();
  });
  combs.addEventListener("focusin", (event) => {
    const i = inputs().indexOf(event.target);
    if (i >= 0 && i !== now.at) {
      now.at = i;
      redraw();
    }
  });
  // Voice input, a paste or an on-screen keyboard writes the whole box at once: digit by digit it obeys the comb.
  combs.addEventListener("input", (event) => {
    const i = inputs().indexOf(event.target);
    if (i < 0 || event.target.value === now.texts[i]) return redraw();
    if (busy || now.readOnly) return redraw();
    let text = "";
    for (const key of event.target.value.replace(",", ".")) {
      if (key !== "." || !text.endsWith(".")) text = press(text, key, now.form);
    }
    write(i, text);
  });
  for (const box of [boxes.gauge, boxes.hours]) {
    box.addEventListener("input", () => {
      if (box === boxes.gauge) memory.gauge = box.value.trim();
      refuse("");
      if (now) redraw();
    });
    box.addEventListener("keydown", (event) => {
      if (event.key === "Enter" && now) {
        event.preventDefault();
        const blank = now.texts.findIndex((_, i) => faultOf(i) !== null);
        if (blank >= 0) focusAt(blank);
        else act("keep");
      }
    });
  }
  boxes.by.addEventListener("change", () => {
    memory.by = boxes.by.value;
    stored();
    refuse("");
  });
  whenWider(scale, () => now && redraw());

  return {
    /** Shows one characteristic of one unit at one stage, with what was typed there before. */
    show({ unit, row, stage, conformity, last, readOnly }) {
      const key = `${unit} ${row.code} ${stage}`;
      if (now?.key === key) {
        Object.assign(now, { row, conformity, last }); // what is being typed, and what was just said, stay
        return redraw();
      }
      const form = comb(row);
      const positions = row.positions?.length ? row.positions : [null];
      const draft = memory.drafts.get(key);
      const texts = draft?.length === positions.length ? draft : positions.map(() => form.start);
      if (now && now.unit !== unit) boxes.hours.value = "";
      now = { unit, row, stage, conformity, last, readOnly, key, form, positions, texts, at: 0 };
      const blank = texts.findIndex((_, i) => faultOf(i) !== null);
      now.at = Math.max(0, blank);
      combs.replaceChildren(
        ...positions.map((position, i) => {
          const input = html("input", { type: "text", inputmode: "none", autocomplete: "off", id: `comb-${i}` });
          return html(
            "label",
            { class: "comb", for: `comb-${i}` },
            html("span", { class: "at" }, say.place(position, i, positions.length)),
            html("span", { class: "cells", "aria-hidden": "true" }),
            input,
          );
        }),
      );
      boxes.gauge.value = memory.gauge ?? "";
      for (const node of [...Object.values(boxes), ...keys.values()]) node.disabled = Boolean(readOnly);
      refuse("");
      place.classList.toggle("left", stage === "as_left");
      place.hidden = false;
      redraw();
    },
    /** The people who may be named; the last one chosen in this tab stays. */
    people(people) {
      const choose = html("option", { value: "" }, say.labels.choose);
      boxes.by.replaceChildren(choose, ...people.map((p) => html("option", { value: p.id }, p.name)));
      boxes.by.value = people.some((p) => p.id === memory.by) ? memory.by : "";
    },
    /** Who has just signed in is who reads. */
    who(id) {
      boxes.by.value = id;
    },
    gauge(id) {
      memory.gauge = id;
      boxes.gauge.value = id;
      stored();
      if (now) redraw();
    },
    focus(options) {
      if (now && !now.readOnly) focusAt(now.at, options);
    },
    refuse,
    tell,
    /** Puts the focus on the box that a fault points at. */
    blame({ word, index }) {
      if (word === "gauge") boxes.gauge.focus();
      else if (word === "hours") boxes.hours.focus();
      else if (word === "who") boxes.by.focus();
      else if (word === "reading" && index !== null) focusAt(index);
    },
    hide() {
      now = null;
      place.hidden = true;
    },
  };
}
