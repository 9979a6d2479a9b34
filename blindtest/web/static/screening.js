// @ts-check
/**
 * The tests of what a listener plays on: first the volume, then sounds that are heard once each and answered.
 *
 * The page knows of a sound its token and nothing else. It says nothing while one sounds, and nothing of an answer: how
 * a test ended is told after its last sound, where something can be put right.
 */

import { button, element, enable, enabled } from "./element.js";
import { Player, readWav } from "./sound.js";
import { say } from "./words.js";

/** @typedef {import("./panel.js").Door} Door */
/**
 * @typedef {object} Sounded a sound to be answered, as `session/screening.py` shows it
 * @property {"channels" | "antiphase" | "dichotic"} test
 * @property {number} attempt
 * @property {number} trial
 * @property {number} number
 * @property {number} of
 * @property {number} part
 * @property {number} parts
 * @property {string} token
 * @property {string[]} options
 *
 * @typedef {object} Screening
 * @property {boolean} over
 * @property {boolean} turned_away
 * @property {boolean} must_pass
 * @property {boolean} [for_good] turned away whatever is listened on
 * @property {string[]} tests
 * @property {string} level token of the noise by which the volume is set
 * @property {string} told how the attempt before ended
 * @property {Sounded | null} sound
 */

/** @typedef {"loading" | "ready" | "playing" | "heard"} Stage of a sound */

const SOFTEST_DB = -60;
const FIRST_DB = -40;

/** What lasts from one sound to the next, and is set anew when the page is opened. */
const desk = {
  /** @type {Player | null} */
  player: null,
  gainDb: FIRST_DB,
  set: false,
  /** @type {(silent: boolean) => void} */
  onSilent: () => {},
  /** @type {() => void} */
  onFault: () => {},
};

/** @returns {Player} */
function player() {
  desk.player ??= new Player(
    { onFault: () => desk.onFault(), onSilent: (silent) => desk.onSilent(silent) },
    { get: fetched, forget: () => {} },
  );
  return desk.player;
}

/** @param {string} token */
async function fetched(token) {
  const response = await fetch(`/panel/sound/${token}`, { cache: "no-store" });
  if (!response.ok) throw new Error(say("this sound is not served now"));
  return readWav(await response.arrayBuffer());
}

/** @param {string} words */
const heading = (words) => element("h1", { tabindex: "-1", id: "heading" }, words);

/** @param {Door} door @param {Record<string, any>} state @returns {HTMLElement} */
export function screening(door, state) {
  const seen = /** @type {Screening} */ (state);
  desk.onSilent = () => {};
  desk.onFault = () => {};
  if (seen.turned_away || !seen.sound) return away(seen.for_good === true);
  return desk.set ? sounded(door, seen, seen.sound) : volume(door, seen, state);
}

/** @param {boolean} forGood */
function away(forGood) {
  void desk.player?.pause();
  if (!forGood) return element("div", {},
    heading(say("Not on this device")),
    element("p", {}, say("This study is for headphones, and the sounds that you answered here did not tell that you wear them. That happens with headphones too, to some people more than once. It is no test of your hearing.")),
    element("p", {}, say("Nothing of yours is lost: your answers and your place are kept. To go on, open your link on the device where you began, or on another one with headphones. There the sounds are asked about once more.")),
  );
  return element("div", {},
    heading(say("Thank you for coming")),
    element("p", {}, say("This study is for headphones, and the sounds that you answered did not tell that you wear them. That happens with headphones too, to some people more than once. It is no test of your hearing.")),
    element("p", {}, say("There is nothing more to do here. You can close this page, or have erased what is stored of you.")),
  );
}

