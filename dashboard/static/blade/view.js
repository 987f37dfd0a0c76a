// What the phone page shows, made from what it knows.
import { _, decimal, ngettext } from "../desk/speech.js";
import { named } from "../desk/who.js";

const make = (tag, how = {}, ...inside) => {
  const element = Object.assign(document.createElement(tag), how);
  element.append(...inside.filter((x) => x !== null && x !== undefined));
  return element;
};
const button = (how, ...inside) => make("button", { type: "button", ...how }, ...inside);

const FATES = [["sharpen", _("Sharpen"), _("it is dull")], ["keep", _("Keep"), _("back into the rack")], ["scrap", _("Scrap"), _("never again")]];
const SHOWN = 6;

/** 09:42 today, Tue 09:42 within a week, 3 Mar 09:42 before. */
export function moment(iso, now, zone) {
  const [t, n] = [Date.parse(iso), Date.parse(now)];
  if (zone.date(t) === zone.date(n)) return zone.minutes(t);
  return `${n - t < 6 * 86_400_000 ? zone.weekday(t) : zone.dayMonth(t)} ${zone.minutes(t)}`;
}

export function top(place, sits, shop, zone) {
  if (!sits) { place.replaceChildren(_("Nobody has said which blade sits here.")); return; }
  if (sits.kept) { place.replaceChildren(make("b", {}, sits.tag), make("br"), _("as said on this phone")); return; }
  place.replaceChildren(make("b", {}, sits.tag), ` ${_("since {time}", { time: moment(sits.since, shop.now, zone) })}`, make("br"),
    _("{n} cuts, {percent} % of its limit", { n: decimal(sits.cuts), percent: Math.round(100 * sits.share) }), sits.heavier ? `, ${_("heavier than fresh")}` : "");
}

export function state(place, queue, stale, shop, zone) {
  const [refused] = queue.refused;
  const kept = queue.waiting.length;
  place.hidden = !refused && !kept && !stale;
  place.classList.toggle("bad", Boolean(refused));
  if (refused) {
    place.replaceChildren(make("span", {}, _("Not taken: {why}", { why: refused.refused })), button({ onclick: () => queue.drop(refused.body.key) }, _("Drop it")));
  } else if (kept) {
    place.replaceChildren(make("span", {}, ngettext("1 answer is kept on this phone and will be delivered when the network is back.", "{n} answers are kept on this phone and will be delivered when the network is back.", kept)));
  } else if (stale) {
    place.replaceChildren(make("span", {}, _("No network. What you see is from {time}; answers are kept.", { time: moment(shop.now, new Date().toISOString(), zone) })));
  }
}

export function ask(place, known, doing) {
  const { step, asked } = known;
  if (step.name === "fate") place.replaceChildren(...fate(known, doing));
  else if (step.name === "done") place.replaceChildren(...done(known, doing));
  else if (step.free || asked.length) place.replaceChildren(...which(known, doing));
  else place.replaceChildren(make("h2", {}, _("No question waits.")), make("p", { className: "when" }, _("When the blade door was open for a while with the motor off, the question comes here.")));
}

function which({ step, shop, zone, asked, when, sits }, doing) {
  const opening = asked[0];
  const head = step.corrects ? [make("h2", {}, _("Say it anew: which blade went in?")), make("p", { className: "when" }, _("Said before: {what}, {time}.", { what: words(step.was), time: moment(step.was.at, shop.now, zone) }))]
    : step.free ? [make("h2", {}, _("Which blade went in, and when?"))]
      : [make("h2", {}, _("Which blade went in?")), make("p", { className: "when" }, make("b", {}, _("Door open {start} to {end}", { start: moment(opening.start, shop.now, zone), end: zone.minutes(Date.parse(opening.end)) })), asked.length > 1 ? `, ${_("newest of {n}", { n: asked.length })}` : "")];
  const ms = Date.parse(when);
  const time = step.free && make("label", { className: "field" }, _("It happened on"), make("input", {
    type: "datetime-local", value: new Date(ms + zone.offset(ms)).toISOString().slice(0, 16), onchange: (event) => doing.time(event.target.value),
  }));
  const sharp = step.all || step.corrects ? shop.choices : shop.choices.filter((c) => c.sharp && !c.warning);
  const extra = step.corrects && sits ? [{ tag: sits.tag, sharp: true, share: sits.share, sharpenings: 0 }] : [];
  const shown = [...extra, ...sharp].slice(0, step.all || step.corrects ? 99 : SHOWN);
  const grid = make("div", { className: "grid" }, ...shown.map((c) => button(
    { className: c.warning ? "warn" : "", onclick: () => doing.pick(c.tag) }, make("b", {}, c.tag), make("small", {}, c.warning ?? wornWords(c)))));
  const others = shop.choices.length > shown.length && button({ className: "plain", onclick: doing.more }, _("another blade, or scan its label with the camera"));
  const nobody = button({ className: "plain", onclick: () => doing.pick(null) }, _("a blade that nobody knows"));
  const clean = step.free && !step.corrects ? null : button({ className: "wide", onclick: doing.cleaned }, _("No change, I only cleaned"));
  const back = step.free && button({ className: "plain", onclick: doing.back }, _("back"));
  const withdraw = step.corrects && button({ className: "plain", onclick: doing.withdraw }, _("take it back, it never happened"));
  return [...head, time, grid, others, step.all || step.free ? nobody : null, withdraw, clean, back].filter(Boolean);
}

const wornWords = (c) => (c.share < 0.005 ? _("sharp") : _("{percent} % used", { percent: Math.round(100 * c.share) }));

function fate({ step, sits, shop, zone, when }, doing) {
  const out = step.corrects ? _("the one that came out") : sits.tag;
  const warned = shop.choices.find((c) => c.tag === step.tag)?.warning;
  return [
    make("h2", {}, step.tag ? _("{tag} goes in, {time}.", { tag: step.tag, time: moment(when, shop.now, zone) }) : _("An unknown blade goes in, {time}.", { time: moment(when, shop.now, zone) })),
    warned ? make("p", { className: "when" }, make("b", {}, _("Mind: {tag} {warning}.", { tag: step.tag, warning: warned }))) : null,
    make("h2", {}, _("What happens with {blade}?", { blade: out })),
    make("div", { className: "grid" }, ...FATES.map(([key, name, more]) => button({ onclick: () => doing.fate(key), id: `fate-${key}` }, make("b", {}, name), make("small", {}, more)))),
    button({ className: "plain", onclick: doing.back }, _("back")),
  ].filter(Boolean);
}

function done({ asked }, doing) {
  return [
    make("h2", {}, _("Thank you. It is written down.")),
    asked.length ? button({ className: "wide", onclick: doing.next }, ngettext("1 more opening waits", "{n} more openings wait", asked.length)) : null,
    make("p", { className: "when" }, _("Wrong? Correct it below: the cuts move to the right blade.")),
  ].filter(Boolean);
}

export const words = (said) => said.kind === "cleaned" ? _("only cleaned")
  : [said.tag ? _("{tag} in", { tag: said.tag }) : _("unknown blade in"),
    { sharpen: _("the other to sharpen"), keep: _("the other kept"), scrap: _("the other scrapped") }[said.fate]].filter(Boolean).join(", ");

export function past(place, shop, zone, doing) {
  place.replaceChildren(...shop.said.slice(0, 6).map((said) => make("li", {},
    make("span", {}, make("b", {}, moment(said.at, shop.now, zone)), ` ${words(said)} (${named(said.who)})`),
    button({ onclick: () => doing.correct(said) }, _("correct")))));
}
