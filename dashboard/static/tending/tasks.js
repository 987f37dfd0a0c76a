// Tasks and their intervals, with the form for each; feeds of due work for people's own calendars.
import { _ } from "../desk/speech.js";
import { ask } from "../desk/ask.js";
import { roleWord } from "./jobs.js";
import { element, taskForm } from "./taskform.js";

// known: the answer of /maintenance.
export function listTasks(list, known, { who, saved, failed }) {
  const save = async (name, body) => {
    await ask(`/api/v1/maintenance/tasks/${name}`, { method: "PUT", body });
    list.replaceChildren();
    saved();
  };
  const opens = (button, row, task) => button.addEventListener("click", () => {
    const open = row.querySelector("form");
    if (open) open.remove();
    else row.append(taskForm(task, known, { who, save, failed }));
  });
  const rows = known.tasks.map((task) => {
    const edit = element("button", { textContent: _("edit") });
    const row = element("div", { className: "task" },
      element("b", { textContent: task.title }),
      element("span", { textContent: task.active ? task.when_words : _("switched off") }),
      element("span", { textContent: roleWord(task.role) }),
      element("span", { textContent: `${task.minutes} min` }),
      element("small", { className: "care", textContent: task.basis }), edit);
    opens(edit, row, task);
    return row;
  });
  const add = element("button", { className: "add", textContent: _("a task of your own") });
  const own = element("div", { className: "task new" }, add);
  opens(add, own, null);
  list.replaceChildren(...rows, own);
}

export async function listFeeds(list, { who, role, failed }) {
  const { feeds } = await ask("/api/v1/feeds");
  list.replaceChildren(...feeds.map((feed) => {
    const address = () => new URL(feed.path, location.href).href;
    const code = element("code", { textContent: address() });
    const copy = element("button", { textContent: _("copy") });
    copy.addEventListener("click", async () => {
      try { await navigator.clipboard.writeText(address()); copy.textContent = _("copied"); } catch { getSelection().selectAllChildren(code); }
    });
    const renew = element("button", { textContent: _("renew") });
    renew.addEventListener("click", async () => {
      try {
        feed.path = (await ask(`/api/v1/feeds/${feed.role}/renewal`, { method: "POST", body: { who: who(), role: role() } })).path;
        code.textContent = address();
      } catch (error) { failed(error); }
    });
    return element("li", {}, element("b", { textContent: roleWord(feed.role) }), code, copy, renew);
  }));
}
