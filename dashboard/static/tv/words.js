// Times and amounts as words, in the shop's zone.
import { _, clocks, dates, ngettext } from "../desk/speech.js";

export class Words {
  #hm; #full; #weekday; #date;

  constructor(zone) {
    const make = (options) => dates({ timeZone: zone, ...options });
    this.#hm = clocks({ timeZone: zone });
    this.#full = make({ weekday: "long", day: "numeric", month: "long" });
    this.#weekday = make({ weekday: "short" });
    this.#date = make({ year: "numeric", month: "2-digit", day: "2-digit" });
  }

  clock(ms) { return this.#hm.format(ms); }
  day(ms) { return this.#full.format(ms); }

  /** 14:02 today, Tue 14:02 within a week, 03/02/2026 14:02 before. */
  moment(ms, now) {
    if (this.#date.format(ms) === this.#date.format(now)) return this.clock(ms);
    const front = now - ms < 6 * 86_400_000 ? this.#weekday : this.#date;
    return `${front.format(ms)} ${this.clock(ms)}`;
  }

  /** planned 08:00–12:00, 13:00–17:00; long plans only by their ends. */
  plan(spans) {
    if (spans.length === 0) return _("no work planned today");
    const [start, end] = [this.clock(Date.parse(spans[0].start)), this.clock(Date.parse(spans.at(-1).end))];
    const breaks = spans.length - 1;
    if (!breaks) return _("planned {start}–{end}", { start, end });
    return ngettext("planned {start}–{end}, {n} break", "planned {start}–{end}, {n} breaks", breaks, { start, end });
  }

  /** 2 s, 5 min, 3 h 10 min, 4 days. */
  lasting(ms) {
    const seconds = Math.round(ms / 1000);
    if (seconds < 90) return `${seconds} s`;
    const minutes = Math.floor(seconds / 60);
    if (minutes < 90) return `${minutes} min`;
    const hours = Math.floor(minutes / 60);
    return hours < 48 ? `${hours} h ${minutes % 60} min` : _("{n} days", { n: Math.floor(hours / 24) });
  }

  percent(ratio) { return ratio === null ? "–" : String(Math.round(100 * ratio)); }
}
