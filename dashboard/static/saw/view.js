// What the operator's page shows, made from what it knows.
import { _, decimal, ngettext } from "../desk/speech.js";
import { doing } from "../desk/states.js";
import { named } from "../desk/who.js";

const make = (tag, how = {}, ...inside) => {
  const element = Object.assign(document.createElement(tag), how);
  element.append(...inside.filter((x) => x !== null && x !== undefined));
  return element;
};

// Drawn again only when something changed: a live region must not be read out at every poll.
const drawn = new WeakMap();
function once(place, state, draw) {
  const text = JSON.stringify(state);
  if (drawn.get(place) === text) return;
  drawn.set(place, text);
  draw();
}

export function now(place, known, stale, when) {
  const { state, mode, since, last_reading: last } = known.saw;
  const shown = stale ? "OFFLINE" : state;
  const word = doing(shown, mode);
  const from = stale || !since ? (last ? _("since {time}", { time: when.moment(last, known.today) }) : _("never heard of")) : _("since {time}", { time: when.moment(since, known.today) });
  once(place, [shown, word, from, known.cuts.total], () => {
    place.dataset.state = shown;
    place.replaceChildren(make("b", {}, word), make("br"), `${from} · ${ngettext("1 cut today", "{n} cuts today", known.cuts.total)}`);
  });
}

export function blade(place, known) {
  const b = known.blade;
  once(place, b, () => place.replaceChildren(...(b
    ? [make("b", {}, b.tag), make("br"), _("{n} cuts, {percent} % of its limit", { n: decimal(b.cuts), percent: Math.round(100 * b.share) })]
    : [_("Nobody has said which blade sits here.")])));
}

export function question(place, { openings, choices, saw, today, when, cleaned }) {
  place.hidden = !openings.length;
  const [opening] = openings;
  once(place, [opening, openings.length, choices], () => {
    if (!opening) { place.replaceChildren(); return; }
    const more = openings.length > 1 ? `, ${_("newest of {n}", { n: openings.length })}` : "";
    const blade = (tag) => make("a", { href: `/saw/${saw}/blade?in=${encodeURIComponent(tag)}` }, tag);
    place.replaceChildren(
      make("h2", {}, _("Was the blade changed? Which one went in?")),
      make("p", { className: "when" }, _("Door open {start} to {end}", { start: when.moment(opening.start, today), end: when.zone.minutes(Date.parse(opening.end)) }) + more),
      make("div", { className: "grid" }, ...choices.map(blade), make("a", { href: `/saw/${saw}/blade`, className: "other" }, _("another"))),
      make("button", { type: "button", className: "wide", onclick: () => cleaned(opening) }, _("No change, only cleaned")));
  });
}

export function faults(place, rows, today, when) {
  place.hidden = !rows.length;
  once(place, rows, () => place.querySelector("ul").replaceChildren(...rows.map((row) => make("li", {},
    make("b", {}, row.what_words), row.note ? `: ${row.note}` : "", make("small", {}, `${named(row.who)}, ${when.moment(row.said, today)}`)))));
}

export function whats(place, words, report) {
  once(place, words, () => place.replaceChildren(...Object.entries(words).map(([what, text]) => make("button", { type: "button", onclick: () => report(what) }, text))));
}

export function state(place, { stale, undelivered, refused: [refused], drop, known, when }) {
  const text = refused ? _("Not taken: {why}", { why: refused.refused })
    : undelivered ? ngettext("1 entry is kept on this phone and will be delivered when the network is back.", "{n} entries are kept on this phone and will be delivered when the network is back.", undelivered)
      : stale && known ? _("No network. What you see is from {time}; what you say is kept.", { time: when.moment(known.now, when.zone.date(Date.now())) }) : "";
  place.hidden = !text;
  place.classList.toggle("bad", Boolean(refused));
  once(place, text, () => place.replaceChildren(make("span", {}, text), ...(refused ? [make("button", { type: "button", onclick: () => drop(refused.body.key) }, _("Drop it"))] : [])));
}

export function trouble(place, error) {
  place.hidden = false;
  place.textContent = error.message;
  setTimeout(() => { place.hidden = true; }, 20_000);
}
