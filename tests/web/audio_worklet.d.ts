// What the Web Audio API (W3C, 2021, 1.32) declares inside an AudioWorkletGlobalScope and TypeScript's DOM library lacks.
declare const sampleRate: number;
declare class AudioWorkletProcessor {
  readonly port: MessagePort;
}
declare function registerProcessor(name: string, processor: new () => AudioWorkletProcessor): void;
