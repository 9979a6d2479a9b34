// @ts-check
/**
 * The line to the server: events leave one after the other, in order, each until it is acknowledged.
 *
 * A confirmed answer also lies in the browser's database until the server has said that it is durable, so that neither a
 * lost connection nor a killed browser loses it; with it lies what was done in its trial, since a server that was
 * started again in between knows nothing of a trial that was not answered. Sending an answer twice does no harm: it
 * names its sitting, trial and attempt.
 */

import { Kept } from "./kept.js";

/** @typedef {import("./types.js").PageEvent} PageEvent */
/** @typedef {import("./types.js").Reply} Reply */
/** @typedef {{ event: PageEvent, again: boolean, tried?: boolean }} Waiting */

const WAITS_MS = [300, 700, 1500, 3000, 5000];
const PATIENCE_MS = 20_000;
/** What leads on from a step. The second of two presses would find the step gone, and be refused in words that alarm. */
const ONWARD = ["began", "level_set", "continued", "confirmed", "left", "abandoned"];

/** The server does not know this browser (any more). */
export class Locked extends Error {}

export class Line {
  /**
   * @param {{ shown: (reply: Reply, event: PageEvent) => void, outOfTurn: (reply: Reply, event: PageEvent) => void,
   *   refused: (problem: string, event: PageEvent) => void, locked: () => void, connected: (yes: boolean) => void }} heard
   */
  constructor(heard) {
    this.heard = heard;
    this.sitting = "";
    this.kept = new Kept();
    /** @type {Waiting[]} */
    this.queue = [];
    /** What is on its way to the server. @type {PageEvent | null} */
    this.sent = null;
    /** What was done in the trial in hand. @type {PageEvent[]} */
    this.story = [];
    this.busy = false;
    this.connected = true;
    /** @type {() => void} */
    this.wake = () => {};
    addEventListener("online", () => this.wake());
  }

  /** @param {string} sitting */
  async open(sitting) {
    this.sitting = sitting;
    const unsent = await this.kept.found(sitting);
    if (!unsent) return;
    this.story = unsent.story;
    this.put(unsent.confirmed);
  }

  /** @param {PageEvent} event */
  send(event) {
    if (ONWARD.includes(event.event) && this.isUnderWay(event)) return;
    if (event.event === "confirmed") void this.kept.keep(this.sitting, { story: this.story, confirmed: event });
    else if (event.event === "loaded") {
      if (!this.tells(event)) this.story = [event];
    } else if (["selected", "paused", "resumed", "chosen", "unchosen", "commented"].includes(event.event)) follow(this.story, event, (each) => each);
    this.put(event);
  }

  /** Whether the same is done already, and only not acknowledged yet. @param {PageEvent} event */
  isUnderWay(event) {
    const same = (/** @type {PageEvent | null} */ other) =>
      other?.event === event.event && other.trial === event.trial && other.attempt === event.attempt;
    return same(this.sent) || this.queue.some((waiting) => same(waiting.event));
  }

  /** Add to the story what the server knows and a server started later would not. @param {PageEvent} event */
  recall(event) {
    this.story.push(event);
  }

  /** @param {PageEvent} event */
  put(event) {
    follow(this.queue, { event, again: false }, (waiting) => waiting.event);
    if (!this.busy) void this.work();
  }

  async work() {
    this.busy = true;
    for (let tries = 0; this.queue.length > 0; ) {
      const waiting = /** @type {Waiting} */ (this.queue.shift());
      this.sent = waiting.event;
      if (await this.post(waiting)) {
        tries = 0;
        continue;
      }
      waiting.tried = true;
      this.queue.unshift(waiting);
      this.sent = null;
      const wait = WAITS_MS[Math.min(tries, WAITS_MS.length - 1)];
      tries += 1;
      await new Promise((/** @type {(_: void) => void} */ resolve) => {
        this.wake = () => resolve();
        setTimeout(resolve, wait);
      });
    }
    this.busy = false;
  }

