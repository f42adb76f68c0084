// Every sentence of the screen. Pure: data in, text out. Numbers keep the digits that were written.

import { compare, greatest, isDecimal, least } from "./digits.js";

const MONTHS = [
  "January",
  "February",
  "March",
  "April",
  "May",
  "June",
  "July",
  "August",
  "September",
  "October",
  "November",
  "December",
];
const COUNTS = [
  "no",
  "one",
  "two",
  "three",
  "four",
  "five",
  "six",
  "seven",
  "eight",
  "nine",
  "ten",
  "eleven",
  "twelve",
];
const UOMS = {
  circ: "turn",
  h: "h",
  "N.m": "N m",
  "{rev}/min": "turns/min",
  "mm/{rev}": "mm/turn",
  "%": "%",
  Cel: "°C",
  "dB[SPL]": "dB",
  "[in_i]": "in",
  "[psi]": "psi",
  1: "",
};
const OUTCOMES = {
  good: "GOOD",
  watch: "WATCH",
  adjust: "ADJUST",
  replace: "REPLACE",
  not_proved: "CANNOT DECIDE",
  undecided: "CANNOT DECIDE",
};
const STANDINGS = {
  ready: "READY",
  in_shop: "ON THE BENCH",
  out: "OUT",
  on_hold: "HOLD",
  retired: "RETIRED",
  unidentified: "NOT IDENTIFIED",
};
const STAGES = { as_found: "as found", as_left: "as left", stand: "on the stand", in_service: "in service" };

export const uom = (code) => UOMS[code] ?? code ?? "";
export const outcome = (word) => OUTCOMES[word] ?? "CANNOT DECIDE";
export const standing = (word) =>
  STANDINGS[word] ??
  String(word ?? "")
    .replaceAll("_", " ")
    .toUpperCase();
export const stage = (word) => STAGES[word] ?? String(word ?? "").replaceAll("_", " ");
export const count = (n) => COUNTS[n] ?? String(n);

const join = (parts, between = ", ") => parts.filter(Boolean).join(between);
const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);
const sentence = (text) => (/[.!?]$/.test(text) ? capital(text) : `${capital(text)}.`);

/** 1503.2 as 1,503.2: groups of three before the point, digits behind it untouched. */
export function grouped(text) {
  const [whole, rest] = String(text).split(".");
  const shown = whole.replace(/\B(?=(\d{3})+$)/g, ",");
  return rest === undefined ? shown : `${shown}.${rest}`;
}

/** A decimal of the service's arithmetic to whole numbers, half up: for "about 1,754 h" only. */
export const rounded = (text) => grouped(String(Math.round(Number(text))));

/** A date or moment as [year, month 1-12, day, "hh:mm" or ""]: as typed; in this device's time when it came as UTC. */
function parts(text) {
  if (/(Z|\+00:00)$/.test(text)) {
    const d = new Date(text);
    const time = [d.getHours(), d.getMinutes()].map((n) => String(n).padStart(2, "0")).join(":");
    return [d.getFullYear(), d.getMonth() + 1, d.getDate(), time];
  }
  const [year, month, day] = text.slice(0, 10).split("-").map(Number);
  return [year, month, day, text.slice(11, 16)];
}
export function day(text) {
  const [year, month, date] = parts(text);
  return `${date} ${MONTHS[month - 1].slice(0, 3)} ${year}`;
}
export function longDay(text, besideYear = null) {
  const [year, month, date] = parts(text);
  return year === besideYear ? `${date} ${MONTHS[month - 1]}` : `${date} ${MONTHS[month - 1]} ${year}`;
}
/** Early, mid or late in a month: an order date is no sharper than that. */
export function thirdOfMonth(text, besideYear = null) {
  const [year, month, date] = parts(text);
  const third = date <= 10 ? "early" : date <= 20 ? "mid" : "late";
  return `${third}-${MONTHS[month - 1]}${year === besideYear ? "" : ` ${year}`}`;
}
export const time = (text) => parts(text)[3];
export const moment = (text) => join([day(text), time(text)], " ");

export function quantity(q, fallback = "not known") {
  if (!q) return fallback;
  if (q.value?.unknown ?? q.unknown) return `not known: ${q.value?.unknown ?? q.unknown}`;
  if (q.value != null) return join([grouped(q.value), uom(q.uom)], " ");
  if (q.low != null) return `${grouped(q.low)} to ${join([grouped(q.high), uom(q.uom)], " ")}`;
  return fallback;
}
export const hours = (h) => (h?.unknown ? `hours: ${h.unknown}` : h ? `${quantity(h)}, read` : "hours not known");

