// @ts-check
/** The switch between languages, at the end of every page. */

import { say } from "./words.js";

/**
 * A choice is kept by the server and the page opened anew: everything confirmed, heard and chosen is there again.
 * @param {() => string} hindered why it can't be now, in words; '' if it can
 * @param {(words: string) => void} note
 * @param {() => Promise<unknown>} entered done once the page can be opened anew without the link it came by
 */
export function languageSwitch(hindered, note, entered = async () => {}) {
  const failed = say("The language could not be changed now: the program can’t be reached.");
  for (const button of document.querySelectorAll("#languages button"))
    button.addEventListener("click", () => void choose(/** @type {HTMLElement} */ (button)));

  /** @param {HTMLElement} button */
  async function choose(button) {
    await entered();
    const why = hindered();
    if (why) return note(why);
    try {
      const response = await fetch("/language", {
        method: "POST",
        headers: { "content-type": "application/json" },
        body: JSON.stringify({ language: button.lang }),
        cache: "no-store",
      });
      if (!response.ok) return note(failed);
    } catch {
      return note(failed);
    }
    location.reload();
  }
}
