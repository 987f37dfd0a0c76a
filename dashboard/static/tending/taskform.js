// The form that edits a task or enters one of the shop's own: what, who, and when it is due.
import { _ } from "../desk/speech.js";
import { roleWord } from "./jobs.js";
import { choices, DAYS, PLACES, ruleOf } from "./rule.js";

const ROLES = ["operator", "maintenance", "owner", "installer"];
const FRESH = {
  name: null, title: "", role: "operator", minutes: 10, saws: [], at_blade: false, active: true, check: null, steps: [],
  basis: "", when: { by: "calendar", rule: "FREQ=WEEKLY;BYDAY=FR" },
};
const DEFAULTS = {
  calendar: { rule: "FREQ=WEEKLY;BYDAY=FR", off: "next", lead_days: 0, grace_days: 0, if_used: false },
  use: { measure: "motor_hours", every: 100, warn: 0.9, within_days: 2, grace_days: 5 },
  sign: { within_days: 1, grace_days: 5 },
};

export function element(tag, properties = {}, ...children) {
  const made = Object.assign(document.createElement(tag), properties);
  made.append(...children);
  return made;
}

const field = (label, input, className = "") => element("label", { className }, label, input);
const text = (name, value, more = {}) => element("input", { name, value, ...more });
const number = (name, value, more = {}) => text(name, value, { type: "number", step: "any", min: 0, required: true, ...more });
const tick = (name, checked) => element("input", { name, type: "checkbox", checked });
const select = (name, value, options) => element("select", { name },
  ...Object.entries(options).map(([key, label]) => element("option", { value: key, textContent: label, selected: key === String(value) })));

// A group of fields is shown while its select has the value it is for; what is hidden is not asked for.
function shownBy(chooser, groups) {
  const show = () => {
    for (const [value, group] of Object.entries(groups)) {
      group.hidden = group.disabled = chooser.value !== value;
    }
  };
  chooser.addEventListener("change", show);
  show();
}

function calendarFields(when) {
  const now = { every: 1, days: ["FR"], place: "1", day: "MO", date: 1, rule: when.rule, ...choices(when.rule) };
  const group = (...children) => element("fieldset", { className: "part" }, ...children);
  const often = select("often", now.often, {
    daily: _("every day"), weekly: _("on days of the week"), weekday: _("on a weekday of the month"), date: _("on a date of the month"), other: _("another rule"),
  });
  const every = (name, unit) => field(unit, number(name, now.every, { min: 1, max: 60, step: 1 }));
  const days = element("span", { className: "days", role: "group", ariaLabel: _("days") },
    ...Object.entries(DAYS).map(([key, label]) => element("label", {}, element("input", { type: "checkbox", name: "days", value: key, checked: now.days.includes(key) }), label)));
  const groups = {
    daily: group(),
    weekly: group(every("every_week", _("every so many weeks")), field(_("on"), days, "wide")),
    weekday: group(every("every_month", _("every so many months")), field(_("on the"), select("place", now.place, PLACES)), field(_("weekday"), select("day", now.day, DAYS))),
    date: group(every("every_date", _("every so many months")), field(_("on day"), number("date", now.date, { min: 1, max: 31, step: 1 }))),
    other: group(field(_("recurrence rule of RFC 5545"), text("rule", now.rule, { required: true }), "wide")),
  };
  shownBy(often, groups);
  return [
    field(_("how often"), often, "often"), ...Object.values(groups),
    field(_("on a shut day"), select("off", when.off, { next: _("the next working day"), previous: _("the working day before"), skip: _("not due") })),
    field(_("may be done so many working days before"), number("lead_days", when.lead_days, { max: 60, step: 1 })),
    field(_("overdue so many working days, then missed"), number("grace_days", when.grace_days, { max: 60, step: 1 })),
    field(_("not due where the saw stood still"), tick("if_used", when.if_used)),
  ];
}

function calendarSaid(of, given) {
  const chosen = { often: of.often.value, place: of.place.value, day: of.day.value, date: Number(of.date.value), rule: of.rule.value.trim() };
  chosen.days = [...of.days].filter((box) => box.checked).map((box) => box.value);
  chosen.every = Number({ weekly: of.every_week, weekday: of.every_month, date: of.every_date }[chosen.often]?.value ?? 1);
  if (chosen.often === "weekly" && !chosen.days.length) throw new Error(_("Choose at least one day of the week."));
  const start = given.start ? { start: given.start } : {};
  return { rule: ruleOf(chosen), off: of.off.value, lead_days: Number(of.lead_days.value), grace_days: Number(of.grace_days.value), if_used: of.if_used.checked, ...start };
}

