// @ts-check
/** The organiser's page of a panel: counts, the storage, and no result. Looked at anew every ten seconds. */

import { element } from "./element.js";
import { languageSwitch } from "./languages.js";
import { LANGUAGE, number, say, sayMany } from "./words.js";

/**
 * @typedef {object} Standing
 * @property {string} title
 * @property {boolean} closed
 * @property {string | null} closes
 * @property {string | null} kept_until the day until which answers were to be kept, once it has passed
 * @property {number} planned
 * @property {number} most_listeners
 * @property {Record<string, number>} counts
 * @property {{ kind: string, write_ms: number, bytes: number | null, free_bytes: number | null }} storage
 * @property {{ rule: string, ended: number, whole: number } | null} rule
 */

const EVERY_MS = 10_000;
const PATIENCE_MS = 10_000;
const AGAIN_MS = 1000;
const page = /** @type {HTMLElement} */ (document.getElementById("page"));
const noteLine = /** @type {HTMLElement} */ (document.getElementById("note"));
let first = true;

/** @param {string} caption @param {[string, string | number][]} rows */
function table(caption, rows) {
  const cells = rows.map(([words, value]) =>
    element("tr", {}, element("th", { scope: "row" }, words), element("td", {}, typeof value === "number" ? number(value) : value)),
  );
  return element("table", { class: "counts" }, element("caption", {}, caption), element("tbody", {}, ...cells));
}

/** @param {number} bytes */
function size(bytes) {
  return bytes >= 1e9 ? say("{size} GB", { size: Number((bytes / 1e9).toFixed(1)) }) : say("{size} MB", { size: Number((bytes / 1e6).toFixed(1)) });
}

/** @param {Standing} now */
function show(now) {
  const { counts: count, storage, rule } = now;
  const got = (/** @type {string} */ name) => count[name] ?? 0;
  const heading = element("h1", { tabindex: "-1" }, now.title);
  const day = (/** @type {string} */ iso) => new Date(`${iso}T12:00:00`).toLocaleDateString(LANGUAGE, { day: "numeric", month: "long", year: "numeric" });
  page.replaceChildren(
    heading,
    element("p", {}, now.closed ? say("Closed: nobody can begin any more.") : now.closes ? say("Open until {day}, that day included.", { day: day(now.closes) }) : say("Open, without a last day.")),
    now.kept_until
      ? element("p", {}, say("Answers were to be kept until {day}, which has passed: erase each listener’s by “blindtest forget”. Nothing is erased by itself.", { day: day(now.kept_until) }))
      : "",
    table(say("Invitations"), [
      [say("personal links written"), got("invited")],
      [say("of these used"), got("invited_used")],
      [say("came by the public link"), got("by_public_link")],
    ]),
    table(say("Listeners"), [
      [say("planned"), now.planned],
      [say("at most"), now.most_listeners],
      [say("agreed"), got("listeners")],
      [say("withdrew, all erased"), got("withdrawn")],
      [say("agreed and never began"), got("not_begun")],
    ]),
    table(say("Sittings"), [
      [say("finished"), got("finished")],
      [say("open"), got("open")],
      [say("abandoned"), got("abandoned")],
    ]),
    rule
      ? element("p", {}, `${say("The plan has a stopping rule ({rule}).", { rule: rule.rule })} ${sayMany("It has ended {count} sitting.", "It has ended {count} sittings.", rule.ended)} ${sayMany("{count} went to the last trial.", "{count} went to the last trial.", rule.whole)}`)
      : element("p", {}, say("The plan is fixed: results are told when no sitting is open any more, by “blindtest analyze”, and nothing of them here.")),
    table(say("Storage"), [
      [say("kind"), storage.kind],
      [say("a durable write took"), say("{time} ms", { time: storage.write_ms })],
      ...(storage.bytes === null ? [] : [/** @type {[string, string]} */ ([say("size"), size(storage.bytes)])]),
      ...(storage.free_bytes === null ? [] : [/** @type {[string, string]} */ ([say("free on its disk"), size(storage.free_bytes)])]),
    ]),
  );
  document.title = now.title;
  if (first) heading.focus();
  first = false;
}

/** @param {string} words */
function lost(words) {
  noteLine.textContent = words;
}

/** @returns {Promise<boolean>} whether to look again */
async function look() {
  try {
    const response = await fetch("/organiser/state", { cache: "no-store", signal: AbortSignal.timeout(PATIENCE_MS) });
    const body = await response.json();
    if (response.status === 401) {
      page.replaceChildren(element("h1", { tabindex: "-1" }, say("A secret is needed")), element("p", {}, say("“blindtest panel” prints the link of this page when it starts. The secret in it is another one after each start.")));
      return false;
    }
    if (response.ok) {
      lost("");
      show(body);
    } else lost(say("Nothing can be stored now: {problem}", { problem: String(body.problem) }));
  } catch {
    lost(say("The panel can’t be reached just now."));
  }
  return true;
}

async function open() {
  const token = location.hash.slice(1);
  // Gone from the address at once: nobody copies it from here.
  history.replaceState(null, "", location.pathname);
  while (token) {
    try {
      await fetch("/organiser/enter", { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify({ token }), cache: "no-store", signal: AbortSignal.timeout(PATIENCE_MS) });
      break;
    } catch {
      // The link is gone from the address: nobody but this page can try it again.
      lost(say("The panel can’t be reached just now."));
      await new Promise((resolve) => setTimeout(resolve, AGAIN_MS));
    }
  }
  inside();
  if (await look()) setInterval(() => void look(), EVERY_MS);
}

/** @type {() => void} */
let inside = () => {};
const entered = new Promise((/** @type {(_: void) => void} */ resolve) => (inside = resolve));
languageSwitch(() => "", lost, () => entered);
void open();
