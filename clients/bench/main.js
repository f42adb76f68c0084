// The bench page: scan, know, write one reading, see what it did. What may be refused is said in words.

import { makeBadges } from "./badge.js";
import { caller, NoAnswer, part, Refused } from "./api.js";
import { endOfDay, stamp } from "./clock.js";
import { showClip } from "./clip.js";
import { isDecimal } from "./digits.js";
import { html, mark, whenWider } from "./draw.js";
import { fan } from "./fan.js";
import { maker } from "./ids.js";
import { makeNib } from "./nib.js";
import { showPage } from "./page.js";
import * as say from "./say.js";
import { clean, isBadge, isTag, listen } from "./wedge.js";

const CLIENT = "fettlebook-bench/0.1.0";
const CLOCK_DOUBT_MS = 5 * 60_000;
const HISTORY = 20;
const MISS = 5;

const $ = (id) => document.getElementById(id);
const now = () => Date.now();
const east = (ms = now()) => -new Date(ms).getTimezoneOffset();
const address = new URLSearchParams(location.search);
const trueAt = address.get("true_at")?.replace(" ", "+") ?? null; // a bare + in an address reads as a space
const pastDay = trueAt && /^\d{4}-\d{2}-\d{2}$/.test(trueAt) ? trueAt : null;
const asOf = trueAt ? { true_at: pastDay ? endOfDay(trueAt, east(Date.parse(trueAt))) : trueAt } : {};
const nextId = maker();

let clockOff = 0;
let turn = 0; // counts scans: only the latest one opens anything
// {unit, tag, tagRead, card, identity, condition, sheet, classOf, row, stage}; another object for every opening,
// so that an answer about the one before never lands on this one
let open = null;
let unsent = null; // an entry that nobody answered: the same bytes go again
let people = [];

const shop = caller({ now, asOf, heard: (ms) => (clockOff = ms) });
const memory = {
  by: sessionStorage.getItem("by") ?? "",
  gauge: localStorage.getItem("gauge") ?? "",
  drafts: new Map(JSON.parse(sessionStorage.getItem("drafts") ?? "[]")),
};
function stored() {
  sessionStorage.setItem("by", memory.by);
  sessionStorage.setItem("drafts", JSON.stringify([...memory.drafts]));
  localStorage.setItem("gauge", memory.gauge);
}

const refuseScan = (text) => {
  if ($("refused").textContent !== text) $("refused").textContent = text;
};
const announce = (text) => ($("kept").textContent = text);
const nib = makeNib($("nib"), { keep, still, memory, stored });
nib.hide();
const badges = makeBadges({
  form: $("sign"),
  list: $("who-list"),
  shop,
  now,
  announce,
  refuse: refuseScan,
  changed(signedIn) {
    const names = signedIn.map((person) => person.name ?? person.person);
    $("who").querySelector("summary").textContent = say.whoSigns(names);
    if (signedIn.length) nib.who(signedIn.at(-1).person);
  },
});

function welcome([title, words]) {
  $("welcome-title").textContent = title;
  $("welcome-words").textContent = words;
}

/** Says why a call gave nothing. */
function explain(error, otherwise = say.noNetwork, refuse = refuseScan) {
  if (error instanceof Refused && error.status === 401 && !open) {
    welcome(say.welcome.enrol);
    refuse(say.notYetEnrolled);
  } else if (error instanceof Refused && error.status < 500) refuse(say.refusal(error.status, error.problem));
  else if (error instanceof Refused || error instanceof NoAnswer) refuse(otherwise);
  else throw error;
}

// --- opening

/** Opens what was scanned or typed; `how` is `scanned`, `typed` or `picked`. */
async function find(text, how) {
  if (isBadge(text)) {
    $("scan-box").value = "";
    return badges.scanned(clean(text)); // typed, or by a scanner too slow to be told from a hand
  }
  const wanted = clean(text);
  if (!wanted) return refuseScan(say.emptyScan);
  const mine = ++turn;
  refuseScan("");
  announce(say.welcome.looking(wanted)[1]);
  try {
    let unit = wanted;
    let tag = null;
    if (isTag(wanted) || wanted.startsWith("FT.")) {
      const worn = await shop.read(`/v1/tags/${part(wanted)}`);
      if (mine !== turn) return;
      const why = say.tagRefused(worn);
      if (why) return unknown(why);
      [unit, tag] = [worn.unit, wanted];
    }
    await show(unit, { tag, tagRead: tag ? how : null }, mine);
  } catch (error) {
    if (mine !== turn) return;
    announce("");
    const near = error instanceof Refused ? (error.problem.near ?? error.problem.errors?.[0]?.near) : null;
    if (error instanceof Refused && error.status === 404) unknown(say.unitRefused(wanted, near ?? []));
    else explain(error);
  }
}

