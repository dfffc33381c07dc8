// What comes next today?  The run sheet under the Bench room's drawing, and a wish for a new one.
import { by, el, setText } from "./dom.js";
import { benchNow } from "./stream.js";
import { clock, warmth } from "./words.js";

const SOON_S = 300, AGAIN_MS = 30000, ORDERS_MS = 120000, CHANGES = ["pour_started", "pour_revised", "pour_ended", "load_closed", "load_opened", "prep_due", "prep_noted", "prep_put_off"];
const STEPS = { weigh: ["Weigh", "weighed"], tank: ["Drain the tank", "Tank drained"], dry: ["Dry", "dry"], spray: ["Release spray on", "sprayed"], talc: ["Talc", "dusted"], warm: ["Warm", "warming"] };
const HANDS_FREE = ["holding", "venting", "demolding", "idle", "kicked"];

export class Plan {
  constructor(S) {
    this.S = S;
    this.sheet = null;
    this.wanted = [];
    this.ordered = [];
    this.orderedMs = -ORDERS_MS;
    this.lastMs = -AGAIN_MS;
    by("plan-form").addEventListener("submit", (event) => { event.preventDefault(); this.ask({ molds: this.wanted }); });
    by("plan-orders").addEventListener("click", () => this.ask({ molds: this.ordered }));
    by("plan-away").addEventListener("click", () => this.ask({ sheet: null }));
  }

  // A finding may have taken a load off the sheet.
  see(finding) {
    if (CHANGES.includes(finding.finding)) this.lastMs = performance.now() - AGAIN_MS + 1500;
  }

  // Between pours only: nothing else stands on the page while a cup is in hand.
  paint(phase) {
    by("plan").hidden = !["idle", "holding", "venting", "demolding"].includes(phase.name);
    if (performance.now() - this.lastMs > AGAIN_MS) this.read();
    this.paintMolds();
  }

  async read() {
    this.lastMs = performance.now();
    try {
      const answer = await fetch("/api/v0/plan"), said = await answer.json();
      if (!answer.ok) throw new Error(said.why);
      this.show(said.sheet);
      if (performance.now() - this.orderedMs < ORDERS_MS) return;
      this.orderedMs = performance.now();
      this.ordered = (await (await fetch("/api/v0/orders")).json()).today || [];
      by("plan-orders").hidden = !this.ordered.length;
      setText(by("plan-orders"), "Plan what the orders want: " + this.ordered.join(" "));
    } catch { /* the sheet shown stays; a lost bench is told by the stream */ }
  }

  async ask(wish) {
    setText(by("plan-wrong"), "");
    setText(by("plan-molds-wrong"), "");
    if (wish.molds && !wish.molds.length) return setText(by("plan-molds-wrong"), "Choose the molds to cast first.");
    by("plan-go").disabled = true;
    try {
      const answer = await fetch("/api/v0/plan", { method: "PUT", headers: { "Content-Type": "application/json" }, body: JSON.stringify(wish) });
      const said = await answer.json();
      if (!said.ok) return setText(by(said.field === "molds" ? "plan-molds-wrong" : "plan-wrong"), said.why);
      this.wanted = [];
      this.show(said.sheet);
    } catch { setText(by("plan-wrong"), "The bench did not answer. Nothing is kept."); } finally { by("plan-go").disabled = false; }
  }

  show(sheet) {
    this.sheet = sheet;
    by("plan-away").hidden = !sheet;
    const key = JSON.stringify(sheet), box = by("sheet");
    if (box.dataset.key === key) return;
    box.dataset.key = key;
    box.replaceChildren(...(sheet ? this.pages(sheet) : [el("p", { class: "small" }, "No plan is kept. Choose molds below, and the bench says which go together, in which order, and how much to mix.")]));
  }

  pages(sheet) {
    const loads = sheet.loads.filter((load) => load.state !== "mixed"), done = sheet.loads.length - loads.length;
    const out = done ? [el("p", { class: "small" }, done + (done === 1 ? " load" : " loads") + " of the sheet mixed already.")] : [];
    loads.forEach((load, i) => out.push(i ? this.later(load) : this.next(load)));
    if (!loads.length) out.push(el("p", { class: "plain" }, "The sheet is done."));
    if (sheet.left_out.length) out.push(el("h3", {}, "Left out"), el("ul", {}, ...sheet.left_out.map((m) => el("li", {}, m.code + " " + m.name + ": " + m.why))));
    if (sheet.notes.length) out.push(el("h3", {}, "Mind"), el("ul", {}, ...sheet.notes.map((note) => el("li", {}, note))));
    if (!sheet.optimal) out.push(el("p", { class: "small" }, "The search ended early: a better plan may exist, none with fewer than " + sheet.loads_at_least + " loads."));
    return out;
  }

