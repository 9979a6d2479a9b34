// @ts-check
/**
 * Ratings: a scale for each slot, all on one page, from the worst on the left to the best on the right.
 *
 * Only the scale of the slot selected can be moved (ITU-R BS.1534-3, 5.4), the others keep their values in sight. One
 * row of buttons moves the scale in hand by steps, so that nobody has to drag (WCAG 2.5.7) and a page of twelve sounds
 * stays short. A value is spoken by the page on request only; where nothing sounds, at every step.
 */

import { button, element, enable, hint } from "./element.js";
import { number, say } from "./words.js";

/** @typedef {import("./answers.js").Desk} Desk */
/** @typedef {import("./answers.js").Answer} Answer */
/** @typedef {import("./answers.js").Place} Place */
/** @typedef {import("./answers.js").Values} Values */
/** @typedef {{ key: string, place: Place, node: HTMLElement, slider: HTMLInputElement, value: HTMLElement, spoken: HTMLElement }} Row */

/** Steps of the buttons and single keys, by action, in steps of the scale. @type {Record<string, number>} */
const STEPS = { lower5: -5, lower: -1, raise: 1, raise5: 5 };

/** @param {Desk} desk @returns {Answer} */
export function rate(desk) {
  const { question, silent, keyOf } = desk;
  const places = desk.places.filter(({ name }) => question.keys.includes(name));
  /** What is given to be held against, and not rated. */
  const given = desk.places.filter(({ name }) => !question.keys.includes(name));
  const decimals = question.step < 1 ? String(question.step).length - 2 : 0;
  const [least, greatest] = question.range ?? [0, 100];
  const middle = (least + greatest) / 2;
  const scale = [...question.scale].sort((a, b) => a.value - b.value);
  /** Words at more points than its two ends stand in a list, and numbers on the scale: they have no room beside each other. */
  const graded = question.points && scale.length > 2;
  /** @type {Values} */
  let current = {};
  let inHand = "";
  let moving = false;
  /** @type {Values[]} */
  const past = [];

  const rows = places.map((place, at) => rowOf(place, at));
  const now = element("span", { class: "now" });
  const steps = Object.entries(STEPS).map(([action, by]) => {
    const words = `${by < 0 ? "−" : "+"}${shown(Math.abs(by) * question.step)}`;
    const made = button(words, () => step(by * question.step), "step");
    if (keyOf(action)) made.setAttribute("aria-keyshortcuts", keyOf(action));
    made.append(hint(keyOf(action)));
    return made;
  });
  const node = element(
    "fieldset",
    { class: `ratings${places.length > 1 || silent ? "" : " single"}${question.points ? " pointed" : ""}` },
    element("legend", {}, question.prompt),
    element("div", { class: "small", id: "scale-help" }, graded ? gradeList() : null, element("p", {}, help())),
    ...given.map(givenRow),
    ...rows.map((row) => row.node),
    element("div", { class: "steps", role: "group", "aria-label": say("The scale in hand, by steps") }, now, ...steps),
  );

  /** @param {number} value */
  function shown(value) {
    return number(value, decimals);
  }
  /** @param {number} value */
  function rounded(value) {
    return Number(Math.min(greatest, Math.max(least, value)).toFixed(decimals));
  }

  function help() {
    const named = scale.map(({ value, words }) => (question.points ? say("{value} is {words}", { value: shown(value), words }) : words));
    const range = graded ? "" : say("From {least} to {greatest}: {words}.", { least, greatest, words: named.join(", ") });
    if (silent) return range;
    return `${range ? `${range} ` : ""}${places.length > 1 ? say("Only the scale of the sound you selected can be moved.") : say("The scale can be moved once you listen.")}`;
  }

  function gradeList() {
    const rows = [...scale].reverse().map(({ value, words }) => element("li", {}, `${shown(value)} ${words}`));
    return element("ul", { class: "grades" }, ...rows);
  }
  /** @param {Place} place */
  function givenRow(place) {
    return element("div", { class: "given" }, place.control, element("span", {}, say("The others are held against it.")));
  }

  /** @param {Place} place @param {number} at @returns {Row} */
  function rowOf(place, at) {
    const id = `scale-${at + 1}`;
    const slider = element("input", {
      type: "range",
      id,
      min: String(least),
      max: String(greatest),
      step: String(question.step),
      value: String(middle),
      "aria-label": places.length > 1 || silent ? say("Rating of {sound}", { sound: place.full }) : say("Rating"),
      "aria-describedby": "scale-help",
      oninput: () => change(place.name, Number(slider.value), false),
      onchange: () => settle(place.name, slider),
      // A press on the middle of a scale that is not rated yet changes nothing, and still means the middle.
      onpointerup: () => settle(place.name, slider),
      onfocus: () => silent && desk.point(place.name),
    });
    const value = element("span", { "aria-hidden": "true" });
    // Also beside the slider: not every browser hands the words of a slider's value on.
    const spoken = element("span", { class: "only-spoken" });
    const head = place.control ?? element("label", { class: "name", for: id }, place.called, hint(keyOf(`slot${at + 1}`)));
    return {
      key: place.name,
      place,
      slider,
      value,
      spoken,
      node: element(
        "div",
        { class: "rating", role: "group", "aria-label": place.full },
        head,
        element("div", { class: "scale" }, marks(), slider),
        element("span", { class: "value" }, value, spoken),
      ),
    };
  }

  /** The words at their places, and a mark wherever one interval ends and the next begins. */
  function marks() {
    const share = (/** @type {number} */ value) => `${(100 * (value - least)) / (greatest - least)}%`;
    const at = (/** @type {HTMLElement} */ mark, /** @type {number} */ value) => {
      mark.style.left = share(value);
      return mark;
    };
    const between = scale.slice(1).map((word, k) => (word.value + (scale[k]?.value ?? word.value)) / 2);
    const lines = question.points ? scale.map(({ value }) => value) : [least, ...between, greatest];
    return element(
      "div",
      { class: question.points ? "marks points" : "marks", "aria-hidden": "true" },
      ...scale.map(({ value, words }) => at(element("span", { class: "word" }, graded ? number(value) : words), value)),
      ...lines.map((value) => at(element("span", { class: "mark" }), value)),
    );
  }

  /** @param {number} value */
  function wordFor(value) {
    let nearest = scale[0];
    for (const each of scale) if (nearest && Math.abs(each.value - value) <= Math.abs(nearest.value - value)) nearest = each;
    // Between two ends no word is nearer in meaning.
    return nearest && !(question.points && !graded) ? `${shown(value)}, ${nearest.words}` : shown(value);
  }
  /** @param {string} key */
  const told = (key) => (current[key] === undefined ? say("not rated") : wordFor(Number(current[key])));

  /** @param {string} key @param {number} value @param {boolean} settled */
  function change(key, value, settled) {
    if (!moving) past.push(current);
    moving = !settled;
    current = { ...current, [key]: rounded(value) };
    desk.chosen(current, settled);
  }
  /** @param {string} key @param {HTMLInputElement} slider */
  function settle(key, slider) {
    if (!slider.disabled && (moving || current[key] === undefined)) change(key, Number(slider.value), true);
  }
  /** @param {number} by */
  function step(by) {
    // What ratings are held against may be in hand, and has no scale.
    if (!inHand || !rows.some(({ key }) => key === inHand)) return;
    const from = Number(current[inHand] ?? middle);
    const to = rounded(from + by);
    if (to !== current[inHand]) change(inHand, to, true);
  }

  return {
    node,
    holdsSounds: true,
    actions: Object.keys(STEPS),
    act: (action) => step((STEPS[action] ?? 0) * question.step),
    set: (values, selected) => {
      current = values ?? {};
      // Turned to by a key, a row may lie outside the window; the first one of a silent page is nobody's wish.
      const turned = selected !== inHand && !(silent && inHand === "");
      inHand = selected;
      const leaving = rows.some(({ slider }) => slider === document.activeElement);
      for (const { key, node: row, slider, value, spoken } of rows) {
        const rated = current[key];
        slider.value = String(rated ?? middle);
        slider.classList.toggle("unrated", rated === undefined);
        slider.setAttribute("aria-valuetext", told(key));
        spoken.textContent = told(key);
        value.textContent = rated === undefined ? "–" : shown(Number(rated));
        row.classList.toggle("in-hand", key === inHand);
        if (!silent && key !== inHand) continue;
        slider.disabled = false;
        // Focus goes with the selection: a scale that is switched off would drop it.
        if (leaving && key === inHand) slider.focus();
      }
      for (const { key, slider } of rows) slider.disabled = !silent && key !== inHand;
      const row = rows.find(({ key }) => key === inHand);
      const held = given.find(({ name }) => name === inHand);
      now.textContent = row ? `${row.place.called}: ${told(inHand)}` : held ? say("{sound}: not to be rated", { sound: held.called }) : say("No sound selected");
      for (const each of steps) enable(each, row !== undefined);
      if (turned && row && !row.node.contains(document.activeElement)) row.node.scrollIntoView({ block: "nearest" });
    },
    lacks: (values, unheard) => {
      const missing = places.filter(({ name }) => values?.[name] === undefined && !unheard.includes(name));
      if (missing.length > 0) return say("Not rated yet: {names}.", { names: missing.map(({ short }) => short).join(", ") });
      const top = question.one_at;
      if (top === null || unheard.length > 0 || places.some(({ name }) => values?.[name] === top)) return "";
      return say("At least one has to get {most}: one of them is {names} again.", { most: shown(top), names: given.map(({ name }) => name).join(", ") });
    },
    before: () => {
      moving = false;
      const earlier = past.pop() ?? {};
      return Object.keys(earlier).length > 0 ? earlier : null;
    },
    goesBack: () => past.length > 0,
    words: (values) => places.map(({ name, short }) => `${short}: ${values[name] === undefined ? say("not rated") : shown(Number(values[name]))}`).join(", "),
    said: () => `${places.map(({ name, full }) => `${full}: ${told(name)}`).join("; ")}.`,
  };
}
