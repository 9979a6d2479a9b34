// @ts-check
/** One function for each step of a sitting; `trial` and `feedback` share the desk with its sounds. */

import { button, element, enable, enabled } from "./element.js";
import { WAITING } from "./hands.js";
import { trackPage } from "./track.js";
import { trialPage } from "./trial.js";

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
      heading(silent ? "Before you begin" : "Before you listen"),
      element("section", { "aria-labelledby": "careful" },
        element("h2", { id: "careful" }, "Start low"),
        ...(silent ? cautionsOfUnit() : cautions(page)),
        element("p", {}, "Loud sound can damage hearing for good. Rules for hearing safety are local: the law of your country, your workplace, and the advice of licensed practitioners come first. This page replaces none of them."),
      ),
      element("section", { "aria-labelledby": "course" },
        element("h2", { id: "course" }, "What will happen"),
        silent ? element("p", {}, view.message) : null,
        element("p", {}, `${view.of === 1 ? "1 trial. In it" : `${view.may_end_sooner ? "At most " : ""}${view.of} trials. In each`} you ${silent
          ? "play one clip on every unit named, rate what you hear, and confirm it."
          : "listen as often and as long as you like, answer what is asked, and confirm it."} Until then you can change your answer. Nothing runs out of time.`),
        view.may_end_sooner ? element("p", {}, "A rule fixed beforehand decides after which trial it ends. It can end early for somebody who hears a difference, and for somebody who does not.") : null,
        element("p", {}, "You can close the page whenever you like and come back later. Everything works by keyboard or pointer."),
      ),
      consent
        ? element("section", { "aria-labelledby": "consent" }, element("h2", { id: "consent" }, "What you agree to"), element("p", { class: "as-written" }, consent))
        : null,
      element("p", { class: "row" }, button(consent ? "I agree: begin" : view.saved > 0 ? "Go on" : "Begin", go, "main")),
    ),
  };
}

/** @param {Page} page */
function cautions(page) {
  const { level, level_note: note, device, switch_s, warnings } = page.facts;
  return [
    ...(switch_s === null ? [] : [element("p", {}, `Real units are heard. Somebody connects the one that belongs to the sound you select, then it sounds by itself. Each change takes ${switch_s} s or, if that was not enough, as long again: whichever unit it is. Ask for nothing but sounds, and look at nobody meanwhile.`)]),
    element("p", {}, "Turn the volume of your headphones or loudspeakers down now. On the next page the sound begins softly, and you raise it."),
    level
      ? element("p", {}, "With your equipment set as described, this sitting plays at ", element("strong", {}, level), `. ${note}`)
      : element("p", {}, "What follows this computer is unknown to the program, so it cannot tell how loud the sitting will be. You decide, on the next page."),
    ...(device ? [element("p", {}, "The sound leaves through ", element("strong", {}, device), `, not through this page. ${warnings.map((one) => `Know that ${one}.`).join(" ")}`)] : []),
  ];
}

