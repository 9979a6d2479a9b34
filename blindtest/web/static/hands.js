// @ts-check
/**
 * Somebody's hands: where real units are heard, a sound begins once its unit is connected. The page asks and waits; it
 * learns that it may sound, never what was done.
 */

import { say } from "./words.js";

const EVERY_MS = 250;
export const WAITING = say("Being connected. The sound follows by itself; every change takes as long.");

export class Hands {
  constructor() {
    /** What is connected now. */
    this.there = "";
    /** What was asked for last. */
    this.asked = "";
  }

  /**
   * @param {string} token what shall sound
   * @returns {Promise<boolean>} true once it may; false where something else was asked for meanwhile, or it is over
   */
  async connected(token) {
    if (token === this.there) return true;
    this.there = "";
    this.asked = token;
    while (this.asked === token) {
      try {
        const response = await fetch("/connection", {
          method: "POST",
          headers: { "content-type": "application/json" },
          body: JSON.stringify({ token }),
          cache: "no-store",
          signal: AbortSignal.timeout(10_000),
        });
        if (response.status === 404 || response.status === 401) return false;
        if (response.ok && (await response.json()).ready) {
          if (this.asked !== token) return false;
          this.there = token;
          return true;
        }
      } catch {
        // Asked again: what was asked for stays so.
      }
      await new Promise((resolve) => setTimeout(resolve, EVERY_MS));
    }
    return false;
  }
}
