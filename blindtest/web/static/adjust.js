// @ts-check
/**
 * Adjustment: one sound is set by the listener, a little or much more or less of it.
 *
 * No number, scale or bar says where the setting stands: the page knows its distance from where it began, and shows
 * only what was done. That an end is reached is said once a move has run into it. A move turns to the sound that is
 * set: nobody sets what they do not hear.
 */

import { button, element, enable, enabled, hint } from "./element.js";
import { say } from "./words.js";

/** @typedef {import("./answers.js").Desk} Desk */
/** @typedef {import("./answers.js").Answer} Answer */
/** @typedef {import("./answers.js").Values} Values */

/** Words of the moves by action, in the order of the buttons. @type {Record<string, string>} */
export const MOVES = { muchless: say("Much less"), less: say("A little less"), more: say("A little more"), muchmore: say("Much more") };

/** @param {Desk} desk @returns {Answer} */
export function adjust(desk) {
  const { question, keyOf } = desk;
  const [least, greatest] = question.range ?? [0, 0];
  const far = question.step;
  /** @type {Record<string, number>} */
  const by = { muchless: -far, less: -1, more: 1, muchmore: far };
  const own = desk.places.find(({ name }) => name === question.adjusts);
  const called = own?.called ?? say("The sound");
  const alone = desk.places.length === 1;
  /** @type {Values | null} */
  let current = null;
  /** @type {(Values | null)[]} */
  const past = [];
  let end = "";

  const moves = Object.entries(MOVES).map(([action, words]) => {
    const made = button(words, () => move(action), "step");
    if (keyOf(action)) made.setAttribute("aria-keyshortcuts", keyOf(action));
    made.append(hint(keyOf(action)));
    return made;
  });
  const told = element("p", { class: "dial-end" });
  const node = element(
    "fieldset",
    { class: "dial" },
    element("legend", {}, question.prompt),
    element("p", { class: "small", id: "dial-help" }, say("It begins somewhere, and somewhere else in every trial. Go past the point and come back to it.")),
    element("div", { class: "moves", role: "group", "aria-label": alone ? say("Set the sound") : say("Set sound {name}", { name: question.adjusts }), "aria-describedby": "dial-help" }, ...moves),
    told,
  );

  /** @param {string} action */
  function move(action) {
    if (!moves.every(enabled)) return;
    const from = Number(current?.["offset"] ?? 0);
    const to = Math.min(greatest, Math.max(least, from + (by[action] ?? 0)));
    past.push(current);
    current = { offset: to };
    desk.chosen(current, true);
  }
  function ending() {
    if (!end) return "";
    const name = question.adjusts;
    if (alone)
      return end === "less" ? say("No less than this: here the range of the sound ends.") : say("No more than this: here the range of the sound ends.");
    return end === "less"
      ? say("No less than this: here the range of sound {name} ends.", { name })
      : say("No more than this: here the range of sound {name} ends.", { name });
  }

  return {
    node,
    holdsSounds: false,
    actions: Object.keys(MOVES),
    act: move,
    set: (values, _selected, dial) => {
      current = values;
      end = dial?.end ?? "";
      told.textContent = ending();
      for (const each of moves) enable(each, dial !== null);
    },
    lacks: (values, unheard) => (values !== null || unheard.length > 0 ? "" : say("Set the sound before you confirm.")),
    before: () => past.pop() ?? null,
    goesBack: () => past.length > 0,
    words: () => say("as you set it"),
    said: (values) => `${values ? say("{sound} was set.", { sound: called }) : say("{sound} stands where it began.", { sound: called })} ${ending()}`.trim(),
  };
}