function unknown(words) {
  announce("");
  refuseScan(words);
  $("scan-box").select();
}

async function show(unit, { tag, tagRead }, mine) {
  const card = await shop.read(`/v1/units/${part(unit)}/card`);
  const { identity } = card;
  if (mine !== turn) return;
  if (identity.family === "gauge" && open) {
    nib.gauge(unit);
    announce(say.gaugeTaken(unit));
    return nib.focus();
  }
  const classOf = identity.class;
  const [condition, sheet] = await Promise.all([
    shop.read(`/v1/units/${part(unit)}/condition`),
    shop.read(`/v1/classes/${part(classOf)}/sheet`).catch((error) => {
      if (error instanceof Refused && error.status === 404) return null; // a class without a sheet can still be read
      throw error;
    }),
  ]);
  if (mine !== turn) return;
  const same = open?.unit === unit;
  open = {
    unit,
    tag,
    tagRead,
    card,
    identity,
    condition,
    sheet,
    classOf,
    row: same ? open.row : null,
    stage: same ? open.stage : "as_found",
  };
  document.title = `${unit} - Bench`;
  document.body.classList.add("open");
  $("welcome").hidden = true;
  $("card").hidden = false;
  $("scan-box").value = "";
  drawKnow(!same);
  fillPick();
  announce(say.opened(unit, say.standing(condition.standing)));
  if (matchMedia("(min-width: 900px)").matches) nib.focus({ preventScroll: true }); // it is in view there
  await Promise.all([drawWear(), drawHistory()]);
}

const rows = () => (open.sheet?.sheet.characteristics ?? []).filter((r) => !r.readings_of && r.kind !== "choice");
const listed = () => new Set(open.condition.characteristics.map((c) => c.characteristic));
const row = () => rows().find((r) => r.code === open.row);
const stateOf = (code) => open.condition.characteristics.find((c) => c.characteristic === code);

function drawKnow(fresh = false) {
  const { card, condition, identity, sheet } = open;
  const why = condition.standing_why?.[0]?.why;
  const shown = ["on_hold", "unidentified"].includes(condition.standing) ? why : null;
  showClip($("clip"), {
    unit: open.unit,
    title: [say.shortTitle(sheet?.sheet.title ?? open.classOf), identity.name].filter(Boolean).join(", "),
    serial: identity.serial,
    standing: condition.standing,
    why: shown,
    hours: say.hours(condition.hours),
    fresh,
    clock: Math.abs(clockOff) > CLOCK_DOUBT_MS ? say.clockOff(clockOff) : null,
  });
  drawMiss(say.doNotMiss(card));
  drawNear();
}

function drawMiss(lines) {
  const more = lines.length > MISS ? [html("li", { class: "more" }, say.andMore(lines.length - MISS))] : [];
  $("miss-lines").replaceChildren(...lines.slice(0, MISS).map((l) => html("li", {}, mark(l.state, l.text))), ...more);
  $("miss").hidden = lines.length === 0;
}

/** How much of the way to its limit a reading has gone, for the order of a list only: 1 is at the acting limit. */
function share(c) {
  const { acting_limit: acting, value } = c.conformity ?? {};
  if (value == null || !isDecimal(value)) return null;
  const sheetRow = open.sheet?.sheet.characteristics.find((r) => r.code === c.characteristic);
  if (acting && typeof acting === "object") {
    const [low, high] = [Number(acting.low), Number(acting.high)];
    return Math.abs(Number(value) - (low + high) / 2) / ((high - low) / 2 || 1);
  }
  if (acting == null || !isDecimal(acting)) return null;
  const fresh = Number(sheetRow?.new?.[0] ?? 0);
  return (Number(value) - fresh) / (Number(acting) - fresh || 1);
}

