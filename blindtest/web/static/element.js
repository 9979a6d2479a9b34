// @ts-check
/** Elements without markup in strings: text stays text, and the content security policy needs no exception. */

/**
 * @template {keyof HTMLElementTagNameMap} T
 * @param {T} tag
 * @param {Record<string, string | boolean | ((event: any) => void)>} [attributes] functions are listeners: onclick ...
 * @param {...(Node | string | undefined | null)} children
 * @returns {HTMLElementTagNameMap[T]}
 */
export function element(tag, attributes = {}, ...children) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (typeof value === "function") made.addEventListener(name.slice(2), value);
    else if (value === true) made.setAttribute(name, "");
    else if (value !== false && value !== "") made.setAttribute(name, value);
  }
  made.append(...children.filter((child) => child !== undefined && child !== null));
  return made;
}

/** @param {string} words @param {() => void} act @param {string} [look] */
export function button(words, act, look = "") {
  return element("button", { type: "button", class: look, onclick: act }, words);
}

/**
 * A button that can't act now keeps its focus: `disabled` would throw it away.
 * @param {HTMLElement} node @param {boolean} able
 */
export function enable(node, able) {
  node.setAttribute("aria-disabled", able ? "false" : "true");
}

/** @param {HTMLElement} node */
export function enabled(node) {
  return node.getAttribute("aria-disabled") !== "true";
}

/** A single key, as a button shows it. @param {string} key */
export function hint(key) {
  return key ? element("kbd", { "aria-hidden": "true" }, key) : element("span");
}
