// How does the caster tell the bench what happened?  Marks by press and by form; what is wrong stands beside the field.
import { Chips } from "./chips.js";
import { by, el, setText } from "./dom.js";
import { benchNow } from "./stream.js";
import { cards, isGood, moldName, partsDue, reading } from "./words.js";

const ANSWER_MS = 15000, REFUSAL_MS = 60000, QUESTION_MS = 600000;
const DONE = { check: "Checks", mix: "Mix clock runs", poured: "Poured", heard: "Heard", demolded: "Demolded", shut: "Inlet shut noted", topup: "Top-up noted", undo: "Taken back",
  repeat: "Said again", kicked: "Kick noted", dumped: "Tank dump noted", end: "Pour ended", leaving: "Leaving", back: "Back", note: "Noted", watch: "Watch", prepared: "Done",
  oven: "In the oven", "oven-out": "Out of the oven", tried: "Tried, noted:", trimmed: "Trimmed" };

// Which field a refusal names.
const FIELDS = { recipe: /\brecipe\b/, lot: /\blot\b/, molds: /\bmolds?\b/, mold: /\bmolds?\b/, a_g: /a_g/, b_g: /b_g/, mold_c: /mold_c/, feel: /feel/, grade: /grade/, cause: /cause/, picture: /picture/, text: /what was tried/ };

const newId = () => "page-" + Math.random().toString(36).slice(2, 12) + Math.random().toString(36).slice(2, 8);

export class Marks {
  constructor(state, refused) {
    this.S = state;
    this.refused = refused;
    this.order = [];
    this.undoUntil = 0;
    this.isAway = false;
    this.answerUntilMs = Infinity;
    by("heard").addEventListener("click", () => this.press("heard"));
    by("mark").addEventListener("click", () => this.phaseMark());
    for (const button of by("more").querySelectorAll("[data-verb]")) button.addEventListener("click", () => this.press(button.dataset.verb));
    by("mix-form").addEventListener("submit", (event) => { event.preventDefault(); this.mix(); });
    by("demold-form").addEventListener("submit", (event) => { event.preventDefault(); this.demold(); });
    by("tried-form").addEventListener("submit", (event) => { event.preventDefault(); this.tried(); });
    by("trimmed-form").addEventListener("submit", (event) => { event.preventDefault(); this.trimmed(); });
    by("demold-away").addEventListener("click", () => this.partForm(false));
    by("unfold").addEventListener("click", () => this.unfold(!document.body.classList.contains("unfolded")));
    this.lot = new Chips(by("mix-lot"));
    this.recipe = new Chips(by("mix-recipe"));
    this.triedMold = new Chips(by("tried-mold"));
    this.trimmedMold = new Chips(by("trimmed-mold"));
    this.part = { mold: new Chips(by("demold-mold"), () => this.judged()), grade: new Chips(by("demold-grade"), () => this.judged()), cause: new Chips(by("demold-cause"), () => this.judged()), feel: new Chips(by("demold-feel")) };
  }

  async send(verb, more = {}) {
    const body = JSON.stringify({ verb, id: newId(), ...more });
    try {
      const answer = await fetch("/api/v0/marks", { method: "POST", headers: { "Content-Type": "application/json" }, body, signal: AbortSignal.timeout(7000) });
      return await answer.json();
    } catch {
      return { ok: false, why: "the bench did not answer; the mark may be lost" };
    }
  }

  async press(verb, more = {}) {
    const answer = await this.send(verb, more);
    this.tell(verb, more, answer);
    if (answer.ok && ["leaving", "back"].includes(verb)) this.isAway = verb === "leaving";
    return answer;
  }

