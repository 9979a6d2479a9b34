// @ts-check
/**
 * One function for each step of a panel's listener, by the name that the server gives it; a new step is one function
 * in a file of its own and one line in the table. A step sends what it has to `door.send(step, values)`.
 */

import { button, element, enable, enabled } from "./element.js";
import { screening } from "./screening.js";
import { written } from "./written.js";
import { LANGUAGE, say, sayMany } from "./words.js";

/** @typedef {import("./panel.js").Door} Door */
/** @typedef {{ step: string, title?: string } & Record<string, any>} State */

/** @param {string} words */
export const heading = (words) => element("h1", { tabindex: "-1", id: "heading" }, words);

/** @param {Door} door @param {State} state */
function invitation(door, state) {
  const agree = button(say("I agree and take part"), () => void go(), "main");
  async function go() {
    if (!enabled(agree)) return;
    enable(agree, false);
    const told = await door.agree(state["consent_sha256"]);
    if (!told) enable(agree, true);
  }
  const minutes = Math.max(1, state["minutes"]);
  const lasts = state["sittings"] > 1
    ? sayMany("{sittings} sittings, the longest of about {count} minute, an estimate.", "{sittings} sittings, the longest of about {count} minutes, an estimate.", minutes, { sittings: state["sittings"] })
    : sayMany("One sitting of about {count} minute, an estimate.", "One sitting of about {count} minutes, an estimate.", minutes);
  const back = say("You can close the page whenever you like and come back.");
  return element("div", {},
    heading(state.title ?? ""),
    ...written(state["invitation"]),
    element("section", { "aria-labelledby": "course" },
      element("h2", { id: "course" }, say("What will happen")),
      element("p", {}, `${lasts} ${back}`),
      element("p", {}, state["screening"]?.["must_pass"]
        ? say("You need headphones and a quiet place. Everything works by keyboard or pointer, and nothing runs out of time.")
        : say("You need headphones or loudspeakers and a quiet place. Everything works by keyboard or pointer, and nothing runs out of time.")),
      ...tested(state["screening"]),
      state["closes"] ? element("p", {}, say("Open until {day}, that day included.", { day: day(state["closes"]) })) : null,
    ),
    element("section", { "aria-labelledby": "consent" },
      element("h2", { id: "consent" }, say("What you agree to")),
      ...written(state["consent"]),
      element("p", {}, say("Until you agree nothing is stored. You take part under a pseudonym drawn at random, and can have everything erased later.")),
      element("p", {}, state["public"]
        ? say("When you agree you are shown a link of your own, once. Keep it: apart from this browser, for as long as it remembers you, that link is the only way back to your place. Nobody can make you another.")
        : say("The link that you came by is your own, and the only way back to your place: keep it.")),
    ),
    element("p", { class: "row" }, agree),
  );
}

/**
 * What is told of the tests before anybody agrees: that they come, what follows, and what is kept then.
 * @param {{ headphones: boolean, must_pass: boolean } | null | undefined} tests
 */
function tested(tests) {
  if (!tests) return [];
  const find = tests.headphones
    ? say("Before you listen, short sounds find out what you play on: whether left and right are where they belong, and whether you wear headphones. They take two or three minutes and are no test of your hearing.")
    : say("Before you listen, short sounds find out whether left and right are where they belong. They take about a minute and are no test of your hearing.");
  const then = tests.must_pass
    ? say("This can end your part: only those go on whose answers tell of headphones, and not everybody who wears them passes. What was stored until then stays stored as for everybody, your answers to questions and to these sounds too, and the report counts you among those who did not pass. You can have it erased at any time.")
    : tests.headphones
      ? say("Nobody is turned away by them: what they find goes on record with your answers.")
      : say("What they find goes on record with your answers.");
  return [element("p", {}, find), element("p", {}, then)];
}

/** @param {string} iso */
export function day(iso) {
  return new Date(`${iso}T12:00:00`).toLocaleDateString(LANGUAGE, { day: "numeric", month: "long", year: "numeric" });
}

/** The text that was agreed to is another one now. @param {Door} door @param {State} state */
function consent(door, state) {
  const agree = button(say("I agree and go on"), () => void go(), "main");
  async function go() {
    if (!enabled(agree)) return;
    enable(agree, false);
    if (!(await door.agree(state["consent_sha256"]))) enable(agree, true);
  }
  return element("div", {},
    heading(say("What you agree to has changed")),
    element("p", {}, say("Since you agreed, the text was changed. What you did until now stays under the one that you agreed to. Before anything further, please read the new one.")),
    element("section", { "aria-labelledby": "consent" },
      element("h2", { id: "consent" }, say("What you agree to")),
      ...written(state["consent"]),
      ...tested(state["screening"]),
      element("p", {}, say("If you do not agree, close this page: nothing more is stored. At its foot you can have everything erased.")),
    ),
    element("p", { class: "row" }, agree),
  );
}

