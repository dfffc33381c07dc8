// How is a curve drawn on the page?  Against its limits: hatching is doubt, a bar is a limit, a notch is now.
// One unit is one CSS pixel, so that words keep their size whatever room there is; no words are set on others.
import { svg } from "./dom.js";

const SIZE = 15, EM = { narrow: 0.36, broad: 0.98, capital: 0.72, usual: 0.64 };

// About how wide words are, by the widest face a phone is likely to set them in.
export function wide(words, size = SIZE) {
  const em = (c) => ("iljtfr.,:;'|!()[] ".includes(c) ? EM.narrow : "mwMW%@".includes(c) ? EM.broad : c >= "A" && c <= "Z" ? EM.capital : EM.usual);
  return size * [...words].reduce((sum, c) => sum + em(c), 0);
}

const nice = (rough) => {
  const base = 10 ** Math.floor(Math.log10(Math.max(rough, 1e-9)));
  return [1, 2, 2.5, 5, 10].map((m) => base * m).find((step) => step >= rough * 0.999);
};

export class Plot {
  constructor(t0, t1, low, high, title, [w, h] = [400, 252]) {
    Object.assign(this, { t0, t1: Math.max(t1, t0 + 1), low, high: Math.max(high, low + 0.1), w: Math.max(w, 160), h: Math.max(h, 96), taken: [] });
    Object.assign(this, { left: 34, right: this.w - 8, top: 26, bottom: this.h - 24 });
    this.root = svg("svg", { viewBox: `0 0 ${this.w} ${this.h}`, role: "img", "aria-label": title });
    this.add("path", { class: "base", d: `M${this.left} ${this.bottom}H${this.right}` });
  }
  x(t) { return this.left + ((Math.min(Math.max(t, this.t0), this.t1) - this.t0) / (this.t1 - this.t0)) * (this.right - this.left); }
  y(v) { return this.bottom - ((Math.min(Math.max(v, this.low), this.high) - this.low) / (this.high - this.low)) * (this.bottom - this.top); }
  add(tag, attributes, ...kids) { this.root.append(svg(tag, attributes, ...kids)); return this; }
  box(x, y, words, anchor, size) {
    const width = wide(words, size), left = { start: x, middle: x - width / 2, end: x - width }[anchor];
    return [left, y - size * 0.82, left + width, y + size * 0.28];
  }
  isFree(box) {
    return box[0] >= 0 && box[2] <= this.w && box[1] >= 0 && box[3] <= this.h && !this.taken.some((o) => box[0] < o[2] && o[0] < box[2] && box[1] < o[3] && o[1] < box[3]);
  }
  // Words at the first of these places that is free; left out where none is: a drawing may say less, never two things at once.
  label(places, words, { size = SIZE, css = "lab" } = {}) {
    for (const [x, y, anchor = "start"] of places) {
      const box = this.box(x, y, words, anchor, size);
      if (!this.isFree(box)) continue;
      this.taken.push(box);
      return this.add("text", { x: x.toFixed(1), y: y.toFixed(1), class: css, "text-anchor": anchor, "font-size": size }, words);
    }
    return this;
  }
  // Three numbers at most up the left edge, the unit above them.
  scale(unit, shown = (v) => v, core = (v) => v) {
    const step = nice((shown(this.high) - shown(this.low)) / 3), first = Math.ceil(shown(this.low) / step - 1e-9) * step;
    this.label([[2, 15, "start"]], unit, { css: "lab soft", size: 13 });
    for (let v = first; v <= shown(this.high) + 1e-9 && v < first + 3 * step; v += step)
      this.label([[this.left - 5, this.y(core(v)) + 5, "end"]], String(Number(v.toFixed(2))), { css: "lab soft", size: 13 });
    return this;
  }
  // A clock along the foot, counted from `zero`; three numbers at most, `now` marked by its notch.
  clock(now, marks) {
    const x = this.x(now);
    this.add("path", { class: "thin", d: `M${x} ${this.top}V${this.bottom}` });
    this.add("path", { class: "notch", d: `M${x - 9} ${this.h - 5}h18l-9 -16z` });
    this.taken.push([x - 10, this.h - 21, x + 10, this.h]);
    this.label([[x + 13, this.h - 6, "start"], [x - 13, this.h - 6, "end"]], "now");
    for (const [t, words] of marks.slice(0, 2)) {
      const at = this.x(t);
      this.add("path", { class: "edge", d: `M${at} ${this.bottom}v5` });
      this.label([[at, this.h - 6, "middle"], [Math.max(2, at), this.h - 6, "start"], [at, this.h - 6, "end"]], words, { css: "lab soft", size: 13 });
    }
    return this;
  }
  curve(points, css = "line") {
    const inside = points.filter((p) => p[0] >= this.t0 && p[0] <= this.t1);
    if (inside.length < 1) return this;
    return this.add("path", { class: css, d: "M" + inside.map((p) => this.x(p[0]).toFixed(1) + " " + this.y(p[1]).toFixed(1)).join("L") });
  }
  // A bar across with its words over or under it, at whichever end nothing stands.
  limit(value, words, css = "bar") {
    const y = this.y(value), rows = [y - 6, y + 17], ends = [[this.right - 4, "end"], [this.left + 6, "start"], [(this.left + this.right) / 2, "middle"]];
    this.add("path", { class: css, d: `M${this.left} ${y}H${this.right}` });
    return this.label(ends.flatMap(([x, anchor]) => rows.map((row) => [x, row, anchor])), words);
  }
  upright(t, words, css = "edge") {
    const x = this.x(t);
    this.add("path", { class: css, d: `M${x} ${this.top}V${this.bottom}` });
    return this.label([[x, this.top - 8, "middle"], [x - 4, this.top - 8, "end"], [x + 4, this.top - 8, "start"], [x + 5, this.top + 12, "start"], [x - 5, this.top + 12, "end"]], words);
  }
  // Doubt from t0 to t1: hatched between its edges.
  band(t0, t1, words) {
    const a = this.x(t0), b = Math.max(this.x(t1), this.x(t0) + 3);
    this.add("rect", { x: a, y: this.top, width: b - a, height: this.bottom - this.top, fill: "url(#doubt)" });
    this.add("path", { class: "edge", d: `M${a} ${this.top}V${this.bottom}M${b} ${this.top}V${this.bottom}` });
    return this.label([[(a + b) / 2, this.top - 8, "middle"], [b, this.top - 8, "end"], [a, this.top - 8, "start"]], words);
  }
  fan(t, value, t1, low, high) {
    const d = `M${this.x(t)} ${this.y(value)}L${this.x(t1)} ${this.y(high)}V${this.y(low)}Z`;
    return this.add("path", { d, fill: "url(#doubt)", class: "edge" });
  }
}
