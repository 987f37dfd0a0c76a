// The side: the chosen cut with what can be said about it, and the list of cuts on the sheet.
import { _, decimal, ngettext } from "../desk/speech.js";
import { named } from "../desk/who.js";

const EXPLAIN_NO_CUT = _("“No cut” takes it out of every count and ratio, here and on the wall. The trace and the detector’s own finding are kept, deriving again does not bring it back, and it can be undone.");
const EXPLAIN_DRAW = _("Drag over the chart from the cut’s start to its end. A drawn cut counts like a found one, and stays when cuts are derived again.");

function el(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name === "onclick") element.addEventListener("click", value);
    else element.setAttribute(name, value);
  }
  element.append(...children);
  return element;
}

const seconds = (cut) => `${decimal((cut.to - cut.from) / 1000, 1)} s`;
const way = (direction) => ({ vertical: _("vertical"), horizontal: _("horizontal"), unknown: _("unknown") }[direction]);

export class Panel {
  #chosen; #count; #list; #zone; #act;

  /** `act`: {choose(key), noCut(cut), takeBack(cut), keep(band, direction), drop()}. */
  constructor(chosen, count, list, zone, act) {
    this.#chosen = chosen;
    this.#count = count;
    this.#list = list;
    this.#zone = zone;
    this.#act = act;
  }

  /** The list of the cuts in view. */
  list(cuts, chosen) {
    const counted = cuts.filter((c) => c.kind !== "none").length;
    const none = cuts.length - counted;
    this.#count.textContent = [ngettext("1 cut on this sheet", "{n} cuts on this sheet", counted), none && _("{n} marked “no cut”", { n: none })].filter(Boolean).join(", ");
    this.#list.replaceChildren(...cuts.slice(0, 300).map((cut) => {
      const row = el("button", { type: "button", "data-key": cut.key, onclick: () => this.#act.choose(cut.key) },
        el("i", { class: cut.direction, "aria-hidden": "true" }),
        el("span", cut.kind === "none" ? { class: "off" } : {}, this.#zone.seconds(cut.from)),
        el("span", {}, seconds(cut)),
        el("span", {}, cut.kind === "none" ? _("no cut") : cut.kind === "drawn" ? _("drawn") : way(cut.direction)));
      if (cut.key === chosen) row.setAttribute("aria-current", "true");
      return el("li", {}, row);
    }));
    if (cuts.length > 300) this.#list.append(el("li", {}, _("and {n} more: show less time", { n: cuts.length - 300 })));
    this.#list.querySelector("[aria-current]")?.scrollIntoView({ block: "nearest" });
  }

  nothing() {
    this.#chosen.replaceChildren(el("h2", {}, _("Is every cut right?")),
      el("p", {}, _("Choose a cut on the sheet or in the list to see what was measured, and to say if it is none.")),
      el("p", { class: "explain" }, EXPLAIN_NO_CUT));
  }

  cut(cut, running) {
    const rows = [[_("from"), this.#zone.tenths(cut.from)], [_("to"), running ? _("still cutting") : this.#zone.tenths(cut.to)], [_("lasts"), seconds(cut)],
      [_("direction"), way(cut.direction)], [_("current"), _("{mean} A mean, {peak} A peak", { mean: decimal(cut.mean, 1), peak: decimal(cut.peak, 1) })], [_("idle"), `${decimal(cut.idle, 1)} A`]];
    const dl = el("dl", {}, ...rows.flatMap(([name, value]) => [el("dt", {}, name), el("dd", {}, value)]));
    const head = { counted: _("A cut, found by the detector"), drawn: _("A cut, drawn by a person"), none: _("Marked “no cut”") }[cut.kind];
    const said = cut.mark ? [el("p", {}, _("Said by {who}, {time}.", { who: named(cut.mark.who), time: `${this.#zone.long(Date.parse(cut.mark.at))} ${this.#zone.minutes(Date.parse(cut.mark.at))}` }))] : [];
    const act = cut.mark
      ? el("button", { type: "button", id: "take-back", class: "main", onclick: () => this.#act.takeBack(cut) }, cut.kind === "none" ? _("it is a cut after all") : _("take the drawn cut back"))
      : el("button", { type: "button", id: "no-cut", class: "main", ...(running ? { disabled: "" } : {}), onclick: () => this.#act.noCut(cut) }, _("no cut"));
    this.#chosen.replaceChildren(el("h2", {}, head), dl, ...said, el("div", { class: "acts" }, act),
      el("p", { class: "explain" }, cut.kind === "drawn" ? EXPLAIN_DRAW : EXPLAIN_NO_CUT));
  }

  drawing() {
    this.#chosen.replaceChildren(el("h2", {}, _("Draw a missed cut")), el("p", {}, EXPLAIN_DRAW),
      el("div", { class: "acts" }, el("button", { type: "button", onclick: () => this.#act.drop() }, _("cancel"))));
  }

  drawn(band, guess) {
    const choice = (value, text) => el("label", {}, el("input", { type: "radio", name: "direction", value, ...(value === guess ? { checked: "" } : {}) }), text);
    this.#chosen.replaceChildren(el("h2", {}, _("A missed cut")),
      el("dl", {}, el("dt", {}, _("from")), el("dd", {}, this.#zone.tenths(band[0])), el("dt", {}, _("to")), el("dd", {}, this.#zone.tenths(band[1])),
        el("dt", {}, _("lasts")), el("dd", {}, `${decimal((band[1] - band[0]) / 1000, 1)} s`)),
      el("fieldset", {}, el("legend", {}, _("direction")), choice("vertical", way("vertical")), choice("horizontal", way("horizontal")), choice("unknown", _("not known"))),
      el("div", { class: "acts" },
        el("button", { type: "button", id: "keep", class: "main", onclick: () => this.#act.keep(band, this.#chosen.querySelector("input:checked").value) }, _("count this cut")),
        el("button", { type: "button", onclick: () => this.#act.drop() }, _("cancel"))),
      el("p", { class: "explain" }, _("Not quite right? Drag again.")));
  }
}
