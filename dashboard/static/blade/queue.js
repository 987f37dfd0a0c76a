// What was said on this phone and has not reached the server: kept here, delivered in order, each once.
// Each entry carries a key that is made when it is said. A delivery whose answer was lost is made again with the
// same key, and the server takes it for the same entry.
import { signedOut } from "../desk/away.js";
import { _ } from "../desk/speech.js";
import { speaker, speaksFor } from "../desk/who.js";

const KEY = "kerfbook.blade.queue";
const RETRY = 5_000; // ms between attempts while something waits

const read = () => { try { return JSON.parse(localStorage.getItem(KEY)) ?? []; } catch { return []; } };

/** 128 random bits; crypto.randomUUID does not exist on a page without TLS. */
export const newKey = () => [...crypto.getRandomValues(new Uint8Array(16))].map((b) => b.toString(16).padStart(2, "0")).join("");

export class Queue {
  #changed; #busy = false; #memory = null;

  /** `changed(delivered)` is called when an entry came, went or was refused. */
  constructor(changed) {
    this.#changed = changed;
    addEventListener("online", () => this.flush());
    addEventListener("storage", (event) => { if (event.key === KEY) changed(false); });
    setInterval(() => { if (this.waiting.length) this.flush(); }, RETRY);
  }

  #all() { return this.#memory ?? read(); }

  #keep(entries) {
    try { localStorage.setItem(KEY, JSON.stringify(entries)); this.#memory = null; }
    catch { this.#memory = entries; } // a browser that keeps nothing: good until the page is closed
  }

  get waiting() { return this.#all().filter((entry) => !entry.refused); }
  get refused() { return this.#all().filter((entry) => entry.refused); }

  say(saw, body) {
    this.#keep([...this.#all(), { saw, body, by: speaker() }]);
    this.#changed(false);
    this.flush();
  }

  drop(key) {
    this.#keep(this.#all().filter((entry) => entry.body.key !== key));
    this.#changed(false);
  }

  async flush() {
    if (this.#busy) return;
    this.#busy = true;
    try {
      for (let next; (next = this.waiting.find((entry) => speaksFor(entry.by))); ) if (!(await this.#deliver(next))) break;
    } finally { this.#busy = false; }
  }

  async #deliver(entry) {
    let answer;
    try {
      answer = await fetch(`/api/v1/saws/${entry.saw}/blade/said`, {
        method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(entry.body),
        signal: AbortSignal.timeout(10_000),
      });
    } catch { return false; }
    if (answer.ok) {
      this.#keep(this.#all().filter((e) => e.body.key !== entry.body.key));
      this.#changed(true);
      return true;
    }
    if (answer.status === 401) signedOut();
    if (answer.status >= 500 || [401, 408, 429].includes(answer.status)) return false;
    const said = await answer.json().catch(() => null);
    this.#keep(this.#all().map((e) => (e.body.key === entry.body.key ? { ...e, refused: said?.detail ?? _("The server answers {status}.", { status: answer.status }) } : e)));
    this.#changed(true);
    return true;
  }
}
