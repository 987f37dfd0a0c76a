// Drawing a cut: a pad over the chart on which a drag makes a band, for mouse, pen and finger.

export class Pad {
  #pad; #band; #area; #from = null;

  /** `area()` gives {left, width, top, height, time(px), px(ms)} of the chart; `then([from, to])` takes a drawn band. */
  constructor(pad, band, area, then) {
    this.#pad = pad;
    this.#band = band;
    this.#area = area;
    pad.addEventListener("pointerdown", (event) => {
      pad.setPointerCapture(event.pointerId);
      this.#from = event.clientX;
      this.#show(event.clientX);
    });
    pad.addEventListener("pointermove", (event) => { if (this.#from !== null) this.#show(event.clientX); });
    pad.addEventListener("pointerup", (event) => {
      if (this.#from === null) return;
      const ends = [this.#from, event.clientX].map((x) => this.#time(x)).sort((a, b) => a - b);
      this.#from = null;
      then(ends);
    });
    pad.addEventListener("pointercancel", () => { this.#from = null; this.#band.hidden = true; });
  }

  get open() { return !this.#pad.hidden; }

  set open(open) {
    this.#pad.hidden = !open;
    this.#band.hidden = true;
    if (open) this.place();
  }

  place() {
    const { left, top, width, height } = this.#area();
    Object.assign(this.#pad.style, { left: `${left}px`, top: `${top}px`, width: `${width}px`, height: `${height}px` });
  }

  /** Show a finished band, as long as the pad is open. */
  mark([from, to]) {
    const { px } = this.#area();
    this.#band.hidden = false;
    Object.assign(this.#band.style, { left: `${px(from)}px`, width: `${px(to) - px(from)}px` });
  }

  #time(x) {
    const box = this.#pad.getBoundingClientRect();
    return this.#area().time(Math.min(Math.max(x, box.left), box.right) - box.left);
  }

  #show(x) {
    const box = this.#pad.getBoundingClientRect();
    const [a, b] = [this.#from, Math.min(Math.max(x, box.left), box.right)].sort((p, q) => p - q);
    this.#band.hidden = false;
    Object.assign(this.#band.style, { left: `${a - box.left}px`, width: `${b - a}px` });
  }
}
