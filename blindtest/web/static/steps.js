// @ts-check
/** One function for each step of a sitting; `trial` and `feedback` share the desk with its sounds. */

import { button, element, enable, enabled } from "./element.js";
import { WAITING } from "./hands.js";
import { rateWords } from "./own_rate.js";
import { trackPage } from "./track.js";
import { trialPage } from "./trial.js";
import { say, sayMany, sayParts } from "./words.js";

/** @typedef {import("./types.js").View} View */
/** @typedef {import("./listen.js").Page} Page */
/** @typedef {import("./listen.js").Shown} Shown */

const SOFTEST_DB = -60;
const FIRST_DB = -40;

/** @param {string} words */
const heading = (words) => element("h1", { tabindex: "-1", id: "heading" }, words);

/** @param {Page} page @param {View} view @returns {Shown} */
function ready(page, view) {
  const { consent } = page.facts;
  // Nothing to fetch ahead: the first trial is heard on the real unit.
  const silent = view.next.length === 0;
  const go = () => page.line.send({ event: "began" });
  return {
    node: element(
      "div",
      {},
      heading(silent ? say("Before you begin") : say("Before you listen")),
      element("section", { "aria-labelledby": "careful" },
        element("h2", { id: "careful" }, say("Start low")),
        ...(silent ? cautionsOfUnit() : cautions(page)),
        element("p", {}, say("Loud sound can damage hearing for good. Rules for hearing safety are local: the law of your country, your workplace, and the advice of licensed practitioners come first. This page replaces none of them.")),
      ),
      element("section", { "aria-labelledby": "course" },
        element("h2", { id: "course" }, say("What will happen")),
        silent ? element("p", {}, view.message) : null,
        element("p", {}, `${course(view.of, view.may_end_sooner, silent)} ${say("Until then you can change your answer. Nothing runs out of time.")}`),
        view.may_end_sooner ? element("p", {}, say("A rule fixed beforehand decides after which trial it ends. It can end early for somebody who hears a difference, and for somebody who does not.")) : null,
        element("p", {}, say("You can close the page whenever you like and come back later. Everything works by keyboard or pointer.")),
      ),
      consent
        ? element("section", { "aria-labelledby": "consent" }, element("h2", { id: "consent" }, say("What you agree to")), element("p", { class: "as-written" }, consent))
        : null,
      element("p", { class: "row" }, button(consent ? say("I agree: begin") : view.saved > 0 ? say("Go on") : say("Begin"), go, "main")),
    ),
  };
}

/** @param {number} of @param {boolean} mayEndSooner @param {boolean} silent */
function course(of, mayEndSooner, silent) {
  const count = mayEndSooner
    ? sayMany("At most {count} trial.", "At most {count} trials.", of)
    : sayMany("{count} trial.", "{count} trials.", of);
  const each = silent
    ? sayMany("In it you play one clip on every unit named, rate what you hear, and confirm it.", "In each you play one clip on every unit named, rate what you hear, and confirm it.", of)
    : sayMany("In it you listen as often and as long as you like, answer what is asked, and confirm it.", "In each you listen as often and as long as you like, answer what is asked, and confirm it.", of);
  return `${count} ${each}`;
}

/** @param {Page} page */
function cautions(page) {
  const { level, level_note: note, device, switch_s, warnings } = page.facts;
  return [
    ...(switch_s === null ? [] : [element("p", {}, say("Real units are heard. Somebody connects the one that belongs to the sound you select, then it sounds by itself. Each change takes {seconds} s or, if that was not enough, as long again: whichever unit it is. Ask for nothing but sounds, and look at nobody meanwhile.", { seconds: switch_s }))]),
    element("p", {}, say("Turn the volume of your headphones or loudspeakers down now. On the next page the sound begins softly, and you raise it.")),
    level
      ? element("p", {}, ...sayParts("With your equipment set as described, this sitting plays at {level}. {note}", { level: element("strong", {}, level), note }))
      : element("p", {}, say("What follows this computer is unknown to the program, so it cannot tell how loud the sitting will be. You decide, on the next page.")),
    ...(device ? [element("p", {}, ...sayParts("The sound leaves through {device}, not through this page. {warnings}", {
      device: element("strong", {}, device),
      warnings: warnings.map((warning) => say("Know that {warning}.", { warning })).join(" "),
    }))] : []),
  ];
}

function cautionsOfUnit() {
  return [
    element("p", {}, say("Nothing sounds in this page: you play the clips on the real unit yourself. Turn its volume down before you put it on, raise it while the first clip plays, and leave it there.")),
    element("p", {}, say("How loud that is the program cannot tell. Play every unit equally loud, as far as you can.")),
  ];
}

