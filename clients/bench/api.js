// Calls to the service. The cookie is HttpOnly and travels by itself; no token is ever in reach of this code.

import { offset } from "./clock.js";

/** The service said no: a problem document (RFC 9457) with its status. */
export class Refused extends Error {
  constructor(status, problem) {
    super(problem.detail ?? problem.title ?? String(status));
    this.status = status;
    this.problem = problem;
    this.slug = String(problem.type ?? "")
      .split("/")
      .pop();
  }
}

/** Nobody answered, or not in words that this page knows: what was sent may or may not be kept. */
export class NoAnswer extends Error {}

export const part = encodeURIComponent;

/** `now` gives ms; `heard` is told the clock's offset after each answer; `asOf` is added to every read of the book. */
export function caller({ now, heard = () => {}, asOf = {} }) {
  async function call(path, options) {
    const sent = now();
    let answer, body;
    try {
      answer = await fetch(path, { ...options, credentials: "same-origin", cache: "no-store" });
    } catch {
      throw new NoAnswer("no network");
    }
    const off = offset(sent, now(), answer.headers.get("Date"));
    if (off !== null) heard(off);
    try {
      body = await answer.json();
    } catch {
      if (answer.ok || answer.status >= 500) throw new NoAnswer(`status ${answer.status}`);
      body = {};
    }
    if (!answer.ok) throw new Refused(answer.status, body);
    return body;
  }

  return {
    /** Reads an answer of the book, as of the page's moment; `timeless` for what is no part of it. */
    read(path, query = {}, { timeless = false } = {}) {
      const asked = new URLSearchParams({ ...query, ...(timeless ? {} : asOf) });
      return call(asked.size ? `${path}?${asked}` : path, { headers: { Accept: "application/json" } });
    },
    end(path) {
      return call(path, { method: "DELETE", headers: { Accept: "application/json", "X-Fettlebook": "bench" } });
    },
    write(path, body) {
      return call(path, {
        method: "POST",
        headers: { "Content-Type": "application/json", Accept: "application/json", "X-Fettlebook": "bench" },
        body: JSON.stringify(body),
      });
    },
  };
}
