// @ts-check
/**
 * One template for each kind of answer. A template shows the question and reports what is chosen; what becomes of it
 * is the trial page's business. A new kind is one function in a file of its own and one line in the table.
 */

import { adjust } from "./adjust.js";
import { element, hint } from "./element.js";
import { rate } from "./rating.js";
import { say } from "./words.js";

/** @typedef {import("./types.js").Question} Question */
/** @typedef {import("./types.js").Value} Value */
/** @typedef {import("./types.js").Dial} Dial */
/** @typedef {Record<string, Value>} Values */
/**
 * @typedef {object} Place a slot as the trial page shows it
 * @property {string} name
 * @property {string} called how it is named alone: 'Sound 3', 'Heron', 'The sound'
 * @property {string} full the same, with the name of what it holds where that is told: 'Sound 3, Heron'
 * @property {string} short how it is named in a list: '3', 'Heron', 'the sound'
 * @property {HTMLElement | null} control selects it; null where nothing sounds
 */
/**
 * @typedef {object} Desk what a template is given
 * @property {Question} question
 * @property {Place[]} places
 * @property {boolean} silent nothing sounds in this page
 * @property {(action: string) => string} keyOf
 * @property {(values: Values, settled: boolean) => void} chosen all values so far; not settled: a slider still moves
 * @property {(name: string) => void} point the listener turned to a slot that has no sound
 */
/**
 * @typedef {object} Answer
 * @property {HTMLElement} node
 * @property {boolean} holdsSounds whether the controls of `places` stand in the node
 * @property {string[]} actions keys that it answers to
 * @property {(action: string) => void} act
 * @property {(values: Values | null, selected: string, dial: Dial | null) => void} set show what is chosen, which slot
 *   is selected, and where what is set stands
 * @property {(values: Values | null, unheard: string[]) => string} lacks what the answer lacks, in words; nothing of
 *   what has to be heard first
 * @property {() => Values | null} before what the last choice replaced; to be asked once for each step back
 * @property {() => boolean} goesBack whether there is a choice to take back
 * @property {(values: Values) => string} words
 * @property {(values: Values | null) => string} said what is chosen, in whole sentences
 */

/**
 * One of several options.
 * @param {Desk} desk
 * @returns {Answer}
 */
function choose({ question, keyOf, chosen }) {
  const key = question.keys[0] ?? "choice";
  /** @type {Values | null} */
  let current = null;
  const inputs = question.options.map(({ value }, at) =>
    element("input", {
      type: "radio",
      name: "answer",
      id: `option-${at}`,
      "aria-keyshortcuts": keyOf(`option${at + 1}`),
      onchange: () => chosen({ [key]: value }, true),
    }),
  );
  const node = element(
    "fieldset",
    { class: "options" },
    element("legend", {}, question.prompt),
    ...question.options.map(({ words }, at) =>
      element("label", { for: `option-${at}` }, inputs[at], element("span", {}, words), hint(keyOf(`option${at + 1}`))),
    ),
  );
  const words = (/** @type {Values} */ values) => question.options.find(({ value }) => value === values[key])?.words ?? "";
  return {
    node,
    holdsSounds: false,
    actions: question.options.map((_, at) => `option${at + 1}`),
    act: (action) => {
      const option = question.options[Number(action.slice("option".length)) - 1];
      if (option) chosen({ [key]: option.value }, true);
    },
    set: (values) => {
      current = values;
      question.options.forEach(({ value }, at) => {
        const input = inputs[at];
        if (input) input.checked = values !== null && values[key] === value;
      });
    },
    lacks: (values, unheard) => (values !== null || unheard.length > 0 ? "" : say("Choose your answer.")),
    before: () => null,
    goesBack: () => current !== null,
    words,
    said: (values) => (values ? say("Chosen: {words}.", { words: words(values) }) : say("Nothing chosen.")),
  };
}

/** @type {Record<string, (desk: Desk) => Answer>} */
export const ANSWERS = { choose, rate, adjust };