  tell(verb, more, answer) {
    const what = DONE[verb] + (more.mold ? " " + moldName(this.S, more.mold) : "");
    const why = answer.why ? ": " + answer.why : "";
    const line = by("answer");
    line.replaceChildren(answer.ok ? what + why + (/[?.]$/.test(why) ? "" : ".") : "Not taken" + why + ".");
    if (answer.unsaved) line.append(el("span", { class: "unsaved" }, " Not saved: " + answer.unsaved_why + "."));
    this.answerUntilMs = performance.now() + (answer.ok ? ANSWER_MS : REFUSAL_MS);
    if (!answer.ok) return this.refused("Not taken. " + (answer.why || ""));
    const undo = this.S.bench && this.S.bench.undo;
    this.undoUntil = undo && undo.verbs.includes(verb) ? benchNow() + undo.within_s : 0;
    if (verb === "check" && /[?]$/.test(answer.why)) this.ask(line);
    if (this.undoUntil) line.append(el("button", { type: "button", class: "undo", on: { click: () => this.press("undo") } }, "Undo"));
  }

  // A question of the checklist stays until it is answered.
  ask(line) {
    const button = ([words, code]) => el("button", { type: "button", class: "undo", on: { click: () => this.press("check", code ? { code } : {}) } }, words);
    line.append(el("span", { class: "choices" }, ...[["Done", ""], ["Skip", "skip"], ["All done", "all"]].map(button)));
    this.answerUntilMs = performance.now() + QUESTION_MS;
  }

  // The mark that fits the phase, on the large target: what the hand has just done, where it can be true.
  offer(phase) {
    this.phase = phase;
    const [words, verb, more] = this.fitting(phase);
    this.fits = () => (verb === "mix" ? this.mix() : verb === "part" ? this.partForm(true) : this.press(verb, more));
    setText(by("mark"), words);
    by("mark").classList.toggle("long", words.length > 14);
    for (const button of by("more").querySelectorAll("[data-verb]")) button.hidden = !this.canBe(button.dataset.verb);
    setText(by("unfold"), phase.pour ? "This pour, plan" : "Next pour, plan");
    if (phase.name !== "demolding" && !by("demold-form").hidden && !partsDue(this.S).length) this.partForm(false);
  }

  fitting(phase) {
    if (phase.name === "idle") return ["A met B", "mix"];
    if (phase.name === "demolding") return ["Part out", "part"];
    if (phase.name === "pouring") {
      const next = phase.pour.molds.find((m) => !phase.pour.poured.includes(m));
      return ["Poured" + (next ? " " + moldName(this.S, next) : ""), "poured", { cup: phase.pour.id, ...(next ? { mold: next } : {}) }];
    }
    const pot = phase.pot && { pot: phase.pot.id }, step = this.plan && this.plan.dueStep();
    if (phase.name === "holding" && phase.pot.phase === "fed") return ["I shut the inlet", "shut", pot];
    if (phase.name === "holding" && this.isShort(phase.pot)) return ["I topped up", "topup", pot];
    if (step) return [this.plan.stepDone(step), "prepared", { code: step.id }];
    return ["Say again", "repeat", {}];
  }

  // Air may have been let in again: it leaks, or has fallen below the target.
  isShort(pot) {
    const limits = this.S.bench.pots.find((p) => p.id === pot.id), gauge = reading(this.S, "pot_pressure", pot.id);
    return pot.phase === "isolated" && (["slow", "fast"].includes(pot.verdict) || !isGood(gauge) || Boolean(limits) && gauge.value < limits.target_kpa - 7);
  }

  // Offered only when it can be true.
  canBe(verb) {
    const pots = cards(this.S, "pot"), pours = cards(this.S, "pour").filter((p) => p.phase !== "idle"), isClosed = pots.some((p) => p.phase !== "idle");
    if (verb === "shut") return pots.some((p) => p.phase === "fed");
    if (verb === "topup") return pots.some((p) => p.phase === "isolated");
    if (verb === "kicked") return pours.some((p) => p.phase !== "curing" && !(p.kick && p.kick.found));
    if (verb === "dumped") return !isClosed && !pours.some((p) => p.phase !== "curing");
    if (verb === "leaving") return isClosed || pours.length > 0;
    if (verb === "check") return !pours.some((p) => ["mixing", "pouring", "standing"].includes(p.phase));
    if (verb.startsWith("oven")) return Boolean(this.S.bench && this.S.bench.is_post_cured);
    if (verb === "back") return this.isAway;
    return verb === "end" ? pours.length > 0 : true;
  }

