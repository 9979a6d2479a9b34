// @ts-check
/**
 * A trial, and the feedback after a practice trial: the sounds, the question, confirm and undo.
 *
 * Every slot looks and behaves alike; what is shown depends on names, on what the listener did, and on nothing else.
 */

import { ANSWERS, hint } from "./answers.js";
import { button, element, enable, enabled } from "./element.js";
import { keysPanel } from "./keys_panel.js";
import { rateWords } from "./steps.js";

/** @typedef {import("./types.js").View} View */
/** @typedef {import("./types.js").Value} Value */
/** @typedef {import("./types.js").Question} Question */
/** @typedef {import("./listen.js").Page} Page */
/** @typedef {import("./listen.js").Shown} Shown */

/** The shortest loop, in s: short enough for a drum stroke, long enough for its fades. */
const SHORTEST_LOOP_S = 0.2;

/** @param {Page} page @param {View} view @returns {Shown} */
export function trialPage(page, view) {
  const { trial, attempt, slots } = view;
  const question = /** @type {Question} */ (view.question);
  const asked = view.step === "trial";
  const names = slots.map((slot) => slot.name);
  const heard = new Set(view.heard);
  /** @type {Record<string, Value> | null} */
  let chosen = view.chosen;
  let selected = "";
  let loaded = false;
  let playing = false;
  let confirming = false;

  const keyOf = (/** @type {string} */ action) => (page.keys.on ? page.keys.of(action) : "");
  const slotButtons = names.map((name, at) =>
    element(
      "button",
      { type: "button", class: "slot", "aria-pressed": "false", "aria-keyshortcuts": keyOf(`slot${at + 1}`), onclick: () => void select(name) },
      element("span", { class: "name" }, name),
      hint(keyOf(`slot${at + 1}`)),
    ),
  );
  const playWords = element("span", {}, "Play");
  const play = element("button", { type: "button", class: "play", "aria-keyshortcuts": keyOf("play"), onclick: () => void toggle() }, playWords, hint(keyOf("play")));
  const again = element("button", { type: "button", "aria-keyshortcuts": keyOf("restart"), onclick: () => restart() }, "From the start", hint(keyOf("restart")));
  const say = element("button", { type: "button", "aria-keyshortcuts": keyOf("say"), onclick: () => void sayWhere() }, "Say where I am", hint(keyOf("say")));
  const answer = (ANSWERS[question.kind] ?? ANSWERS["choose"])?.(question, (values) => choose(values), keyOf);
  if (!answer) throw new Error(`no page for answers of the kind ${question.kind}`);
  const confirm = element("button", { type: "button", class: "main", "aria-keyshortcuts": keyOf("confirm"), onclick: () => void send() }, "Confirm", hint(keyOf("confirm")));
  const onward = element("button", { type: "button", class: "main", "aria-keyshortcuts": keyOf("next"), onclick: () => void next() }, "Next", hint(keyOf("next")));
  const undo = element("button", { type: "button", "aria-keyshortcuts": keyOf("undo"), onclick: () => takeBack() }, "Undo", hint(keyOf("undo")));
  const state = element("p", { class: "hint", id: "state" });
  const rate = element("p", { class: "warning", hidden: true });
  const loop = loopPanel(page, () => loaded);

  function refresh() {
    names.forEach((name, at) => {
      const node = /** @type {HTMLElement} */ (slotButtons[at]);
      node.setAttribute("aria-pressed", String(name === selected));
      enable(node, loaded);
    });
    enable(play, loaded);
    enable(again, loaded);
    playWords.textContent = playing ? "Pause" : "Play";
    answer?.set(chosen);
    if (!asked) return;
    const missing = names.filter((name) => !heard.has(name));
    enable(undo, chosen !== null && !confirming);
    enable(confirm, loaded && chosen !== null && missing.length === 0 && !confirming);
    if (confirming) state.textContent = "Being saved …";
    else if (!loaded) state.textContent = "The sounds are being loaded.";
    else if (missing.length > 0) state.textContent = `Still to be heard before you can confirm: ${missing.join(", ")}.`;
    else state.textContent = chosen === null ? "Choose your answer." : "Confirm your answer, or choose again.";
  }

  /** @param {string} name */
  async function select(name) {
    if (!loaded || confirming) return;
    selected = name;
    heard.add(name);
    page.player.select(name);
    page.line.send({ event: "selected", trial, attempt, slot: name });
    if (!playing) await start();
    refresh();
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
    if (!loaded || confirming) return;
    if (playing) await stop();
    else if (selected) await start();
    else await select(/** @type {string} */ (names[0]));
    refresh();
  }
  function restart() {
    if (loaded) page.player.restart();
  }
  /** @param {Record<string, Value>} values */
  function choose(values) {
    if (!asked || confirming) {
      answer?.set(chosen);
      return;
    }
    chosen = values;
    if (loaded) page.line.send({ event: "chosen", trial, attempt, values });
    refresh();
  }
  function takeBack() {
    if (!asked || chosen === null || confirming) return;
    chosen = null;
    page.line.send({ event: "unchosen", trial, attempt });
    refresh();
  }
  async function send() {
    if (!enabled(confirm) || chosen === null) return;
    confirming = true;
    refresh();
    await stop();
    page.line.send({ event: "confirmed", trial, attempt, values: chosen });
  }
  async function sayWhere() {
    await stop();
    const parts = [`Trial ${view.number} of ${view.of}.`, selected ? `Sound ${selected}.` : "No sound selected.", chosen ? `Chosen: ${answer?.words(chosen)}.` : "Nothing chosen."];
    page.say(parts.join(" "));
  }
  async function next() {
    await stop();
    page.line.send({ event: "continued", trial });
  }
  async function load() {
    try {
      /** @type {Record<string, import("./sound.js").Wav>} */
      const wavs = {};
      for (const slot of slots) wavs[slot.name] = await page.sounds.get(slot.token);
      await page.player.load(wavs, /** @type {string} */ (names[0]));
    } catch (fault) {
      state.textContent = `The sounds could not be made ready (${fault instanceof Error ? fault.message : "unknown"}). Reload the page to try again.`;
      return;
    }
    if (page.view !== view && (page.view?.trial !== trial || page.view.attempt !== attempt || page.view.step !== view.step)) return;
    loaded = true;
    loop.ready();
    if (asked) {
      page.line.send({ event: "loaded", trial, attempt });
      if (page.player.resampled) page.line.send({ event: "faulted", trial, attempt, kind: "rate" });
      if (chosen) page.line.send({ event: "chosen", trial, attempt, values: chosen });
    }
    if (page.player.resampled) {
      rate.hidden = false;
      rate.textContent = rateWords(page);
    }
    refresh();
    page.sounds.fetchAhead(view.next);
  }

  const actions = [...names.map((_, at) => `slot${at + 1}`), "play", "restart", "say", ...(asked ? [...answer.actions, "confirm", "undo"] : ["next"])];
  const area = element(
    "section",
    { id: "trial", tabindex: "-1", "aria-labelledby": "heading", onkeydown: (/** @type {KeyboardEvent} */ event) => {
      const action = page.keys.action(event, actions);
      if (action === null) return;
      event.preventDefault();
      if (action.startsWith("slot")) void select(/** @type {string} */ (names[Number(action.slice(4)) - 1]));
      else if (action === "play") void toggle();
      else if (action === "restart") restart();
      else if (action === "say") void sayWhere();
      else if (action === "confirm") void send();
      else if (action === "undo") takeBack();
      else if (action === "next") void next();
      else answer.act(action);
    } },
    element("p", { class: "phase" }, view.phase),
    element("h1", { id: "heading", tabindex: "-1" }, asked ? `Trial ${view.number} of ${view.of}` : `Trial ${view.number} of ${view.of}: ${verdict(view)}`),
    asked ? null : element("p", { class: "told" }, ...told(view, answer.words(view.chosen ?? {}))),
    element("div", { role: "group", "aria-label": "Sounds", class: "slots" }, ...slotButtons),
    element("div", { class: "row" }, play, again, say),
    loop.node,
    asked ? answer.node : null,
    asked ? state : null,
    element("div", { class: "row" }, ...(asked ? [confirm, undo] : [onward])),
    rate,
    keysPanel(page.keys, actions, names, question),
  );

  refresh();
  void load();
  return {
    node: area,
    focus: area,
    update: (seen) => {
      // What was chosen here and is still on its way stands; what another tab chose is shown once it is settled.
      if (page.line.queue.length === 0 && !confirming) chosen = seen.chosen;
      if (confirming && page.line.queue.length === 0) confirming = false;
      refresh();
    },
    onHidden: () => void (playing && stop()),
  };
}

