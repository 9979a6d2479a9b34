// @ts-check
/**
 * What the server shows: made there by `session/view.py`, from slot names and tokens only.
 *
 * @typedef {string | number} Value
 * @typedef {{ name: string, token: string, label: string }} Slot token: empty where nothing sounds; label: name of what
 *   it holds, where that is told
 * @typedef {object} Question
 * @property {string} kind
 * @property {string} prompt
 * @property {string[]} keys
 * @property {{ value: Value, words: string }[]} options
 * @property {[number, number] | null} range
 * @property {{ value: number, words: string }[]} scale words along the range, each at the middle of its interval
 * @property {boolean} points whether the words stand at points of the scale instead
 * @property {number} step what ratings are rounded to
 * @property {number | null} one_at a value that at least one rating has to have
 * @property {string} adjusts the slot that the listener sets
 * @property {number | null} offered_after_s the programme runs on, and the question is put after so much sound
 *
 * @typedef {object} Sure how sure an answer is
 * @property {string} prompt
 * @property {{ value: number, words: string }[]} options
 * @property {number | null} said
 *
 * @typedef {{ text: string, longest: number }} Remark what the listener wrote on the trial in hand
 *
 * @typedef {{ slot: string, sounds: Slot[], now: string, offset: number, end: "" | "less" | "more" }} Dial what the
 *   listener sets: all that it can be, in drawn order, and which of them it is
 *
 * @typedef {object} View
 * @property {"ready" | "level" | "trial" | "onward" | "feedback" | "break" | "finished" | "abandoned"} step
 * @property {number} trial 0-based; goes back with every event
 * @property {number} attempt
 * @property {number} number the trial as a person counts it
 * @property {number} of
 * @property {boolean} may_end_sooner whether a stopping rule may end it before trial `of`
 * @property {string} phase in words
 * @property {string} told of the phase before its first trial; empty where that needs no words
 * @property {Question | null} question
 * @property {Sure | null} sure null where it is not asked
 * @property {Remark | null} remark null where none is taken
 * @property {Slot[]} slots
 * @property {Dial | null} dial
 * @property {string | null} first the slot that sounds first, where that is drawn
 * @property {string} clip title of the clip to play on the real unit; empty where the page plays it
 * @property {string | null} level token of the programme for setting the level
 * @property {number | null} gain_db
 * @property {string[]} next tokens of the next trial, fetched meanwhile in this order
 * @property {boolean} loaded
 * @property {string | null} selected
 * @property {string[]} heard
 * @property {Record<string, Value> | null} chosen
 * @property {boolean} can_confirm
 * @property {{ correct: boolean | null, right: string } | null} feedback
 * @property {number} saved
 * @property {string} message
 *
 * @typedef {{ level: string | null, level_note: string, full_dba: number | null, most_gain_db: number, consent: string, device: string, switch_s: number | null, warnings: string[], then: string, noise: boolean }} Facts device: what plays in
 *   place of this page, in words; empty where this page does; then: where it goes in the end; noise: what the level is
 *   set by is a noise
 * @typedef {{ event: string } & Record<string, unknown>} PageEvent
 * @typedef {{ sitting: string, view: View, problem?: string, remedy?: string }} Reply
 */

export {};
