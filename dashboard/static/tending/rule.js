// A recurrence rule (RFC 5545) as the few choices that people make, and back. What the choices cannot say stays a rule.
import { _, dates, firstDay } from "../desk/speech.js";

const FROM_SUNDAY = ["SU", "MO", "TU", "WE", "TH", "FR", "SA"];
const NAME = dates({ timeZone: "UTC", weekday: "short" });
const SUNDAY = Date.UTC(2026, 2, 1);
/** Weekdays by their letters in RFC 5545, from the locale's first day of the week on. */
export const DAYS = Object.fromEntries(FROM_SUNDAY.map((key, i) => (firstDay + i) % 7).map((i) => [FROM_SUNDAY[i], NAME.format(SUNDAY + i * 86_400_000)]));
export const PLACES = { 1: _("first"), 2: _("second"), 3: _("third"), 4: _("fourth"), "-1": _("last") };

// {often: "daily"} | {often: "weekly", every, days: ["MO"]} | {often: "weekday", every, place: "1", day: "TU"}
// | {often: "date", every, date: 15} | {often: "other", rule}
export function choices(rule) {
  const other = { often: "other", rule };
  const parts = Object.fromEntries(rule.toUpperCase().replace(/^RRULE:/, "").split(";").map((part) => part.split("=")));
  const { FREQ: freq, INTERVAL: interval = "1", BYDAY: byday = "", BYMONTHDAY: date = "", ...rest } = parts;
  const every = Number(interval);
  if (Object.keys(rest).length || !Number.isInteger(every) || every < 1) return other;
  if (freq === "DAILY" && every === 1 && !byday && !date) return { often: "daily" };
  if (freq === "WEEKLY" && !date) {
    const days = byday.split(",");
    return days.every((d) => d in DAYS) ? { often: "weekly", every, days } : other;
  }
  if (freq !== "MONTHLY" || (byday && date)) return other;
  const [, place, day] = /^([+-]?\d)([A-Z]{2})$/.exec(byday) ?? [];
  if (byday) return day in DAYS && Number(place) in PLACES ? { often: "weekday", every, place: String(Number(place)), day } : other;
  return /^([1-9]|[12]\d|3[01])$/.test(date) ? { often: "date", every, date: Number(date) } : other;
}

export function ruleOf(chosen) {
  const step = chosen.every > 1 ? `;INTERVAL=${chosen.every}` : "";
  switch (chosen.often) {
    case "daily": return "FREQ=DAILY";
    case "weekly": return `FREQ=WEEKLY${step};BYDAY=${chosen.days.join(",")}`;
    case "weekday": return `FREQ=MONTHLY${step};BYDAY=${chosen.place}${chosen.day}`;
    case "date": return `FREQ=MONTHLY${step};BYMONTHDAY=${chosen.date}`;
    default: return chosen.rule;
  }
}