/** @param {View} view */
function verdict(view) {
  if (view.feedback === null || view.feedback.correct === null) return "done";
  return view.feedback.correct ? "right" : "not right";
}

/** @param {View} view @param {string} given */
function told(view, given) {
  const right = view.feedback?.right;
  return right ? ["Your answer: ", given, ". Right: ", element("strong", {}, right), ". Listen again if you like."] : ["Listen again if you like."];
}

/**
 * A part of the clip to listen to again and again, the same for all slots.
 * @param {Page} page @param {() => boolean} loaded
 */
function loopPanel(page, loaded) {
  const limits = (/** @type {string} */ id) =>
    element("input", { type: "number", id, min: "0", step: "0.1", inputmode: "decimal", autocomplete: "off", onchange: () => set() });
  const from = limits("loop-from");
  const to = limits("loop-to");
  const wrong = element("p", { class: "small", id: "loop-wrong" });
  const length = () => page.player.frames / page.player.rate;

  function set() {
    if (!loaded()) return;
    const start = Number(from.value);
    const end = Number(to.value);
    const fits = start >= 0 && end <= length() + 0.05 && end - start >= SHORTEST_LOOP_S;
    wrong.textContent = fits ? "" : `“From” and “to” lie between 0 and ${length().toFixed(1)} s, at least ${SHORTEST_LOOP_S} s apart.`;
    if (fits) page.player.loop(start, Math.min(end, length()));
  }
  /** @param {HTMLInputElement} field */
  async function here(field) {
    if (!loaded()) return;
    field.value = (await page.player.where()).toFixed(1);
    set();
  }
  function whole() {
    from.value = "0";
    to.value = length().toFixed(1);
    set();
  }
  return {
    node: element(
      "details",
      { class: "panel" },
      element("summary", {}, "Loop a part"),
      element("div", { class: "row" },
        element("div", { class: "pair" }, element("label", { for: "loop-from" }, "From, s"), from, button("Start here", () => void here(from))),
        element("div", { class: "pair" }, element("label", { for: "loop-to" }, "To, s"), to, button("End here", () => void here(to))),
        button("Whole clip", () => loaded() && whole()),
      ),
      wrong,
    ),
    ready: () => {
      from.value = "0";
      to.value = length().toFixed(1);
    },
  };
}
