// @ts-check
/**
 * Single keys of the trial area (WCAG 2.1.4): they act only while it has focus, can be changed and switched off.
 */

import { say } from "./words.js";

const NAME = "blindtest-keys";

/** Actions that go on while their key is held. */
const HELD = ["lower5", "lower", "raise", "raise5"];

/** Actions and their keys as they come; with "" an action has none until the listener gives it one. @type {Record<string, string>} */
const FIRST = {
  slot1: "1", slot2: "2", slot3: "3", slot4: "4", slot5: "5", slot6: "6", slot7: "7", slot8: "8", slot9: "9",
  slot10: "", slot11: "", slot12: "", given: "o",
  option1: "j", option2: "k", option3: "l", option4: "m", option5: "v", option6: "w", option7: "x", option8: "y",
  option9: "z", option10: "", option11: "", option12: "",
  sure1: "a", sure2: "b", sure3: "d", sure4: "e",
  muchless: "f", less: "g", more: "h", muchmore: "j",
  lower5: "f", lower: "g", raise: "h", raise5: "j",
  play: "p", restart: "r", confirm: "c", undo: "u", next: "n", say: "s", skip: "n",
};

export class Keys {
  constructor() {
    this.on = true;
    /** @type {Record<string, string>} */
    this.keys = { ...FIRST };
    try {
      const kept = JSON.parse(localStorage.getItem(NAME) ?? "{}");
      if (typeof kept.on === "boolean") this.on = kept.on;
      for (const action of Object.keys(FIRST)) {
        const key = kept.keys?.[action];
        if (typeof key === "string" && [...key].length === 1) this.keys[action] = key;
      }
    } catch {
      // Nothing kept, or unreadable: the first keys serve.
    }
  }

  keep() {
    try {
      localStorage.setItem(NAME, JSON.stringify({ on: this.on, keys: this.keys }));
    } catch {
      // Not kept for the next visit; it holds for this one.
    }
  }

  /** @param {string} action */
  of(action) {
    return this.keys[action] ?? "";
  }

  /**
   * Give `action` another key.
   * @param {string} action @param {string} key @param {string[]} present actions of this trial
   * @returns {string} what is wrong, or nothing
   */
  change(action, key, present) {
    const wanted = key.trim().toLowerCase();
    if ([...wanted].length !== 1) return say("One character, please.");
    if (present.some((other) => other !== action && this.of(other) === wanted)) return say("“{key}” is taken already.", { key: wanted });
    this.keys[action] = wanted;
    this.keep();
    return "";
  }

  /** @param {KeyboardEvent} event @param {string[]} present @returns {string | null} the action asked for */
  action(event, present) {
    if (!this.on || event.ctrlKey || event.altKey || event.metaKey || event.isComposing) return null;
    const target = event.target;
    if (target instanceof HTMLTextAreaElement) return null;
    if (target instanceof HTMLInputElement && target.type !== "radio" && target.type !== "range") return null;
    const found = present.find((action) => this.of(action) === event.key.toLowerCase()) ?? null;
    return event.repeat && found !== null && !HELD.includes(found) ? null : found;
  }
}