  phaseMark() {
    if (this.fits) this.fits();
  }

  unfold(isOpen) {
    document.body.classList.toggle("unfolded", isOpen);
    by("unfold").setAttribute("aria-expanded", String(isOpen));
    if (isOpen) by("mix-form").scrollIntoView();
  }

  // Which mold, how it is, and why: over the drawing, below the word.
  partForm(isOpen) {
    const form = by("demold-form");
    form.hidden = !isOpen;
    document.documentElement.classList.toggle("out", isOpen);
    if (!isOpen) return;
    window.scrollTo(0, 0);
    const parts = partsDue(this.S).map((part) => part.card.id);
    this.part.mold.fill(parts, (id) => moldName(this.S, id), "No part is in its mold.");
    if (parts.length === 1) this.part.mold.choose(parts[0]);
    this.judged();
    const first = form.querySelector("button");
    if (first) first.focus({ preventScroll: true });
  }

  // One step after the other; what is chosen folds to its own chip.
  judged() {
    const { mold, grade, cause } = this.part, isBad = ["second", "scrap"].includes(grade.value);
    by("demold-grade").hidden = !mold.value;
    by("demold-cause").hidden = !isBad;
    by("demold-picture").hidden = !isBad;
    by("demold-feel").hidden = !grade.value || (isBad && !cause.value);
    if (!isBad && cause.value) cause.choose("");
    by("demold-form").scrollTop = 1e6;
  }

  async mix() {
    const form = by("mix-form"), more = {}, f = this.S.bench.units.temperature === "F";
    const fields = [number(form, "a_g", 0.1, 50000, "grams above zero, for example 159.5"), number(form, "b_g", 0.1, 50000, "grams above zero, for example 143.5"),
      number(form, "mold_c", f ? 14 : -10, f ? 250 : 120, f ? "degrees F, for example 104" : "degrees C, for example 40")];
    if (fields.some((x) => x.wrong)) return form.querySelector("[aria-invalid=true]").scrollIntoView({ block: "center" });
    const [a, b, warm] = fields.map((x) => x.value);
    if (this.lot.value) more.lot = this.lot.value;
    if (this.recipe.value) more.recipe = this.recipe.value;
    if (this.order.length) more.molds = this.order;
    if (a !== null) more.a_g = a;
    if (b !== null) more.b_g = b;
    if (warm !== null) more.mold_c = f ? (warm - 32) / 1.8 : warm;
    const answer = await this.send("mix", more);
    this.beside(form, answer, "mix", more);
    if (answer.ok) this.order = [];
    if (answer.ok) window.scrollTo(0, 0);
    if (answer.ok) for (const name of ["a_g", "b_g", "mold_c"]) form.elements[name].value = "";
    this.paintMolds();
  }

  async demold() {
    const form = by("demold-form"), more = {};
    for (const name of ["mold", "feel", "grade", "cause"]) {
      wrong(form, name, "");
      if (this.part[name].value) more[name] = this.part[name].value;
    }
    const picture = by("demold-picture-name");
    if (picture.value.trim() && !by("demold-picture").hidden) more.picture = picture.value.trim();
    if (!more.mold) return wrong(form, "mold", "say which mold");
    const answer = await this.send("demolded", more);
    this.beside(form, answer, "demolded", more);
    if (!answer.ok) return;
    for (const name of ["mold", "feel", "grade", "cause"]) this.part[name].choose("");
    picture.value = "";
    this.partForm(false);
  }

  async tried() {
    const form = by("tried-form"), text = by("tried-text"), more = { text: text.value.trim(), ...(this.triedMold.value ? { mold: this.triedMold.value } : {}) };
    const answer = await this.send("tried", more);
    this.beside(form, answer, "tried", more);
    if (answer.ok) text.value = "";
    if (answer.ok) this.triedMold.choose("");
  }

  async trimmed() {
    const form = by("trimmed-form"), mold = this.trimmedMold.value;
    if (!mold) return wrong(form, "mold", "say which mold");
    const answer = await this.send("trimmed", { mold });
    this.beside(form, answer, "trimmed", { mold });
    if (answer.ok) this.trimmedMold.choose("");
  }