/** "Radial feed screw backlash at the crank (25, 50, 75 % of travel)" without what stands in brackets. */
export const shortTitle = (title) =>
  String(title ?? "")
    .replace(/\s*\([^)]*\)/g, "")
    .split(":")[0]
    .trim();
export const inline = (title) => {
  const short = shortTitle(title);
  return short.charAt(1) === short.charAt(1).toLowerCase() ? short.charAt(0).toLowerCase() + short.slice(1) : short;
};

// --- opening a unit

export const welcome = {
  none: [
    "Nothing on the clip yet",
    "Hold the scanner over the tag of the machine in front of you, or type its number.",
  ],
  enrol: [
    "This device is not enrolled",
    "Ask the shop for an enrolment link and open it once on this device. Then come back to this page. " +
      "The link starts with this page's address and the word enrol.",
  ],
  looking: (text) => ["Looking", `Looking for ${text}.`],
};
export const noNetwork = "No answer from the shop. Nothing was lost. Try again when the network is back.";
export const notWritten = "No answer from the shop. What you typed is still here. Press Keep again: it counts once.";
export const notYetEnrolled =
  "This device is not enrolled. Open the enrolment link that the shop prints, then load this page.";

// --- who is signed in

export const whoSigns = (names) => (names.length ? `Signed in: ${names.join(", ")}` : "Who signs here");
export const signOut = "Sign out";
export const signOutOf = (person) => `Sign out ${person.name ?? person.person}`;
export const signedIn = (person) => `${person.name ?? person.person}, until ${time(person.until)}`;
export const typeThePin = "Badge read. Type the PIN, then press Sign in.";
export const nowSignedIn = "Signed in. Sign out when you leave: the bench is shared.";
export const nowSignedOut = "Signed out.";
export const signRefused =
  "Badge and PIN do not go together here. Ten wrong ones in a row shut this bench for that person: then ask a lead. " +
  "Everybody else signs in as before.";
export const signLater =
  "No answer from the shop, so nobody can sign in. Write on. What you sign now counts once you sign it again.";
export const signOutLater = "No answer from the shop. The signing in ends by itself within a quarter of an hour.";

/** Why a tag opens nothing; null when it opens its unit. */
export function tagRefused(tag) {
  if (tag.check === "invalid") return `${tag.tag}: this tag does not add up. Scan it again, or type the unit number.`;
  if (tag.status === "detached") {
    const last = (tag.worn_before ?? []).at(-1);
    const now = tag.now_wears ? ` That unit now wears ${tag.now_wears}.` : "";
    return `${tag.tag} is retired${last ? `: ${last.unit} wore it until ${day(last.until)}` : ""}.${now}`;
  }
  if (!tag.unit && tag.status === "attached")
    return `${tag.tag}: ${sentence((tag.warnings ?? []).join("; "))} Type the unit number.`;
  if (!tag.unit) return `${tag.tag} is on no unit. Not one of ours, or never seen here. Type the unit number.`;
  return null;
}
export function unitRefused(text, near = []) {
  const also = near.length ? ` Did you mean ${near.join(" or ")}?` : "";
  return `${text}: not one of ours, or never seen here.${also}`;
}
export const emptyScan = "Scan a tag first, or type a unit number.";
export const gaugeTaken = (gauge) => `Gauge ${gauge} is in hand.`;
export const opened = (unit, word) => `${unit} is on the clip. ${word}.`;
export const asItWas = (text) => `As it was on ${longDay(text)}. You can read this page, not write on it.`;
export const clockOff = (ms) => {
  const minutes = Math.round(Math.abs(ms) / 60_000);
  return `This device's clock is ${grouped(minutes)} minutes ${ms > 0 ? "fast" : "slow"}. Set it before you write.`;
};

// --- do not miss

