// @ts-check
/**
 * The answer that waits to be acknowledged, in the browser's database: `durability: "strict"` reaches the disk before it
 * is called done, while localStorage is written seconds later and lost with a killed browser.
 */

/** @typedef {import("./types.js").PageEvent} PageEvent */
/** @typedef {{ story: PageEvent[], confirmed: PageEvent }} Unsent */

const STORE = "unsent";

export class Kept {
  constructor() {
    /** @type {Promise<IDBDatabase | null>} null where the browser keeps nothing (private windows, storage forbidden) */
    this.opened = new Promise((resolve) => {
      try {
        const asked = indexedDB.open("blindtest", 1);
        asked.onupgradeneeded = () => asked.result.createObjectStore(STORE);
        asked.onsuccess = () => resolve(asked.result);
        asked.onerror = asked.onblocked = () => resolve(null);
      } catch {
        resolve(null);
      }
    });
  }

  /**
   * @param {(store: IDBObjectStore) => IDBRequest} act
   * @returns {Promise<any>} what was found; nothing where nothing could be kept
   */
  async does(act) {
    const database = await this.opened;
    if (!database) return undefined;
    return new Promise((resolve) => {
      const work = database.transaction(STORE, "readwrite", { durability: "strict" });
      const asked = act(work.objectStore(STORE));
      work.oncomplete = () => resolve(asked.result);
      work.onerror = work.onabort = () => resolve(undefined);
    });
  }

  /** @param {string} sitting @param {Unsent} unsent */
  keep(sitting, unsent) {
    return this.does((store) => store.put(unsent, sitting));
  }

  /** @param {string} sitting */
  forget(sitting) {
    return this.does((store) => store.delete(sitting));
  }

  /** @param {string} sitting @returns {Promise<Unsent | null>} */
  async found(sitting) {
    const kept = await this.does((store) => store.get(sitting));
    return kept && Array.isArray(kept.story) && kept.confirmed?.event === "confirmed" ? kept : null;
  }
}
