// @ts-check
/** What is said where the browser's output runs at another rate than the sounds. */

import { say } from "./words.js";

/** @typedef {import("./listen.js").Page} Page */

/** @param {Page} page */
export function rateWords(page) {
  const { rate, ownRate } = page.player;
  return say("The sounds have {rate} Hz, this browser’s output runs at {ownRate} Hz and converts between them. That is the same for all sounds and goes on record. Set the sound device to {rate} Hz and start the browser again to avoid it.", { rate, ownRate });
}
