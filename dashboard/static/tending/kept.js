// How well each task is kept, and how well the weeks were.
import { _, decimal } from "../desk/speech.js";

function element(tag, text, name = "") {
  return Object.assign(document.createElement(tag), { textContent: text, className: name });
}

/** A row a task, a column a saw: in time of due, and what is missing. */
export function keptTable(table, tasks, saws) {
  const head = document.createElement("tr");
  head.append(element("th", ""), ...saws.map((saw) => element("th", saw.title)));
  const rows = tasks.filter((task) => task.active).map((task) => {
    const row = document.createElement("tr");
    const cells = saws.map((saw) => {
      const of = saw.tasks.find((t) => t.task === task.name);
      return of ? cell(of, task) : element("td", "");
    });
    row.append(element("th", task.title), ...cells);
    return row;
  });
  table.tHead.replaceChildren(head);
  table.tBodies[0].replaceChildren(...rows);
}

function cell(of, task) {
  const t = of.recent;
  const td = element("td", t.due ? _("{n} of {all}", { n: t.in_time, all: t.due }) : _("nothing due"), t.due ? "" : "empty");
  const missing = [t.late && _("{n} late", { n: t.late }), t.overdue && _("{n} overdue", { n: t.overdue }), t.missed && _("{n} missed", { n: t.missed })].filter(Boolean);
  if (missing.length) td.append(" ", element("small", missing.join(", "), t.missed ? "bad" : "warn"));
  if (of.used !== null) td.append(" ", element("small", _("{n} of {all} {measure} used", { n: decimal(of.used), all: decimal(task.when.every), measure: measureWord(task.when.measure) })));
  return td;
}

/** Measures of use, as the API names them. */
function measureWord(measure) {
  return { motor_hours: _("motor hours"), cuts: _("cuts"), cutting_minutes: _("cutting minutes") }[measure] ?? measure.replace("_", " ");
}

/** Each saw's weeks as short columns: the full height is all that was due, the filled part what was done in time. */
export function weekColumns(box, saws, when) {
  box.replaceChildren(...saws.map((saw) => {
    const row = element("div", "", "weeks");
    row.append(element("b", saw.title), ...saw.weeks.map((week) => {
      const column = element("span", "", "week");
      const share = week.compliance === null ? null : Math.round(20 * week.compliance);
      column.append(element("i", "", share === null ? "nothing" : `s${share}`), element("em", week.due ? `${week.in_time}/${week.due}` : "–"), element("small", when.short(week.week)));
      column.title = _("week of {day}: {n} of {all} in time", { day: when.day(week.week), n: week.in_time, all: week.due });
      return column;
    }));
    return row;
  }));
}
