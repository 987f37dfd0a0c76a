// Jobs: rows that open, with cautions first, then steps, then the button that says it is done.
import { _ } from "../desk/speech.js";
import { named } from "../desk/who.js";

/** One row. `job` is an occurrence of the API, `task` its task, `saw` what it is called (or ""); `say(job, done, note)` sends the tick. */
export function jobRow(template, job, { task, saw, cautions, today, when, say }) {
  const row = template.content.firstElementChild.cloneNode(true);
  const at = (selector) => row.querySelector(selector);
  row.dataset.verdict = job.verdict;
  row.dataset.task = job.task;
  row.dataset.saw = job.saw;
  row.dataset.occurrence = job.occurrence;
  at(".what b").textContent = [saw, job.title].filter(Boolean).join(": ");
  at(".what small").textContent = `${named(task.role)}, ${task.minutes} min`;
  at(".when").textContent = dueWords(job, today, when);
  at(".cautions").hidden = !task.at_blade;
  at(".cautions ul").replaceChildren(...cautions.map((text) => item(text)));
  at(".steps").replaceChildren(...task.steps.map((text) => item(text)));
  at(".basis").textContent = `${task.when_words} · ${task.basis}`;
  const moment = at(".moment");
  moment.replaceChildren(...choices(job, today, when));
  moment.addEventListener("change", () => { at(".at").hidden = moment.value !== "other"; });
  at(".at").value = when.local(Date.now());
  at(".open").addEventListener("click", () => toggle(row));
  at(".tick").addEventListener("click", () => {
    const done = moment.value === "now" ? null : moment.value === "other" ? when.utc(at(".at").value) : Number(moment.value);
    say(job, done, at(".note").value.trim());
  });
  return row;
}

export function toggle(row, open = row.querySelector(".more").hidden) {
  row.querySelector(".more").hidden = !open;
  row.querySelector(".open").setAttribute("aria-expanded", open);
}

export function roleWord(role) { return named(role); }

function item(text) {
  const li = document.createElement("li");
  li.textContent = text;
  return li;
}

function dueWords(job, today, when) {
  if (!job.due) return _("nearly due");
  const day = when.near(job.day, today);
  if (job.verdict === "overdue") return _("was due {day}", { day });
  if (job.verdict === "missed") return _("missed {day}", { day });
  return job.verdict === "due" ? _("due today") : _("due {day}", { day });
}

/** Now; when work ended on the due day if that is over (for "I did it and forgot to tick"); or another time. */
function choices(job, today, when) {
  const option = (value, text) => Object.assign(document.createElement("option"), { value, textContent: text });
  const past = job.due && Date.parse(job.due) < Date.now();
  const evening = past ? Date.parse(job.work_ends) : null;
  return [
    option("now", _("just now")),
    ...(past ? [option(String(evening), _("{day}, in time", { day: when.near(job.day, today) }))] : []),
    option("other", _("at another time")),
  ];
}
