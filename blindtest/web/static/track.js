// @ts-check
/**
 * A whole track that runs on: slots without names, a choice offered after a while, then the rest in the slot chosen.
 *
 * Nothing here goes back in the track and nothing comes round. The page stays as it is when the choice is saved: the
 * sound goes on, so focus stays where it was, and what there is to say waits for a silence that the listener makes.
 */

import { ANSWERS } from "./answers.js";
import { remarkPanel } from "./beside.js";
import { element, enable, enabled, hint } from "./element.js";
import { askedIn, countWords, introduction, phaseWords } from "./intro.js";
import { keysPanel } from "./keys_panel.js";
import { rateWords } from "./own_rate.js";
import { say } from "./words.js";

/** @typedef {import("./types.js").View} View */
/** @typedef {import("./types.js").Value} Value */
/** @typedef {import("./types.js").Question} Question */
/** @typedef {import("./answers.js").Place} Place */
/** @typedef {import("./listen.js").Page} Page */
/** @typedef {import("./listen.js").Shown} Shown */

const TICK_MS = 250;
/** How often is asked whether the track is over, in s. */
const ASKED_EVERY_S = 1;
/** Nearer to its end than this a track is over, in s: more than the fades there. */
const END_S = 0.03;

/** @param {Page} page @param {View} view @returns {Shown} */
export function trackPage(page, view) {
  const { trial, attempt, slots } = view;
  const question = /** @type {Question} */ (view.question);
  const offeredAfter = question.offered_after_s ?? 0;
  const names = slots.map((slot) => slot.name);
  const first = view.first ?? /** @type {string} */ (names[0]);
  /** Opened anew while the rest was playing: it can't go on from where it was. */
  const lost = view.step === "onward";
  /** @type {Set<string>} */
  const heard = new Set();
  /** @type {Record<string, Value> | null} */
  let chosen = lost ? view.chosen : null;
  let selected = "";
  let loaded = false;
  let playing = false;
  let confirming = false;
  /** The choice is saved, and the slot chosen plays the rest. */
  let onward = lost;
  let left = false;
  /** Seconds of sound so far. */
  let sounded = 0;
  let last = 0;
  let askedAt = 0;
  let asking = false;

  const keyOf = (/** @type {string} */ action) => (page.keys.on ? page.keys.of(action) : "");
  const actionOf = (/** @type {string} */ name) => `slot${names.indexOf(name) + 1}`;
  const slotOf = Object.fromEntries(names.map((name) => [actionOf(name), name]));
  /** @type {(Place & { control: HTMLElement })[]} */
  const places = slots.map(({ name }) => {
    const key = keyOf(actionOf(name));
    const control = element(
      "button",
      { type: "button", class: "slot", "aria-pressed": "false", "aria-keyshortcuts": key, onclick: () => void select(name) },
      element("span", { class: "name" }, name),
      hint(key),
    );
    const called = say("Sound {name}", { name });
    return { name, called, full: called, short: name, control };
  });
  const playWords = element("span", {}, say("Play"));
  const play = element("button", { type: "button", class: "play", "aria-keyshortcuts": keyOf("play"), onclick: () => void toggle() }, playWords, hint(keyOf("play")));
  const where = element("button", { type: "button", "aria-keyshortcuts": keyOf("say"), onclick: () => void sayWhere() }, say("Say where I am"), hint(keyOf("say")));
  const answer = ANSWERS["choose"]?.({ question, places, silent: false, keyOf, chosen: choose, point: () => undefined });
  if (!answer) throw new Error("no page for a choice");
  const confirm = element("button", { type: "button", class: "main", "aria-keyshortcuts": keyOf("confirm"), onclick: () => send() }, say("Confirm"), hint(keyOf("confirm")));
  const undo = element("button", { type: "button", "aria-keyshortcuts": keyOf("undo"), onclick: () => takeBack() }, say("Undo"), hint(keyOf("undo")));
  const skip = element("button", { type: "button", "aria-keyshortcuts": keyOf("skip"), onclick: () => void leave(lost ? "interrupted" : "skipped") }, say("Skip the rest"), hint(keyOf("skip")));
  const remark = remarkPanel(view.remark, (text) => page.line.send({ event: "commented", trial, attempt, text }));
  const state = element("p", { id: "state" });
  const rate = element("p", { class: "warning", hidden: true });
  const intro = introduction(page.asked, view);
  page.asked = askedIn(view);

  const offered = () => sounded >= offeredAfter;
  const unheard = () => names.filter((name) => !heard.has(name));

  function refresh() {
    const begun = heard.size > 0;
    for (const { name, control } of places) {
      control.setAttribute("aria-pressed", String(name === selected));
      enable(control, begun && !confirming && (!onward || name === selected) && !left);
    }
    enable(play, loaded && !left);
    playWords.textContent = playing ? say("Pause") : say("Play");
    for (const input of answer?.node.querySelectorAll("input") ?? []) enable(input, offered() && !onward && !confirming);
    answer?.node.classList.toggle("later", !offered() && !onward);
    answer?.set(chosen, selected, null);
    enable(confirm, chosen !== null && offered() && unheard().length === 0 && !confirming && !onward);
    enable(undo, chosen !== null && !confirming && !onward);
    enable(skip, onward && !left);
    state.textContent = words();
  }
  function words() {
    if (left) return say("Being saved …");
    if (lost) return say("The page was opened anew while the rest of this track was playing. Your choice is saved. Go on with “Skip the rest”.");
    if (onward) return say("Sound {name} plays the rest of the track. Skip it whenever you like.", { name: String(chosen?.["choice"]) });
    if (confirming) return say("Being saved …");
    if (!loaded) return say("The track is being loaded.");
    if (heard.size === 0) return say("Press Play. Which sound begins was drawn.");
    const missing = unheard();
    const toHear = missing.length > 0 ? stillToHear(missing) : "";
    if (!offered()) return `${toHear} ${later()}`.trim();
    return toHear || (chosen === null ? say("Choose which one plays the rest.") : say("Confirm your answer, or choose again."));
  }

  /** @param {string[]} missing */
  function stillToHear(missing) {
    return say("Still to be heard before you can choose: {names}.", { names: missing.join(", ") });
  }
  function later() {
    return say("Switch as you like. After {seconds} s of listening you choose which one plays the rest.", { seconds: offeredAfter });
  }

  /** Count what sounded until now; from time to time ask whether the track is over. */
  function tick() {
    if (page.shown !== shown) {
      clearInterval(timer);
      return;
    }
    const before = offered();
    count();
    if (offered() !== before) refresh();
    if (playing && sounded - askedAt >= ASKED_EVERY_S) {
      askedAt = sounded;
      void look();
    }
  }
  function count() {
    const now = performance.now();
    if (playing) sounded += (now - last) / 1000;
    last = now;
  }
  /** End the trial if the track is over. */
  async function look() {
    if (asking || left || !loaded) return;
    asking = true;
    const at = await page.player.where().catch(() => 0);
    asking = false;
    if (at >= page.player.frames / page.player.rate - END_S) await leave("over");
  }

  /** @param {string} name */
  async function select(name) {
    if (!loaded || heard.size === 0 || confirming || left || (onward && name !== selected)) return;
    await turn(name);
  }
  /** @param {string} name */
  async function turn(name) {
    selected = name;
    heard.add(name);
    page.player.select(name);
    if (!onward) page.line.send({ event: "selected", trial, attempt, slot: name });
    else if (!playing) page.line.send({ event: "resumed", trial, attempt });
    if (!playing) await start();
    refresh();
  }
  async function start() {
    count();
    playing = true;
    refresh();
    await page.player.play();
  }
  /** The sound stops, by the listener's wish or by itself. */
  function stopped() {
    if (!playing) return;
    count();
    playing = false;
    if (!left) page.line.send({ event: "paused", trial, attempt });
    refresh();
  }
  async function pause() {
    stopped();
    await page.player.pause();
  }
  async function toggle() {
    if (!loaded || left || confirming) return;
    if (playing) await pause();
    else if (heard.size === 0) await turn(first);
    else {
      page.line.send({ event: "resumed", trial, attempt });
      await start();
    }
  }
  /** @param {Record<string, Value>} values */
  function choose(values) {
    if (offered() && !confirming && !onward) {
      chosen = values;
      page.line.send({ event: "chosen", trial, attempt, values });
    }
    refresh();
  }
  function takeBack() {
    if (!enabled(undo)) return;
    chosen = null;
    page.line.send({ event: "unchosen", trial, attempt });
    refresh();
  }
  function send() {
    if (!enabled(confirm) || chosen === null) return;
    confirming = true;
    refresh();
    page.line.send({ event: "confirmed", trial, attempt, values: chosen });
  }
  /** The choice is saved: from here on it has its consequence. */
  function goOn() {
    onward = true;
    confirming = false;
    selected = String(chosen?.["choice"] ?? selected);
    page.player.select(selected);
    // Not before: with the track in hand a page would hold two tracks in all their slots for the whole trial.
    page.sounds.fetchAhead(view.next);
    refresh();
  }
  /** @param {string} how */
  async function leave(how) {
    if (left || (how === "skipped" && !onward)) return;
    left = true;
    remark.settle();
    count();
    playing = false;
    refresh();
    page.line.send({ event: "left", trial, attempt, how });
    await page.player.pause();
  }
  async function sayWhere() {
    await pause();
    const place = places.find(({ name }) => name === selected);
    page.say([`${countWords(view)}.`, place ? `${place.full}.` : say("No sound selected."), words(), answer?.said(chosen) ?? ""].filter(Boolean).join(" "));
  }
  async function load() {
    if (lost) return;
    try {
      await page.player.load(Object.fromEntries(slots.map((slot) => [slot.name, slot.token])), first, true);
    } catch (fault) {
      state.textContent = say("The sounds could not be made ready ({reason}). Reload the page to try again.", { reason: fault instanceof Error ? fault.message : say("unknown") });
      return;
    }
    if (page.shown !== shown) return;
    loaded = true;
    page.line.send({ event: "loaded", trial, attempt });
    if (page.player.resampled) {
      page.line.send({ event: "faulted", trial, attempt, kind: "rate" });
      rate.hidden = false;
      rate.textContent = rateWords(page);
    }
    refresh();
  }

  const actions = [...Object.keys(slotOf), "play", "say", ...answer.actions, "confirm", "undo", "skip"];
  const area = element(
    "section",
    { id: "trial", tabindex: "-1", "aria-labelledby": "heading", "aria-describedby": intro ? "intro" : "", onkeydown: (/** @type {KeyboardEvent} */ event) => {
      const action = page.keys.action(event, actions);
      if (action === null) return;
      event.preventDefault();
      if (slotOf[action] !== undefined) void select(slotOf[action]);
      else if (action === "play") void toggle();
      else if (action === "say") void sayWhere();
      else if (action === "confirm") send();
      else if (action === "undo") takeBack();
      else if (action === "skip") void leave(lost ? "interrupted" : "skipped");
      else answer.act(action);
    } },
    element("p", { class: "phase" }, phaseWords(view)),
    element("h1", { id: "heading", tabindex: "-1" }, countWords(view)),
    intro ? element("p", { id: "intro" }, intro) : null,
    element("div", { role: "group", "aria-label": say("Sounds"), class: "slots" }, ...places.map(({ control }) => control)),
    element("div", { class: "row" }, play, where),
    answer.node,
    element("div", { class: "hint" }, state, element("p", { "aria-hidden": "true" }, longest())),
    element("div", { class: "row" }, confirm, undo, skip),
    rate,
    remark.node,
    keysPanel(page.keys, actions, Object.fromEntries(places.map(({ name, called }) => [actionOf(name), called])), question),
  );
  /** The longest that `state` may ever say, so that nothing under it moves. */
  function longest() {
    return `${stillToHear(names)} ${later()}`;
  }

  /** @type {Shown} */
  const shown = {
    node: area,
    focus: area,
    update: (seen) => {
      if (seen.step === "onward" && !onward) goOn();
      else if (confirming && page.line.queue.length === 0) {
        // Refused: the server has heard less of this track than the page; both count from here.
        confirming = false;
        sounded = askedAt = 0;
      }
      refresh();
    },
    onSilent: (silent) => {
      if (!silent) return;
      stopped();
      void look();
    },
    onHidden: () => void (playing && pause()),
  };
  const timer = setInterval(tick, TICK_MS);
  refresh();
  void load();
  return shown;
}
