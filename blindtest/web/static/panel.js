// @ts-check
/** A panel's pages before and after the sitting: shows the step that the server names, and sends what is done in it. */

import { agreedBy, forgetAgreed } from "./consent.js";
import { button, element } from "./element.js";
import { languageSwitch } from "./languages.js";
import { PANEL_STEPS } from "./panel_steps.js";
import { say } from "./words.js";

/** @typedef {import("./panel_steps.js").State} State */

const PATIENCE_MS = 30_000;
const page = /** @type {HTMLElement} */ (document.getElementById("page"));
const noteLine = /** @type {HTMLElement} */ (document.getElementById("note"));
const foot = /** @type {HTMLElement} */ (document.getElementById("foot"));
const languages = /** @type {HTMLElement} */ (document.getElementById("languages"));
const withdrawing = /** @type {HTMLDialogElement} */ (document.getElementById("withdrawing"));

export class Door {
  constructor() {
    this.token = "";
    document.getElementById("withdraw")?.addEventListener("click", () => {
      withdrawing.returnValue = "stay";
      withdrawing.showModal();
    });
    withdrawing.addEventListener("close", () => {
      if (withdrawing.returnValue === "erase") void this.told("/panel/withdraw", {});
    });
    languageSwitch(() => "", (words) => this.note(words));
    addEventListener("hashchange", () => void this.open());
  }

  async open() {
    this.token = location.hash.slice(1);
    const state = await this.post("/panel/open", { token: /^[\w-]{0,100}$/.test(this.token) ? this.token : "unknown" });
    if (!state) {
      // Nothing is shown yet that could be done again.
      const again = button(say("Try again"), () => void this.open(), "main");
      if (!page.querySelector("button")) page.append(element("p", { class: "row" }, again));
      return;
    }
    this.leaveAddress(state);
    this.show(state);
  }

  /**
   * Until somebody has agreed the page can be reloaded, and who is refused is told the same once more; then the link is
   * gone from the address: nobody copies it from here.
   * @param {State} state
   */
  leaveAddress(state) {
    if (state.step !== "invitation" && state.step !== "refused") history.replaceState(null, "", "/");
  }

  /** @param {State} state */
  show(state) {
    const make = PANEL_STEPS[state.step];
    if (!make) throw new Error(`no page for the step ${state.step}`);
    this.note("");
    if (state["why"] === "withdrawn") forgetAgreed();
    page.replaceChildren(make(this, state));
    document.title = say("{heading} – listening test", { heading: page.querySelector("h1")?.textContent ?? "" });
    // A link is shown once: a page opened anew would not have it.
    languages.hidden = state.step === "link";
    const pseudonym = state["pseudonym"] ?? state["next"]?.pseudonym;
    foot.hidden = !pseudonym;
    if (pseudonym) /** @type {HTMLElement} */ (document.getElementById("pseudonym")).textContent = pseudonym;
    page.querySelector("h1")?.focus();
    scrollTo(0, 0);
  }

  /** @param {string} sha256 of the text that was read @returns {Promise<boolean>} whether it was taken */
  async agree(sha256) {
    const state = await this.post("/panel/consent", { token: this.token, consent_sha256: sha256, browser: agreedBy() });
    if (!state) return false;
    this.leaveAddress(state);
    this.show(state["resume"] ? { step: "link", resume: state["resume"], next: state } : state);
    return true;
  }

  /** @param {string} step @param {Record<string, unknown>} values @returns {Promise<boolean>} whether it was taken */
  send(step, values) {
    return this.told("/panel/step", { step, values });
  }

  /** @returns {Promise<boolean>} whether it was taken */
  async begin() {
    const told = await this.post("/panel/begin", {});
    if (told?.["begun"]) location.replace("/sitting");
    else if (told) await this.again();
    return told !== null;
  }

  async again() {
    const state = await this.ask("/panel/state", { cache: "no-store" });
    if (state) this.show(state);
  }

  /** @param {string} path @param {unknown} body @returns {Promise<boolean>} */
  async told(path, body) {
    const state = await this.post(path, body);
    if (state) this.show(state);
    return state !== null;
  }

  /** @param {string} path @param {unknown} body */
  post(path, body) {
    return this.ask(path, { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body), cache: "no-store" });
  }

  /** @param {string} path @param {RequestInit} how @returns {Promise<State | null>} null: not taken, and the page says so */
  async ask(path, how) {
    let response;
    let body;
    try {
      response = await fetch(path, { ...how, signal: AbortSignal.timeout(PATIENCE_MS) });
      body = await response.json();
    } catch {
      this.note(say("The study can’t be reached just now. Nothing is lost: try again in a while."));
      return null;
    }
    if (response.ok) return body;
    if (response.status === 401) this.show({ step: "refused", why: "elsewhere" });
    else this.note(say("Not taken: {problem}", { problem: body.problem ?? say("something went wrong") }));
    return null;
  }

  /** @param {string} text */
  note(text) {
    noteLine.textContent = text;
  }
}

void new Door().open();