function drawNear() {
  const known = open.condition.characteristics.filter((c) => share(c) !== null).sort((a, b) => share(b) - share(a));
  const lines = known.slice(0, 3).map((c) => {
    const { outcome, value, acting_limit: acting, uom } = c.conformity;
    const title = say.shortTitle(c.title ?? c.characteristic);
    const lower = open.sheet?.sheet.characteristics.find((r) => r.code === c.characteristic)?.worse === "lower";
    const text = say.shareOf(value, typeof acting === "string" ? acting : null, uom, lower);
    const button = html(
      "button",
      { type: "button", class: "line", "data-code": c.characteristic },
      html("span", { class: "name" }, title),
      html("span", { class: "value" }, text),
      mark(outcome, say.outcome(outcome)),
    );
    button.addEventListener("click", () => pick(c.characteristic));
    return button;
  });
  $("near-lines").replaceChildren(...(lines.length ? lines : [html("p", {}, say.notMeasured)]));
}

function fillPick() {
  const all = rows().filter((r) => listed().has(r.code));
  $("pick").replaceChildren(...all.map((r) => html("option", { value: r.code }, say.shortTitle(r.title))));
  const first =
    all.find((r) => r.code === open.row) ??
    all.find((r) => r.code.endsWith("-BL")) ??
    all.find((r) => r.positions?.length) ??
    all[0];
  open.row = first?.code ?? null;
  if (first) $("pick").value = first.code;
  $("pick").disabled = !first;
  drawNib();
}

/** Another line of the sheet; one that is formed from other readings shows those. */
async function pick(code) {
  const formed = open.sheet?.sheet.characteristics.find((r) => r.code === code)?.readings_of;
  const wanted = rows().find((r) => r.code === (formed ?? code));
  if (!wanted) return;
  open.row = wanted.code;
  open.stage = "as_found";
  $("pick").value = wanted.code;
  drawNib();
  nib.focus();
  await drawWear().catch((error) => explain(error));
}

function drawNib() {
  if (!row()) return nib.hide();
  const c = stateOf(row().code);
  nib.show({
    unit: open.unit,
    row: row(),
    stage: open.stage,
    conformity: c?.conformity,
    last: c?.latest?.value ?? null,
    readOnly: Boolean(trueAt),
  });
}

async function drawWear() {
  const mine = open;
  const code = open.row;
  const wanted = row();
  if (!wanted) return $("chart").replaceChildren(html("p", {}, say.noWear));
  const c = stateOf(code);
  const verdict = html(
    "p",
    { class: "verdict", id: "verdict" },
    mark(c?.conformity?.outcome ?? "undecided", say.verdict(c?.conformity, wanted)),
  );
  let wear = null;
  try {
    wear = await shop.read(`/v1/units/${part(open.unit)}/wear/${part(code)}`);
  } catch (error) {
    if (!(error instanceof Refused && [404, 422].includes(error.status))) throw error;
  }
  if (open !== mine || open.row !== code) return;
  open.wear = wear;
  const supplyDays = open.sheet?.sheet.slots?.find((s) => s.slot === wanted.slot)?.supply_days ?? null;
  open.drawWear = () => {
    const width = Math.max(300, $("chart").clientWidth);
    const about = { title: wanted.title, unit: open.unit, supplyDays, lower: wanted.worse === "lower" };
    const drawn = wear ? fan({ uom: wanted.uom, ...wear }, about, { width, height: width < 500 ? 260 : 300 }) : null;
    const wasOpen = $("chart").querySelector("details")?.open;
    $("chart").replaceChildren(verdict, drawn ? drawn.element : html("p", {}, say.noWear));
    $("chart").dataset.points = String(drawn?.points ?? 0);
    if (wasOpen && $("chart").querySelector("details")) $("chart").querySelector("details").open = true;
  };
  open.drawWear();
  const line = wear && say.wearLine(wear, wanted.title);
  if (line) drawMiss(say.doNotMiss(open.card, line));
}

async function drawHistory() {
  const mine = open;
  const answer = await shop.read(`/v1/units/${part(open.unit)}/history`, { limit: HISTORY, order: "newest" });
  if (open !== mine) return;
  showPage($("page"), answer.entries ?? [], {
    names: new Map(people.map((p) => [p.id, p.name])),
    sheet: open.sheet?.sheet,
  });
}

// --- writing

