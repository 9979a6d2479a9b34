// @ts-check
/** Sounds by token: fetched in the order shown, decoded, and forgotten when the view no longer names them. */

import { ask } from "./line.js";
import { readWav } from "./sound.js";
import { say } from "./words.js";

/** @typedef {import("./sound.js").Wav} Wav */

export class Sounds {
  /** @param {(yes: boolean) => void} connected */
  constructor(connected) {
    this.connected = connected;
    /** @type {Map<string, Promise<Wav>>} */
    this.kept = new Map();
    /** One request at a time: all slots load alike. @type {Promise<unknown>} */
    this.last = Promise.resolve();
  }

  /** @param {string} token @returns {Promise<Wav>} */
  get(token) {
    let found = this.kept.get(token);
    if (!found) {
      found = this.last.then(() => this.fetched(token));
      this.last = found.catch(() => undefined);
      found.catch(() => this.kept.delete(token));
      this.kept.set(token, found);
    }
    return found;
  }

  /** @param {string} token @returns {Promise<Wav>} */
  async fetched(token) {
    const response = await ask(`/sound/${token}`, this.connected);
    if (!response.ok) throw new Error(say("this sound is not served now"));
    return readWav(await response.arrayBuffer());
  }

  /** @param {string[]} tokens in the order of the plan */
  keepOnly(tokens) {
    for (const token of this.kept.keys()) if (!tokens.includes(token)) this.kept.delete(token);
  }

  /** @param {string[]} tokens whose samples another now holds */
  forget(tokens) {
    for (const token of tokens) this.kept.delete(token);
  }

  /** @param {string[]} tokens */
  fetchAhead(tokens) {
    for (const token of tokens) this.get(token).catch(() => undefined);
  }
}
