// @ts-check
/**
 * One template for each kind of answer. A template shows the question and reports what is chosen; what becomes of it
 * is the trial page's business. A new kind is one function here and one line in the table.
 */

import { element } from "./element.js";

/** @typedef {import("./types.js").Question} Question */
/** @typedef {import("./types.js").Value} Value */
/** @typedef {Record<string, Value>} Values */
/**
 * @typedef {object} Answer
 * @property {HTMLElement} node
 * @property {string[]} actions keys that it answers to
 * @property {(action: string) => boolean} act
 * @property {(values: Values | null) => void} set show what is chosen
 * @property {(values: Values) => string} words
 */

/**
 * One of several options.
 * @param {Question} question @param {(values: Values) => void} chosen @param {(action: string) => string} keyOf
 * @returns {Answer}
 */
function choose(question, chosen, keyOf) {
  const key = question.keys[0] ?? "choice";
  const inputs = question.options.map(({ value }, at) =>
    element("input", {
      type: "radio",
      name: "answer",
      id: `option-${at}`,
      "aria-keyshortcuts": keyOf(`option${at + 1}`),
      onchange: () => chosen({ [key]: value }),
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
  return {
    node,
    actions: question.options.map((_, at) => `option${at + 1}`),
    act: (action) => {
      const option = question.options[Number(action.slice("option".length)) - 1];
      if (!action.startsWith("option") || !option) return false;
      chosen({ [key]: option.value });
      return true;
    },
    set: (values) => {
      question.options.forEach(({ value }, at) => {
        const input = inputs[at];
        if (input) input.checked = values !== null && values[key] === value;
      });
    },
    words: (values) => question.options.find(({ value }) => value === values[key])?.words ?? "",
  };
}

/** @param {string} key */
export function hint(key) {
  return key ? element("kbd", { "aria-hidden": "true" }, key) : element("span");
}

/** @type {Record<string, typeof choose>} */
export const ANSWERS = { choose };