/** Lines of the card that nobody should miss, worst first: {state, text}. */
export function doNotMiss(card, wear = null) {
  const lines = [];
  const add = (state, text) => lines.some((l) => l.text === text) || lines.push({ state, text });
  for (const hold of card.holds ?? []) {
    const who = hold.lift_by?.length ? ` May be lifted by: ${[hold.lift_by].flat().join(", ")}.` : "";
    add("hold", `Hold: ${sentence(hold.why ?? hold.hold ?? "no reason given")}${who}`);
  }
  for (const w of card.warnings ?? [])
    if (!["on-hold", "alert"].includes(w.warning)) add(w.warning === "retired" ? "hold" : "doubt", sentence(w.words));
  for (const alert of card.alerts ?? []) add("hold", `Alert: ${sentence(alert.words)}`);
  for (const d of card.discrepancies ?? []) {
    if (!(card.holds ?? []).some((h) => h.key === d.key))
      add(d.holds_release ? "hold" : "doubt", sentence(d.detail ?? d.code));
  }
  for (const f of card.findings ?? []) add(f.blocking ? "replace" : "adjust", `Open finding: ${sentence(f.words)}`);
  if (wear) add("watch", wear);
  for (const c of card.concessions ?? []) {
    const until = c.until_on ? ` until ${day(c.until_on)}` : c.until_hours ? ` until ${grouped(c.until_hours)} h` : "";
    if (c.state !== "ended") add("watch", `Concession ${c.concession}${until}.`);
  }
  for (const e of card.exams ?? [])
    if (typeof e.due_next === "string") add("watch", `Exam ${e.exam} is due ${day(e.due_next)}.`);
  return lines;
}
export const andMore = (n) => `and ${n} more`;

/** The wear line of Do not miss: only when the forecast wants something done. */
export function wearLine(wear, title) {
  const what = shortTitle(title);
  if (wear?.verdict === "beyond") return `${what}: past its acting limit.`;
  if (wear?.verdict !== "crosses_before_service" || !wear.crossing?.on) return null;
  const service = wear.next_service?.on ? `, service ${day(wear.next_service.on)}` : "";
  return `${what} reaches its acting limit about ${day(wear.crossing.on)}${service}.`;
}

// --- a verdict

const edges = (limit) => (limit && typeof limit === "object" ? limit : null);

/** What the verdict rests on, in words: value, mark passed, limit less uncertainty, rule, sheet revision. */
export function verdict(conformity, row) {
  const c = conformity;
  if (!c) return "Not measured yet.";
  const u = uom(c.uom ?? row?.uom);
  if (c.value == null) return sentence(`${OUTCOMES[c.outcome] ?? "CANNOT DECIDE"}: ${c.why ?? "not measured yet"}`);
  const head = `${join([c.value, u], " ")}: ${outcome(c.outcome)}.`;
  const window = edges(c.limit);
  const lower = row?.worse === "lower";
  const past = lower ? "under" : "past";
  const why = {
    good: "Inside every mark.",
    watch: c.watch && `${capital(past)} the watch mark ${c.watch}.`,
    adjust: window ? "Outside the window." : c.adjust && `${capital(past)} the adjust mark ${c.adjust}.`,
    replace: !window && c.limit && `${capital(past)} the limit ${c.limit}.`,
    not_proved: `Too near the limit to prove it good.`,
    undecided: c.why && sentence(c.why),
  }[c.outcome];
  let limit = null;
  if (window) limit = `Window ${join([window.low, window.high], " to ")} ${u}`.trim();
  else if (
    c.limit != null &&
    c.acting_limit != null &&
    isDecimal(c.acting_limit) &&
    compare(c.limit, c.acting_limit) !== 0
  ) {
    limit = `Acting limit ${c.acting_limit}: limit ${c.limit} ${lower ? "plus" : "less"} ${c.uncertainty}`;
  } else if (c.limit != null) limit = `Limit ${c.limit}`;
  const sheet = c.sheet_rev != null ? `sheet revision ${c.sheet_rev}` : null;
  return join([head, why || null, limit && sentence(join([limit, sheet]))], " ");
}

/** The rule's one sentence: where the value stands between its marks. */
export function ruleSentence({ title, unit, uom: code, limit, acting, watch, last, value, lower, low, high }) {
  const u = uom(code);
  const bits = [];
  if (value?.length) bits.push(`now ${value.join(", ")}`);
  if (last != null) bits.push(`last ${last}`);
  if (watch != null) bits.push(`watch ${watch}`);
  if (acting != null && limit != null && compare(acting, limit) !== 0) bits.push(`acting limit ${acting}`);
  if (limit != null) bits.push(`limit ${limit}`);
  if (low != null || high != null) bits.push(`window ${join([low, high], " to ")}`);
  const worse = lower ? ", smaller is worse" : "";
  return `${shortTitle(title)}${unit ? `, ${unit}` : ""}: ${bits.length ? bits.join(", ") : "no marks"} ${u}${worse}.`;
}

// --- the wear chart

