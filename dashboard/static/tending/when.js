// Days and moments in words, in the shop's zone.
import { _, dates } from "../desk/speech.js";
import { Zone } from "../desk/days.js";

export class When {
  #day; #short; #weekday;

  constructor(zoneName) {
    this.zone = new Zone(zoneName);
    this.#day = dates({ timeZone: "UTC", weekday: "short", day: "numeric", month: "short" });
    this.#short = dates({ timeZone: "UTC", day: "numeric", month: "short" });
    this.#weekday = dates({ timeZone: "UTC", weekday: "long" });
  }

  /** Mon 2 Mar */
  day(date) { return this.#day.format(Date.parse(`${date}T00:00Z`)).replace(",", ""); }

  /** 2 Mar */
  short(date) { return this.#short.format(Date.parse(`${date}T00:00Z`)); }

  /** today, yesterday, tomorrow, Friday (within a week), else Mon 2 Mar */
  near(date, today) {
    const ahead = Math.round((Date.parse(date) - Date.parse(today)) / 86_400_000);
    if (ahead === 0) return _("today");
    if (ahead === -1) return _("yesterday");
    if (ahead === 1) return _("tomorrow");
    return Math.abs(ahead) < 6 ? this.#weekday.format(Date.parse(`${date}T00:00Z`)) : this.day(date);
  }

  /** 14:02 today, Mon 2 Mar 14:02 before */
  moment(text, today) {
    const ms = Date.parse(text);
    const date = this.zone.date(ms);
    return date === today ? this.zone.minutes(ms) : `${this.day(date)} ${this.zone.minutes(ms)}`;
  }

  /** For an input of type datetime-local, and back to UTC. */
  local(ms) { return new Date(ms + this.zone.offset(ms)).toISOString().slice(0, 16); }
  utc(local) {
    const wall = Date.parse(`${local}:00Z`);
    const near = wall - this.zone.offset(wall);
    return wall - this.zone.offset(near);
  }
}
