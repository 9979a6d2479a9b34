// @ts-check
/** The panel in which a part of the clip is chosen to be looped. */

import { button, element } from "./element.js";
import { number, say } from "./words.js";

/** @typedef {import("./listen.js").Page} Page */

/** The shortest loop, in s: short enough for a drum stroke, long enough for its fades. */
const SHORTEST_LOOP_S = 0.2;

/**
 * A part of the clip to listen to again and again, the same for all slots.
 * @param {Page} page @param {() => boolean} loaded
 */
export function loopPanel(page, loaded) {
  const limits = (/** @type {string} */ id) =>
    element("input", { type: "number", id, min: "0", step: "0.1", inputmode: "decimal", autocomplete: "off", onchange: () => set() });
  const from = limits("loop-from");
  const to = limits("loop-to");
  const wrong = element("p", { class: "small", id: "loop-wrong" });
  const length = () => page.player.frames / page.player.rate;

  function set() {
    if (!loaded()) return;
    const start = Number(from.value);
    const end = Number(to.value);
    const fits = start >= 0 && end <= length() + 0.05 && end - start >= SHORTEST_LOOP_S;
    wrong.textContent = fits ? "" : say("“From” and “to” lie between 0 and {length} s, at least {shortest} s apart.", { length: number(length(), 1), shortest: SHORTEST_LOOP_S });
    if (fits) page.player.loop(start, Math.min(end, length()));
  }
  /** @param {HTMLInputElement} field */
  async function here(field) {
    if (!loaded()) return;
    field.value = (await page.player.where()).toFixed(1);
    set();
  }
  function whole() {
    from.value = "0";
    to.value = length().toFixed(1);
    set();
  }
  return {
    node: element(
      "details",
      { class: "panel" },
      element("summary", {}, say("Loop a part")),
      element("div", { class: "row" },
        element("div", { class: "pair" }, element("label", { for: "loop-from" }, say("From, s")), from, button(say("Start here"), () => void here(from))),
        element("div", { class: "pair" }, element("label", { for: "loop-to" }, say("To, s")), to, button(say("End here"), () => void here(to))),
        button(say("Whole clip"), () => loaded() && whole()),
      ),
      wrong,
    ),
    ready: () => {
      from.value = "0";
      to.value = length().toFixed(1);
    },
  };
}
