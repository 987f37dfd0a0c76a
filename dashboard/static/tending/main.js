// The maintenance page: takes everything at a glance, shows it, and sends what people say.
import { _ } from "../desk/speech.js";
import { named } from "../desk/who.js";
import { ask, iso } from "../desk/ask.js";
import { listFaults } from "./faults.js";
import { jobRow, toggle } from "./jobs.js";
import { keptTable, weekColumns } from "./kept.js";
import { person } from "./person.js";
import { Queue } from "./queue.js";
import { listFeeds, listTasks } from "./tasks.js";
import { When } from "./when.js";
import { yearSheet } from "./year.js";
import { at, trouble } from "../desk/page.js";

const when = new When(document.body.dataset.zone);
const me = person(at("role"), at("name"));
let known = null;
let year = null;

const queue = new Queue({
  waiting(number) {
    at("queued").hidden = number === 0;
    at("queued").textContent = _("{n} not delivered yet; kept on this device and sent as soon as the line is back.", { n: number });
  },
  said() { trouble(null); load(); },
  refused(error) { trouble(error); load(); },
});

function say(job, done, note) {
  const body = { task: job.task, saw: job.saw, occurrence: job.occurrence, who: me.who(), role: me.role(), note };
  if (done !== null) body.done = iso(done);
  queue.add("/api/v1/maintenance/ticks", body);
}

function title(saw) { return known.saws.find((s) => s.saw === saw)?.title ?? saw; }

function glance() {
  const count = (verdict) => known.waiting.filter((job) => job.verdict === verdict).length;
  const sum = (field) => known.saws.reduce((total, saw) => total + saw.recent[field], 0);
  const due = sum("due");
  const figures = [
    [count("overdue"), _("overdue"), _("window still open"), count("overdue") ? "warn" : ""],
    [count("due"), _("due today"), "", ""],
    [count("open"), _("open"), _("due later"), ""],
    [known.missed.length, _("missed"), _("in four weeks"), known.missed.length ? "bad" : ""],
    [due ? `${Math.floor((100 * sum("in_time")) / due)} %` : "–", _("in time"), _("of all due in four weeks"), ""],
  ];
  at("glance").replaceChildren(...figures.map(([figure, word, more, tone]) => {
    const li = Object.assign(document.createElement("li"), { className: tone });
    for (const [tag, text] of [["b", figure], ["span", word], ["small", more]]) {
      li.append(Object.assign(document.createElement(tag), { textContent: text }));
    }
    return li;
  }));
}

function jobs(section, list) {
  const open = new Set([...document.querySelectorAll(`#${section} .job`)].filter((r) => !r.querySelector(".more").hidden).map(keyOf));
  const rows = list.map((job) => jobRow(at("job"), job, {
    task: taskOf(job), saw: title(job.saw), cautions: known.cautions, today: known.today, when, say,
  }));
  rows.filter((row) => open.has(keyOf(row))).forEach((row) => toggle(row, true));
  document.querySelector(`#${section} ul`).replaceChildren(...rows);
  document.querySelector(`#${section} .none`).hidden = list.length > 0;
}

function taskOf(job) { return known.tasks.find((t) => t.name === job.task); }

/** What the person who looks has to do stands first, what others have to do below. */
function todo() {
  jobs("todo", known.waiting);
  const mine = me.role();
  const rows = [...document.querySelectorAll("#todo .job")].filter((row) => taskOf({ task: row.dataset.task }).role !== mine);
  document.querySelector("#todo .others").replaceChildren(...rows);
  at("others-head").hidden = rows.length === 0;
}

function keyOf(row) { return [row.dataset.task, row.dataset.saw, row.dataset.occurrence].join(); }

function doneRows() {
  const rows = known.done.map((job) => {
    const li = document.createElement("li");
    const what = Object.assign(document.createElement("span"), { textContent: `${title(job.saw)}: ${job.title} ` });
    const who = job.tick === null ? _("seen in the current by itself") : `${named(job.who)}${job.note ? `: ${job.note}` : ""}`;
    what.append(Object.assign(document.createElement("small"), { textContent: who }));
    const moment = Object.assign(document.createElement("span"), { textContent: when.moment(job.done, known.today) });
    if (job.verdict === "late") { moment.className = "late"; moment.textContent += `, ${_("late")}`; }
    li.append(what, moment);
    if (job.tick !== null) {
      const button = Object.assign(document.createElement("button"), { textContent: _("correct") });
      button.addEventListener("click", () => correct(li, job));
      li.append(button);
    }
    return li;
  });
  document.querySelector("#done ul").replaceChildren(...rows);
  document.querySelector("#done .none").hidden = rows.length > 0;
}