/** The link to come back by, shown once. @param {Door} door @param {State} state */
function link(door, state) {
  const address = `${location.origin}/#${state["resume"]}`;
  const field = element("input", { type: "text", id: "link", readonly: true, value: address, onfocus: () => field.select() });
  const copied = element("p", { role: "status" });
  const copy = button(say("Copy the link"), () => {
    field.select();
    navigator.clipboard?.writeText(address).then(() => (copied.textContent = say("Copied.")), () => (copied.textContent = say("Select it and copy it by hand.")));
  });
  return element("div", {},
    heading(say("Your own link")),
    element("p", {}, say("Keep it: with it you go on here or on another device, and once this browser has forgotten you it is the only way back. It is shown only now, nobody can make you another, and whoever has it can go on in your place.")),
    element("label", { for: "link" }, say("Your link")),
    element("div", { class: "row" }, field, copy),
    copied,
    element("p", { class: "row" }, button(say("Go on"), () => door.show(state["next"]), "main")),
  );
}

/** @param {Door} door @param {State} state */
function questions(door, state) {
  /** @type {{ id: string, words: string, options: string[], rather_not_say: boolean }[]} */
  const asked = state["questions"];
  const missing = element("p", { class: "hint", role: "status" });
  const go = button(say("Go on"), () => void send(), "main");
  const boxes = asked.map((question, at) => {
    const rows = [...question.options, ...(question.rather_not_say ? [null] : [])];
    return element("fieldset", { class: "options" },
      element("legend", {}, question.words),
      ...rows.map((option, number) =>
        element("label", { for: `question-${at}-${number}` },
          element("input", { type: "radio", name: `question-${at}`, id: `question-${at}-${number}`, value: String(number) }),
          element("span", {}, option ?? say("I would rather not say")),
        ),
      ),
    );
  });
  async function send() {
    if (!enabled(go)) return;
    /** @type {Record<string, number | null>} */
    const values = {};
    for (const [at, question] of asked.entries()) {
      const chosen = boxes[at]?.querySelector("input:checked");
      if (!(chosen instanceof HTMLInputElement)) {
        missing.textContent = say("Still without an answer: {question}", { question: question.words });
        boxes[at]?.querySelector("input")?.focus();
        return;
      }
      // By its place: the words may be those of another language.
      values[question.id] = Number(chosen.value) < question.options.length ? Number(chosen.value) : null;
    }
    enable(go, false);
    if (!(await door.send("questions", values))) enable(go, true);
  }
  return element("div", {},
    heading(asked.length === 1 ? say("A question first") : say("Some questions first")),
    element("p", {}, say("What you answer is kept apart from what you hear, and is erased with the rest if you withdraw.")),
    ...boxes,
    missing,
    element("p", { class: "row" }, go),
  );
}

/** @param {Door} door @param {State} state */
function output(door, state) {
  const { rate, latency } = ownOutput();
  /** @type {number[]} */
  const rates = state["rates_hz"] ?? [];
  // Rendered at a second rate too: who has just that one gets that set.
  const other = rate === null || state["second_rate_hz"] === rate ? [] : rates.filter((each) => each !== rate);
  const go = button(say("Go on"), () => void send(), "main");
  async function send() {
    if (!enabled(go)) return;
    enable(go, false);
    if (!(await door.send("output", { rate_hz: rate, latency_s: latency }))) enable(go, true);
  }
  return element("div", {},
    heading(say("What plays here")),
    state["moved"]
      ? element("p", { class: "warning" }, say("You go on on another device or in another browser. What plays here is not known, so this is looked at once more before you listen. All that you answered is kept."))
      : null,
    element("p", {}, rate === null
      ? say("This browser does not say at which rate its output runs.")
      : latency === null
        ? say("This browser’s output runs at {rate} Hz.", { rate })
        : say("This browser’s output runs at {rate} Hz, by its own account with {latency} ms of latency.", { rate, latency: Math.round(1000 * latency) })),
    other.length > 0
      ? element("p", { class: "warning" }, say("Sounds of this test have {rates}: the browser converts them, alike for all that you compare. That goes on record. To avoid it, set the sound device to that rate and start the browser again.", { rates: other.map((each) => `${each} Hz`).join(", ") }))
      : null,
    element("section", { "aria-labelledby": "unknown" },
      element("h2", { id: "unknown" }, say("What this page cannot know")),
      element("p", {}, say("What you wear or sit before, how loud it is, whether your computer, its driver or a wireless link changes the sound. So what is asked is only how sounds compare, each through the same equipment of yours.")),
    ),
    element("section", { "aria-labelledby": "prepare" },
      element("h2", { id: "prepare" }, say("What helps")),
      element("ul", { class: "how" },
        element("li", {}, say("Wired headphones, or loudspeakers in a quiet room.")),
        element("li", {}, say("Sound effects, equalisers, spatial sound and automatic volume switched off.")),
        element("li", {}, say("Other programs silent, and the same equipment until the end.")),
      ),
    ),
    element("p", { class: "row" }, go),
  );
}

