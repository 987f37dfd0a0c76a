// What the operator's page shows, made from what it knows.

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

const NOW = { WORKING: "cutting", READY: "motor runs", STANDBY: "motor off", ERROR: "signals contradict", OFFLINE: "no data" };

export function now(place, known, stale, when) {
  const { state, mode, since, last_reading: last } = known.saw;
  const shown = stale ? "OFFLINE" : state;
  const word = !stale && mode === "SETUP" ? "blade door open" : NOW[shown];
  const from = stale || !since ? (last ? `since ${when.moment(last, known.today)}` : "never heard") : `since ${when.moment(since, known.today)}`;
  once(place, [shown, word, from, known.cuts.total], () => {
    place.dataset.state = shown;
    place.replaceChildren(make("b", {}, word), make("br"), `${from} · ${known.cuts.total} cuts today`);
  });
}

export function blade(place, known) {
  const b = known.blade;
  once(place, b, () => place.replaceChildren(...(b
    ? [make("b", {}, b.tag), make("br"), `${b.cuts} cuts, ${Math.round(100 * b.share)} % of its limit`]
    : ["Nobody has said which blade sits here."])));
}

export function question(place, { openings, choices, saw, today, when, cleaned }) {
  place.hidden = !openings.length;
  const [opening] = openings;
  once(place, [opening, openings.length, choices], () => {
    if (!opening) { place.replaceChildren(); return; }
    const more = openings.length > 1 ? `, newest of ${openings.length}` : "";
    const blade = (tag) => make("a", { href: `/saw/${saw}/blade?in=${encodeURIComponent(tag)}` }, tag);
    place.replaceChildren(
      make("h2", {}, "Was the blade changed? Which one went in?"),
      make("p", { className: "when" }, `Door open ${when.moment(opening.start, today)} to ${when.zone.minutes(Date.parse(opening.end))}${more}`),
      make("div", { className: "grid" }, ...choices.map(blade), make("a", { href: `/saw/${saw}/blade`, className: "other" }, "another")),
      make("button", { type: "button", className: "wide", onclick: () => cleaned(opening) }, "No change, only cleaned"));
  });
}

export function faults(place, rows, today, when) {
  place.hidden = !rows.length;
  once(place, rows, () => place.querySelector("ul").replaceChildren(...rows.map((row) => make("li", {},
    make("b", {}, row.what_words), row.note ? `: ${row.note}` : "", make("small", {}, `${row.who}, ${when.moment(row.said, today)}`)))));
}

export function whats(place, words, report) {
  once(place, words, () => place.replaceChildren(...Object.entries(words).map(([what, text]) => make("button", { type: "button", onclick: () => report(what) }, text))));
}

export function state(place, { stale, undelivered, refused: [refused], drop, known, when }) {
  const text = refused ? `Not taken: ${refused.refused}`
    : undelivered ? `${undelivered === 1 ? "1 entry is" : `${undelivered} entries are`} kept on this phone and will be delivered when the network is back.`
      : stale && known ? `No network. What you see is from ${when.moment(known.now, when.zone.date(Date.now()))}; what you say is kept.` : "";
  place.hidden = !text;
  place.classList.toggle("bad", Boolean(refused));
  once(place, text, () => place.replaceChildren(make("span", {}, text), ...(refused ? [make("button", { type: "button", onclick: () => drop(refused.body.key) }, "Drop it")] : [])));
}

export function trouble(place, error) {
  place.hidden = false;
  place.textContent = error.message;
  setTimeout(() => { place.hidden = true; }, 20_000);
}
