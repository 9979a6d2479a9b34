// @ts-check
/**
 * The sound of a trial, sample by sample, in the audio thread.
 *
 * All slots lie here decoded, and one position runs through them. A switch is always the same: 5 ms raised-cosine out,
 * then 5 ms in, whatever sounds before and after, also from a slot to itself. (A cross-fade of X with its equal is
 * silent and with its unlike combs: a cue. ITU-R BS.1534-3, 5.3, wants no cross-fade.) The seam of the loop, pausing
 * and going on use the same fades. Outside fades the samples leave as they are.
 */

/**
 * @typedef {{ type: "load", sounds: Record<string, Float32Array[]>, slot: string, once?: boolean }
 *   | { type: "play", slowFrames: number }
 *   | { type: "pause" }
 *   | { type: "select", slot: string }
 *   | { type: "loop", start: number, end: number }
 *   | { type: "restart" }
 *   | { type: "gain", gain: number }
 *   | { type: "where" }} Order
 */

/** Length of each fade, in s. */
export const FADE_S = 0.005;

/** A change of level takes at most this long, in s; levels change only while the listener sets one. */
const GLIDE_S = 0.05;

/** @param {number} frames @returns {Float32Array<ArrayBuffer>} gain of each frame while a sound comes in; read backwards it goes out */
export function fadeIn(frames) {
  return Float32Array.from({ length: frames }, (_, k) => 0.5 - 0.5 * Math.cos((Math.PI * (k + 0.5)) / frames));
}

/** Slots, a position, and what is wanted next. Pure of the audio system, so that it can be tested anywhere. */
export class Switcher {
  /** @param {number} rate frames per s */
  constructor(rate) {
    this.fade = fadeIn(Math.max(1, Math.round(FADE_S * rate)));
    this.glide = 1 / Math.max(1, Math.round(GLIDE_S * rate));
    this.gain = 0;
    this.wantedGain = 0;
    /** @type {Map<string, Float32Array[]>} */
    this.sounds = new Map();
    this.slot = "";
    this.position = 0;
    this.start = 0;
    this.end = 0;
    /** @type {"silent" | "in" | "on" | "out"} */
    this.state = "silent";
    this.step = 0;
    this.slow = new Float32Array(0);
    this.slowStep = 0;
    /** Asked for, and done at the next silence. */
    this.playing = false;
    this.wanted = "";
    this.turn = false;
    /** @type {{ start: number, end: number } | null} */
    this.nextLoop = null;
    this.restart = false;
    /** Whether the sounds stop at their end instead of coming round, and whether they have. */
    this.once = false;
    this.over = false;
  }

  /** @param {Order} order */
  take(order) {
    if (order.type === "load") {
      this.sounds = new Map(Object.entries(order.sounds));
      this.slot = this.wanted = order.slot;
      this.state = "silent";
      this.playing = this.turn = this.restart = false;
      this.nextLoop = null;
      this.once = order.once === true;
      this.over = false;
      this.position = this.start = 0;
      this.end = this.sounds.get(order.slot)?.[0]?.length ?? 0;
    } else if (order.type === "play") {
      if (order.slowFrames > 0) {
        this.slow = fadeIn(order.slowFrames);
        this.slowStep = 0;
      }
      this.playing = true;
    } else if (order.type === "pause") {
      this.playing = false;
    } else if (order.type === "select" && this.sounds.has(order.slot)) {
      this.wanted = order.slot;
      this.turn = true;
    } else if (order.type === "loop") {
      this.nextLoop = { start: order.start, end: order.end };
    } else if (order.type === "gain") {
      this.wantedGain = Math.min(1, Math.max(0, order.gain));
      if (this.state === "silent") this.gain = this.wantedGain;
    } else if (order.type === "restart") {
      this.restart = true;
    }
  }

  /** Do in silence what was asked for since the last one. */
  settle() {
    this.slot = this.wanted;
    this.turn = false;
    if (this.nextLoop) {
      ({ start: this.start, end: this.end } = this.nextLoop);
      this.nextLoop = null;
      if (this.position < this.start || this.position >= this.end) this.position = this.start;
    }
    // A fade in must be whole before the fade out of the loop's end begins.
    if (this.restart || this.end - this.position < 2 * this.fade.length) {
      this.over = this.once && !this.restart;
      if (!this.over) this.position = this.start;
    }
    this.restart = false;
  }

  /**
   * Fill `out` (one array per channel) with the next frames.
   * @param {Float32Array[]} out
   */
  render(out) {
    const frames = out[0]?.length ?? 0;
    const length = this.fade.length;
    for (let i = 0; i < frames; i += 1) {
      if (this.state === "silent") {
        this.settle();
        if (!this.playing || this.over || this.end <= this.start) {
          for (const channel of out) channel[i] = 0;
          continue;
        }
        this.state = "in";
        this.step = 0;
      } else if (this.state === "on") {
        const asked = !this.playing || this.turn || this.restart || this.nextLoop !== null;
        if (asked || this.position >= this.end - length) {
          this.state = "out";
          this.step = 0;
        }
      }
      if (this.gain !== this.wantedGain) {
        const left = this.wantedGain - this.gain;
        this.gain = Math.abs(left) <= this.glide ? this.wantedGain : this.gain + Math.sign(left) * this.glide;
      }
      let gain = this.gain;
      if (this.state === "in") gain *= this.fade[this.step] ?? 1;
      else if (this.state === "out") gain *= this.fade[length - 1 - this.step] ?? 0;
      if (this.slowStep < this.slow.length) {
        gain *= this.slow[this.slowStep] ?? 1;
        this.slowStep += 1;
      }
      const sound = this.sounds.get(this.slot) ?? [];
      for (let c = 0; c < out.length; c += 1) {
        const target = out[c];
        const source = sound[Math.min(c, sound.length - 1)];
        if (target) target[i] = gain * (source?.[this.position] ?? 0);
      }
      this.position += 1;
      if (this.state === "in" || this.state === "out") {
        this.step += 1;
        if (this.step >= length) this.state = this.state === "in" ? "on" : "silent";
      }
    }
  }
}

if (typeof AudioWorkletProcessor !== "undefined") {
  /** Hands orders from the page to the switcher, and says when silence has come. */
  class SwitcherProcessor extends AudioWorkletProcessor {
    constructor() {
      super();
      this.switcher = new Switcher(sampleRate);
      this.silent = true;
      this.port.onmessage = (message) => {
        const order = /** @type {Order} */ (message.data);
        if (order.type === "where") this.port.postMessage({ position: this.switcher.position });
        else this.switcher.take(order);
      };
    }

    /** @param {Float32Array[][]} inputs @param {Float32Array[][]} outputs */
    process(inputs, outputs) {
      this.switcher.render(outputs[0] ?? []);
      const silent = this.switcher.state === "silent";
      if (silent !== this.silent) {
        this.silent = silent;
        this.port.postMessage({ silent, over: this.switcher.over });
      }
      return true;
    }
  }
  registerProcessor("switcher", SwitcherProcessor);
}