/** Writes one reading. True when the shop has it; else the words say what happened and the digits stay. */
async function keep(draft) {
  if (trueAt) return (nib.refuse(say.refusedSoftly.past), false);
  const { unit, tag, tagRead } = open;
  const sheetRow = row();
  // a scan or another line of the sheet may come before the shop's answer
  const here = () => open.unit === unit && open.row === sheetRow.code && open.stage === draft.stage;
  const data = {
    characteristic: sheetRow.code,
    stage: draft.stage,
    uom: sheetRow.uom,
    readings: draft.readings,
    ...(draft.gauge ? { gauge: draft.gauge } : {}),
    ...(draft.hours ? { hours: { value: draft.hours, uom: "h" } } : {}),
    sheet_rev: open.sheet.rev,
  };
  const content = JSON.stringify([unit, draft.by, tag, data]);
  const at = now();
  const entry =
    unsent?.content === content
      ? unsent.entry
      : {
          id: nextId(at),
          type: "reading.taken",
          v: 1,
          subject: `unit:${unit}`,
          occurred_at: stamp(at, east(at)),
          by: draft.by,
          ...(tag ? { tag, tag_read: tagRead } : {}),
          client: CLIENT,
          data,
        };
  nib.tell(say.keeping);
  let recorded;
  try {
    recorded = await shop.write("/v1/entries", entry);
    unsent = null;
  } catch (error) {
    unsent = error instanceof NoAnswer || error.status >= 500 ? { content, entry } : null;
    explain(error, say.notWritten, here() ? nib.refuse : (text) => refuseScan(`${unit}: ${text}`));
    const pointer = error instanceof Refused ? error.problem.errors?.[0]?.pointer : null;
    if (here()) nib.blame(say.faultPlace(pointer));
    return false;
  }
  memory.by = draft.by;
  memory.gauge = draft.gauge ?? memory.gauge;
  stored();
  const said = say.kept({
    unit,
    row: sheetRow,
    stageWord: draft.stage,
    values: draft.readings.map((r) => r.value),
    at: recorded.recorded_at ?? entry.occurred_at,
  });
  const left = draft.stage === "as_found";
  memory.drafts.delete(`${unit} ${sheetRow.code} ${draft.stage}`);
  const words = [said, say.raised(recorded), left ? say.nowLeft : ""].filter(Boolean).join(" ");
  if (!here()) {
    announce(said);
    return true;
  }
  open.stage = left ? "as_left" : "as_found"; // at once: the next digits belong to the next stage
  drawNib();
  nib.tell(words);
  nib.focus();
  again().catch((error) => explain(error));
  return true;
}

/** As left is the same as as found: nothing is written in this first page. */
function still(stage) {
  if (stage !== "as_left") return;
  memory.drafts.delete(`${open.unit} ${open.row} as_left`);
  open.stage = "as_found";
  drawNib();
  nib.tell(say.stillSaid(open.unit));
  nib.focus();
}

/** Reads everything about the unit again and redraws it. */
async function again() {
  const mine = open;
  const [card, condition] = await Promise.all([
    shop.read(`/v1/units/${part(open.unit)}/card`),
    shop.read(`/v1/units/${part(open.unit)}/condition`),
  ]);
  if (open !== mine) return;
  Object.assign(open, { card, condition });
  drawKnow();
  drawNib();
  await Promise.all([drawWear(), drawHistory()]);
}

// --- start

$("scan").addEventListener("submit", (event) => {
  event.preventDefault();
  find($("scan-box").value, "typed");
});
$("pick").addEventListener("change", () => pick($("pick").value));
listen(window, (tag) => find(tag, "scanned"), badges.scanned);
for (const sign of ["keydown", "pointerdown"]) window.addEventListener(sign, badges.touch, { capture: true });
setInterval(() => badges.tick(), 15_000);
whenWider($("chart"), () => open?.drawWear?.());

if (trueAt) {
  $("then").textContent = say.asItWas(trueAt);
  $("then").hidden = false;
}
try {
  people = (await shop.read("/v1/people", {}, { timeless: true })).people ?? [];
  nib.people(people.filter((person) => !person.retired));
  await badges.look();
  const asked = address.get("tag") ?? address.get("unit");
  if (asked) await find(asked, "picked");
} catch (error) {
  if (error instanceof Refused && error.status === 401) welcome(say.welcome.enrol);
  else explain(error);
}
document.documentElement.dataset.ready = "true";
