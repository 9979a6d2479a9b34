// @ts-check
/**
 * The words of the page. English texts stand where they are used and are the names of all others; the shell brings
 * the catalogue of its language along as a block of data, so that words are there before anything is shown.
 *
 * What is handed to `say`, `sayMany` and `sayParts` is written out, never put together: only so it is found for the
 * catalogue. What goes into it stands in braces. Numbers among it are written as the language writes them.
 */

/** @typedef {{ language: string, messages: Record<string, string | Record<string, string>> }} Catalogue */

/** @type {Catalogue} */
const held = JSON.parse(document.getElementById("words")?.textContent ?? '{ "language": "en", "messages": {} }');

export const LANGUAGE = held.language;
const plural = new Intl.PluralRules(LANGUAGE);

/** @param {number} value @param {number} [decimals] as many as it has, if not said @returns {string} */
export function number(value, decimals) {
  const digits = decimals === undefined ? { maximumFractionDigits: 20 } : { minimumFractionDigits: decimals, maximumFractionDigits: decimals };
  return new Intl.NumberFormat(LANGUAGE, { useGrouping: false, ...digits }).format(value);
}

/** @param {string} text @param {Record<string, string | number>} values */
function filled(text, values) {
  return text.replace(/\{(\w+)\}/g, (field, name) => {
    const value = values[name];
    return value === undefined ? field : typeof value === "number" ? number(value) : value;
  });
}

/** @param {string} message @param {Record<string, string | number>} [values] @returns {string} */
export function say(message, values = {}) {
  const found = held.messages[message];
  return filled(typeof found === "string" ? found : message, values);
}

/**
 * Words that a number decides on; the number goes into them as {count}.
 * @param {string} one for 1 @param {string} many for any other @param {number} count @param {Record<string, string | number>} [values]
 * @returns {string}
 */
export function sayMany(one, many, count, values = {}) {
  const forms = held.messages[one];
  const form = plural.select(count);
  const found = typeof forms === "object" ? (forms[form] ?? forms["other"]) : undefined;
  return filled(found ?? (form === "one" ? one : many), { count, ...values });
}

/**
 * Words with elements among them.
 * @param {string} message @param {Record<string, string | number | Node>} values
 * @returns {(string | Node)[]}
 */
export function sayParts(message, values) {
  const found = held.messages[message];
  const parts = (typeof found === "string" ? found : message).split(/\{(\w+)\}/);
  return parts.map((part, at) => {
    const value = at % 2 === 1 ? values[part] : undefined;
    if (value === undefined) return at % 2 === 1 ? `{${part}}` : part;
    return typeof value === "number" ? number(value) : value;
  });
}
