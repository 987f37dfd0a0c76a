// The start page: every saw at a glance, asked again while somebody looks.
import { _, decimal, ngettext } from "../desk/speech.js";
import { ask } from "../desk/ask.js";
import { doing } from "../desk/states.js";
import { When } from "../tending/when.js";
import { at, make } from "../desk/page.js";

const POLL = 15_000;
let when = null;

const big = (text, ...small) => [make("b", {}, text), ...small.filter(Boolean).map((s) => make("small", {}, s))];

function now(saw, today) {
  const state = make("span", { className: "doing" }, doing(saw.state, saw.mode));
  state.dataset.state = saw.state;
  return [state, make("small", {}, _("since {time}", { time: when.moment(saw.state === "OFFLINE" ? saw.last_reading : saw.since, today) }))];
}

function used({ allocation_efficiency: share, coverage, planned_seconds: planned }) {
  if (!planned) return big("–", _("no work planned today"));
  if (share === null) return big("–", _("no data"));
  return big(`${decimal(100 * share)} %`, _("data for {percent} %", { percent: decimal(Math.floor(100 * coverage)) }));
}

function blade(found) {
  if (!found) return big("–", _("Nobody has said which blade sits here."));
  return big(found.tag, found.limit ? _("{n} of {limit} cuts", { n: decimal(found.cuts), limit: decimal(found.limit) }) : ngettext("1 cut", "{n} cuts", found.cuts));
}

function todo({ overdue, due, missed, alerts }) {
  const lines = [
    alerts ? make("a", { href: "/alerts", className: "call" }, `▲ ${ngettext("1 alert", "{n} alerts", alerts)}`) : null,
    overdue ? make("a", { href: "/maintenance" }, ngettext("1 overdue", "{n} overdue", overdue)) : null,
    due ? make("a", { href: "/maintenance" }, ngettext("1 due", "{n} due", due)) : null,
    missed ? make("a", { href: "/maintenance" }, ngettext("1 missed in a week", "{n} missed in a week", missed)) : null,
  ].filter(Boolean);
  return lines.length ? lines : [make("small", {}, _("nothing"))];
}

function row(saw, today) {
  const cells = document.querySelector(`tr[data-saw="${saw.saw}"]`).cells;
  if (!saw.last_reading) return;
  const put = (place, inside) => cells[place].replaceChildren(...inside);
  put(1, now(saw, today));
  put(2, used(saw.utilisation));
  put(3, big(decimal(saw.cuts.total), _("{vertical} vertical, {horizontal} horizontal", { vertical: decimal(saw.cuts.vertical), horizontal: decimal(saw.cuts.horizontal) })));
  put(4, blade(saw.blade));
  put(5, todo(saw.tending));
}

async function load() {
  try {
    const wall = await ask("/api/v1/wall", { signal: AbortSignal.timeout(10_000) });
    when ??= new When(wall.zone);
    for (const saw of wall.saws) row(saw, wall.day);
    at("trouble").hidden = true;
  } catch (error) {
    at("trouble").hidden = false;
    at("trouble").textContent = error.message;
  }
  document.body.dataset.ready = "yes";
}

document.addEventListener("visibilitychange", () => { if (!document.hidden) load(); });
load();
setInterval(() => { if (!document.hidden) load(); }, POLL);
