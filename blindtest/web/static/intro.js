// @ts-check
/** What a part of a sitting asks: said when its first trial comes up, and when the page was opened anew. */

import { say } from "./words.js";

/** @typedef {import("./types.js").View} View */
/** @typedef {import("./types.js").Question} Question */
/** @typedef {{ prompt: string, phase: string }} Asked what the page asked last */

/** @param {View} view @returns {Asked} */
export function askedIn(view) {
  return { prompt: view.question?.prompt ?? "", phase: view.phase };
}

/**
 * @param {Asked | null} before null: the page has asked nothing yet
 * @param {View} view
 * @returns {string} nothing where all is as before
 */
export function introduction(before, view) {
  const { prompt, phase } = askedIn(view);
  if (before === null) return how(view);
  if (before.prompt !== prompt) return `${say("From here on another question: {question}", { question: prompt })} ${how(view)}`;
  return before.phase === phase ? "" : `${say("A new part begins.")} ${how(view)}`;
}

/** What is told of the phase, then what there is to do. @param {View} view */
function how(view) {
  const doing = whatToDo(view);
  return view.told === "" ? doing : `${view.told} ${doing}`;
}

/** @param {View} view */
function whatToDo({ question, slots }) {
  const several = slots.length > 1;
  if (slots.every((slot) => slot.token === ""))
    return say("Put each unit on, or connect it, play the clip on it, and set its scale here.");
  if (question?.offered_after_s)
    return say("The track runs on and does not come back. Listen as you would at home; after {seconds} s of sound you choose which one plays the rest.", { seconds: question.offered_after_s });
  if (question?.kind === "adjust")
    return several
      ? say("Switch between the sounds and move the one that you set, as often as you like.")
      : say("Play the sound and move it, as often as you like.");
  if (question?.kind === "rate")
    return several
      ? say("Select a sound and set its scale while you hear it. Compare and change as often as you like.")
      : say("Play the sound and set the scale while you hear it.");
  if (question?.options.length === 1) return say("Switch between the sounds as often as you like, and go on when you know them.");
  return several
    ? say("Switch between the sounds as often as you like, then choose your answer.")
    : say("Listen as often as you like, then choose your answer.");
}

/**
 * The phase in the view's words; and where sounds carry no names, that they don't.
 * @param {View} view
 */
export function phaseWords({ phase, slots }) {
  const nameless = slots.every((slot) => slot.label === "" && slot.token !== "");
  return nameless ? say("{phase}. You are not told what sounds.", { phase }) : `${phase}.`;
}

/**
 * Which trial of how many; of at most how many, where a stopping rule may end the sitting before.
 * @param {View} view
 */
export function countWords({ number, of, may_end_sooner }) {
  return may_end_sooner ? say("Trial {number} of at most {of}", { number, of }) : say("Trial {number} of {of}", { number, of });
}