  /** @param {Waiting} waiting @returns {Promise<boolean>} whether it is dealt with */
  async post({ event, again, tried = false }) {
    let response;
    let body;
    try {
      response = await fetch("/event", {
        method: "POST",
        headers: { "content-type": "application/json" },
        body: JSON.stringify({ sitting: this.sitting, event }),
        cache: "no-store",
        signal: AbortSignal.timeout(PATIENCE_MS),
      });
      body = await response.json();
    } catch {
      return this.say(false);
    }
    if (isLater(response)) return this.say(false);
    this.sent = null;
    this.say(true);
    if (response.status === 401) {
      this.queue = [];
      this.heard.locked();
      return true;
    }
    if (response.status === 409 && !again && this.tells(event) && this.isNews(body.view)) {
      // The server was started again since the trial was heard: tell it the trial anew, then the answer.
      const told = event.event === "confirmed" ? [...this.story, event] : this.story;
      const begun = body.view.step === "ready" ? [{ event: "began" }] : [];
      this.queue.unshift(...[...begun, ...told].map((each) => ({ event: each, again: true })));
      return true;
    }
    if (response.status === 409 && !again && event.event === "level_set" && body.view.step === "ready") {
      // The server was started again while the level was set, and does not know that this was begun.
      this.queue.unshift({ event: { event: "began" }, again: true }, { event, again: true });
      return true;
    }
    if (response.status === 409 && tried && event.event !== "confirmed" && ONWARD.includes(event.event)) {
      // It had arrived, and only its reply was lost: the step that it leads to is there already, and nobody else's doing.
      this.heard.shown(body, event);
      return true;
    }
    // Only now may the kept answer go: the server holds it durably, or will never take it.
    if (event.event === "confirmed") void this.kept.forget(this.sitting);
    if (again && event.event !== "confirmed" && event.event !== "level_set") return true;
    if (response.ok) this.heard.shown(body, event);
    else if (response.status === 409) {
      this.drop(body.view);
      this.heard.outOfTurn(body, event);
    } else this.heard.refused(String(body.problem), event);
    return true;
  }

  /**
   * Drop what waits for a trial that is over: each would be refused, and say less than the first refusal did.
   * An answer is not dropped; whether it is on record only the server knows.
   * @param {import("./types.js").View} view
   */
  drop(view) {
    const over = (/** @type {PageEvent} */ event) =>
      event.event !== "confirmed" && event.trial !== undefined && (event.trial !== view.trial || event.attempt !== view.attempt);
    this.queue = this.queue.filter(({ event }) => !over(event));
  }

  /** Whether the story is that of the event's trial. @param {PageEvent} event */
  tells(event) {
    const first = this.story[0];
    return first !== undefined && first.trial === event.trial && first.attempt === event.attempt;
  }

  /**
   * Whether the server is at the story's trial and has heard nothing of it.
   * @param {import("./types.js").View} view
   */
  isNews(view) {
    const first = this.story[0];
    if (view.trial !== first?.trial || view.attempt !== first?.attempt) return false;
    // Where nothing sounds no level is set: a server started again stands before its first step, and nothing is loaded.
    if (view.step === "ready") return view.next.length === 0;
    return view.step === "trial" && (!view.loaded || view.slots.every((slot) => slot.token === ""));
  }

  /** @param {boolean} connected @returns {boolean} the same */
  say(connected) {
    if (connected !== this.connected) {
      this.connected = connected;
      this.heard.connected(connected);
    }
    return connected;
  }
}

/**
 * Append to `list`. Ratings come in quick succession, each with all values so far: the last of them says it all.
 * @template T
 * @param {T[]} list @param {T} item @param {(item: T) => PageEvent} eventOf
 */
function follow(list, item, eventOf) {
  const last = list.at(-1);
  const [before, now] = [last && eventOf(last), eventOf(item)];
  const same = before?.event === "chosen" && now.event === "chosen" && before.trial === now.trial && before.attempt === now.attempt;
  if (same) list.pop();
  list.push(item);
}

/** @param {Response} response @returns {boolean} whether the server could not take it now, and will later */
export function isLater(response) {
  return response.status >= 500 || response.status === 429;
}

/**
 * @param {string} path
 * @param {(yes: boolean) => void} connected
 * @param {RequestInit} [how]
 * @returns {Promise<Response>} tries until the server answers
 */
export async function ask(path, connected, how = {}) {
  for (let tries = 0; ; tries += 1) {
    try {
      const response = await fetch(path, { ...how, cache: "no-store", signal: AbortSignal.timeout(PATIENCE_MS) });
      if (response.status === 401) throw new Locked();
      if (!isLater(response)) {
        connected(true);
        return response;
      }
    } catch (fault) {
      if (fault instanceof Locked) throw fault;
    }
    connected(false);
    await new Promise((resolve) => setTimeout(resolve, WAITS_MS[Math.min(tries, WAITS_MS.length - 1)]));
  }
}
