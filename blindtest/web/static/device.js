// @ts-check
/**
 * The page as desk of a sound device that the server plays: the same orders as those of the page's own player, sent one
 * after the other. Nothing is fetched and nothing sounds here.
 */

import { say } from "./words.js";

/** @typedef {{ position_s?: number, frames?: number, rate?: number }} Told */

/** Nothing to fetch: the device has its sounds already. */
export class NoSounds {
  keepOnly() {}
  fetchAhead() {}
}

export class DevicePlayer {
  /**
   * @param {{ onFault: (kind: string) => void, onSilent: (silent: boolean) => void }} heard
   */
  constructor(heard) {
    this.heard = heard;
    this.rate = 0;
    this.frames = 0;
    this.ownRate = 0;
    this.sounding = false;
    /** What was asked for last: an order may still be on its way when the next one is given. */
    this.wanted = false;
    /** @type {Promise<unknown>} */
    this.last = Promise.resolve();
  }

  /** The server knows its device. @returns {Record<string, number>} */
  get output() {
    return {};
  }

  /** The device is opened at the stimuli's rate, or not at all. */
  get resampled() {
    return false;
  }

  /** @param {Record<string, unknown>} order @returns {Promise<Told>} */
  order(order) {
    const told = this.last.then(async () => {
      const response = await fetch("/player", {
        method: "POST",
        headers: { "content-type": "application/json" },
        body: JSON.stringify(order),
        cache: "no-store",
      });
      const body = await response.json();
      if (!response.ok) throw new Error(body.problem ?? say("the sound device does not answer"));
      return /** @type {Told} */ (body);
    });
    this.last = told.catch(() => undefined);
    return told;
  }

  /** Send an order of which nothing is to be known; what goes wrong is a fault of the trial. @param {Record<string, unknown>} order */
  async told(order) {
    try {
      await this.order(order);
    } catch {
      this.heard.onFault("device-lost");
    }
  }

  /**
   * Whether sounds come round the server knows by itself.
   * @param {Record<string, string>} tokens by slot @param {string} first the slot that sounds first @param {boolean} [_once]
   */
  async load(tokens, first, _once) {
    this.wanted = false;
    this.silent();
    const { frames, rate } = await this.order({ type: "load", slots: tokens, slot: first });
    this.frames = frames ?? 0;
    this.rate = rate ?? 0;
  }

  /** @param {number} gainDb dB re the samples as stored */
  setGain(gainDb) {
    void this.told({ type: "gain", gain_db: gainDb });
  }

  async play() {
    this.wanted = true;
    this.sounding = true;
    this.heard.onSilent(false);
    await this.told({ type: "play" });
  }

  /** Fade out and stop; resolves in silence. */
  async pause() {
    this.wanted = false;
    if (!this.sounding) return;
    await this.told({ type: "pause" });
    // Played again meanwhile: it is not silent, and a pause that believed so would never be sent.
    if (!this.wanted) this.silent();
  }

  silent() {
    if (!this.sounding) return;
    this.sounding = false;
    this.heard.onSilent(true);
  }

  /** @param {string} slot */
  select(slot) {
    void this.told({ type: "select", slot });
  }

  /** @param {number} start s @param {number} end s */
  loop(start, end) {
    void this.told({ type: "loop", start_s: start, end_s: end });
  }

  restart() {
    void this.told({ type: "restart" });
  }

  /** @returns {Promise<number>} s */
  async where() {
    return (await this.order({ type: "where" })).position_s ?? 0;
  }
}
