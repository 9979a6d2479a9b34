// @ts-check
/** The panel in which single keys are changed or switched off. */

import { MOVES } from "./adjust.js";
import { element } from "./element.js";
import { say } from "./words.js";

/** @typedef {import("./keys.js").Keys} Keys */
/** @typedef {import("./types.js").Question} Question */
/** @typedef {import("./types.js").Sure} Sure */

/** @type {Record<string, string>} */
const WORDS = {
  ...MOVES,
  play: say("Play, pause"), restart: say("From the start"), say: say("Say where I am"), confirm: say("Confirm"), undo: say("Undo"), next: say("Next"),
  skip: say("Skip the rest"), lower5: say("Rating 5 less"), lower: say("Rating 1 less"), raise: say("Rating 1 more"), raise5: say("Rating 5 more"),
};

/**
 * @param {Keys} keys @param {string[]} actions @param {Record<string, string>} called slots by action, as words name them @param {Question} question @param {Sure | null} [sure]
 */
export function keysPanel(keys, actions, called, question, sure = null) {
  const wrong = element("p", { class: "small", id: "keys-wrong" });
  const fields = actions.map((action) => {
    const field = element("input", {
      type: "text",
      id: `key-${action}`,
      maxlength: "1",
      autocomplete: "off",
      autocapitalize: "off",
      spellcheck: "false",
      value: keys.of(action),
      onchange: () => {
        wrong.textContent = keys.change(action, field.value, actions) || say("Changed. The buttons show it from the next trial on.");
        field.value = keys.of(action);
      },
    });
    return element("div", { class: "key" }, element("label", { for: `key-${action}` }, wordsOf(action, called, question, sure)), field);
  });
  const on = element("input", {
    type: "checkbox",
    id: "keys-on",
    checked: keys.on,
    onchange: () => {
      keys.on = on.checked;
      keys.keep();
      document.body.classList.toggle("no-keys", !keys.on);
    },
  });
  document.body.classList.toggle("no-keys", !keys.on);
  return element(
    "details",
    { class: "panel" },
    element("summary", {}, say("Keys")),
    element("p", {}, element("label", { for: "keys-on", class: "check" }, on, ` ${say("Single keys work while the trial has the focus")}`)),
    element("div", { class: "keys" }, ...fields),
    wrong,
  );
}

/** @param {string} action @param {Record<string, string>} called @param {Question} question @param {Sure | null} sure */
function wordsOf(action, called, question, sure) {
  const at = Number(action.replace(/\D/g, "")) - 1;
  if (called[action] !== undefined) return called[action];
  if (action.startsWith("option")) return question.options[at]?.words ?? action;
  if (action.startsWith("sure")) return sure?.options[at]?.words ?? action;
  return WORDS[action] ?? action;
}