  // A refusal stands beside the field it names, else under the form.
  beside(form, answer, verb, more) {
    const kind = form.id.split("-")[0];
    for (const name of Object.keys(FIELDS)) wrong(form, name, "");
    setText(by(kind + "-wrong"), "");
    this.tell(verb, more, answer);
    if (answer.ok) return;
    const named = Object.keys(FIELDS).find((name) => FIELDS[name].test(answer.why) && by(kind + "-" + name + "-wrong"));
    if (named) wrong(form, named, answer.why);
    else setText(by(kind + "-wrong"), answer.why);
  }

  // Lots, molds and parts as the bench knows them; called when they may have changed.
  paint(phase) {
    this.offer(phase);
    const S = this.S, isOpen = Boolean(phase.pour);
    setText(by("mix-title"), isOpen ? "This pour" : "The next pour");
    setText(by("mix-go"), isOpen ? "Add to this pour" : "Mix: A meets B now");
    setText(by("mix-mold_c-label"), "Molds, " + S.bench.units.temperature);
    for (const [name, words] of Object.entries(S.bench.choices || {})) this.part[name].fill(words);
    this.lot.fill(S.bench.lots.map((lot) => lot.code), (x) => x, "No lot on the shelf yet.");
    by("mix-recipe").hidden = !(S.bench.recipes || []).length;
    this.recipe.fill((S.bench.recipes || []).map((recipe) => recipe.code));
    for (const chips of [this.triedMold, this.trimmedMold]) chips.fill(S.bench.molds.map((m) => m.id), (id) => moldName(S, id), "No mold on the shelf yet.");
    this.paintMolds();
    if (performance.now() > this.answerUntilMs && !this.undoUntil) by("answer").replaceChildren();
    if (this.undoUntil && benchNow() > this.undoUntil) {
      this.undoUntil = 0;
      const undo = by("answer").querySelector("button");
      if (undo) undo.remove();
    }
  }

  paintMolds() {
    const box = by("mix-molds").querySelector(".choices"), molds = this.S.bench.molds, key = molds.map((m) => m.id).join();
    if (box.dataset.key !== key || !box.firstChild) {
      box.dataset.key = key;
      const button = (m) => el("button", { type: "button", "data-mold": m.id, "aria-pressed": "false", on: { click: () => this.toggle(m.id) } });
      box.replaceChildren(...(molds.length ? molds.map(button) : [el("p", { class: "small" }, "No mold on the shelf yet: write [[mold]] tables into shelf.toml.")]));
    }
    const busy = cards(this.S, "mold").filter((c) => c.phase === "curing" || c.phase.startsWith("due")).map((c) => c.id);
    for (const node of box.querySelectorAll("[data-mold]")) {
      const id = node.dataset.mold, place = this.order.indexOf(id);
      setText(node, (place < 0 ? "" : place + 1 + ". ") + moldName(this.S, id) + (busy.includes(id) ? " (in use)" : ""));
      node.setAttribute("aria-pressed", place < 0 ? "false" : "true");
    }
  }

  toggle(id) {
    this.order = this.order.includes(id) ? this.order.filter((m) => m !== id) : [...this.order, id];
    this.paintMolds();
  }
}

function wrong(form, name, words) {
  const kind = form.id.split("-")[0], field = by(kind + "-" + name), note = by(kind + "-" + name + "-wrong");
  if (!note) return;
  setText(note, words);
  if (words) field.setAttribute("aria-invalid", "true");
  else field.removeAttribute("aria-invalid");
  if (words && field.focus) field.focus();
}

function number(form, name, low, high, remedy) {
  const text = form.elements[name].value.trim().replace(",", ".");
  wrong(form, name, "");
  if (!text) return { value: null };
  const value = /^[-+]?\d*\.?\d+$/.test(text) ? Number(text) : NaN;
  if (!(value >= low && value <= high)) {
    wrong(form, name, remedy);
    return { wrong: true };
  }
  return { value };
}
