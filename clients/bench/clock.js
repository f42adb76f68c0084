// What this device's clock shows, against the service's. Raw times are sent; nothing is rewritten.

const two = (n) => String(n).padStart(2, "0");

/** A moment in ms as RFC 3339 at an offset of `minutes` east of Greenwich. */
export function stamp(ms, minutes) {
  const local = new Date(ms + minutes * 60_000).toISOString().slice(0, 19);
  const [hours, rest] = [Math.floor(Math.abs(minutes) / 60), Math.abs(minutes) % 60];
  return `${local}${minutes < 0 ? "-" : "+"}${two(hours)}:${two(rest)}`;
}

/** Device minus service in ms, from one call. The header has whole seconds, cut off: half a second is put back. */
export function offset(sent, received, dateHeader) {
  const service = Date.parse(dateHeader ?? "");
  return Number.isNaN(service) ? null : Math.round((sent + received) / 2 - (service + 500));
}

/** The last second of a day at an offset: the whole day counts when somebody asks how things stood on it. */
export const endOfDay = (day, minutes) => `${day}T23:59:59${stamp(0, minutes).slice(19)}`;