/** @param {Page} page @param {View} view @returns {Shown} */
function level(page, view) {
  let gainDb = Math.min(page.facts.most_gain_db, view.gain_db ?? FIRST_DB);
  let playing = false;
  let loaded = false;
  let heard = false;
  const slider = element("input", {
    type: "range",
    id: "gain",
    min: String(SOFTEST_DB),
    max: String(page.facts.most_gain_db),
    step: "1",
    value: String(gainDb),
    "aria-describedby": "gain-help",
    oninput: () => set(Number(slider.value)),
  });
  const value = element("output", { for: "gain", class: "value" });
  const toggle = button(say("Start the sound"), () => void (playing ? stop() : start()), "main wide");
  const done = button(say("My level is set"), () => void finish(), "main");
  const rate = element("p", { class: "warning", hidden: true });
  const state = element("p", { class: "hint" }, say("The sound is being loaded."));
  enable(toggle, false);
  enable(done, false);

  /** @param {number} wanted */
  function set(wanted) {
    gainDb = Math.min(page.facts.most_gain_db, Math.max(SOFTEST_DB, wanted));
    slider.value = String(gainDb);
    const { full_dba: full } = page.facts;
    const at = (/** @type {string} */ db) => (full === null ? say("{db} dB", { db }) : say("{db} dB, about {dba} dB(A)", { db, dba: Math.round(full + gainDb) }));
    value.textContent = at(gainDb === 0 ? "0" : `−${-gainDb}`);
    slider.setAttribute("aria-valuetext", at(String(gainDb)));
    page.player.setGain(gainDb);
  }
  async function start() {
    if (!loaded || !enabled(toggle)) return;
    if (page.hands) {
      enable(toggle, false);
      state.textContent = WAITING;
      const there = await page.hands.connected(view.level ?? "");
      enable(toggle, true);
      if (!there) return;
    }
    playing = true;
    toggle.textContent = say("Stop the sound");
    await page.player.play();
    heard = true;
    enable(done, true);
    state.textContent = page.facts.noise
      ? say("The noise comes in slowly. Raise the level until music as loud as this would be comfortable for a while.")
      : say("The sound comes in slowly. Raise the level until you would listen to music like this for a while.");
  }
  async function stop() {
    playing = false;
    toggle.textContent = say("Start the sound");
    await page.player.pause();
  }
  async function finish() {
    if (!enabled(done)) {
      state.textContent = say("Listen first: start the sound, then set the level.");
      return;
    }
    if (playing) await stop();
    page.line.send({ event: "level_set", gain_db: gainDb, ...page.player.output });
  }
  async function load() {
    try {
      await page.player.load({ level: view.level ?? "" }, "level");
    } catch (fault) {
      state.textContent = say("The sound could not be made ready ({reason}). Reload the page to try again.", { reason: fault instanceof Error ? fault.message : say("unknown") });
      return;
    }
    set(gainDb);
    loaded = true;
    enable(toggle, true);
    state.textContent = heard ? "" : say("Ready. It begins very softly.");
    if (page.player.resampled) {
      rate.hidden = false;
      rate.textContent = rateWords(page);
    }
    page.sounds.fetchAhead(view.next);
  }
  set(gainDb);
  void load();
  return {
    node: element(
      "div",
      {},
      heading(say("Set your level")),
      element("ol", { class: "how" },
        element("li", {}, page.facts.noise
          ? say("Turn your equipment down, then start the sound: a noise as loud as what you will hear.")
          : say("Turn your equipment down, then start the sound.")),
        element("li", {}, page.facts.full_dba === null
          ? say("Raise your equipment, or the level here, until it is as loud as you like to listen for a while.")
          : say("Set your equipment as it was described, and raise the level here until it is as loud as you like to listen for a while.")),
        element("li", {}, say("Leave both alone from then on, until the end.")),
      ),
      element("p", { class: "row" }, toggle),
      element("div", { class: "level" },
        element("label", { for: "gain" }, say("Level in this page")),
        element("div", { class: "row" },
          slider,
          button(say("Softer"), () => set(gainDb - 2)),
          button(say("Louder"), () => set(gainDb + 2)),
          value,
        ),
        element("p", { id: "gain-help", class: "small" }, say("At 0 dB the samples leave as they are. Any other level holds for all sounds alike.")),
      ),
      rate,
      state,
      element("p", { class: "row" }, done),
    ),
    onHidden: () => void stop(),
  };
}

/** @param {Page} page @param {View} view @returns {Shown} */
function rest(page, view) {
  return {
    node: element("div", {},
      heading(say("A rest")),
      element("p", {}, view.message),
      element("p", {}, view.may_end_sooner
        ? say("{done} of at most {of} trials are done. Leave the level as it is.", { done: view.number - 1, of: view.of })
        : say("{done} of {of} trials are done. Leave the level as it is.", { done: view.number - 1, of: view.of })),
      element("p", { class: "row" }, button(say("Go on"), () => page.line.send({ event: "continued", trial: view.trial }), "main")),
    ),
  };
}

/** @param {Page} page @param {View} view @returns {Shown} */
function over(page, view) {
  void page.player.pause();
  if (page.facts.then) location.replace(page.facts.then);
  return {
    node: element("div", {},
      heading(view.step === "finished" ? say("Thank you") : say("Stopped")),
      element("p", {}, view.message),
      element("p", {}, say("Results are told when the study is over, so that no answer still to come is coloured by them. You can close this page.")),
    ),
  };
}

/** A trial whose programme comes round, or one that runs on. @param {Page} page @param {View} view */
function listening(page, view) {
  return view.first === null ? trialPage(page, view) : trackPage(page, view);
}

/** @type {Record<View["step"], (page: Page, view: View) => Shown>} */
export const STEPS = { ready, level, trial: listening, onward: trackPage, feedback: trialPage, break: rest, finished: over, abandoned: over };
