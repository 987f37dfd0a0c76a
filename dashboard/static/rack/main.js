// The rack: every blade by where it is, what it has cut, and when it must out; the maintenance lead's page.
import { _, decimal, length, locale, ngettext, run } from "../desk/speech.js";
import { ask } from "../desk/ask.js";
import { keepRole } from "../desk/who.js";
import { fields, fillGroups, leftWords, limitWords, placeOf, PLACES, titles, wearWords, whole } from "./words.js";
import { at, trouble } from "../desk/page.js";

const who = keepRole(at("who"));
const NEAR = 0.85; // of the limit: time to think of it
const form = document.querySelector("form.sheet");
let shown = "";

const make = (tag, how = {}, ...inside) => {
  const element = Object.assign(document.createElement(tag), how);
  element.append(...inside);
  return element;
};

function row(blade) {
  const tr = at("row").content.firstElementChild.cloneNode(true);
  const put = (selector, ...inside) => tr.querySelector(selector).replaceChildren(...inside);
  tr.dataset.tag = blade.tag;
  const serves = ["on_saw", "in_rack"].includes(placeOf(blade));
  const overdue = serves && blade.share >= 1;
  tr.classList.toggle("over", overdue);
  tr.classList.toggle("near", serves && blade.share >= NEAR && blade.share < 1);
  tr.classList.toggle("away", !serves);
  const link = tr.querySelector("a");
  link.href = `/blades/${blade.tag}`;
  link.textContent = blade.tag;
  const size = [blade.diameter_mm && length(blade.diameter_mm), blade.teeth && _("{n} teeth", { n: blade.teeth })].filter(Boolean).join(", ");
  put("small", blade.known ? size : _("not described yet"));
  put(".where", blade.saw ? titles()[blade.saw] ?? blade.saw : blade.place === "new" ? _("new") : "");
  tr.querySelector(".rod i").style.width = `${100 * Math.min(1, blade.share)}%`;
  put(".used span", make("b", {}, `${Math.round(100 * blade.share)} %`), ` ${limitWords(blade)} · ${_("about {length}", { length: run(blade.use.metres) })}`);
  const left = leftWords(blade.days_left);
  put(".due", ...(overdue ? [make("b", {}, _("must out"))] : left ? [make("b", {}, left[0]), make("small", {}, _("{range} days", { range: left[1] }))] : []));
  const [word, more] = wearWords(blade.wear);
  put(".wear", make("b", { className: blade.wear.heavier ? "heavier" : "" }, word), make("small", {}, more));
  put(".count", `${blade.sharpenings}`, make("small", {}, blade.sharpenings_limit === null ? "" : blade.last_service ? _("last service") : _("of {n}", { n: blade.sharpenings_limit })));
  return tr;
}

function section(place, blades) {
  const head = make("th", { colSpan: 6 }, `${PLACES[place]} (${blades.length})`);
  if (place === "to_sharpen") head.append(button(_("all sent to the sharpener"), () => all(blades, "sent")));
  if (place === "at_sharpener") {
    const price = make("input", { type: "number", min: 0, step: 0.01, placeholder: _("each for"), ariaLabel: _("price of each sharpening") });
    head.append(button(_("all came back sharp"), () => all(blades, "returned", price.value)), price);
  }
  return make("tbody", {}, make("tr", { className: "head" }, head), ...blades.map(row));
}

const button = (text, onclick) => make("button", { type: "button", onclick }, text);

async function all(blades, kind, price) {
  try {
    for (const blade of blades) {
      await ask(`/api/v1/blades/${blade.tag}/events`, { method: "POST", body: { kind, who: who(), ...(price ? { price: Number(price) } : {}) } });
    }
    trouble(null);
  } catch (error) { trouble(error); }
  load();
}

