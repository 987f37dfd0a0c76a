// Words that the rack and a blade's page share.
import { _, decimal, ngettext, run } from "../desk/speech.js";
import { said } from "./measures.js";

export const PLACES = {
  on_saw: _("On the saws"), in_rack: _("Sharp, in the rack"), unsaid: _("Came out, nobody said where they went"),
  to_sharpen: _("To be sharpened"), at_sharpener: _("At the sharpener"), scrapped: _("Scrapped"),
};
/** New blades lie with the sharp ones. */
export const placeOf = (blade) => (blade.place === "new" ? "in_rack" : blade.place);

export const WHAT = {
  in: _("went in"), out: _("came out"), "out, sharpen": _("came out, to be sharpened"), "out, keep": _("came out, kept in the rack"),
  "out, scrap": _("came out, scrapped"), racked: _("found in the rack"), to_sharpen: _("put aside to be sharpened"),
  sent: _("sent to the sharpener"), returned: _("came back sharp"), scrapped: _("scrapped"),
};

export const whole = (x) => decimal(Math.round(x));
export const days = (x) => (x < 1 ? _("today") : ngettext("1 day", "{n} days", Math.round(x)));

/** Which of the limits is nearest, as words. */
export function limitWords(blade) {
  const [used, limit] = [blade.use[blade.limit_by], blade.limits[blade.limit_by]];
  if (blade.limit_by === "metres") return _("{n} of {all}", { n: run(used), all: run(limit) });
  const values = { n: whole(used), all: whole(limit) };
  return blade.limit_by === "cuts" ? _("{n} of {all} cuts", values) : _("{n} of {all} min", values);
}

export const leftWords = (left) => (left === null ? null : [days(left.median), _("{low} to {high}", { low: Math.floor(left.low), high: Math.ceil(left.high) })]);

/** What the chart says, and whether it calls. */
export function wearWords(wear) {
  if (wear.heavier === null) return wear.learned === 0 ? ["", ""] : [_("learning"), _("{n} of {all} cuts", { n: wear.learned, all: wear.needed })];
  const more = Math.round(100 * (wear.ratio - 1));
  // A tenth more may be a blade that wears or the boards of these days: the chart has not decided.
  return [wear.heavier ? _("heavier") : more < 10 ? _("as fresh") : _("not clear"), _("load {percent} %", { percent: `${more > 0 ? "+" : ""}${more}` })];
}

export const titles = () => JSON.parse(document.body.dataset.titles);

/** The fields of a blade's form as the server takes them: what is empty is not known. */
export function fields(form) {
  const body = {};
  for (const input of form.elements) {
    if (!input.name) continue;
    body[input.name] = input.value === "" ? (input.name === "tooth_form" ? "" : null) : input.type === "number" ? said(input) : input.value;
  }
  return body;
}

export function fillGroups(form, groups) {
  const select = form.elements.group;
  if (select.options.length) return;
  select.replaceChildren(...groups.map((g) => Object.assign(document.createElement("option"), { value: g.group, textContent: g.title })));
}
