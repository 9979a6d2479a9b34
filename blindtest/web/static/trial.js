// @ts-check
/**
 * A trial, and the feedback after a practice trial: the sounds, the question, confirm and undo.
 *
 * Every slot looks and behaves alike; what is shown depends on names, on what the listener did, and on nothing else.
 * Where nothing sounds (the phase in which the real unit is worn) there is nothing to play: only the clip's title, the
 * names, and the question.
 */

import { ANSWERS } from "./answers.js";
import { remarkPanel, sureQuestion } from "./beside.js";
import { element, enable, enabled, hint } from "./element.js";
import { WAITING } from "./hands.js";
import { askedIn, countWords, introduction, phaseWords } from "./intro.js";
import { keysPanel } from "./keys_panel.js";
import { loopPanel } from "./loop_panel.js";
import { rateWords } from "./own_rate.js";
import { number, say, sayParts } from "./words.js";

/** @typedef {import("./types.js").View} View */
/** @typedef {import("./types.js").Value} Value */
/** @typedef {import("./types.js").Question} Question */
/** @typedef {import("./types.js").Slot} Slot */
/** @typedef {import("./answers.js").Place} Place */
/** @typedef {import("./listen.js").Page} Page */
/** @typedef {import("./listen.js").Shown} Shown */

/** @param {Page} page @param {View} view @returns {Shown} */
export function trialPage(page, view) {
  const { trial, attempt, slots } = view;
  const question = /** @type {Question} */ (view.question);
  const asked = view.step === "trial";
  const silent = slots.every((slot) => slot.token === "");
  const names = slots.map((slot) => slot.name);
  const heard = new Set(silent ? names : view.heard);
  /** @type {Record<string, Value> | null} */
  let chosen = view.chosen;
  let certainty = view.sure?.said ?? null;
  let selected = "";
  /** What the listener sets, as the server last said. */
  let dial = view.dial;
  /** Confirmed while a move was still on its way. */
  let wanted = false;
  /** What is set was moved while it did not sound: it is turned to once it is where it was moved. */
  let behind = false;
  let loaded = false;
  let playing = false;
  let confirming = false;
  /** It goes out once the sound has stopped: until then what comes back answers something earlier. */
  let sent = false;
  /** What was selected is being connected. */
  let connecting = false;
  /** A slider is on its way, and the server has not been told yet. */
  let moving = false;

  const keyOf = (/** @type {string} */ action) => (page.keys.on ? page.keys.of(action) : "");
  /** The key of a slot: rated ones and others are counted, what ratings are held against has a key of its own. */
  const rated = names.filter((name) => question.kind !== "rate" || question.keys.includes(name));
  const actionOf = (/** @type {string} */ name) => (rated.includes(name) ? `slot${rated.indexOf(name) + 1}` : "given");
  const slotOf = Object.fromEntries(names.map((name) => [actionOf(name), name]));
  const places = slots.map((slot) => placeOf(slot));
  const playWords = element("span", {}, say("Play"));
  const play = element("button", { type: "button", class: "play", "aria-keyshortcuts": keyOf("play"), onclick: () => void toggle() }, playWords, hint(keyOf("play")));
  const again = element("button", { type: "button", "aria-keyshortcuts": keyOf("restart"), onclick: () => restart() }, say("From the start"), hint(keyOf("restart")));
  const where = element("button", { type: "button", "aria-keyshortcuts": keyOf("say"), onclick: () => void sayWhere() }, say("Say where I am"), hint(keyOf("say")));
  const answer = (ANSWERS[question.kind] ?? ANSWERS["choose"])?.({ question, places, silent, keyOf, chosen: choose, point: (name) => void select(name) });
  if (!answer) throw new Error(`no page for answers of the kind ${question.kind}`);
  const sure = sureQuestion(view.sure, keyOf, (value) => {
    if (!confirming) certainty = value;
    tell();
    refresh();
  });
  const remark = remarkPanel(view.remark, (text) => page.line.send({ event: "commented", trial, attempt, text }));
  const confirm = element("button", { type: "button", class: "main", "aria-keyshortcuts": keyOf("confirm"), onclick: () => void send() }, say("Confirm"), hint(keyOf("confirm")));
  const onward = element("button", { type: "button", class: "main", "aria-keyshortcuts": keyOf("next"), onclick: () => void next() }, say("Next"), hint(keyOf("next")));
  const undo = element("button", { type: "button", "aria-keyshortcuts": keyOf("undo"), onclick: () => takeBack() }, say("Undo"), hint(keyOf("undo")));
  const state = element("p", { id: "state" });
  const rate = element("p", { class: "warning", hidden: true });
  const loop = loopPanel(page, () => loaded);
  const intro = asked ? introduction(page.asked, view) : "";
  if (asked) page.asked = askedIn(view);

  /** @param {Slot} slot @returns {Place} */
  function placeOf({ name, label }) {
    if (silent) return { name, called: label || name, full: label || name, short: label || name, control: null };
    const key = keyOf(actionOf(name));
    const control = element(
      "button",
      { type: "button", class: "slot", "aria-pressed": "false", "aria-keyshortcuts": key, onclick: () => void select(name) },
      element("span", { class: "name" }, name),
      hint(key),
      label ? element("span", { class: "label" }, label) : null,
    );
    const alone = slots.length === 1;
    const called = alone ? say("The sound") : say("Sound {name}", { name });
    return { name, called, full: label ? `${called}, ${label}` : called, short: alone ? say("the sound") : name, control };
  }

  function refresh() {
    for (const { name, control } of places) {
      control?.setAttribute("aria-pressed", String(name === selected));
      if (control) enable(control, loaded && !connecting);
    }
    enable(play, loaded && !connecting);
    enable(again, loaded && !connecting);
    playWords.textContent = playing ? say("Pause") : say("Play");
    answer?.set(chosen, selected, loaded ? dial : null);
    sure.set(certainty);
    if (!asked) return;
    const unheard = names.filter((name) => !heard.has(name));
    const lacks = lacking(unheard);
    enable(undo, answer?.goesBack() === true && !confirming);
    enable(confirm, loaded && unheard.length === 0 && lacks === "" && !confirming);
    if (confirming) state.textContent = say("Being saved …");
    else if (!loaded) state.textContent = say("The sounds are being loaded.");
    else if (connecting) state.textContent = WAITING;
    else state.textContent = [toHear(unheard), lacks].filter(Boolean).join(" ") || ready();
  }
  /** What is said once nothing is missing. */
  function ready() {
    if (dial) return say("Confirm your setting, or go on with it.");
    return question.options.length === 1 ? say("Confirm to go on.") : say("Confirm your answer, or choose again.");
  }
  /** @param {string[]} unheard what the answer lacks, in words; one thing after the other */
  function lacking(unheard) {
    return answer?.lacks(chosen, unheard) || (chosen === null ? "" : sure.lacks(certainty));
  }
  /** @param {string[]} unheard */
  function toHear(unheard) {
    const listed = places.filter(({ name }) => unheard.includes(name)).map(({ short }) => short);
    return listed.length > 0 ? say("Still to be heard before you can confirm: {names}.", { names: listed.join(", ") }) : "";
  }
  /** The longest that `state` may ever say, so that its place is kept and nothing under it moves. */
  function longest() {
    const [first, ...others] = names;
    const missing = (answer?.lacks(null, first === undefined ? [] : [first]) ?? "") + sure.lacks(null);
    return `${toHear(names.slice(0, 1))} ${missing} ${others.join(", ")}`;
  }

  /** Whether a move is on its way, and what sounds is not yet what was asked for. */
  function turning() {
    return dial !== null && Number(chosen?.["offset"] ?? 0) !== dial.offset;
  }
  /** Under which name the player holds what sounds in a slot. @param {string} name */
  function soundOf(name) {
    return dial !== null && name === dial.slot ? dial.now : name;
  }
  /** Who moves a sound hears it. @param {string} name */
  function turnTo(name) {
    behind = true;
    if (selected !== name) page.line.send({ event: "selected", trial, attempt, slot: name });
    selected = name;
    heard.add(name);
  }
  /** @param {string} name */
  async function select(name) {
    behind = false;
    if (!loaded || confirming || connecting) return;
    settle();
    const same = name === selected;
    selected = name;
    if (silent) {
      refresh();
      if (!same) page.say(spoken(name));
      return;
    }
    const there = page.hands === null || (await connected(page.hands, name));
    if (confirming || page.view?.trial !== trial || page.view.attempt !== attempt) return;
    if (there) {
      heard.add(name);
      page.player.select(soundOf(name));
    }
    // Also where it did not come to be connected: the server answers with where the sitting stands.
    page.line.send({ event: "selected", trial, attempt, slot: name });
    if (!there) return refresh();
    if (!playing) await start();
    refresh();
  }
  /** @param {import("./hands.js").Hands} hands @param {string} name */
  async function connected(hands, name) {
    const token = slots.find((slot) => slot.name === name)?.token ?? "";
    if (hands.there === token) return true;
    connecting = true;
    refresh();
    await stop();
    const there = await hands.connected(token);
    connecting = false;
    return there;
  }
  /** @param {string} name */
  function spoken(name) {
    const called = places.find((place) => place.name === name)?.full ?? name;
    const value = chosen?.[name];
    const stands = typeof value === "number" ? number(value) : value;
    const told = stands === undefined ? say("Not rated.") : `${stands}.`;
    return `${called}. ${told}`;
  }
  async function start() {
    playing = true;
    await page.player.play();
  }
  async function stop() {
    playing = false;
    refresh();
    await page.player.pause();
  }
  async function toggle() {
    if (!loaded || confirming || connecting) return;
    if (playing) await stop();
    else if (selected) await start();
    else await select(/** @type {string} */ (names[0]));
    refresh();
  }
  function restart() {
    if (loaded && !connecting) page.player.restart();
  }
  /** @param {Record<string, Value>} values @param {boolean} settled */
  function choose(values, settled) {
    if (dial !== null && (!loaded || confirming)) return refresh();
    wanted = false;
    if (dial !== null && (selected !== dial.slot || !playing)) turnTo(dial.slot);
    if (asked && !confirming) {
      chosen = values;
      moving = !settled;
      if (settled) tell();
    }
    refresh();
    if (silent && settled && selected) page.say(spoken(selected));
  }
  /** Tell the server all that is chosen. */
  function tell() {
    moving = false;
    if (loaded && chosen) page.line.send({ event: "chosen", trial, attempt, values: chosen, ...(view.sure ? { confidence: certainty } : {}) });
  }
  function settle() {
    if (moving) tell();
  }
  function takeBack() {
    if (!asked || !enabled(undo)) return;
    wanted = false;
    chosen = answer?.before() ?? null;
    certainty = null;
    moving = false;
    // Where a sound is set, going back by way of its start would be heard.
    if (dial === null || chosen === null) page.line.send({ event: "unchosen", trial, attempt });
    if (chosen) tell();
    refresh();
    if (silent && selected) page.say(spoken(selected));
  }
  async function send() {
    if (!enabled(confirm) || chosen === null) return;
    wanted = turning();
    if (wanted) return;
    settle();
    remark.settle();
    confirming = true;
    sent = false;
    refresh();
    await stop();
    sent = true;
    page.line.send({ event: "confirmed", trial, attempt, values: chosen });
  }
  async function sayWhere() {
    await stop();
    const place = places.find(({ name }) => name === selected);
    const clip = view.clip ? say("Clip: {clip}.", { clip: view.clip }) : "";
    page.say([`${countWords(view)}.`, clip, place ? `${place.full}.` : silent ? "" : say("No sound selected."), answer?.said(chosen) ?? "", sure.spoken(certainty)].filter(Boolean).join(" "));
  }
  async function next() {
    await stop();
    page.line.send({ event: "continued", trial });
  }
  async function load() {
    try {
      const held = [...slots.filter((slot) => slot.name !== dial?.slot), ...(dial?.sounds ?? [])];
      const tokens = Object.fromEntries(held.map((slot) => [slot.name, slot.token]));
      if (!silent) await page.player.load(tokens, soundOf(/** @type {string} */ (names[0])));
    } catch (fault) {
      state.textContent = say("The sounds could not be made ready ({reason}). Reload the page to try again.", { reason: fault instanceof Error ? fault.message : say("unknown") });
      return;
    }
    if (page.view !== view && (page.view?.trial !== trial || page.view.attempt !== attempt || page.view.step !== view.step)) return;
    loaded = true;
    if (silent) selected = names[0] ?? "";
    else loop.ready();
    const resampled = !silent && page.player.resampled;
    if (asked) {
      page.line.send({ event: "loaded", trial, attempt });
      // Heard before the page was opened anew.
      for (const slot of view.heard) page.line.recall({ event: "selected", trial, attempt, slot });
      if (resampled) page.line.send({ event: "faulted", trial, attempt, kind: "rate" });
      tell();
    }
    if (resampled) {
      rate.hidden = false;
      rate.textContent = rateWords(page);
    }
    refresh();
    page.sounds.fetchAhead(view.next);
  }

  const desk = silent ? ["say"] : ["play", "restart", "say"];
  const actions = [...Object.keys(slotOf), ...desk, ...(asked ? [...answer.actions, ...sure.actions, "confirm", "undo"] : ["next"])];
  const controls = places.flatMap(({ control }) => (control ? [control] : []));
  const labelled = slots.some((slot) => slot.label !== "");
  const area = element(
    "section",
    { id: "trial", tabindex: "-1", "aria-labelledby": "heading", "aria-describedby": intro ? "intro" : "", onkeydown: (/** @type {KeyboardEvent} */ event) => {
      const action = page.keys.action(event, actions);
      if (action === null) return;
      event.preventDefault();
      if (slotOf[action] !== undefined) void select(slotOf[action]);
      else if (action === "play") void toggle();
      else if (action === "restart") restart();
      else if (action === "say") void sayWhere();
      else if (action === "confirm") void send();
      else if (action === "undo") takeBack();
      else if (action === "next") void next();
      else if (!sure.act(action)) answer.act(action);
    } },
    element("p", { class: "phase" }, phaseWords(view)),
    element("h1", { id: "heading", tabindex: "-1" }, asked ? countWords(view) : `${countWords(view)}: ${verdict(view)}`),
    intro ? element("p", { id: "intro" }, intro) : null,
    asked ? null : element("p", { class: "told" }, ...told(view, answer.words(view.chosen ?? {}))),
    view.clip ? element("p", { class: "clip" }, ...sayParts("Play on the real unit: {clip}", { clip: element("strong", {}, view.clip) })) : null,
    asked && answer.holdsSounds ? null : element("div", { role: "group", "aria-label": say("Sounds"), class: labelled ? "slots named" : "slots" }, ...controls),
    asked && answer.holdsSounds ? answer.node : null,
    element("div", { class: "row" }, ...(silent ? [where] : [play, again, where])),
    silent ? null : loop.node,
    asked && !answer.holdsSounds ? answer.node : null,
    asked ? sure.node : null,
    asked ? element("div", { class: "hint" }, state, element("p", { "aria-hidden": "true" }, longest())) : null,
    element("div", { class: "row" }, ...(asked ? [confirm, undo] : [onward])),
    rate,
    asked ? remark.node : null,
    keysPanel(page.keys, actions, Object.fromEntries(places.map(({ name, called }) => [actionOf(name), called])), question, view.sure),
  );

  refresh();
  void load();
  return {
    node: area,
    focus: area,
    update: (seen) => {
      // What was chosen here and is still on its way stands; what another tab chose is shown once it is settled.
      const settled = page.line.queue.length === 0 && !confirming && !moving;
      if (settled) {
        chosen = seen.chosen;
        // Said before the answer was chosen it is known here only.
        if (chosen) certainty = seen.sure?.said ?? null;
      }
      if (dial !== null && seen.dial !== null && seen.dial.now !== dial.now) {
        dial = seen.dial;
        if (selected === dial.slot && !behind) page.player.select(dial.now);
      } else if (settled) dial = seen.dial;
      if (behind && dial !== null && !turning()) {
        behind = false;
        page.player.select(dial.now);
        if (!playing) void start().then(refresh);
      }
      if (wanted && !turning()) void send();
      if (confirming && sent && page.line.queue.length === 0) confirming = false;
      refresh();
    },
    onHidden: () => void (playing && stop()),
  };
}

/** @param {View} view */
function verdict(view) {
  if (view.feedback === null || view.feedback.correct === null) return say("done");
  return view.feedback.correct ? say("right") : say("not right");
}

/** @param {View} view @param {string} given */
function told(view, given) {
  const right = view.feedback?.right;
  return right
    ? sayParts("Your answer: {given}. Right: {right}. Listen again if you like.", { given, right: element("strong", {}, right) })
    : [say("Your answer: {given}. Listen again if you like.", { given })];
}