/** @param {Door} door @param {Screening} seen @param {Record<string, any>} state */
function volume(door, seen, state) {
  const forHeadphones = seen.tests.some((test) => test !== "channels");
  let playing = false;
  let heard = false;
  const slider = element("input", {
    type: "range", id: "gain", min: String(SOFTEST_DB), max: "0", step: "1", value: String(desk.gainDb),
    oninput: () => set(Number(slider.value)),
  });
  const value = element("output", { for: "gain", class: "value" });
  const toggle = button(say("Start the noise"), () => void (playing ? stop() : start()), "main wide");
  const done = button(say("The volume is set"), () => void finish(), "main");
  const told = element("p", { class: "hint", role: "status" }, say("The noise is being loaded."));
  enable(toggle, false);
  enable(done, false);

  /** @param {number} wanted */
  function set(wanted) {
    desk.gainDb = Math.min(0, Math.max(SOFTEST_DB, wanted));
    slider.value = String(desk.gainDb);
    value.textContent = say("{db} dB", { db: desk.gainDb === 0 ? "0" : `−${-desk.gainDb}` });
    slider.setAttribute("aria-valuetext", say("{db} dB", { db: String(desk.gainDb) }));
    player().setGain(desk.gainDb);
  }
  async function start() {
    if (!enabled(toggle)) return;
    playing = true;
    toggle.textContent = say("Stop the noise");
    await player().play();
    heard = true;
    enable(done, true);
    told.textContent = say("The noise comes in slowly. Raise it until it is easy to hear and comfortable, no louder.");
  }
  async function stop() {
    playing = false;
    toggle.textContent = say("Start the noise");
    await player().pause();
  }
  async function finish() {
    if (!heard) {
      told.textContent = say("Listen first: start the noise, then set the volume.");
      return;
    }
    if (playing) await stop();
    desk.set = true;
    door.show(/** @type {any} */ (state));
  }
  async function load() {
    try {
      await player().load({ noise: seen.level }, "noise");
    } catch {
      told.textContent = say("The noise could not be loaded. Reload the page to try again.");
      return;
    }
    set(desk.gainDb);
    enable(toggle, true);
    told.textContent = say("Ready. It begins very softly.");
  }
  set(desk.gainDb);
  void load();
  return element("div", {},
    heading(say("How the sound reaches you")),
    element("p", {}, say("The program cannot see what you listen with, so a few short sounds find out. They take two or three minutes.")),
    forHeadphones
      ? element("p", {}, seen.must_pass
        ? say("This study is for headphones or earphones: put them on now, the one marked L on your left ear, and keep them on until the end.")
        : say("If you have headphones or earphones, put them on now, the one marked L on your left ear, and keep them on until the end. Without them, go on all the same: it only goes on record."))
      : null,
    element("section", { "aria-labelledby": "careful" },
      element("h2", { id: "careful" }, say("Start low")),
      element("p", {}, say("Turn the volume of your equipment down now. Start the noise, then raise the volume until it is comfortable. Loud sound can damage hearing for good; local rules for hearing safety and the advice of licensed practitioners come first.")),
    ),
    element("p", { class: "row" }, toggle),
    element("div", { class: "level" },
      element("label", { for: "gain" }, say("Volume in this page")),
      element("div", { class: "row" },
        slider,
        button(say("Softer"), () => set(desk.gainDb - 2)),
        button(say("Louder"), () => set(desk.gainDb + 2)),
        value,
      ),
    ),
    told,
    element("p", { class: "row" }, done),
  );
}

/** @type {Record<Sounded["test"], { title: string, how: string, asked: string }>} */
const TESTS = {
  channels: {
    title: say("Left, right or middle"),
    how: say("You hear one short noise."),
    asked: say("Where is the noise?"),
  },
  antiphase: {
    title: say("The softest tone"),
    how: say("You hear three low tones, one after the other."),
    asked: say("Which tone is the softest?"),
  },
  dichotic: {
    title: say("A tone in noise"),
    how: say("You hear three noises, one after the other. In one of them there is a faint tone."),
    asked: say("In which noise is the tone?"),
  },
};
/** @type {Record<string, string>} */
const OPTIONS = {
  left: say("On the left"),
  middle: say("In the middle, or on both sides"),
  right: say("On the right"),
  nothing: say("I hear nothing"),
  1: say("The first"),
  2: say("The second"),
  3: say("The third"),
};
/** @type {Record<string, string>} */
const TOLD = {
  swapped: say("Left and right seem to be exchanged. Put the headphones on the other way round, or exchange the cables of your loudspeakers."),
  "one place": say("All noises seemed to come from one place. Perhaps the sound settings of your device say mono, or both loudspeakers stand close together."),
  "left silent": say("Nothing seemed to come from the left. Look at the plug, at the left earpiece or loudspeaker, and at the balance in the sound settings."),
  "right silent": say("Nothing seemed to come from the right. Look at the plug, at the right earpiece or loudspeaker, and at the balance in the sound settings."),
  unclear: say("These answers fit no arrangement of left and right. Perhaps it is noisy where you are."),
  failed: say("This was not what headphones give. If you have some, put them on; look for a quiet place."),
};

