// What is said on a bad line is kept on this device and delivered once: each entry carries a token that the server knows.
import { ask } from "../desk/ask.js";
import { speaker, speaksFor } from "../desk/who.js";

const KEY = "kerfbook.ticks";
const RETRY = 5_000;

function kept() {
  try { return JSON.parse(localStorage.getItem(KEY)) ?? []; } catch { return []; }
}

function keep(entries) {
  try { localStorage.setItem(KEY, JSON.stringify(entries)); } catch { /* then only this page remembers */ }
}

const drop = (entry) => keep(kept().filter((e) => e.body.token !== entry.body.token));

export function token() {
  const bytes = crypto.getRandomValues(new Uint8Array(16)); // randomUUID needs https, which a shop's own network lacks
  return [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

export class Queue {
  #on; #busy = false;

  /** `on` has: waiting(number), said(answer), refused(error). */
  constructor(on) {
    this.#on = on;
    setInterval(() => this.send(), RETRY);
    addEventListener("online", () => this.send());
    this.#on.waiting(kept().length);
  }

  add(path, body) {
    keep([...kept(), { path, body: { ...body, token: token() }, by: speaker() }]);
    return this.send();
  }

  async send() {
    if (this.#busy) return;
    this.#busy = true;
    try {
      for (let entry; (entry = kept().find((e) => speaksFor(e.by))); ) {
        try {
          const answer = await ask(entry.path, { method: "POST", body: entry.body, signal: AbortSignal.timeout(15_000) });
          drop(entry);
          this.#on.said(answer);
        } catch (error) {
          if (!error.status || error.status >= 500 || [401, 408, 429].includes(error.status)) break; // later
          drop(entry);
          this.#on.refused(error);
        }
      }
    } finally {
      this.#busy = false;
      this.#on.waiting(kept().length);
    }
  }
}
