// What the phone page shows, made from what it knows.

const make = (tag, how = {}, ...inside) => {
  const element = Object.assign(document.createElement(tag), how);
  element.append(...inside.filter((x) => x !== null && x !== undefined));
  return element;
};
const button = (how, ...inside) => make("button", { type: "button", ...how }, ...inside);

const FATES = [["sharpen", "Sharpen", "it is dull"], ["keep", "Keep", "back into the rack"], ["scrap", "Scrap", "never again"]];
const SHOWN = 6;

/** 09:42 today, Tue 09:42 within a week, 3 Mar 09:42 before. */
export function moment(iso, now, zone) {
  const [t, n] = [Date.parse(iso), Date.parse(now)];
  if (zone.date(t) === zone.date(n)) return zone.minutes(t);
  const words = zone.long(t).split(/[ ,]+/); // Mon, 2 March 2026
  return n - t < 6 * 86_400_000 ? `${words[0]} ${zone.minutes(t)}` : `${words[1]} ${words[2].slice(0, 3)} ${zone.minutes(t)}`;
}

export function top(place, sits, shop, zone) {
  if (!sits) { place.replaceChildren("Nobody has said", make("br"), "which blade sits here."); return; }
  if (sits.kept) { place.replaceChildren(make("b", {}, sits.tag), make("br"), "as said on this phone"); return; }
  const share = `${Math.round(100 * sits.share)} % of its limit`;
  place.replaceChildren(make("b", {}, sits.tag), ` since ${moment(sits.since, shop.now, zone)}`, make("br"),
    `${sits.cuts} cuts, ${share}${sits.heavier ? ", heavier than fresh" : ""}`);
}

export function state(place, queue, stale, shop, zone) {
  const [refused] = queue.refused;
  const kept = queue.waiting.length;
  place.hidden = !refused && !kept && !stale;
  place.classList.toggle("bad", Boolean(refused));
  if (refused) {
    place.replaceChildren(make("span", {}, `Not taken: ${refused.refused}`), button({ onclick: () => queue.drop(refused.body.key) }, "Drop it"));
  } else if (kept) {
    place.replaceChildren(make("span", {}, `${kept === 1 ? "1 answer is" : `${kept} answers are`} kept on this phone and will be delivered when the network is back.`));
  } else if (stale) {
    place.replaceChildren(make("span", {}, `No network. What you see is from ${moment(shop.now, new Date().toISOString(), zone)}; answers are kept.`));
  }
}

export function ask(place, known, doing) {
  const { step, asked } = known;
  if (step.name === "fate") place.replaceChildren(...fate(known, doing));
  else if (step.name === "done") place.replaceChildren(...done(known, doing));
  else if (step.free || asked.length) place.replaceChildren(...which(known, doing));
  else place.replaceChildren(make("h2", {}, "No question waits."), make("p", { className: "when" }, "When the blade door was open for a while with the motor off, the question comes here."));
}

function which({ step, shop, zone, asked, when, sits }, doing) {
  const opening = asked[0];
  const head = step.corrects ? [make("h2", {}, "Say it anew: which blade went in?"), make("p", { className: "when" }, `Said before: ${words(step.was)}, ${moment(step.was.at, shop.now, zone)}.`)]
    : step.free ? [make("h2", {}, "Which blade went in, and when?")]
      : [make("h2", {}, "Which blade went in?"), make("p", { className: "when" }, make("b", {}, `Door open ${moment(opening.start, shop.now, zone)} to ${zone.minutes(Date.parse(opening.end))}`), asked.length > 1 ? `, newest of ${asked.length}` : "")];
  const ms = Date.parse(when);
  const time = step.free && make("label", { className: "field" }, "It happened on", make("input", {
    type: "datetime-local", value: new Date(ms + zone.offset(ms)).toISOString().slice(0, 16), onchange: (event) => doing.time(event.target.value),
  }));
  const sharp = step.all || step.corrects ? shop.choices : shop.choices.filter((c) => c.sharp && !c.warning);
  const extra = step.corrects && sits ? [{ tag: sits.tag, sharp: true, share: sits.share, sharpenings: 0 }] : [];
  const shown = [...extra, ...sharp].slice(0, step.all || step.corrects ? 99 : SHOWN);
  const grid = make("div", { className: "grid" }, ...shown.map((c) => button(
    { className: c.warning ? "warn" : "", onclick: () => doing.pick(c.tag) }, make("b", {}, c.tag), make("small", {}, c.warning ?? wornWords(c)))));
  const others = shop.choices.length > shown.length && button({ className: "plain", onclick: doing.more }, "another blade, or scan its label with the camera");
  const nobody = button({ className: "plain", onclick: () => doing.pick(null) }, "a blade that nobody knows");
  const clean = step.free && !step.corrects ? null : button({ className: "wide", onclick: doing.cleaned }, "No change, I only cleaned");
  const back = step.free && button({ className: "plain", onclick: doing.back }, "back");
  const withdraw = step.corrects && button({ className: "plain", onclick: doing.withdraw }, "take it back, it never happened");
  return [...head, time, grid, others, step.all || step.free ? nobody : null, withdraw, clean, back].filter(Boolean);
}

const wornWords = (c) => (c.share < 0.005 ? "sharp" : `${Math.round(100 * c.share)} % used`);

function fate({ step, sits, shop, zone, when }, doing) {
  const out = step.corrects ? "the one that came out" : sits.tag;
  const warned = shop.choices.find((c) => c.tag === step.tag)?.warning;
  return [
    make("h2", {}, `${step.tag ?? "An unknown blade"} goes in, ${moment(when, shop.now, zone)}.`),
    warned ? make("p", { className: "when" }, make("b", {}, `Mind: ${step.tag} ${warned}.`)) : null,
    make("h2", {}, `What happens with ${out}?`),
    make("div", { className: "grid" }, ...FATES.map(([key, name, more]) => button({ onclick: () => doing.fate(key), id: `fate-${key}` }, make("b", {}, name), make("small", {}, more)))),
    button({ className: "plain", onclick: doing.back }, "back"),
  ].filter(Boolean);
}

function done({ asked }, doing) {
  return [
    make("h2", {}, "Thank you. It is written down."),
    asked.length ? button({ className: "wide", onclick: doing.next }, `${asked.length} more ${asked.length === 1 ? "opening waits" : "openings wait"}`) : null,
    make("p", { className: "when" }, "Wrong? Correct it below: the cuts move to the right blade."),
  ].filter(Boolean);
}

export const words = (said) => said.kind === "cleaned" ? "only cleaned"
  : `${said.tag ?? "unknown blade"} in${said.fate ? `, the other ${{ sharpen: "to sharpen", keep: "kept", scrap: "scrapped" }[said.fate]}` : ""}`;

export function past(place, shop, zone, doing) {
  place.replaceChildren(...shop.said.slice(0, 6).map((said) => make("li", {},
    make("span", {}, make("b", {}, moment(said.at, shop.now, zone)), ` ${words(said)} (${said.who})`),
    button({ onclick: () => doing.correct(said) }, "correct"))));
}