function cautionsOfUnit() {
  return [
    element("p", {}, "Nothing sounds in this page: you play the clips on the real unit yourself. Turn its volume down before you put it on, raise it while the first clip plays, and leave it there."),
    element("p", {}, "How loud that is the program cannot tell. Play every unit equally loud, as far as you can."),
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
  const toggle = button("Start the sound", () => void (playing ? stop() : start()), "main wide");
  const done = button("My level is set", () => void finish(), "main");
  const rate = element("p", { class: "warning", hidden: true });
  const state = element("p", { class: "hint" }, "The sound is being loaded.");
  enable(toggle, false);
  enable(done, false);

  /** @param {number} wanted */
  function set(wanted) {
    gainDb = Math.min(page.facts.most_gain_db, Math.max(SOFTEST_DB, wanted));
    slider.value = String(gainDb);
    const { full_dba: full } = page.facts;
    const heardAt = full === null ? "" : `, about ${Math.round(full + gainDb)} dB(A)`;
    value.textContent = `${gainDb === 0 ? "0" : `−${-gainDb}`} dB${heardAt}`;
    slider.setAttribute("aria-valuetext", `${gainDb} dB${heardAt}`);
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
    toggle.textContent = "Stop the sound";
    await page.player.play();
    heard = true;
    enable(done, true);
    state.textContent = page.facts.noise
      ? "The noise comes in slowly. Raise the level until music as loud as this would be comfortable for a while."
      : "The sound comes in slowly. Raise the level until you would listen to music like this for a while.";
  }
  async function stop() {
    playing = false;
    toggle.textContent = "Start the sound";
    await page.player.pause();
  }
  async function finish() {
    if (!enabled(done)) {
      state.textContent = "Listen first: start the sound, then set the level.";
      return;
    }
    if (playing) await stop();
    page.line.send({ event: "level_set", gain_db: gainDb, ...page.player.output });
  }
  async function load() {
    try {
      await page.player.load({ level: view.level ?? "" }, "level");
    } catch (fault) {
      state.textContent = `The sound could not be made ready (${fault instanceof Error ? fault.message : "unknown"}). Reload the page to try again.`;
      return;
    }
    set(gainDb);
    loaded = true;
    enable(toggle, true);
    state.textContent = heard ? "" : "Ready. It begins very softly.";
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
      heading("Set your level"),
      element("ol", { class: "how" },
        element("li", {}, page.facts.noise
          ? "Turn your equipment down, then start the sound: a noise as loud as what you will hear."
          : "Turn your equipment down, then start the sound."),
        element("li", {}, page.facts.full_dba === null
          ? "Raise your equipment, or the level here, until it is as loud as you like to listen for a while."
          : "Set your equipment as it was described, and raise the level here until it is as loud as you like to listen for a while."),
        element("li", {}, "Leave both alone from then on, until the end."),
      ),
      element("p", { class: "row" }, toggle),
      element("div", { class: "level" },
        element("label", { for: "gain" }, "Level in this page"),
        element("div", { class: "row" },
          slider,
          button("Softer", () => set(gainDb - 2)),
          button("Louder", () => set(gainDb + 2)),
          value,
        ),
        element("p", { id: "gain-help", class: "small" }, "At 0 dB the samples leave as they are. Any other level holds for all sounds alike."),
      ),
      rate,
      state,
      element("p", { class: "row" }, done),
    ),
    onHidden: () => void stop(),
  };
}

/** @param {Page} page */
export function rateWords(page) {
  const { rate, ownRate } = page.player;
  return `The sounds have ${rate} Hz, this browser’s output runs at ${ownRate} Hz and converts between them. That is the same for all sounds and goes on record. Set the sound device to ${rate} Hz and start the browser again to avoid it.`;
}

/** @param {Page} page @param {View} view @returns {Shown} */
function rest(page, view) {
  return {
    node: element("div", {},
      heading("A rest"),
      element("p", {}, view.message),
      element("p", {}, `${view.number - 1} of ${view.may_end_sooner ? "at most " : ""}${view.of} trials are done. Leave the level as it is.`),
      element("p", { class: "row" }, button("Go on", () => page.line.send({ event: "continued", trial: view.trial }), "main")),
    ),
  };
}

/** @param {Page} page @param {View} view @returns {Shown} */
function over(page, view) {
  void page.player.pause();
  if (page.facts.then) location.replace(page.facts.then);
  return {
    node: element("div", {},
      heading(view.step === "finished" ? "Thank you" : "Stopped"),
      element("p", {}, view.message),
      element("p", {}, "Results are told when the study is over, so that no answer still to come is coloured by them. You can close this page."),
    ),
  };
}

/** A trial whose programme comes round, or one that runs on. @param {Page} page @param {View} view */
function listening(page, view) {
  return view.first === null ? trialPage(page, view) : trackPage(page, view);
}

/** @type {Record<View["step"], (page: Page, view: View) => Shown>} */
export const STEPS = { ready, level, trial: listening, onward: trackPage, feedback: trialPage, break: rest, finished: over, abandoned: over };
