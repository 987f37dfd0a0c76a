// The rows of the ledger, one a saw.
import { _ } from "../desk/speech.js";
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
    put(".word", blank ? "NO DATA" : state);
    put(".note", note(saw, state, since, shop));
    put(".age", blank ? "" : `data ${words.lasting(age)} old`);

    const use = saw.utilisation;
    const shown = age === null ? null : use.allocation_efficiency;
    put(".digits", words.percent(shown));
    row.querySelector(".percent").hidden = shown === null;
    row.querySelector(".digits").classList.toggle("none", shown === null);
    put(".use b", blank && since ? `at ${since}` : "in use");
    put(".use-of", shown !== null ? "of planned time" : shop.wall.planned.length ? "no planned time yet" : "no planned time");
    const covered = use.coverage;
    const coverage = put(".coverage", shown === null || covered === null ? "" : `data for ${floorPercent(covered)} %`);
    coverage.classList.toggle("thin", covered !== null && covered < THIN);

    const usual = shown === null || blank ? null : saw.usual;
    put(".usual-use", usual ? _("usually {percent} % by now", { percent: words.percent(usual.allocation_efficiency) }) : "");
    put(".usual-cuts", usual ? _("usually {cuts} by now", { cuts: usual.cuts }) : "");
    drawHours(row.querySelector(".hours"), saw, shop);

    const strip = put(".tending", tending(saw.tending));
    strip.classList.toggle("waits", saw.tending.overdue + saw.tending.alerts > 0);
    strip.classList.toggle("urgent", saw.tending.urgent > 0);

    put(".total", age === null ? "–" : String(saw.cuts.total)).classList.toggle("long", saw.cuts.total > 999);
    put(".cut-word", blank && since ? `cuts at ${since}` : saw.cuts.total === 1 ? "cut today" : "cuts today");
    put(".vertical", String(saw.cuts.vertical));
    put(".horizontal", String(saw.cuts.horizontal));
    put(".unknown", String(saw.cuts.unknown));
    row.querySelector(".unknown-split").hidden = saw.cuts.unknown === 0;
    const { blade } = saw;
    row.querySelector(".blade-split").hidden = !blade;
    if (blade) put(".blade-cuts", `${blade.cuts} by ${blade.tag}`);
    row.querySelector(".blade-split").classList.toggle("over", Boolean(blade) && blade.cuts >= blade.limit);
  }
}

// 99.6 % of the data is not all of it: coverage is never rounded up to 100.
function floorPercent(ratio) { return Math.floor(100 * ratio + 1e-9); }

/** Alerts first, then what is late, then what is to be done; at most two of them, for five metres. */
function tending(of) {
  const count = (n, one, many) => n && `${n} ${n === 1 ? one : many}`;
  const parts = [count(of.alerts, "alert", "alerts"), count(of.overdue, "overdue", "overdue"), count(of.missed, "missed", "missed"), count(of.due, "to do", "to do")];
  return parts.filter(Boolean).slice(0, 2).join(" · ") || (of.tasks ? "maintenance done" : "");
}

function note(saw, state, since, shop) {
  if (state === "OFFLINE") return since ? `since ${since}` : "never heard of";
  if (state === "ERROR") return "signals contradict";
  if (saw.door_closed === false) return "blade door open";
  return `for ${shop.words.lasting(Math.max(0, shop.now() - Date.parse(saw.since)))}`;
}