/** What the browser says of its output; no sound needs to have been started. */
function ownOutput() {
  try {
    const context = new AudioContext();
    const latency = (context.baseLatency || 0) + (context.outputLatency || 0);
    const found = { rate: context.sampleRate, latency: latency > 0 ? latency : null };
    void context.close();
    return found;
  } catch {
    return { rate: null, latency: null };
  }
}

/** @param {Door} door */
function sitting(door) {
  const again = button(say("Try again"), () => void begin(), "main");
  async function begin() {
    again.hidden = true;
    again.hidden = await door.begin();
  }
  void begin();
  return element("div", {}, heading(say("Your sitting is being prepared")), element("p", {}, say("This takes a moment.")), element("p", { class: "row" }, again));
}

function later() {
  return element("div", {},
    heading(say("See you another day")),
    element("p", {}, say("Your next sitting is for another day, so that one day’s ears and mood do not decide. Come back tomorrow by your link.")),
  );
}

/** @param {Door} _door @param {State} state */
function thanks(_door, state) {
  const { result, finished, planned, closes } = state;
  const told = Array.isArray(result);
  return element("div", {},
    heading(say("Thank you")),
    element("p", {}, finished >= planned ? say("All your answers are saved.") : say("The answers that you gave are saved.")),
    told
      ? element("section", { "aria-labelledby": "result" },
          element("h2", { id: "result" }, say("Your own answers")),
          ...result.map((/** @type {string} */ line) => element("p", {}, line)),
          element("p", {}, say("One listener’s answers say little by themselves: what all of them show, the report says.")),
        )
      : element("p", {}, closes
          ? say("Your own result is told here after {day}, when the study has ended: come back by your link. Until then nobody’s answers are to be coloured by it.", { day: day(closes) })
          : say("Your own result is told here when the study has ended: come back by your link. Until then nobody’s answers are to be coloured by it.")),
    state["kept_until"]
      ? element("p", {}, say("Your answers were to be kept until {day}, which has passed: whoever runs the study is to erase them. You can have it done now, at the foot of this page.", { day: day(state["kept_until"]) }))
      : null,
    element("p", {}, say("You can close this page.")),
  );
}

/** @type {Record<string, [string, string]>} */
const WHY = {
  "no link": [say("A link is needed"), say("Open this page by the link that you were given.")],
  unknown: [say("This link is not known"), say("Perhaps a part of it was lost when it was copied: open it once more, whole.")],
  taken: [say("This link was used already"), say("Another browser has agreed by this link. Open it once more to go on here.")],
  withdrawn: [say("Everything is erased"), say("All that was stored under this link was erased at its listener’s wish. Thank you for telling us.")],
  full: [say("All places are taken"), say("As many listeners as the study has room for have come. Thank you for your interest.")],
  closed: [say("The study is closed"), say("Nobody can begin any more. Thank you for your interest.")],
  past: [say("The study is over"), say("The day until which answers may be kept has passed, so nothing is taken any more. Thank you for your interest.")],
  elsewhere: [say("Gone on elsewhere"), say("This went on in another browser, or was erased. To go on here, open your link here once more.")],
};

/** @param {Door} _door @param {State} state */
function refused(_door, state) {
  const [title, words] = WHY[state["why"]] ?? [say("This can’t be shown"), say("Open your link once more.")];
  return element("div", {}, heading(title), element("p", {}, words));
}

/** @type {Record<string, (door: Door, state: State) => HTMLElement>} */
export const PANEL_STEPS = { invitation, consent, link, questions, output, screening, sitting, later, thanks, refused };
