// @ts-check
/**
 * What comes with an answer: how sure it is, and a remark in the listener's own words.
 *
 * Both are about the answer in hand and are asked for alike in every trial. The remark is the one thing on the page in
 * which letters are letters: single keys rest while it is written.
 */

import { element, hint } from "./element.js";
import { say } from "./words.js";

/** @typedef {import("./types.js").Sure} Sure */
/** @typedef {import("./types.js").Remark} Remark */

/** Keys that levels have, by level. */
const action = (/** @type {number} */ at) => `sure${at + 1}`;

/**
 * How sure the answer is, as one of a few levels.
 * @param {Sure | null} sure null where it is not asked
 * @param {(action: string) => string} keyOf
 * @param {(value: number) => void} said
 */
export function sureQuestion(sure, keyOf, said) {
  const options = sure?.options ?? [];
  const inputs = options.map(({ value }, at) =>
    element("input", { type: "radio", name: "sure", id: `sure-${at}`, "aria-keyshortcuts": keyOf(action(at)), onchange: () => said(value) }),
  );
  const rows = options.map(({ words }, at) => element("label", { for: `sure-${at}` }, inputs[at], element("span", {}, words), hint(keyOf(action(at)))));
  return {
    node: sure === null ? null : element("fieldset", { class: "options levels" }, element("legend", {}, sure.prompt), ...rows),
    actions: options.map((_, at) => action(at)),
    /** @param {string} asked @returns {boolean} whether the action was one of these */
    act: (asked) => {
      const option = options.find((_, at) => action(at) === asked);
      if (option) said(option.value);
      return option !== undefined;
    },
    /** @param {number | null} value */
    set: (value) => options.forEach((option, at) => {
      const input = inputs[at];
      if (input) input.checked = option.value === value;
    }),
    /** @param {number | null} value what is still to be said, in words */
    lacks: (value) => (sure !== null && value === null ? say("Say how sure you are.") : ""),
    /** @param {number | null} value */
    spoken: (value) => {
      if (sure === null) return "";
      if (value === null) return say("How sure you are: not said.");
      return say("How sure you are: {words}.", { words: options.find((each) => each.value === value)?.words ?? "" });
    },
  };
}

/**
 * A remark, sent when the field is left and before the answer is confirmed.
 * @param {Remark | null} remark null where none is taken
 * @param {(text: string) => void} send
 */
export function remarkPanel(remark, send) {
  if (remark === null) return { node: null, settle: () => {} };
  let sent = remark.text;
  const settle = () => {
    if (field.value === sent) return;
    sent = field.value;
    send(sent);
  };
  const field = element("textarea", { id: "remark", rows: "3", maxlength: String(remark.longest), "aria-describedby": "remark-help", onchange: settle });
  field.value = remark.text;
  const node = element(
    "details",
    { class: "panel" },
    element("summary", {}, say("Remark")),
    element("label", { for: "remark" }, say("On this trial, in your own words, if you like")),
    field,
    element("p", { class: "small", id: "remark-help" }, say("At most {longest} characters. It is kept apart from the answers until the study is over; leave out what you would not want others to read.", { longest: remark.longest })),
  );
  node.open = remark.text !== "";
  return { node, settle };
}
