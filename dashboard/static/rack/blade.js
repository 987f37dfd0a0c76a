// One blade: what it did, whether it cuts heavier than when fresh, and what people say happened to it.
import { _, decimal, INCH, inches, length } from "../desk/speech.js";
import { ask } from "../desk/ask.js";
import { Zone } from "../desk/days.js";
import { keepRole, named } from "../desk/who.js";
import { drawChart } from "./chart.js";
import { show } from "./measures.js";
import { fields, fillGroups, leftWords, limitWords, PLACES, placeOf, titles, wearWords, WHAT, whole } from "./words.js";
import { at, trouble } from "../desk/page.js";

const { tag } = document.body.dataset;
const zone = new Zone(document.body.dataset.zone);
const who = keepRole(at("who"));
const form = document.querySelector("form.sheet");

const make = (name, how = {}, ...inside) => {
  const element = Object.assign(document.createElement(name), how);
  element.append(...inside);
  return element;
};
const fact = (big, small, call = false) => make("div", { className: call ? "call" : "" }, make("b", {}, big), make("span", {}, small));

/** So small a length needs more decimals than others. */
const advance = (mm) => (inches ? _("{x} in", { x: decimal(mm / INCH, 4) }) : _("{x} mm", { x: decimal(mm, 2) }));

function facts(blade, currency) {
  const left = leftWords(blade.days_left);
  const [word, more] = wearWords(blade.wear);
  const late = blade.share >= 1 && ["on_saw", "in_rack"].includes(blade.place);
  const cost = blade.cost.cost_per_metre;
  at("facts").replaceChildren(
    fact(`${Math.round(100 * blade.share)} %`, _("of its service: {limit}", { limit: limitWords(blade) }), blade.share >= 1),
    fact(late ? _("must out") : left ? left[0] : "–", left && !late ? _("until due, {range}", { range: left[1] }) : _("until due"), late),
    fact(word || "–", more || _("wear"), blade.wear.heavier === true),
    fact(blade.sharpenings_limit === null ? `${blade.sharpenings}` : _("{n} of {all}", { n: blade.sharpenings, all: blade.sharpenings_limit }), blade.last_service ? _("sharpenings: its last service") : _("sharpenings")),
    fact(cost === null ? "–" : _("{n} ct", { n: decimal(100 * cost, 2) }), cost === null ? _("a metre: not enough known") : _("a metre over its life ({currency})", { currency })));
  const saw = blade.saw ? _("on {saw}", { saw: titles()[blade.saw] ?? blade.saw }) : PLACES[placeOf(blade)].toLowerCase();
  const size = [blade.diameter_mm && length(blade.diameter_mm), blade.teeth && _("{n} teeth", { n: blade.teeth }), blade.tooth_form, blade.kerf_mm && _("kerf {length}", { length: length(blade.kerf_mm) }),
    blade.max_rpm && _("at most {n} 1/min", { n: whole(blade.max_rpm) }), blade.cutting_speed_m_s && _("teeth at {n} m/s", { n: decimal(blade.cutting_speed_m_s, 1) }),
    blade.feed_per_tooth_mm && _("{x} a tooth at the usual feed", { x: advance(blade.feed_per_tooth_mm) })].filter(Boolean).join(", ");
  at("what").textContent = `${saw}${blade.since ? ` ${_("since {time}", { time: zone.long(Date.parse(blade.since)) })}` : ""}${size ? ` · ${size}` : ""} · ${_("{n} cuts in its life", { n: whole(blade.total.cuts) })}`;
}

function moments(blade) {
  const events = new Map(blade.events.map((e) => [`${e.at} ${e.kind}`, e.id]));
  at("moments").replaceChildren(...blade.moments.map((m) => {
    const id = events.get(`${m.at} ${m.what}`);
    const where = m.saw ? `, ${titles()[m.saw] ?? m.saw}` : "";
    const fitting = m.what === "in" ? blade.fittings.find((f) => f.start === m.at) : null;
    const more = [fitting && (fitting.end ? _("{n} cuts until it came out", { n: whole(fitting.use.cuts) }) : _("{n} cuts until now", { n: whole(fitting.use.cuts) })), m.price !== null && _("for {price}", { price: decimal(m.price, 2) }), m.note, m.who && named(m.who)].filter(Boolean).join(" · ");
    const line = make("li", {}, make("time", { dateTime: m.at }, `${zone.weekday(Date.parse(m.at))} ${zone.dayMonth(Date.parse(m.at))} ${zone.minutes(Date.parse(m.at))}`), make("span", {}, WHAT[m.what] ?? m.what, where, make("small", {}, more)));
    if (id) line.lastChild.append(make("button", { type: "button", onclick: () => event({ kind: "withdrawn", corrects: id }) }, _("take back")));
    return line;
  }));
  if (!blade.moments.length) at("moments").replaceChildren(make("li", {}, _("Nothing yet.")));
}

function fill(blade) {
  for (const input of form.elements) if (input.name && input.name in blade) show(input, blade[input.name]);
  form.elements.tag.disabled = true;
  const own = blade.limits.source.startsWith("given");
  for (const name of ["cuts", "minutes", "metres"]) show(form.elements[`limit_${name}`], own ? blade.limits[name] : null);
}

async function event(body) {
  try {
    await ask(`/api/v1/blades/${tag}/events`, { method: "POST", body: { who: who(), ...body } });
    await load();
  } catch (error) { trouble(error); }
}

async function chart() {
  const wear = await ask(`/api/v1/blades/${tag}/wear?service=${at("service").value}`);
  at("method").textContent = `${wear.method} ${_("Each point is one cut.")}`;
  drawChart(at("chart"), wear, zone);
}

async function load() {
  try {
    const [blade, rack] = await Promise.all([ask(`/api/v1/blades/${tag}`), ask("/api/v1/blades")]);
    fillGroups(form, rack.groups);
    facts(blade, rack.currency);
    moments(blade);
    if (!at("describe").open) fill(blade);
    const select = at("service");
    const keep = select.value;
    select.replaceChildren(...[...Array(blade.sharpenings + 1).keys()].map((k) => make("option", { value: String(blade.sharpenings - k) }, k === blade.sharpenings ? _("new") : _("after sharpening {n}", { n: blade.sharpenings - k }))));
    // A blade fresh from the sharpener has no chart yet: show the service before.
    if (keep) select.value = keep;
    else if (blade.wear.heavier === null && blade.sharpenings) select.value = String(blade.sharpenings - 1);
    await chart();
    trouble(null);
    document.body.dataset.loaded = "yes";
  } catch (error) { trouble(error); }
}

for (const b of document.querySelectorAll("#does button")) {
  b.addEventListener("click", () => {
    const price = at("price").value;
    event({ kind: b.dataset.kind, ...(b.dataset.kind === "returned" && price ? { price: Number(price) } : {}) });
  });
}
form.addEventListener("submit", async (submitted) => {
  submitted.preventDefault();
  const body = fields(form);
  delete body.tag;
  try {
    await ask(`/api/v1/blades/${tag}`, { method: "PUT", body: { ...body, who: who() } });
    at("describe").open = false;
    await load();
  } catch (error) { trouble(error); }
});
at("service").addEventListener("change", () => chart().catch(trouble));
load();
