// @ts-check
/**
 * What a browser draws before it sends a consent, and keeps: sent again after its reply was lost, the consent is known by
 * it and takes no second place. Nothing is drawn before somebody agrees, and withdrawing removes it.
 */

const KEY = "blindtest-agreed-by";
const BYTES = 20;
/** Where the browser keeps nothing (private windows, storage forbidden) it lasts as long as the page. */
let here = "";

/** @returns {string} what this browser agrees by: 160 bits of chance */
export function agreedBy() {
  try {
    here = localStorage.getItem(KEY) ?? here;
  } catch {
    // as above
  }
  if (!/^[\w-]{27}$/.test(here)) here = drawn();
  try {
    localStorage.setItem(KEY, here);
  } catch {
    // as above
  }
  return here;
}

/** Whoever agrees here from now on is somebody else. */
export function forgetAgreed() {
  here = "";
  try {
    localStorage.removeItem(KEY);
  } catch {
    // nothing was kept
  }
}

function drawn() {
  const bytes = crypto.getRandomValues(new Uint8Array(BYTES));
  return btoa(String.fromCharCode(...bytes)).replace(/\+/g, "-").replace(/\//g, "_").replace(/=/g, "");
}
