// What the screen knows: the newest wall, the server's clock, and what may still be believed.
import { Words } from "./words.js";

const GAP = 15_000; // ms: silence of a box longer than this is a gap (design: "Silence longer than 15 s is a gap")

export class Shop {
  wall = null;
  words = null;
  lost = false;
  #offset = null; // server's clock minus performance.now(), ms: the TV's own clock is not trusted

  /** Take a whole wall. */
  take(wall) {
    this.wall = wall;
    this.words = new Words(wall.zone);
    this.setClock(wall.now);
  }

  /** Take one saw's entry from the stream; false when the wall does not have that saw. */
  takeSaw(entry) {
    const known = this.wall?.saws.find((saw) => saw.saw === entry.saw);
    if (!known) return false;
    const ribbon = known.ribbon ?? [];
    const newest = ribbon.at(-1);
    if (newest && newest.state !== entry.state) {
      newest.end = entry.since;
      ribbon.push({ state: entry.state, start: entry.since, end: entry.since });
    }
    Object.assign(known, entry, { ribbon });
    return true;
  }

  setClock(now) {
    this.#offset = Date.parse(now) - performance.now();
  }

  /** The server's time now, ms. */
  now() {
    return this.#offset + performance.now();
  }

  /** Milliseconds since the saw's newest reading; null when it has none. */
  age(saw) {
    return saw.last_reading === null ? null : Math.max(0, this.now() - Date.parse(saw.last_reading));
  }

  /** The state that may be shown: OFFLINE when the box or the server is silent, whatever was said before. */
  state(saw) {
    const age = this.age(saw);
    return this.lost || age === null || age > GAP + 1000 * (saw.late_seconds ?? 0) ? "OFFLINE" : saw.state;
  }

  neverHeard() {
    return this.wall.saws.every((saw) => saw.last_reading === null);
  }

  /** The stretch of the day that ribbons and rule show: the planned time and all that happened, to whole hours. */
  window() {
    const HOUR = 3_600_000;
    const from = [...this.wall.planned.map((span) => Date.parse(span.start))];
    const to = [...this.wall.planned.map((span) => Date.parse(span.end)), this.now()];
    for (const saw of this.wall.saws) {
      for (const piece of saw.ribbon) {
        if (piece.state === "OFFLINE" || piece.state === "STANDBY") continue;
        from.push(Date.parse(piece.start));
        to.push(Date.parse(piece.end));
      }
    }
    from.push(Math.max(Date.parse(this.wall.day_start), Math.min(...from, this.now() - HOUR)));
    const dayStart = Date.parse(this.wall.day_start);
    const start = dayStart + Math.floor((Math.min(...from) - dayStart) / HOUR) * HOUR;
    const end = dayStart + Math.ceil((Math.max(...to) - dayStart) / HOUR) * HOUR;
    return { start: Math.max(start, dayStart), end: Math.min(Math.max(end, start + HOUR), Date.parse(this.wall.day_end)) };
  }
}