/** @param {Door} door @param {Screening} seen @param {Sounded} sound */
function sounded(door, seen, sound) {
  const words = TESTS[sound.test];
  let interruptions = 0;
  /** @type {Stage} */
  let step = "loading";
  const play = button(say("Play the sound"), () => void start(), "main wide");
  const confirm = button(say("This is my answer"), () => void send(), "main");
  const told = element("p", { class: "hint", role: "status" }, say("The sound is being loaded."));
  const choices = sound.options.map((value) =>
    element("input", { type: "radio", name: "choice", id: `choice-${value}`, value, onchange: () => enable(confirm, step === "heard") }),
  );
  const asked = element("fieldset", { class: "options later" },
    element("legend", {}, words.asked),
    ...choices.map((choice) => element("label", { for: choice.id }, choice, element("span", {}, OPTIONS[choice.value] ?? choice.value))),
  );
  moved("loading");

  /** @param {Stage} to */
  function moved(to) {
    step = to;
    enable(play, step === "ready");
    for (const choice of choices) choice.disabled = step !== "heard";
    asked.classList.toggle("later", step !== "heard");
    enable(confirm, step === "heard" && choices.some((choice) => choice.checked));
  }
  async function start() {
    if (step !== "ready") return;
    moved("playing");
    // Nothing is said from here on until it is silent again.
    told.textContent = "";
    await player().play();
  }
  desk.onSilent = (silent) => {
    if (!silent || step !== "playing") return;
    moved("heard");
    told.textContent = say("Answer now. If you are not sure, guess.");
  };
  desk.onFault = () => {
    if (step !== "playing") return;
    interruptions += 1;
    void player().pause();
    void load(say("The sound was interrupted. Play it once more."));
  };
  /** @param {string} then */
  async function load(then) {
    moved("loading");
    try {
      await player().load({ sound: sound.token }, "sound", true);
    } catch {
      told.textContent = say("The sound could not be loaded. Reload the page to try again.");
      return;
    }
    moved("ready");
    told.textContent = then;
  }
  async function send() {
    const chosen = choices.find((choice) => choice.checked);
    if (step !== "heard" || !chosen) {
      told.textContent = step === "heard" ? say("Choose an answer first.") : say("Play the sound first.");
      return;
    }
    if (!enabled(confirm)) return;
    enable(confirm, false);
    // Sent again after a lost reply it is the same answer: another would be refused where the first has arrived.
    for (const choice of choices) choice.disabled = true;
    const { test, attempt, trial } = sound;
    if (!(await door.send("screening", { test, attempt, trial, choice: chosen.value, interruptions }))) enable(confirm, true);
  }
  void load(say("Ready. It is played once."));
  return element("div", {},
    heading(words.title),
    element("p", { class: "phase" }, say("Test {part} of {parts}, sound {number} of {of}", { part: sound.part, parts: sound.parts, number: sound.number, of: sound.of })),
    seen.told ? element("div", { class: "warning" },
      element("p", {}, TOLD[seen.told] ?? ""),
      element("p", {}, say("Then go through it once more. If there is nothing to change, answer what you hear.")),
    ) : null,
    element("p", {}, `${words.how} ${say("Each sound is played once.")}`),
    element("p", { class: "row" }, play),
    told,
    asked,
    element("p", { class: "row" }, confirm),
  );
}
