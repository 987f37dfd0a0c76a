// The side: the chosen cut with what can be said about it, and the list of cuts on the sheet.

const EXPLAIN_NO_CUT = "“No cut” takes it out of every count and ratio, here and on the wall. The trace and the detector’s own finding are kept, deriving again does not bring it back, and it can be undone.";
const EXPLAIN_DRAW = "Drag over the chart from the cut’s start to its end. A drawn cut counts like a found one, and stays when cuts are derived again.";

function el(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name === "onclick") element.addEventListener("click", value);
    else element.setAttribute(name, value);
  }
  element.append(...children);
  return element;
}

const seconds = (cut) => `${((cut.to - cut.from) / 1000).toFixed(1)} s`;

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
    this.#count.textContent = `${counted} cut${counted === 1 ? "" : "s"} on this sheet${none ? `, ${none} marked “no cut”` : ""}`;
    this.#list.replaceChildren(...cuts.slice(0, 300).map((cut) => {
      const row = el("button", { type: "button", "data-key": cut.key, onclick: () => this.#act.choose(cut.key) },
        el("i", { class: cut.direction, "aria-hidden": "true" }),
        el("span", cut.kind === "none" ? { class: "off" } : {}, this.#zone.seconds(cut.from)),
        el("span", {}, seconds(cut)),
        el("span", {}, cut.kind === "none" ? "no cut" : cut.kind === "drawn" ? "drawn" : cut.direction));
      if (cut.key === chosen) row.setAttribute("aria-current", "true");
      return el("li", {}, row);
    }));
    if (cuts.length > 300) this.#list.append(el("li", {}, `and ${cuts.length - 300} more: show less time`));
    this.#list.querySelector("[aria-current]")?.scrollIntoView({ block: "nearest" });
  }

  nothing() {
    this.#chosen.replaceChildren(el("h2", {}, "Is every cut right?"),
      el("p", {}, "Choose a cut on the sheet or in the list to see what was measured, and to say if it is none."),
      el("p", { class: "explain" }, EXPLAIN_NO_CUT));
  }

  cut(cut, running) {
    const rows = [["from", this.#zone.tenths(cut.from)], ["to", running ? "still cutting" : this.#zone.tenths(cut.to)], ["lasts", seconds(cut)],
      ["direction", cut.direction], ["current", `${cut.mean.toFixed(1)} A mean, ${cut.peak.toFixed(1)} A peak`], ["idle", `${cut.idle.toFixed(1)} A`]];
    const dl = el("dl", {}, ...rows.flatMap(([name, value]) => [el("dt", {}, name), el("dd", {}, value)]));
    const head = { counted: "A cut, found by the detector", drawn: "A cut, drawn by a person", none: "Marked “no cut”" }[cut.kind];
    const said = cut.mark ? [el("p", {}, `Said by ${cut.mark.who}, ${this.#zone.long(Date.parse(cut.mark.at))} ${this.#zone.minutes(Date.parse(cut.mark.at))}.`)] : [];
    const act = cut.mark
      ? el("button", { type: "button", id: "take-back", class: "main", onclick: () => this.#act.takeBack(cut) }, cut.kind === "none" ? "it is a cut after all" : "take the drawn cut back")
      : el("button", { type: "button", id: "no-cut", class: "main", ...(running ? { disabled: "" } : {}), onclick: () => this.#act.noCut(cut) }, "no cut");
    this.#chosen.replaceChildren(el("h2", {}, head), dl, ...said, el("div", { class: "acts" }, act),
      el("p", { class: "explain" }, cut.kind === "drawn" ? EXPLAIN_DRAW : EXPLAIN_NO_CUT));
  }

  drawing() {
    this.#chosen.replaceChildren(el("h2", {}, "Draw a missed cut"), el("p", {}, EXPLAIN_DRAW),
      el("div", { class: "acts" }, el("button", { type: "button", onclick: () => this.#act.drop() }, "cancel")));
  }

  drawn(band, guess) {
    const choice = (value, text) => el("label", {}, el("input", { type: "radio", name: "direction", value, ...(value === guess ? { checked: "" } : {}) }), text);
    this.#chosen.replaceChildren(el("h2", {}, "A missed cut"),
      el("dl", {}, el("dt", {}, "from"), el("dd", {}, this.#zone.tenths(band[0])), el("dt", {}, "to"), el("dd", {}, this.#zone.tenths(band[1])),
        el("dt", {}, "lasts"), el("dd", {}, `${((band[1] - band[0]) / 1000).toFixed(1)} s`)),
      el("fieldset", {}, el("legend", {}, "direction"), choice("vertical", "vertical"), choice("horizontal", "horizontal"), choice("unknown", "not known")),
      el("div", { class: "acts" },
        el("button", { type: "button", id: "keep", class: "main", onclick: () => this.#act.keep(band, this.#chosen.querySelector("input:checked").value) }, "count this cut"),
        el("button", { type: "button", onclick: () => this.#act.drop() }, "cancel")),
      el("p", { class: "explain" }, "Not quite right? Drag again."));
  }
}
