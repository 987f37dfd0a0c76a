// Days and clock times in the shop's zone.
import { clocks, dates } from "./speech.js";

export class Zone {
  #parts; #seconds; #tenths; #minutes; #long; #weekday; #date;

  constructor(name) {
    const make = (options) => clocks({ timeZone: name, ...options });
    this.#parts = new Intl.DateTimeFormat("en-GB", { timeZone: name, hourCycle: "h23", year: "numeric", month: "2-digit", day: "2-digit", hour: "2-digit", minute: "2-digit", second: "2-digit" });
    this.#seconds = make({ second: "2-digit" });
    this.#tenths = make({ second: "2-digit", fractionalSecondDigits: 1 });
    this.#minutes = make({});
    this.#weekday = dates({ timeZone: name, weekday: "short" });
    this.#date = dates({ timeZone: name, day: "numeric", month: "short" });
    this.#long = dates({ timeZone: name, weekday: "short", day: "numeric", month: "short", year: "numeric" });
  }

  /** Milliseconds by which the zone's clock is ahead of UTC. */
  offset(ms) {
    const whole = Math.floor(ms / 1000) * 1000;
    const p = Object.fromEntries(this.#parts.formatToParts(whole).map(({ type, value }) => [type, +value]));
    return Date.UTC(p.year, p.month - 1, p.day, p.hour, p.minute, p.second) - whole;
  }

  /** Midnight of the zone's day `2026-03-02`, as UTC milliseconds. */
  midnight(date) {
    const wall = Date.parse(`${date}T00:00:00Z`);
    const near = wall - this.offset(wall);
    return wall - this.offset(near);
  }

  date(ms) { return new Date(ms + this.offset(ms)).toISOString().slice(0, 10); }

  /** [start, end] of the day; it has 23 or 25 hours where the clock changes. */
  day(ms) {
    const date = this.date(ms);
    const next = new Date(Date.parse(`${date}T12:00:00Z`) + 86_400_000).toISOString().slice(0, 10);
    return [this.midnight(date), this.midnight(next)];
  }

  minutes(ms) { return this.#minutes.format(ms); }
  seconds(ms) { return this.#seconds.format(ms); }
  tenths(ms) { return this.#tenths.format(ms); }
  weekday(ms) { return this.#weekday.format(ms); }
  dayMonth(ms) { return this.#date.format(ms); }
  long(ms) { return this.#long.format(ms); }
}

const STEPS = [0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10_800, 21_600].map((s) => s * 1000);

/** Ticks that fall on round clock times: [[ms, text], …], at most `most`. */
export function ticks(zone, from, to, most) {
  const step = STEPS.find((s) => (to - from) / s <= most) ?? 43_200_000;
  const ahead = zone.offset(from);
  const show = step < 1000 ? (t) => zone.tenths(t) : step < 60_000 ? (t) => zone.seconds(t) : (t) => zone.minutes(t);
  const out = [];
  for (let t = Math.ceil((from + ahead) / step) * step - ahead; t <= to; t += step) out.push([t, show(t)]);
  return out;
}
