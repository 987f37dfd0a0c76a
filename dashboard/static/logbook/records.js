// What the server knows of a period, as the page draws it.
import { ask, iso } from "../desk/ask.js";

const time = (text) => (text === null ? null : Date.parse(text));

export class Records {
  #saw;

  constructor(saw) { this.#saw = saw; }

  #path(leaf, from, to, rest = "") {
    return `/api/v1/saws/${this.#saw}/${leaf}?from=${iso(from)}&to=${iso(to)}${rest}`;
  }

  async states(from, to, signal) { return to > from ? (await ask(this.#path("states", from, to), { signal })).states : []; }

  async trace(from, to, points, signal) {
    const got = await ask(this.#path("trace", from, to, `&points=${points}`), { signal });
    return {
      motor: got.motor.map((p) => ({ ...p, t: time(p.t) })),
      lock: got.lock.map((p) => ({ ...p, t: time(p.t) })),
      door: got.door.map((p) => ({ ...p, t: time(p.t) })),
      readingsFrom: time(got.readings_from),
    };
  }

  async silences(from, to, until, signal) {
    const { facts } = await ask(this.#path("facts", from, to, "&kind=gap&limit=1000"), { signal });
    return facts.map((f) => [time(f.start), time(f.end) ?? until]);
  }

  /** Every cut of a period in order: those that count, and those marked as none, each with its mark. */
  async cuts(from, to, until, signal) {
    const [counted, { marks }] = await Promise.all([this.#allCuts(from, to, signal), ask(this.#path("marks", from, to), { signal })]);
    const missed = new Map(marks.filter((m) => m.kind === "missed_cut" && m.cut).map((m) => [m.cut.start, m]));
    const out = counted.map((c) => {
      const mark = missed.get(c.start);
      return cutOf(c, until, mark ? "drawn" : "counted", mark ?? null);
    });
    for (const mark of marks) if (mark.kind === "no_cut" && mark.cut) out.push(cutOf(mark.cut, until, "none", mark));
    return out.sort((a, b) => a.from - b.from);
  }

  async #allCuts(from, to, signal) {
    const all = [];
    for (let cursor = ""; ;) {
      const page = await ask(this.#path("cuts", from, to, `&limit=1000${cursor}`), { signal });
      all.push(...page.cuts);
      if (page.next === null) return all;
      cursor = `&cursor=${encodeURIComponent(page.next)}`;
    }
  }

  say(body) { return ask(`/api/v1/saws/${this.#saw}/marks`, { method: "POST", body }); }

  takeBack(id, who) { return ask(`/api/v1/saws/${this.#saw}/marks/${id}?who=${encodeURIComponent(who)}`, { method: "DELETE" }); }
}

/** A name for a cut on the sheet: one that is none and a better one drawn in its place may start together. */
export const keyOf = (kind, start) => `${kind} ${start}`;

function cutOf(c, until, kind, mark) {
  return { key: keyOf(kind, c.start), kind, mark, start: c.start, end: c.end, from: time(c.start), to: time(c.end) ?? until, direction: c.direction, mean: c.mean_amps, peak: c.peak_amps, idle: c.idle_amps };
}
