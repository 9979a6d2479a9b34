// @ts-check
/**
 * The operator's page: what to connect now, and the button that says it is. It knows connections by name and counts
 * them; which sound of a trial one is for, and what is answered, is never sent here.
 */

import { button, element, enable, enabled } from "./element.js";
import { languageSwitch } from "./languages.js";
import { say, sayParts } from "./words.js";

/** @typedef {{ state: "waiting" | "connect" | "connected" | "over", number: number, connect: string, trial: number, of: number, made: number }} Task */

const EVERY_MS = 300;
const page = /** @type {HTMLElement} */ (document.getElementById("page"));
const noteLine = /** @type {HTMLElement} */ (document.getElementById("note"));
const said = /** @type {HTMLElement} */ (document.getElementById("said"));

let shown = "";

/** @param {string} path @param {Record<string, unknown>} [body] */
async function ask(path, body) {
  const post = { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body) };
  return fetch(path, { cache: "no-store", signal: AbortSignal.timeout(10_000), ...(body ? post : {}) });
}

/** @param {string} text */
function note(text) {
  noteLine.textContent = text;
}

/**
 * @param {string} path @param {number} number
 * @param {HTMLElement} pressed rests until this was answered; where it was not taken it can be pressed again
 */
async function tell(path, number, pressed) {
  if (!enabled(pressed)) return;
  enable(pressed, false);
  try {
    const response = await ask(path, { number });
    const body = await response.json();
    if (response.ok) {
      note(path === "/mistaken" ? say("On record. The listener hears that trial again from its beginning.") : "");
      show(body);
    } else note(say("Not taken: {problem}", { problem: `${body.problem}.` }));
  } catch {
    note(say("The program that runs the sitting can’t be reached: press again."));
  }
  enable(pressed, true);
}

/** @param {Task} task */
function show(task) {
  const key = `${task.state} ${task.number}`;
  if (key === shown) return;
  shown = key;
  const counted = task.trial > 0 ? `${say("Trial {number} of {of}", { number: task.trial, of: task.of })}. ` : `${say("The listener sets the level.")} `;
  const count = element("p", { class: "phase" }, `${task.state === "connect" || task.state === "connected" ? counted : ""}${say("Connections made: {made}.", { made: task.made })}`);
  const heading = (/** @type {string} */ words) => element("h1", { tabindex: "-1" }, words);
  /** @type {(Node | null)[]} */
  let parts;
  let focus = null;
  if (task.state === "connect") {
    const done = button(say("Connected"), () => void tell("/connected", task.number, done), "main wide");
    focus = done;
    parts = [
      count,
      heading(say("Connect now")),
      element("ol", { class: "how" },
        element("li", {}, say("Open every connection, also where the next one is the same: it has to sound and take alike.")),
        element("li", {}, ...sayParts("Connect {unit}, and nothing else.", { unit: element("strong", { class: "connect" }, task.connect) })),
        element("li", {}, say("Look once more, then say so.")),
      ),
      element("p", { class: "row" }, done),
    ];
  } else if (task.state === "connected") {
    const wrong = button(say("That was wrong: another one is connected"), () => void tell("/mistaken", task.number, wrong), "quiet");
    parts = [
      count,
      heading(say("Connected: leave it")),
      element("p", {}, ...sayParts("Connected is {unit}. Wait for the next one.", { unit: element("strong", { class: "connect" }, task.connect) })),
      element("p", { class: "row" }, wrong),
    ];
  } else if (task.state === "over") {
    parts = [count, heading(say("The sitting is over")), element("p", {}, say("Nothing more is asked. Turn the volume down, then switch off."))];
  } else {
    parts = [
      count,
      heading(say("Nothing to connect now")),
      element("p", {}, say("Wait: what to connect appears here when the listener asks for it.")),
      element("p", {}, say("Volume down and no sound while you connect. Never join outputs of amplifiers, not for a moment. Pull the mains plug before you open or rewire anything. Say nothing, and let nothing be seen or heard of what you do.")),
    ];
  }
  page.replaceChildren(element("section", { id: "task" }, ...parts.filter((part) => part !== null)));
  document.title = page.querySelector("h1")?.textContent ?? "";
  (focus ?? page.querySelector("h1"))?.focus();
  said.textContent = task.state === "connect" ? say("Connect {unit}.", { unit: task.connect }) : (page.querySelector("h1")?.textContent ?? "");
}

function locked() {
  page.replaceChildren(
    element("h1", { tabindex: "-1" }, say("A new link is needed")),
    element("p", {}, say("A link opens this page once, in one browser. Run “blindtest listen” again: it prints a new one.")),
  );
}

async function open() {
  let token = location.hash.slice(1);
  history.replaceState(null, "", "/");
  for (;;) {
    try {
      if (token) await ask("/enter", { token });
      token = "";
      inside();
      const response = await ask("/task");
      if (response.status === 401) {
        locked();
        return;
      }
      if (response.ok) {
        if (noteLine.dataset["lost"]) note("");
        delete noteLine.dataset["lost"];
        const task = /** @type {Task} */ (await response.json());
        show(task);
        if (task.state === "over") return;
      }
    } catch {
      noteLine.dataset["lost"] = "yes";
      note(say("The program that runs the sitting can’t be reached. This page tries again by itself."));
    }
    await new Promise((resolve) => setTimeout(resolve, EVERY_MS));
  }
}

/** @type {() => void} */
let inside = () => {};
const entered = new Promise((/** @type {(_: void) => void} */ resolve) => (inside = resolve));
languageSwitch(() => "", note, () => entered);
void open();
