// @ts-check
/**
 * The listener's page: shows what the server's view says, plays what lies behind its tokens, sends events.
 *
 * Nothing is spoken while a stimulus sounds: what there is to say waits for the next silence.
 */

import { DevicePlayer, NoSounds } from "./device.js";
import { element } from "./element.js";
import { Hands } from "./hands.js";
import { Keys } from "./keys.js";
import { languageSwitch } from "./languages.js";
import { Line, Locked, ask } from "./line.js";
import { Player } from "./sound.js";
import { Sounds } from "./sounds.js";
import { STEPS } from "./steps.js";
import { say } from "./words.js";

/** @typedef {import("./types.js").View} View */
/** @typedef {import("./types.js").Facts} Facts */
/** @typedef {import("./types.js").Reply} Reply */
/** @typedef {import("./types.js").PageEvent} PageEvent */
/**
 * @typedef {object} Shown what a step puts on the page
 * @property {HTMLElement} node
 * @property {HTMLElement} [focus] where focus goes; else the heading
 * @property {(view: View) => void} [update] the same step, seen anew
 * @property {(silent: boolean) => void} [onSilent]
 * @property {() => void} [onHidden]
 */

const page = /** @type {HTMLElement} */ (document.getElementById("page"));
const noteLine = /** @type {HTMLElement} */ (document.getElementById("note"));
const said = /** @type {HTMLElement} */ (document.getElementById("said"));
const foot = /** @type {HTMLElement} */ (document.getElementById("foot"));
const stopping = /** @type {HTMLDialogElement} */ (document.getElementById("stopping"));
const languages = /** @type {HTMLElement} */ (document.getElementById("languages"));
const reason = /** @type {HTMLInputElement} */ (document.getElementById("reason"));

export class Page {
  constructor() {
    this.keys = new Keys();
    const heard = { onFault: (/** @type {string} */ kind) => this.fault(kind), onSilent: (/** @type {boolean} */ silent) => this.silent(silent) };
    const sounds = new Sounds((yes) => this.connected(yes));
    /** @type {Sounds | NoSounds} */
    this.sounds = sounds;
    /** @type {Player | DevicePlayer} */
    this.player = new Player(heard, sounds);
    this.onDevice = () => {
      this.sounds = new NoSounds();
      this.player = new DevicePlayer(heard);
    };
    this.line = new Line({
      shown: (reply, event) => this.acknowledged(reply, event),
      outOfTurn: (reply, event) => this.outOfTurn(reply, event),
      refused: (problem) => this.refused(problem),
      locked: () => this.locked(),
      connected: (yes) => this.connected(yes),
    });
    /** @type {Facts} */
    this.facts = { level: null, level_note: "", full_dba: null, most_gain_db: 0, consent: "", device: "", switch_s: null, warnings: [], then: "", noise: false };
    /** Somebody who connects real units; null where all sounds are switched here. @type {Hands | null} */
    this.hands = null;
    /** @type {View | null} */
    this.view = null;
    /** @type {Shown | null} */
    this.shown = null;
    /** What the last trial shown asked. @type {import("./intro.js").Asked | null} */
    this.asked = null;
    this.sounding = false;
    this.waiting = "";
    this.offline = false;
    /** Done once the link was exchanged and the page shows where the sitting stands. */
    this.entered = this.open();
    document.getElementById("stop")?.addEventListener("click", () => this.askToStop());
    stopping.addEventListener("close", () => this.stopped());
    // Opened anew before it has entered the page would stand there without its link, which is good for once.
    languageSwitch(() => this.hindered(), (words) => this.note(words), () => this.entered);
    document.addEventListener("visibilitychange", () => {
      if (document.hidden) this.shown?.onHidden?.();
    });
  }

  async open() {
    const token = location.hash.slice(1);
    // Gone from the address at once: nobody copies a link that works from here.
    history.replaceState(null, "", location.pathname);
    try {
      if (token) {
        await ask("/enter", (yes) => this.connected(yes), {
          method: "POST",
          headers: { "content-type": "application/json" },
          body: JSON.stringify({ token }),
        });
      }
      const known = await (await ask("/facts", (yes) => this.connected(yes))).json();
      this.facts = known.facts;
      if (this.facts.device) this.onDevice();
      if (this.facts.switch_s !== null) this.hands = new Hands();
      const seen = await (await ask("/view", (yes) => this.connected(yes))).json();
      // Before anything is shown: an answer that waits here belongs to the past, and goes first.
      await this.line.open(known.sitting);
      this.show(seen.view);
    } catch (fault) {
      if (!(fault instanceof Locked)) throw fault;
      this.locked();
    }
  }

