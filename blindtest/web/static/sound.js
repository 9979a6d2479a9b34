// @ts-check
/**
 * From a WAV to the loudspeaker, at the stimulus' own rate.
 *
 * The samples are read by hand: a browser's decoder resamples in silence to the rate of its context. The context is
 * opened at the rate of the file; whether the browser then resamples for its device shows in a context's default rate.
 */

import { say } from "./words.js";

/** @typedef {{ rate: number, channels: Float32Array[], frames: number }} Wav */

/** Length of the fade at the first play, in s: time to turn the volume down. */
export const SLOW_S = 3;

/**
 * Read a PCM WAV of 16 or 24 bits, full scale = 1. Both fit a float32 exactly.
 * @param {ArrayBuffer} bytes
 * @returns {Wav}
 */
export function readWav(bytes) {
  const view = new DataView(bytes);
  const tag = (/** @type {number} */ at) => String.fromCharCode(...new Uint8Array(bytes, at, 4));
  if (bytes.byteLength < 44 || tag(0) !== "RIFF" || tag(8) !== "WAVE") throw new Error(say("not a WAV file"));
  let rate = 0;
  let count = 0;
  let bits = 0;
  for (let at = 12; at + 8 <= bytes.byteLength; ) {
    const size = view.getUint32(at + 4, true);
    if (tag(at) === "fmt ") {
      count = view.getUint16(at + 10, true);
      rate = view.getUint32(at + 12, true);
      bits = view.getUint16(at + 22, true);
    } else if (tag(at) === "data") {
      if (!rate || !count || (bits !== 16 && bits !== 24)) throw new Error(say("a WAV of another kind"));
      return samples(view, at + 8, Math.min(size, bytes.byteLength - at - 8), rate, count, bits / 8);
    }
    at += 8 + size + (size % 2);
  }
  throw new Error(say("a WAV without samples"));
}

/**
 * @param {DataView} view @param {number} at @param {number} size @param {number} rate
 * @param {number} count channels @param {number} width bytes per sample
 * @returns {Wav}
 */
function samples(view, at, size, rate, count, width) {
  const frames = Math.floor(size / (count * width));
  const channels = Array.from({ length: count }, () => new Float32Array(frames));
  const scale = 2 ** -(8 * width - 1);
  for (let i = 0, place = at; i < frames; i += 1) {
    for (let c = 0; c < count; c += 1, place += width) {
      const value =
        width === 2
          ? view.getInt16(place, true)
          : view.getUint8(place) | (view.getUint8(place + 1) << 8) | (view.getInt8(place + 2) << 16);
      /** @type {Float32Array} */ (channels[c])[i] = value * scale;
    }
  }
  return { rate, channels, frames };
}

/** Plays the slots of one trial; loading the next replaces them. */
export class Player {
  /**
   * @param {{ onFault: (kind: string) => void, onSilent: (silent: boolean) => void }} heard
   * @param {{ get: (token: string) => Promise<Wav>, forget: (tokens: string[]) => void }} sounds
   */
  constructor(heard, sounds) {
    this.heard = heard;
    this.sounds = sounds;
    /** @type {AudioContext | null} */
    this.context = null;
    /** @type {AudioWorkletNode | null} */
    this.node = null;
    this.fresh = true;
    this.silent = true;
    this.wanted = false;
    this.rate = 0;
    this.frames = 0;
    this.gainDb = -80;
    /** @type {((position: number) => void)[]} */
    this.asking = [];
    /** @type {(() => void)[]} */
    this.waiting = [];
    /** Rate of the browser's own output; 0: not asked yet. */
    this.ownRate = 0;
  }

  /**
   * @param {Record<string, string>} tokens by slot; their sounds have equal rate and length
   * @param {string} first the slot that sounds first
   * @param {boolean} [once] whole tracks: they stop at their end, and are held once only, in the audio thread
   */
  async load(tokens, first, once = false) {
    /** @type {Record<string, Wav>} */
    const wavs = {};
    for (const [slot, token] of Object.entries(tokens)) wavs[slot] = await this.sounds.get(token);
    const sound = wavs[first];
    if (!sound) throw new Error("nothing to load");
    for (const other of Object.values(wavs)) {
      if (other.rate !== sound.rate || other.frames !== sound.frames || other.channels.length !== sound.channels.length)
        throw new Error(say("slots of one trial differ in form"));
    }
    await this.pause();
    await this.open(sound.rate, sound.channels.length);
    this.rate = sound.rate;
    this.frames = sound.frames;
    const channels = Object.values(wavs).flatMap((wav) => wav.channels);
    this.order({
      type: "load",
      sounds: Object.fromEntries(Object.entries(wavs).map(([name, wav]) => [name, wav.channels])),
      slot: first,
      once,
    }, once ? channels.map((channel) => channel.buffer) : []);
    if (once) this.sounds.forget(Object.values(tokens));
    this.setGain(this.gainDb);
  }

