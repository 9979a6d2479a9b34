// @ts-check
/** What a part of a sitting asks: said when its first trial comes up, and when the page was opened anew. */

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
  if (before.prompt !== prompt) return `From here on another question: ${prompt} ${how(view)}`;
  return before.phase === phase ? "" : `A new part begins. ${how(view)}`;
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
    return "Put each unit on, or connect it, play the clip on it, and set its scale here.";
  if (question?.offered_after_s)
    return `The track runs on and does not come back. Listen as you would at home; after ${question.offered_after_s} s of sound you choose which one plays the rest.`;
  if (question?.kind === "adjust")
    return several
      ? "Switch between the sounds and move the one that you set, as often as you like."
      : "Play the sound and move it, as often as you like.";
  if (question?.kind === "rate")
    return several
      ? "Select a sound and set its scale while you hear it. Compare and change as often as you like."
      : "Play the sound and set the scale while you hear it.";
  if (question?.options.length === 1) return "Switch between the sounds as often as you like, and go on when you know them.";
  return several
    ? "Switch between the sounds as often as you like, then choose your answer."
    : "Listen as often as you like, then choose your answer.";
}

/**
 * The phase in the view's words; and where sounds carry no names, that they don't.
 * @param {View} view
 */
export function phaseWords({ phase, slots }) {
  const nameless = slots.every((slot) => slot.label === "" && slot.token !== "");
  return nameless ? `${phase}. You are not told what sounds.` : `${phase}.`;
}

/**
 * Which trial of how many; of at most how many, where a stopping rule may end the sitting before.
 * @param {View} view
 */
export function countWords({ number, of, may_end_sooner }) {
  return `Trial ${number} of ${may_end_sooner ? "at most " : ""}${of}`;
}
