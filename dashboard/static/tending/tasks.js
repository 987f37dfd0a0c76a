// Tasks and their intervals, and the form that edits one; feeds of due work for people's own calendars.
import { ask } from "../desk/ask.js";
import { roleWord } from "./jobs.js";

function element(tag, properties = {}, ...children) {
  const made = Object.assign(document.createElement(tag), properties);
  made.append(...children);
  return made;
}

export function listTasks(list, tasks, saws, { who, saved, failed }) {
  list.replaceChildren(...tasks.map((task) => {
    const edit = element("button", { textContent: "edit" });
    const row = element("div", { className: "task" },
      element("b", { textContent: task.title }),
      element("span", { textContent: task.active ? task.when_words : "switched off" }),
      element("span", { textContent: roleWord(task.role) }),
      element("span", { textContent: `${task.minutes} min` }),
      element("small", { className: "care", textContent: task.basis }), edit);
    edit.addEventListener("click", () => {
      const open = row.querySelector("form");
      if (open) open.remove();
      else row.append(form(task, saws, { who, saved, failed }));
    });
    return row;
  }));
}

function form(task, saws, { who, saved, failed }) {
  const field = (label, input, wide = false) => element("label", { className: wide ? "wide" : "", textContent: label }, input);
  const input = (name, value, more = {}) => element("input", { name, value, ...more });
  const when = { ...task.when };
  const rules = Object.entries(when).filter(([name]) => name !== "by" && name !== "start");
  const names = { rule: "how often (RFC 5545 rule)", off: "on a shut day", lead_days: "open so many working days before", grace_days: "overdue for so many working days", every: `every so many`, measure: "counted in", warn: "show from this share on", within_days: "due within working days", sign: "sign", if_used: "not on days the saw stood still" };
  const made = element("form", {},
    field("title", input("title", task.title, { required: true, maxLength: 80 })),
    field("who", element("select", { name: "role" }, ...["operator", "maintenance", "owner", "installer"].map((r) => element("option", { value: r, textContent: roleWord(r), selected: r === task.role })))),
    field("minutes", input("minutes", task.minutes, { type: "number", min: 1, max: 1440 })),
    field("saws (empty: all)", input("saws", task.saws.join(" "), { placeholder: saws.map((s) => s.saw).join(" ") })),
    ...rules.map(([name, value]) => field(names[name] ?? name, typeof value === "boolean" ? input(name, "", { type: "checkbox", checked: value }) : input(name, value, typeof value === "number" ? { type: "number", step: "any", min: 0 } : {}))),
    field("cautions for work at the blade", input("at_blade", "", { type: "checkbox", checked: task.at_blade })),
    field("due at all", input("active", "", { type: "checkbox", checked: task.active })),
    field("where the interval comes from", input("basis", task.basis, { maxLength: 200 }), true),
    field("steps, one a line", element("textarea", { name: "steps", value: task.steps.join("\n") }), true),
    element("button", { className: "main", textContent: "In force from today" }));
  made.addEventListener("submit", async (event) => {
    event.preventDefault();
    const of = made.elements;
    for (const [name, value] of rules) {
      when[name] = typeof value === "boolean" ? of[name].checked : typeof value === "number" ? Number(of[name].value) : of[name].value;
    }
    const body = {
      who: who(), title: of.title.value, role: of.role.value, minutes: Number(of.minutes.value), saws: of.saws.value.split(/[\s,]+/).filter(Boolean),
      at_blade: of.at_blade.checked, active: of.active.checked, basis: of.basis.value, check: task.check,
      steps: of.steps.value.split("\n").map((s) => s.trim()).filter(Boolean), when,
    };
    try {
      await ask(`/api/v1/maintenance/tasks/${task.name}`, { method: "PUT", body });
      saved();
    } catch (error) { failed(error); }
  });
  return made;
}

export async function listFeeds(list, { who, role, failed }) {
  const { feeds } = await ask("/api/v1/feeds");
  list.replaceChildren(...feeds.map((feed) => {
    const address = () => new URL(feed.path, location.href).href;
    const code = element("code", { textContent: address() });
    const copy = element("button", { textContent: "copy" });
    copy.addEventListener("click", async () => {
      try { await navigator.clipboard.writeText(address()); copy.textContent = "copied"; } catch { getSelection().selectAllChildren(code); }
    });
    const renew = element("button", { textContent: "renew" });
    renew.addEventListener("click", async () => {
      try {
        feed.path = (await ask(`/api/v1/feeds/${feed.role}/renewal`, { method: "POST", body: { who: who(), role: role() } })).path;
        code.textContent = address();
      } catch (error) { failed(error); }
    });
    return element("li", {}, element("b", { textContent: roleWord(feed.role) }), code, copy, renew);
  }));
}