export function wearSentence(wear, { title, unit, supplyDays = null }) {
  const values = (wear.points ?? []).map((p) => p.value);
  const at = (wear.points ?? []).map((p) => p.hours).filter((h) => typeof h === "string" && isDecimal(h));
  const u = uom(wear.uom);
  const out = [];
  if (!values.length) out.push(`${shortTitle(title)}, ${unit}: no readings yet.`);
  else {
    const [from, to] = [least(values), greatest(values)];
    const span = compare(from, to) === 0 ? from : `${from} to ${to}`;
    const hoursSpan = at.length
      ? `, ${at.length > 1 ? `${grouped(least(at))} to ${grouped(greatest(at))}` : grouped(at[0])} h`
      : "";
    const n = count(values.length);
    out.push(
      `${shortTitle(title)}, ${unit}: ${n} ${values.length > 1 ? "readings" : "reading"}, ` +
        `${join([span, u], " ")}${hoursSpan}.`,
    );
  }
  if (typeof wear.acting_limit === "string") out.push(`Acting limit ${wear.acting_limit}.`);
  const service = wear.next_service;
  if (wear.verdict === "beyond") out.push("The last reading is past it.");
  else if (wear.verdict === "too_few_points") out.push(`Too few to forecast: ${values.length}.`);
  else if (wear.verdict === "no_trend") out.push("No trend beyond repeatability.");
  else if (wear.crossing?.on) {
    const year = parts(wear.crossing.on)[0];
    const atHours = wear.crossing.hours ? ` at ${rounded(wear.crossing.hours)} h` : "";
    const past = wear.verdict === "crosses_before_service";
    const next = service?.on
      ? `; next planned service ${longDay(service.on, year)}: it will ${past ? "be past" : "not be past"}`
      : "";
    out.push(`Straight line reaches it about ${longDay(wear.crossing.on)}${atHours}${next}.`);
    const order = wear.order_by ?? wear.crossing.order_by;
    if (order && past) {
      const weeks = supplyDays ? ` (${Math.round(supplyDays / 7)} weeks)` : "";
      out.push(`Order by ${thirdOfMonth(order, year)}${weeks}.`);
    }
  } else if (wear.verdict === "fine") out.push("The straight line stays inside it as far as can be seen.");
  for (const gap of wear.gaps ?? []) {
    out.push(
      "Nobody wrote a value at the service " +
        (gap.until ? `between ${day(gap.from)} and ${day(gap.until)}.` : `after ${day(gap.from)}.`),
    );
  }
  return out.join(" ");
}
export const noWear = "This one has no wear line.";
export const asNumbers = "Show as numbers";
export const chartWords = {
  watch: "watch",
  acting: "acting",
  limit: "limit",
  service: "service",
  forecast: "forecast",
};
export const tableHeads = ["Date", "Hours", "Stage", "Value"];

// --- the nib

const atPlace = (position) => (position == null ? null : `at ${position}`);
export const place = (position, i, n) =>
  position == null ? (n > 1 ? `reading ${i + 1}` : "reading") : `at ${position}`;

/** What the next digit will write. */
export function nibWords({ unit, row, stageWord, position, text, blanks, gauge }) {
  const value = join([text + blanks, uom(row.uom)], " ");
  const what = join([unit, inline(row.title), atPlace(position), stage(stageWord)]);
  return `${what}: ${value}${gauge ? `, with ${gauge}` : ""}`;
}
export const labels = {
  gauge: "Gauge",
  hours: "Hours",
  by: "Who",
  choose: "choose",
  keep: "Keep",
  next: "Next",
  rub: "Rub",
  back: "Back",
  still: "Not adjusted",
  dot: ".",
};
export const keyName = (key) => (key === "." ? "point" : key);
export const refusedSoftly = {
  box: (where, decimals) =>
    decimals
      ? `${capital(where)} needs ${count(decimals)} digit${decimals > 1 ? "s" : ""} after the point.`
      : `${capital(where)} is still blank.`,
  step: (where, step) => `${capital(where)}: this sheet reads in steps of ${step}.`,
  by: "Say who measured: choose a name.",
  gauge: "Scan or type the gauge first. This reading does not count without one.",
  hours: "Write the hours as on the meter, for example 1503.2. Or leave the box blank.",
  busy: "Still writing. One moment.",
  past: "This page shows a past day. Nothing can be written on it.",
};
export const keeping = "Writing.";
export function kept({ unit, row, stageWord, values, at }) {
  const list = values.join(", ");
  return `Kept, the shop has it, ${time(at)}: ${unit}, ${stage(stageWord)} ${join([list, uom(row.uom)], " ")}.`;
}
export const nowLeft = "Now as left, or press Not adjusted.";
export const stillSaid = (unit) => `${unit}: not adjusted. Nothing more was written.`;
export const raised = (entry) =>
  [
    ...(entry.discrepancies ?? []).map((d) => sentence(d.detail ?? d.code)),
    ...(entry.warnings ?? []).map((w) =>
      sentence(w.detail ?? w.words ?? WARNINGS[w.code ?? w] ?? String(w.code ?? w).replaceAll("-", " ")),
    ),
  ].join(" ");
