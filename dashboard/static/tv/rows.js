// The rows of the ledger, one a saw.
import { _, ngettext } from "../desk/speech.js";
import { drawHours } from "./hours.js";

const THIN = 0.95; // coverage below which the number is marked as resting on thin data

export class Rows {
  #main; #card; #rows = new Map();

  constructor(main, card) {
    this.#main = main;
    this.#card = card;
  }

  /** The element that holds a saw's ribbon. */
  ribbon(name) { return this.#rows.get(name)?.querySelector(".ribbon"); }

  /** Left edge and width of the ribbons, in CSS pixels from the left of the rule's parent. */
  ribbonBox() {
    const ribbon = this.#main.querySelector(".ribbon");
    if (!ribbon) return null;
    const [a, b] = [ribbon.getBoundingClientRect(), this.#main.getBoundingClientRect()];
    return { left: a.left - b.left, width: a.width };
  }

  paint(shop) {
    this.#lay(shop.wall.saws);
    for (const saw of shop.wall.saws) this.#paintOne(this.#rows.get(saw.saw), saw, shop);
  }

  #lay(saws) {
    const names = saws.map((saw) => saw.saw).join();
    if (this.#main.dataset.names === names) return;
    this.#main.dataset.names = names;
    this.#main.dataset.count = saws.length;
    this.#main.dataset.rows = saws.length > 3 ? "tight" : "tall";
    this.#rows.clear();
    this.#main.replaceChildren(...saws.map((saw) => {
      const row = this.#card.content.firstElementChild.cloneNode(true);
      row.dataset.saw = saw.saw;
      this.#rows.set(saw.saw, row);
      return row;
    }));
  }

  #paintOne(row, saw, shop) {
    const state = shop.state(saw);
    const age = shop.age(saw);
    const { words } = shop;
    const blank = state === "OFFLINE";
    const since = age === null ? null : words.moment(Date.parse(saw.last_reading), shop.now());
    const put = (selector, text) => {
      const element = row.querySelector(selector);
      if (element.textContent !== text) element.textContent = text;
      return element;
    };

    row.dataset.state = state;
    row.dataset.door = !blank && saw.door_closed === false ? "open" : "";
    put(".name", saw.title);
    put(".word", stateWord(state));
    put(".note", note(saw, state, since, shop));
    put(".age", blank ? "" : _("data {age} old", { age: words.lasting(age) }));

    const use = saw.utilisation;
    const shown = age === null ? null : use.allocation_efficiency;
    put(".digits", words.percent(shown));
    row.querySelector(".percent").hidden = shown === null;
    row.querySelector(".digits").classList.toggle("none", shown === null);
    put(".use b", blank && since ? _("at {time}", { time: since }) : _("in use"));
    put(".use-of", shown !== null ? _("of planned time") : shop.wall.planned.length ? _("no planned time yet") : _("no planned time"));
    const covered = use.coverage;
    const coverage = put(".coverage", shown === null || covered === null ? "" : _("data for {percent} %", { percent: floorPercent(covered) }));
    coverage.classList.toggle("thin", covered !== null && covered < THIN);

    const usual = shown === null || blank ? null : saw.usual;
    put(".usual-use", usual ? _("usually {percent} % by now", { percent: words.percent(usual.allocation_efficiency) }) : "");
    put(".usual-cuts", usual ? _("usually {cuts} by now", { cuts: usual.cuts }) : "");
    drawHours(row.querySelector(".hours"), saw, shop);

    const strip = put(".tending", tending(saw.tending));
    strip.classList.toggle("waits", saw.tending.overdue + saw.tending.alerts > 0);
    strip.classList.toggle("urgent", saw.tending.urgent > 0);

    put(".total", age === null ? "–" : String(saw.cuts.total)).classList.toggle("long", saw.cuts.total > 999);
    put(".cut-word", blank && since ? _("cuts at {time}", { time: since }) : saw.cuts.total === 1 ? _("cut today") : _("cuts today"));
    put(".vertical", String(saw.cuts.vertical));
    put(".horizontal", String(saw.cuts.horizontal));
    put(".unknown", String(saw.cuts.unknown));
    row.querySelector(".unknown-split").hidden = saw.cuts.unknown === 0;
    const { blade } = saw;
    row.querySelector(".blade-split").hidden = !blade;
    if (blade) put(".blade-cuts", _("{n} by {tag}", { n: blade.cuts, tag: blade.tag }));
    row.querySelector(".blade-split").classList.toggle("over", Boolean(blade) && blade.cuts >= blade.limit);
  }
}

function stateWord(state) {
  return { WORKING: _("WORKING"), READY: _("READY"), STANDBY: _("STANDBY"), ERROR: _("ERROR"), OFFLINE: _("NO DATA") }[state];
}

// 99.6 % of the data is not all of it: coverage is never rounded up to 100.
function floorPercent(ratio) { return Math.floor(100 * ratio + 1e-9); }

/** Alerts first, then what is late, then what is to be done; at most two of them, for five metres. */
function tending(of) {
  const parts = [
    of.alerts && ngettext("1 alert", "{n} alerts", of.alerts), of.overdue && ngettext("1 overdue", "{n} overdue", of.overdue),
    of.missed && ngettext("1 missed", "{n} missed", of.missed), of.due && _("{n} to do", { n: of.due }),
  ];
  return parts.filter(Boolean).slice(0, 2).join(" · ") || (of.tasks ? _("maintenance done") : "");
}

function note(saw, state, since, shop) {
  if (state === "OFFLINE") return since ? _("since {time}", { time: since }) : _("never heard of");
  if (state === "ERROR") return _("signals contradict");
  if (saw.door_closed === false) return _("blade door open");
  return _("for {time}", { time: shop.words.lasting(Math.max(0, shop.now() - Date.parse(saw.since))) });
}