function stock({ stock: s }) {
  const place = at("stock");
  place.classList.toggle("short", s.needed !== null && s.sharp < s.needed);
  place.querySelector(".figure").replaceChildren(String(s.sharp), ...(s.needed === null ? [] : [make("small", {}, ` ${_("of {n} needed", { n: s.needed })}`)]));
  place.querySelector(".why").textContent = s.shape === null
    ? _("How long blades last is reckoned once five have come out; so far {n}.", { n: s.removals })
    : [
      s.needed === null ? "" : _("With {n} the shop runs out less than once a year.", { n: s.needed }),
      s.mean_days === null
        ? _("A blade lasts {cuts} cuts; one in ten comes out before {early}.", { cuts: whole(s.mean_cuts), early: whole(s.early_cuts) })
        : _("A blade lasts {cuts} cuts, {days} days; one in ten comes out before {early}.", { cuts: whole(s.mean_cuts), days: Math.round(s.mean_days), early: whole(s.early_cuts) }),
      _("Fitted to {n} that came out (Weibull, shape {shape}).", { n: s.removals, shape: s.shape.toLocaleString(locale) }),
      s.turnaround_known ? _("Back sharp after {n} days.", { n: s.turnaround_days.toLocaleString(locale) }) : _("Back sharp after {n} days (setting).", { n: s.turnaround_days.toLocaleString(locale) }),
    ].filter(Boolean).join(" ");
}

function worth({ by_tooth_form: forms, currency }) {
  at("worth").querySelector("tbody").replaceChildren(...Object.entries(forms).map(([form, cost]) => make("tr", {},
    make("td", {}, form === "not said" ? _("not said") : form), make("td", {}, cost.cost_per_metre === null ? _("not enough known") : decimal(100 * cost.cost_per_metre, 2)),
    make("td", {}, cost.cuts_per_service === null ? "" : _("{n} cuts each", { n: whole(cost.cuts_per_service) })))));
  at("worth").querySelector("h2").textContent = _("Worth buying: {currency} cents a metre over a blade’s life, cuts a sharpening", { currency });
}

async function questions() {
  const lines = [];
  for (const [saw, title] of Object.entries(titles())) {
    const { waiting } = await ask(`/api/v1/saws/${saw}/blade`);
    if (waiting.length) lines.push(make("li", {}, make("a", { href: `/saw/${saw}/blade` }, ngettext("{saw}: was the blade changed? 1 opening waits", "{saw}: was the blade changed? {n} openings wait", waiting.length, { saw: title }))));
  }
  at("open").hidden = lines.length === 0;
  at("open").querySelector("ul").replaceChildren(...lines);
}

async function load() {
  try {
    const rack = await ask("/api/v1/blades");
    fillGroups(form, rack.groups);
    const text = JSON.stringify({ ...rack, now: null });
    if (text !== shown && !at("rack").contains(document.activeElement)) {
      shown = text;
      const table = at("rack").querySelector("table");
      for (const body of table.querySelectorAll("tbody")) body.remove();
      for (const place of Object.keys(PLACES)) {
        const blades = rack.blades.filter((b) => placeOf(b) === place).sort((a, b) => b.share - a.share || a.tag.localeCompare(b.tag));
        if (blades.length) table.append(section(place, blades));
      }
      if (!rack.blades.length) table.append(make("tbody", {}, make("tr", {}, make("td", { colSpan: 6 }, _("No blade yet: enter one on the right, then print its label.")))));
    }
    stock(rack);
    const sources = [...new Set(rack.blades.map((b) => b.limits.source))];
    const usual = _("common practice, no source");
    const told = {
      "common practice, no source": usual, "given for this blade": _("given for this blade"),
      "given for this blade; the rest common practice, no source": _("given for this blade; the rest common practice, no source"),
    };
    at("limits").textContent = _("Service limits: {sources}. Metres are estimated at {feed} m/min. Days: median, and the range of eight cases in ten, at this saw’s own pace.", { sources: sources.map((s) => told[s] ?? s).join("; ") || usual, feed: rack.feed_m_min.toLocaleString(locale) });
    worth(await ask("/api/v1/blade-costs"));
    await questions();
    trouble(null);
    document.body.dataset.loaded = "yes";
  } catch (error) { trouble(error); }
}

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  try {
    await ask("/api/v1/blades", { method: "POST", body: { ...fields(form), who: who() } });
    form.reset();
    trouble(null);
    load();
  } catch (error) { trouble(error); }
});
load();
setInterval(load, 30_000);
