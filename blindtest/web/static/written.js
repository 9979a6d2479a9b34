// @ts-check
/** The organiser's words as text: headings, lists and paragraphs by the usual signs, and nothing that could act. */

import { element } from "./element.js";

/** @param {string} text @returns {HTMLElement[]} */
export function written(text) {
  const blocks = text.replaceAll("\r\n", "\n").split(/\n\s*\n/).map((block) => block.trim());
  return blocks.filter((block) => block !== "").flatMap((block) => parts(block.split("\n")));
}

/** @param {string[]} lines of one block @returns {HTMLElement[]} */
function parts(lines) {
  /** @type {HTMLElement[]} */
  const made = [];
  /** @type {string[]} */
  let words = [];
  /** @type {string[]} */
  let items = [];
  const close = () => {
    if (words.length > 0) made.push(element("p", {}, words.join(" ")));
    if (items.length > 0) made.push(element("ul", {}, ...items.map((item) => element("li", {}, item))));
    words = [];
    items = [];
  };
  for (const line of lines.map((each) => each.trim())) {
    const title = /^#{1,6} +(.*)$/.exec(line);
    const item = /^[-*+] +(.*)$/.exec(line);
    if (title) {
      close();
      made.push(element("h2", {}, title[1]));
    } else if (item) {
      if (words.length > 0) close();
      items.push(item[1] ?? "");
    } else if (items.length > 0) items.push(`${items.pop()} ${line}`);
    else words.push(line);
  }
  close();
  return made;
}