const WARNINGS = {
  "beyond-resolution": "More digits than the sheet asks for.",
  "unknown-position": "A place that the sheet does not name.",
  "too-few-readings": "Fewer places than the sheet asks for.",
  "too-many-readings": "More places than the sheet asks for.",
};

// --- refusals

const MEMBERS = [
  [/^\/data\/gauge/, "gauge"],
  [/^\/data\/hours/, "hours"],
  [/^\/data\/readings\/(\d+)/, "reading"],
  [/^\/by/, "who"],
  [/^\/occurred_at/, "time"],
  [/^\/subject/, "unit"],
  [/^\/tag/, "tag"],
  [/^\/data\/uom/, "unit of measure"],
  [/^\/data\/characteristic/, "what is measured"],
];
const CODES = {
  "unknown-unit": "not one of ours, or never seen here",
  "unknown-person": "not in the list of people",
  "too-far-ahead": "this device's clock is ahead of the shop's; set the clock, then press Keep again",
  "bad-decimal": "not a number as we write them",
};

/** Which box a fault points at, as {word, index}. */
export function faultPlace(pointer) {
  for (const [pattern, word] of MEMBERS) {
    const found = pattern.exec(pointer ?? "");
    if (found) return { word, index: found[1] === undefined ? null : Number(found[1]) };
  }
  return { word: null, index: null };
}
/** A problem document in words: what happened, what is safe, what to do. */
export function refusal(status, problem) {
  const slug = String(problem.type ?? "")
    .split("/")
    .pop();
  if (status === 401) return notYetEnrolled;
  if (status === 403)
    return `Not allowed from this device: ${sentence(problem.detail ?? "ask a lead")} What you typed is still here.`;
  if (slug === "id-reused") return "The shop already has another reading under this name. Press Keep once more.";
  const faults = problem.errors ?? [];
  if (!faults.length)
    return `Not kept. ${sentence(problem.detail ?? problem.title ?? "The shop said no")} What you typed is still here.`;
  const said = faults.map(({ pointer, code, detail, near }) => {
    const { word, index } = faultPlace(pointer);
    const which = word === "reading" ? `reading ${index + 1}` : word;
    const also = near?.length ? `; did you mean ${near.join(" or ")}?` : "";
    return sentence(`${which ? `${which}: ` : ""}${CODES[code] ?? detail ?? code}${also}`);
  });
  return `Not kept. ${said.join(" ")} What you typed is still here.`;
}

// --- the page