  /** @param {View} view */
  show(view) {
    const before = this.view;
    this.view = view;
    // A programme that runs on does so after the choice: its page stays, and so does the focus.
    const goesOn = before?.step === "trial" && view.step === "onward";
    const same = before && (before.step === view.step || goesOn) && before.trial === view.trial && before.attempt === view.attempt;
    this.sounds.keepOnly([...view.slots, ...(view.dial?.sounds ?? [])].map((slot) => slot.token).concat(view.next, view.level ?? ""));
    if (same && this.shown) {
      this.shown.update?.(view);
      return;
    }
    if (view.gain_db !== null) this.player.setGain(view.gain_db);
    this.shown = STEPS[view.step](this, view);
    page.replaceChildren(this.shown.node);
    document.title = say("{heading} – listening test", { heading: page.querySelector("h1")?.textContent ?? "" });
    foot.hidden = view.step === "finished" || view.step === "abandoned" || view.step === "ready";
    // A track that runs on would begin again.
    languages.hidden = view.first !== null;
    (this.shown.focus ?? page.querySelector("h1"))?.focus();
    scrollTo(0, 0);
    if (view.slots.length === 0 && view.level === null) this.sounds.fetchAhead(view.next);
  }

  /** Why the page can't be opened anew now, in words; '' if it can. */
  hindered() {
    return this.line.queue.length > 0 || this.line.busy ? say("Something is still being saved. Choose the language again in a moment.") : "";
  }

  /** @param {Reply} reply @param {PageEvent} event */
  acknowledged(reply, event) {
    if (event.event === "confirmed") this.note(say("Saved."));
    else if (event.event !== "loaded" && event.event !== "selected" && event.event !== "faulted") this.note("");
    this.show(reply.view);
  }

  /** @param {Reply} reply @param {PageEvent} event */
  outOfTurn(reply, event) {
    const before = this.view;
    const moved =
      !before || before.step !== reply.view.step || before.trial !== reply.view.trial || before.attempt !== reply.view.attempt;
    this.show(reply.view);
    // Also what was on its way when the first of it came back: it is the same stumble.
    const stumbled = reply.view.step === "trial" && event.trial === reply.view.trial && Number(event.attempt) < reply.view.attempt;
    if (stumbled && before?.step === "trial")
      this.note(say("The sound stumbled in this trial. Nothing is lost: listen again, then answer."));
    else if (moved) this.note(say("This sitting went on elsewhere, perhaps in another tab. Here is where it stands now; close the other tab."));
    else this.note(`${say("Not recorded: {problem}.", { problem: reply.problem ?? "" })} ${reply.remedy ? say("What to do: {remedy}.", { remedy: reply.remedy }) : ""}`);
  }

  /** @param {string} problem */
  refused(problem) {
    this.note(say("Not taken: {problem}", { problem }));
    if (this.view) this.shown?.update?.(this.view);
  }

  /** @param {boolean} yes */
  connected(yes) {
    if (yes === !this.offline) return;
    this.offline = !yes;
    document.body.classList.toggle("offline", this.offline);
    if (this.offline)
      this.note(say("Not saved yet: the program that runs the sitting can’t be reached. What you did is kept here and sent again by itself."));
    else this.note(say("Connected again."));
  }

  locked() {
    void this.player.pause();
    foot.hidden = true;
    this.view = null;
    const inPanel = document.body.dataset["inside"] === "panel";
    const heading = element("h1", { tabindex: "-1" }, inPanel ? say("Gone on elsewhere") : say("A new link is needed"));
    const words = inPanel
      ? [say("This sitting went on in another browser, or is over."), say("To go on here, open your link here once more. Confirmed answers are kept.")]
      : [say("A link opens the sitting once, in one browser. This one was used already, or is from an earlier start."), say("Run “blindtest listen” again: it prints a new link. Confirmed answers are kept.")];
    this.shown = { node: element("div", {}, heading, ...words.map((each) => element("p", {}, each))) };
    page.replaceChildren(this.shown.node);
    heading.focus();
  }

  /** Show a line, and speak it at the next silence. @param {string} text */
  note(text) {
    noteLine.textContent = text;
    if (text) this.say(text);
  }

  /** @param {string} text */
  say(text) {
    if (this.sounding) this.waiting = text;
    else {
      // The same words twice are spoken twice only if the region was empty in between.
      said.textContent = "";
      setTimeout(() => (said.textContent = text), 50);
    }
  }

  /** @param {boolean} silent */
  silent(silent) {
    this.sounding = !silent;
    if (silent && this.waiting) {
      const text = this.waiting;
      this.waiting = "";
      this.say(text);
    }
    this.shown?.onSilent?.(silent);
  }

  /** @param {string} kind */
  fault(kind) {
    if (this.view?.step === "trial")
      this.line.send({ event: "faulted", trial: this.view.trial, attempt: this.view.attempt, kind });
  }

  async askToStop() {
    await this.player.pause();
    reason.value = "";
    stopping.returnValue = "stay";
    stopping.showModal();
  }

  stopped() {
    if (stopping.returnValue !== "stop") return;
    this.line.send({ event: "abandoned", reason: reason.value });
  }
}

new Page();