const useFields = (when, known) => [
  field(_("counted in"), select("measure", when.measure, known.measures)),
  field(_("every so many"), number("use_every", when.every, { min: 0.1 })),
  field(_("shown from this share on, %"), number("warn", Math.round(100 * when.warn), { min: 1, max: 100, step: 1 })),
];

const withinFields = (kind, when) => [
  field(_("to be done within so many working days"), number(`${kind}_within`, when.within_days, { max: 60, step: 1 })),
  field(_("overdue so many working days, then missed"), number(`${kind}_grace`, when.grace_days, { max: 60, step: 1 })),
];

const withinSaid = (kind, of) => ({ within_days: Number(of[`${kind}_within`].value), grace_days: Number(of[`${kind}_grace`].value) });

function saidWhen(of, given) {
  switch (of.by.value) {
    case "calendar": return { by: "calendar", ...calendarSaid(of, given) };
    case "use": return { by: "use", measure: of.measure.value, every: Number(of.use_every.value), warn: Number(of.warn.value) / 100, ...withinSaid("use", of) };
    default: return { by: "sign", sign: of.sign.value, ...withinSaid("sign", of) };
  }
}

// The name of a new task in addresses: its title in plain letters, and a number where that one is taken.
export function nameOf(title, taken) {
  const plain = title.normalize("NFD").replace(/\p{M}/gu, "").toLowerCase().replace(/[^a-z0-9]+/g, "-").replace(/^-+|-+$/g, "").slice(0, 56) || "task";
  let name = plain;
  for (let n = 2; taken.has(name); n += 1) name = `${plain}-${n}`;
  return name;
}

// task: one of the answer's, or null: a new one. known: {tasks, saws, measures, signs}. save(name, body): a promise.
export function taskForm(task, known, { who, save, failed }) {
  const given = task ?? FRESH;
  const when = (kind) => ({ ...DEFAULTS[kind], ...(given.when.by === kind ? given.when : {}) });
  const by = select("by", given.when.by, { calendar: _("by the calendar"), use: _("by use"), sign: _("by what the saw shows") });
  const parts = {
    calendar: element("fieldset", { className: "part" }, ...calendarFields(when("calendar"))),
    use: element("fieldset", { className: "part" }, ...useFields(when("use"), known), ...withinFields("use", when("use"))),
    sign: element("fieldset", { className: "part" }, field(_("when"), select("sign", when("sign").sign, known.signs)), ...withinFields("sign", when("sign"))),
  };
  const saws = element("span", { className: "days", role: "group", ariaLabel: _("saws") },
    ...known.saws.map((saw) => element("label", {}, element("input", { type: "checkbox", name: "saws", value: saw.saw, checked: !given.saws.length || given.saws.includes(saw.saw) }), saw.title)));
  const made = element("form", {},
    field(_("title"), text("title", given.title, { required: true, maxLength: 80 })),
    field(_("who"), select("role", given.role, Object.fromEntries(ROLES.map((r) => [r, roleWord(r)])))),
    field(_("minutes"), number("minutes", given.minutes, { min: 1, max: 1440, step: 1 })),
    field(_("saws"), saws),
    field(_("due"), by), ...Object.values(parts),
    field(_("cautions for work at the blade"), tick("at_blade", given.at_blade)),
    field(_("due at all"), tick("active", given.active)),
    field(_("where the interval comes from"), text("basis", given.basis, { maxLength: 200, placeholder: _("page of the machine's manual, or your own experience") }), "wide"),
    field(_("steps, one a line"), element("textarea", { name: "steps", value: given.steps.join("\n"), rows: Math.max(3, given.steps.length), required: true }), "wide"),
    element("button", { className: "main", textContent: _("In force from today") }));
  shownBy(by, parts);
  made.addEventListener("submit", async (event) => {
    event.preventDefault();
    const of = made.elements;
    try {
      const chosen = [...made.querySelectorAll("[name=saws]:checked")].map((box) => box.value);
      if (!chosen.length) throw new Error(_("Choose at least one saw."));
      const body = {
        who: who(), title: of.title.value, role: of.role.value, minutes: Number(of.minutes.value),
        saws: chosen.length === known.saws.length ? [] : chosen, at_blade: of.at_blade.checked, active: of.active.checked,
        basis: of.basis.value, check: given.check, steps: of.steps.value.split("\n").map((s) => s.trim()).filter(Boolean),
        when: saidWhen(of, given.when),
      };
      await save(given.name ?? nameOf(body.title, new Set(known.tasks.map((t) => t.name))), body);
    } catch (error) { failed(error); }
  });
  return made;
}