const TYPES = {
  "unit.registered": (d) => `registered, ${d.origin ?? ""}`,
  "unit.merged": (d) => `joined with ${d.into}`,
  "tag.attached": (d) => `tag ${d.tag} put on`,
  "tag.detached": (d) => `tag ${d.tag} taken off: ${d.why}`,
  "tag.scanned": () => "seen",
  "unit.received": (d) => `received: ${d.reason}`,
  "unit.dispatched": (d) => `sent out to ${d.to}`,
  "unit.moved": (d) => `moved to ${d.site}`,
  "unit.sold": (d) => `sold to ${d.to}`,
  "unit.retired": (d) => `retired: ${d.why}`,
  "meter.read": (d) => `meter ${d.how === "estimated" ? "estimated" : "read"} ${quantity(d.value)}`,
  "meter.replaced": (d) => `meter replaced, starts at ${quantity(d.new_start)}`,
  "meter.rolled": (d) => `meter went over at ${quantity(d.at)}`,
  "complaint.reported": (d) => `complaint: ${d.words}`,
  "complaint.worked": () => "complaint worked on",
  "complaint.closed": (d) => `complaint closed, ${String(d.outcome).replaceAll("_", " ")}`,
  "job.opened": (d) => `job ${d.job} opened, ${d.purpose}`,
  "job.closed": (d) => `job ${d.job} closed`,
  "energy.isolated": (d) => `made safe: ${d.source}`,
  "energy.restored": (d) => `energy back on: ${d.source}`,
  "caution.shown": (d) => `caution shown: ${String(d.caution).replaceAll("-", " ")}`,
  "finding.raised": (d) => `finding: ${d.words}`,
  "finding.closed": (d) => `finding closed, ${String(d.how).replaceAll("_", " ")}`,
  "work.done": (d) => `work done: ${join([d.detail ?? d.activity, d.slot])}`,
  "setting.left": (d) => `${String(d.setting).replaceAll("-", " ")} left at ${quantity(d.value)}`,
  "run.recorded": (d) => `stand run, ${d.stage}`,
  "part.fitted": (d) => `fitted in ${d.slot}: ${pieces(d)}`,
  "part.removed": (d) => `taken out of ${d.slot}${d.to ? `, to ${d.to}` : ""}`,
  "unit.released": (d) => `released, ${d.release}`,
  "release.reissued": (d) => `release written again: ${d.why}`,
  "hold.placed": (d) => `hold: ${d.why}`,
  "hold.lifted": (d) => `hold lifted: ${d.why}`,
  "service.planned": (d) => `service planned${d.due_on ? ` for ${day(d.due_on)}` : ""}`,
  "entry.superseded": (d) => `corrected: ${d.why}`,
  "entry.withdrawn": (d) => `withdrawn: ${d.why}`,
  "entry.reattributed": (d) => `moved to ${d.to}: ${d.why}`,
  "entry.annotated": (d) => `note: ${d.note}`,
  "entry.disputed": (d) => `disputed: ${d.why}`,
};
const pieces = (d) =>
  (d.pieces ?? [])
    .map((p) => join([p.qty > 1 ? `${p.qty} ×` : null, p.serial ?? p.part_no, p.lot && `lot ${p.lot}`], " "))
    .join(", ");
const ANSWERS = {
  ok: "OK",
  defect: "DEFECT",
  not_done: "NOT DONE",
  not_reachable: "NOT REACHABLE",
  not_applicable: "NOT APPLICABLE",
};
const MARKS = { superseded: "WRITTEN AGAIN", withdrawn: "WITHDRAWN", moved_out: "MOVED AWAY", moved_in: "MOVED HERE" };

export const lineMark = (mark) => (mark ? (MARKS[mark] ?? String(mark).replaceAll("_", " ").toUpperCase()) : null);
const readingText = (r) => (r.value?.unknown ? `not known (${r.value.unknown})` : r.value);

/** What one kept line says, without who and when. */
export function line(entry, sheet = null) {
  const d = entry.data ?? {};
  if (entry.type === "reading.taken") {
    const row = sheet?.characteristics?.find((c) => c.code === d.characteristic);
    const values = (d.readings ?? []).map(readingText).join(", ");
    const at = (d.readings ?? [])
      .map((r) => r.position)
      .filter(Boolean)
      .join(", ");
    const tail = join([d.gauge && `with ${d.gauge}`, d.hours?.value && `at ${quantity(d.hours)}`], ", ");
    const what = `${row ? shortTitle(row.title) : d.characteristic}, ${stage(d.stage)}`;
    return `${what}: ${join([join([values, uom(d.uom), at && `at ${at}`], " "), tail])}`;
  }
  if (entry.type === "check.answered") {
    const check = sheet?.checks?.find((c) => c.check === d.check);
    const what = check?.title ?? String(d.check).replaceAll("-", " ");
    return `${what}: ${join([ANSWERS[d.answer] ?? d.answer, d.why])}`;
  }
  const words = TYPES[entry.type]?.(d);
  return capital((words ?? String(entry.type).replaceAll(".", " ").replaceAll("_", " ")).trim());
}
export function whoAndWhen(entry, names) {
  const name = (id) => names.get(id) ?? id;
  const typed = entry.typed_by && entry.typed_by !== entry.by ? `, typed by ${name(entry.typed_by)}` : "";
  return `${moment(entry.occurred_at)}, ${name(entry.by)}${typed}`;
}
export const emptyPage = "Nothing written yet.";
export const pageCut = (n) => `The newest ${count(n)} lines are shown.`;

export const notMeasured = "not measured";
export function shareOf(value, acting, code, lower) {
  const limit = acting == null ? null : lower ? `not under ${acting}` : `of ${acting}`;
  return join([value, limit, uom(code)], " ");
}
