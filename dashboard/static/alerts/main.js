// The alerts page: what stands, with acknowledging and shelving, and what was.
import { _ } from "../desk/speech.js";
import { named } from "../desk/who.js";
import { ask, iso } from "../desk/ask.js";
import { person } from "../tending/person.js";
import { When } from "../tending/when.js";
import { at, trouble } from "../desk/page.js";

const when = new When(document.body.dataset.zone);
const me = person(at("role"), at("name"));
const STALE = 120_000; // ms after which the rules count as not looking
let older = null;

const today = () => when.zone.date(Date.now());

function stand(alert) {
    switch (alert.state) {
    case "unacknowledged": return alert.escalated ? _("nobody has acknowledged; passed on") : _("not acknowledged");
    case "acknowledged": return alert.who ? _("acknowledged by {who}, still so", { who: named(alert.who) }) : _("acknowledged, still so");
    case "returned": return _("back to normal, not acknowledged");
    case "shelved": return _("on the shelf until {time}", { time: when.moment(alert.shelved_until, today()) });
    default: return alert.who ? _("over, acknowledged by {who}", { who: named(alert.who) }) : _("over");
  }
}

function since(alert) {
  const parts = [_("since {time}", { time: when.moment(alert.raised, today()) })];
  if (alert.count > 1) parts.push(alert.newest === alert.raised ? _("{n} times", { n: alert.count }) : _("{n} times, again {time}", { n: alert.count, time: when.moment(alert.newest, today()) }));
  if (alert.returned) parts.push(_("over since {time}", { time: when.moment(alert.returned, today()) }));
  if (alert.measured) parts.push(alert.measured);
  return parts.join(" · ");
}

async function act(path, method, fields = {}) {
  try {
    await ask(path, { method, body: { who: me.who(), role: me.role(), ...fields } });
    trouble(null);
  } catch (error) { trouble(error); }
  load();
}

function card(alert) {
  const li = at("alert").content.firstElementChild.cloneNode(true);
  const part = (selector) => li.querySelector(selector);
  Object.assign(li.dataset, { id: alert.id, priority: alert.priority, state: alert.state, kind: alert.kind });
  part(".stand").textContent = stand(alert);
  part("h3").textContent = alert.headline;
  part(".since").textContent = since(alert);
  part(".do").textContent = alert.to_do;
  part(".go").href = alert.page;
  part(".go").hidden = alert.page === "/alerts";
  const path = `/api/v1/alerts/${alert.id}`;
  part(".know").hidden = !["unacknowledged", "returned"].includes(alert.state);
  part(".know").addEventListener("click", () => act(`${path}/acknowledgement`, "POST"));
  part(".quiet").hidden = alert.state === "shelved";
  part(".quiet select").addEventListener("change", (event) => {
    if (event.target.value) act(`${path}/shelf`, "PUT", { until: iso(Date.now() + Number(event.target.value) * 3_600_000) });
  });
  part(".back").hidden = alert.state !== "shelved";
  part(".back").addEventListener("click", () => act(`${path}/unshelving`, "POST"));
  return li;
}

function logRow(alert) {
  const li = document.createElement("li");
  const what = Object.assign(document.createElement("span"), { textContent: alert.headline });
  const times = Object.assign(document.createElement("small"), { textContent: ` ${stand(alert)}` });
  what.append(document.createElement("br"), times);
  li.append(what, Object.assign(document.createElement("span"), { textContent: when.moment(alert.raised, today()) + (alert.count > 1 ? ` · ${alert.count}×` : "") }));
  return li;
}

function messageRow(message) {
  const li = document.createElement("li");
  const state = message.sent ? _("arrived {time}", { time: when.moment(message.sent, today()) }) : message.given_up ? _("given up") : _("waits, tried {n} times", { n: message.tries });
  const what = Object.assign(document.createElement("span"), { textContent: `${message.channel}: ${message.reason}${message.alert ? ` (${_("alert {n}", { n: message.alert })})` : ""}` });
  if (message.error) what.append(document.createElement("br"), Object.assign(document.createElement("small"), { textContent: message.error }));
  li.append(what, Object.assign(document.createElement("span"), { className: message.sent ? "" : "failed", textContent: state }));
  return li;
}

function fill(section, rows) {
  document.querySelector(`#${section} ul`).replaceChildren(...rows);
  document.querySelector(`#${section} .none`).hidden = rows.length > 0;
}

async function load() {
  try {
    const known = await ask("/api/v1/alerts?limit=30");
    fill("standing", known.standing.map(card));
    fill("log", known.history.filter((a) => a.state === "normal").map(logRow));
    fill("messages", known.messages.map(messageRow));
    older = known.next;
    at("older").hidden = older === null;
    const stale = known.looked === null || Date.parse(known.now) - Date.parse(known.looked) > STALE;
    at("looked").classList.toggle("stale", stale);
    at("looked").textContent = known.looked === null
      ? _("The rules have never looked: start `kerfbook run` or `kerfbook alerts`.")
      : stale ? _("The rules last looked {time}: they do not run, and nobody is told of anything.", { time: when.moment(known.looked, today()) })
        : _("The rules last looked {time}.", { time: when.moment(known.looked, today()) });
    document.body.dataset.ready = "yes";
  } catch (error) { trouble(error); }
}

at("older").addEventListener("click", async () => {
  try {
    const page = await ask(`/api/v1/alerts?limit=50&cursor=${older}`);
    document.querySelector("#log ul").append(...page.history.filter((a) => a.state === "normal").map(logRow));
    older = page.next;
    at("older").hidden = older === null;
  } catch (error) { trouble(error); }
});

await load();
setInterval(() => { if (document.activeElement?.tagName !== "SELECT") load(); }, 10_000);