function correct(li, job) {
  const open = li.querySelector(".correct");
  if (open) return open.remove();
  const box = Object.assign(document.createElement("div"), { className: "say correct" });
  const moment = Object.assign(document.createElement("input"), { type: "datetime-local", value: when.local(Date.parse(job.done)) });
  const note = Object.assign(document.createElement("input"), { className: "note", value: job.note ?? "", placeholder: _("note") });
  const button = (text, fields) => {
    const made = Object.assign(document.createElement("button"), { textContent: text });
    made.addEventListener("click", () => queue.add(`/api/v1/maintenance/ticks/${job.tick}/corrections`, { who: me.who(), role: me.role(), note: note.value.trim(), ...fields() }));
    return made;
  };
  box.append(moment, note, button(_("it was then"), () => ({ done: iso(when.utc(moment.value)) })), button(_("not done after all"), () => ({ withdrawn: true })));
  li.append(box);
}

async function pick(saw, date) {
  const { occurrences } = await ask(`/api/v1/maintenance/occurrences?from=${date}&to=${date}&saw=${saw.saw}`);
  const head = Object.assign(document.createElement("h3"), { textContent: `${saw.title}, ${when.day(date)}` });
  const list = document.createElement("ul");
  for (const job of occurrences) {
    const li = document.createElement("li");
    const said = job.done ? `${when.moment(job.done, known.today)}, ${job.who ? named(job.who) : _("seen in the current")}` : "";
    li.append(Object.assign(document.createElement("span"), { textContent: job.title }), Object.assign(document.createElement("span"), { textContent: [word(job.verdict), said].filter(Boolean).join(" · ") }));
    list.append(li);
  }
  at("day").replaceChildren(head, list);
  at("day").hidden = false;
}

function word(verdict) {
  return {
    done: _("in time"), late: _("late"), missed: _("missed"), overdue: _("overdue"), due: _("due today"), open: _("open"), ahead: _("ahead"),
    stood: _("not needed: the saw stood still"), shut: _("shop shut"),
  }[verdict] ?? verdict;
}

async function years() {
  at("which").textContent = year;
  at("sheets").replaceChildren(...await Promise.all(known.saws.map((saw) => yearSheet(saw, year, (s, d) => pick(s, d).catch(trouble)))));
}

function faults() {
  return listFaults(at("faults"), { me, title, today: known.today, when, changed: () => faults().catch(trouble), failed: trouble });
}

async function load() {
  try {
    known = await ask("/api/v1/maintenance");
    year ??= Number(known.today.slice(0, 4));
    at("manual").textContent = known.manual_first;
    glance();
    todo();
    jobs("missed", known.missed);
    doneRows();
    keptTable(document.querySelector("#kept table"), known.tasks, known.saws);
    weekColumns(at("weeks"), known.saws, when);
    if (!document.querySelector("#tasks form")) {
      listTasks(document.querySelector("#tasks .list"), known, { who: me.who, saved: load, failed: trouble });
    }
    await faults();
    await years();
    document.body.dataset.ready = "yes";
  } catch (error) { trouble(error); }
}

at("role").addEventListener("change", () => { if (known) todo(); });
at("before").addEventListener("click", () => { year -= 1; years().catch(trouble); });
at("after").addEventListener("click", () => { year += 1; years().catch(trouble); });
at("feeds").addEventListener("toggle", () => {
  if (at("feeds").open) listFeeds(document.querySelector("#feeds ul"), { ...me, failed: trouble }).catch(trouble);
});

await load();
const wanted = decodeURIComponent(location.hash.slice(1));
if (wanted === "faults") at("faults").scrollIntoView();
const row = wanted && document.querySelector(`.job[data-task="${CSS.escape(wanted)}"]`);
if (row) { toggle(row, true); row.scrollIntoView(); }
setInterval(() => { if (!document.querySelector(".more:not([hidden]) .note:focus, .correct, #tasks form")) load(); }, 60_000);