  next(load) {
    const molds = load.molds.map((m) => el("li", {}, m.name + (m.warm_c ? ", warm" : "") + " at " + clock(m.filled_s)));
    return el("div", { class: "sheet-next" }, el("h3", {}, "Load " + load.number + ", next"),
      el("p", { class: "grams" }, "A " + load.a_g.toFixed(1) + " g, B " + load.b_g.toFixed(1) + " g" + this.lotWords(load)), el("ol", {}, ...molds), this.clockLine(load), this.prep(load));
  }

  // The steps before the next load: one press each, or one for all.
  prep(load) {
    if (!load.steps.length) return null;
    const done = (code) => this.marks.press("prepared", { code }); // the finding that follows has the sheet read again
    const steps = load.steps.map((step) => el("li", { class: step.done ? "small" : "" }, el("span", {}, this.hour(step.t) + "  " + this.stepWords(step) + (step.done ? ": done" : "")),
      step.done ? null : el("button", { type: "button", "data-step": step.id, on: { click: () => done(step.id) } }, "Done")));
    const left = load.steps.filter((step) => !step.done).length, late = load.prep_late_s >= 30;
    return el("div", { class: "prep" }, el("h3", {}, "Before load " + load.number), el("ol", {}, ...steps),
      late ? el("p", {}, "This takes " + Math.round(load.prep_late_s / 60) + " min longer than the wait: begin before, or mix later.") : null,
      left > 1 ? el("button", { type: "button", "data-step": "all", on: { click: () => done("all") } }, "All done") : null);
  }

  stepWords(step) {
    const unit = this.S.bench.units.temperature, warm = step.temp_c === null || step.temp_c === undefined ? "" : " to " + Math.round(Number(warmth(step.temp_c, unit))) + " " + unit;
    return STEPS[step.what][0] + (step.what === "weigh" ? " A and B" : step.name ? " " + step.name : "") + warm + (step.for_s ? ", " + Math.round(step.for_s / 60) + " min" : "");
  }

  stepDone(step) {
    const word = STEPS[step.what][1], name = step.name ? step.name + " " + word : step.what === "weigh" ? "A and B " + word : word;
    return name;
  }

  nextLoad() {
    return this.sheet ? this.sheet.loads.find((load) => load.state === "next") : null;
  }

  // The first step not done, once it is due.
  dueStep() {
    const load = this.nextLoad(), step = load && load.steps.find((each) => !each.done);
    return step && step.t <= benchNow() ? step : null;
  }

  // In view without a scroll: the step that is due, or comes within minutes.
  rows(phase, now) {
    const load = this.nextLoad(), step = load && HANDS_FREE.includes(phase.name) ? load.steps.find((each) => !each.done) : null;
    if (!step || step.t > now + SOON_S) return [];
    return [{ id: "prep", name: step.t <= now ? "Now" : this.hour(step.t), value: this.stepWords(step), note: "",
      basis: { what: this.stepWords(step), basis: "planned", source: "before load " + load.number + ", at " + this.hour(step.t), t: null } }];
  }

  later(load) {
    return el("details", {}, el("summary", {}, this.hour(load.mix_t) + "  Load " + load.number + ": " + load.molds.map((m) => m.name).join(", ")),
      el("p", {}, "A " + load.a_g.toFixed(1) + " g, B " + load.b_g.toFixed(1) + " g" + this.lotWords(load)), this.clockLine(load));
  }

  // Named only where a day is poured from several lots.
  lotWords(load) {
    return load.lot && this.sheet.loads.some((other) => other.lot !== load.lot) ? " of " + load.lot.toUpperCase() : "";
  }

  clockLine(load) {
    return el("p", {}, "At pressure " + clock(load.at_pressure_s) + ", kick " + clock(load.kick_s) + " (" + load.kick_basis + (load.kick_of === "cup" ? "" : ", of " + load.kick_of) + "): " + Math.round(load.margin_s) + " s to spare. Open about " + this.hour(load.open_t) + ".");
  }

  hour(t) {
    return new Date((t + this.S.bench.utc_offset_s) * 1000).toISOString().slice(11, 16);
  }

  paintMolds() {
    const box = by("plan-molds").querySelector(".choices"), molds = this.S.bench.molds, key = molds.map((m) => m.id).join();
    if (box.dataset.key !== key || !box.firstChild) {
      box.dataset.key = key;
      const button = (m) => el("button", { type: "button", "data-plan": m.id, "aria-pressed": "false", on: { click: () => this.toggle(m.code) } });
      box.replaceChildren(...(molds.length ? molds.map(button) : [el("p", { class: "small" }, "No mold on the shelf yet: write [[mold]] tables into shelf.toml, or use benchd shelf add.")]));
    }
    for (const node of box.querySelectorAll("[data-plan]")) {
      const mold = molds.find((m) => m.id === node.dataset.plan);
      setText(node, mold.name);
      node.setAttribute("aria-pressed", this.wanted.includes(mold.code) ? "true" : "false");
    }
  }

  toggle(code) {
    this.wanted = this.wanted.includes(code) ? this.wanted.filter((c) => c !== code) : [...this.wanted, code];
    this.paintMolds();
  }
}
