// Who is signed in at this device. The badge says who, the shop checks the PIN; neither is kept here.

import { NoAnswer, part, Refused } from "./api.js";
import { html } from "./draw.js";
import * as say from "./say.js";

export const IDLE_MS = 10 * 60_000; // a bench is shared: who walks away is signed out

/**
 * Runs the sign-in form and the list of who is signed in. `changed` is told the people, newest last, after each change;
 * `announce` and `refuse` say words. Without an answer of the shop nobody is signed in or out, and writing goes on:
 * what is signed meanwhile counts as unproved until it is signed again.
 */
export function makeBadges({ form, list, shop, now, changed, announce, refuse }) {
  const [badge, pin] = [form.querySelector("#badge-box"), form.querySelector("#pin-box")];
  let signedIn = [];
  let touched = now();

  function draw() {
    list.replaceChildren(
      ...signedIn.map((person) => {
        const out = html("button", { type: "button", "aria-label": say.signOutOf(person) }, say.signOut);
        out.addEventListener("click", () => leave(person.person));
        return html("li", { "data-person": person.person }, html("span", {}, say.signedIn(person)), out);
      }),
    );
    list.hidden = signedIn.length === 0;
    changed(signedIn);
  }

  /** Asks the shop who is signed in; a device that is not enrolled has nobody. */
  async function look() {
    try {
      signedIn = (await shop.read("/v1/sessions", {}, { timeless: true })).sessions;
    } catch (error) {
      if (error instanceof NoAnswer) return;
      if (!(error instanceof Refused)) throw error;
      signedIn = [];
    }
    draw();
  }

  async function enter() {
    if (!badge.value.trim()) return badge.focus();
    if (!pin.value) return pin.focus();
    const body = { badge: badge.value.trim(), pin: pin.value };
    pin.value = ""; // whatever comes of it, it is typed anew
    try {
      await shop.write("/v1/sessions", body);
    } catch (error) {
      if (error instanceof NoAnswer) return refuse(say.signLater);
      if (!(error instanceof Refused)) throw error;
      pin.focus();
      return refuse(error.status === 403 ? say.signRefused : say.refusal(error.status, error.problem));
    }
    badge.value = "";
    refuse("");
    await look();
    announce(say.nowSignedIn);
  }

  async function leave(person = null) {
    try {
      await shop.end(person ? `/v1/sessions/${part(person)}` : "/v1/sessions");
    } catch (error) {
      if (error instanceof NoAnswer) return refuse(say.signOutLater);
      if (!(error instanceof Refused)) throw error;
    }
    await look();
    announce(say.nowSignedOut);
  }

  form.addEventListener("submit", (event) => {
    event.preventDefault();
    enter();
  });

  return {
    look,
    leave,
    /** A badge was scanned: it waits for its PIN, wherever the focus was. */
    scanned(text) {
      form.closest("details").open = true;
      badge.value = text;
      pin.value = "";
      pin.focus();
      announce(say.typeThePin);
    },
    /** Somebody is at work here. */
    touch: () => (touched = now()),
    /** Signs everybody out after ten quiet minutes, and forgets who ran out of time. */
    async tick() {
      const over = signedIn.some((person) => Date.parse(person.until) <= now());
      if (signedIn.length && now() - touched >= IDLE_MS) await leave();
      else if (over) await look();
    },
  };
}