  /** @param {number} gainDb dB re the samples as they came; 0 leaves them as they are */
  setGain(gainDb) {
    this.gainDb = gainDb;
    this.order({ type: "gain", gain: gainDb >= 0 ? 1 : 10 ** (gainDb / 20) });
  }

  /** @param {number} rate @param {number} channels */
  async open(rate, channels) {
    if (this.context && this.context.sampleRate === rate && this.node?.channelCount === channels) return;
    if (this.context) await this.context.close();
    this.context = this.node = null;
    if (!this.ownRate) {
      const own = new AudioContext();
      this.ownRate = own.sampleRate;
      await own.close();
    }
    const context = new AudioContext({ sampleRate: rate, latencyHint: "interactive" });
    if (context.sampleRate !== rate) {
      await context.close();
      throw new Error(say("this browser plays no sound at {rate} Hz", { rate }));
    }
    await context.audioWorklet.addModule(new URL("./switcher.js", import.meta.url).href);
    const node = new AudioWorkletNode(context, "switcher", {
      numberOfInputs: 0,
      outputChannelCount: [channels],
      channelCount: channels,
    });
    node.connect(context.destination);
    node.port.onmessage = (message) => this.told(message.data);
    node.onprocessorerror = () => this.heard.onFault("dropout");
    context.onstatechange = () => {
      if (this.wanted && context.state !== "running") this.heard.onFault("interrupted");
    };
    this.context = context;
    this.node = node;
  }

  /** @param {{ silent?: boolean, over?: boolean, position?: number }} message */
  told(message) {
    if (message.position !== undefined) this.asking.shift()?.(message.position);
    if (message.silent === undefined) return;
    this.silent = message.silent;
    if (message.over) this.wanted = false;
    if (this.silent && !this.wanted) {
      for (const done of this.waiting.splice(0)) done();
      this.heard.onSilent(true);
    } else if (!this.silent) this.heard.onSilent(false);
  }

  /** @param {import("./switcher.js").Order} order @param {ArrayBufferLike[]} [given] what the audio thread takes over */
  order(order, given = []) {
    this.node?.port.postMessage(order, /** @type {Transferable[]} */ (given));
  }

  /** Go on from where it stopped. The first sound after the page was opened comes in slowly. */
  async play() {
    if (!this.context) return;
    this.wanted = true;
    if (this.context.state !== "running") await this.context.resume();
    // Stopped while the browser opened its output: nothing sounds unasked.
    if (!this.wanted) return;
    this.order({ type: "play", slowFrames: this.fresh ? Math.round(SLOW_S * this.rate) : 0 });
    this.fresh = false;
  }

  /** Fade out and stop; resolves in silence. */
  async pause() {
    this.wanted = false;
    this.order({ type: "pause" });
    if (!this.node || this.silent) return;
    const quiet = new Promise((/** @type {(_: void) => void} */ resolve) => this.waiting.push(() => resolve()));
    // A context that was interrupted renders nothing and would never answer.
    await Promise.race([quiet, new Promise((resolve) => setTimeout(resolve, 300))]);
  }

  /** @param {string} slot */
  select(slot) {
    this.order({ type: "select", slot });
  }

  /** What the browser says of its own output. @returns {Record<string, number>} */
  get output() {
    if (!this.ownRate) return {};
    const latency = (this.context?.baseLatency || 0) + (this.context?.outputLatency || 0);
    return { output_rate_hz: this.ownRate, output_latency_s: Math.round(1000 * latency) / 1000 };
  }

  /** Whether the browser brings the stimulus to another rate before it leaves. */
  get resampled() {
    return this.rate !== 0 && this.ownRate !== this.rate;
  }

  /** @param {number} start s @param {number} end s */
  loop(start, end) {
    this.order({ type: "loop", start: Math.round(start * this.rate), end: Math.round(end * this.rate) });
  }

  restart() {
    this.order({ type: "restart" });
  }

  /** @returns {Promise<number>} s */
  async where() {
    const position = await new Promise((/** @type {(at: number) => void} */ resolve) => {
      this.asking.push(resolve);
      this.order({ type: "where" });
    });
    return position / this.rate;
  }
}
