// How does the caster tell the bench what happened?  Marks by press and by form; what is wrong stands beside the field.
import { by, el, setText } from "./dom.js";
import { benchNow } from "./stream.js";
import { cards, moldName, partsDue } from "./words.js";

const ANSWER_MS = 15000, REFUSAL_MS = 60000;
const DONE = { mix: "Mix clock runs", poured: "Poured", heard: "Heard", demolded: "Demolded", shut: "Inlet shut noted", topup: "Top-up noted", undo: "Taken back",
  repeat: "Said again", kicked: "Kick noted", dumped: "Tank dump noted", end: "Pour ended", leaving: "Leaving", back: "Back", note: "Noted" };

const newId = () => "page-" + Math.random().toString(36).slice(2, 12) + Math.random().toString(36).slice(2, 8);

export class Marks {
  constructor(state, refused) {
    this.S = state;
    this.refused = refused;
    this.order = [];
    this.undoUntil = 0;
    this.answerUntilMs = Infinity;
    by("heard").addEventListener("click", () => this.press("heard"));
    by("mark").addEventListener("click", () => this.phaseMark());
    for (const button of by("more").querySelectorAll("[data-verb]")) button.addEventListener("click", () => this.press(button.dataset.verb));
    by("mix-form").addEventListener("submit", (event) => { event.preventDefault(); this.mix(); });
    by("demold-form").addEventListener("submit", (event) => { event.preventDefault(); this.demold(); });
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
    return answer;
  }

  tell(verb, more, answer) {
    const what = DONE[verb] + (more.mold ? " " + moldName(this.S, more.mold) : "");
    const why = answer.why ? ": " + answer.why : "";
    const line = by("answer");
    line.replaceChildren(answer.ok ? what + why + "." : "Not taken" + why + ".");
    if (answer.unsaved) line.append(el("span", { class: "unsaved" }, " Not saved: " + answer.unsaved_why + "."));
    this.answerUntilMs = performance.now() + (answer.ok ? ANSWER_MS : REFUSAL_MS);
    if (!answer.ok) return this.refused("Not taken. " + (answer.why || ""));
    const undo = this.S.bench && this.S.bench.undo;
    this.undoUntil = undo && undo.verbs.includes(verb) ? benchNow() + undo.within_s : 0;
    if (this.undoUntil) line.append(el("button", { type: "button", class: "undo", on: { click: () => this.press("undo") } }, "Undo"));
  }

  // The mark that fits the phase, on the large target.
  offer(phase) {
    this.phase = phase;
    const next = phase.pour && phase.pour.molds.find((m) => !phase.pour.poured.includes(m));
    const words = { idle: "Mix", demolding: "Part out", filling: "Inlet shut", venting: "Say again", closing: "Say again", kicked: "Say again", holding: "Inlet shut" };
    if (phase.name === "holding" && phase.pot.phase === "isolated") words.holding = "Topped up";
    const offered = phase.name === "pouring" ? (next ? "Poured " + moldName(this.S, next) : "Poured") : words[phase.name];
    setText(by("mark"), offered);
    by("mark").classList.toggle("long", offered.length > 14);
  }

  phaseMark() {
    const phase = this.phase || { name: "idle" };
    if (phase.name === "pouring") {
      const next = phase.pour.molds.find((m) => !phase.pour.poured.includes(m));
      return this.press("poured", { cup: phase.pour.id, ...(next ? { mold: next } : {}) });
    }
    if (phase.name === "demolding") {
      by("demold-form").scrollIntoView();
      return by("demold-mold").focus({ preventScroll: true });
    }
    if (phase.name === "idle") return this.mix();
    const pot = phase.pot && phase.pot.phase === "isolated" ? "topup" : "shut";
    return this.press(["closing", "venting", "kicked"].includes(phase.name) ? "repeat" : pot, phase.pot ? { pot: phase.pot.id } : {});
  }

  async mix() {
    const form = by("mix-form"), more = {}, f = this.S.bench.units.temperature === "F";
    const fields = [number(form, "a_g", 0.1, 50000, "grams above zero, for example 159.5"), number(form, "b_g", 0.1, 50000, "grams above zero, for example 143.5"),
      number(form, "mold_c", f ? 14 : -10, f ? 250 : 120, f ? "degrees F, for example 104" : "degrees C, for example 40")];
    if (fields.some((x) => x.wrong)) return form.querySelector("[aria-invalid=true]").scrollIntoView({ block: "center" });
    const [a, b, warm] = fields.map((x) => x.value);
    if (form.elements.lot.value) more.lot = form.elements.lot.value;
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
      if (form.elements[name].value) more[name] = form.elements[name].value;
    }
    if (!more.mold) return wrong(form, "mold", "say which mold");
    if (more.cause && more.grade === "good") return wrong(form, "cause", "a good part needs no cause; clear it, or grade it second or scrap");
    const answer = await this.send("demolded", more);
    this.beside(form, answer, "demolded", more);
    if (answer.ok) form.reset();
  }

  // A refusal stands beside the field it names, else under the form.
  beside(form, answer, verb, more) {
    const kind = form.id.split("-")[0];
    for (const name of [...new FormData(form).keys(), "molds"]) wrong(form, name, "");
    setText(by(kind + "-wrong"), "");
    this.tell(verb, more, answer);
    if (answer.ok) return;
    const names = { lot: /\blot\b/, molds: /\bmolds?\b/, mold: /\bmolds?\b/, a_g: /a_g/, b_g: /b_g/, mold_c: /mold_c/, feel: /feel/, grade: /grade/, cause: /cause/ };
    const named = Object.keys(names).find((name) => names[name].test(answer.why) && by(kind + "-" + name + "-wrong"));
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
    fill(by("mix-lot"), ["", ...S.bench.lots.map((lot) => lot.code)], S.bench.lots.length ? "as last time" : "no lot on the shelf");
    const parts = partsDue(S).map((part) => part.card.id);
    fill(by("demold-mold"), ["", ...parts], parts.length ? "which?" : "no part is curing", (id) => moldName(S, id));
    for (const [name, words] of Object.entries(S.bench.choices)) fill(by("demold-" + name), ["", ...words]);
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

function fill(select, values, first = "–", name = (x) => x) {
  const key = values.join("|") + first;
  if (select.dataset.key === key) return;
  const was = select.value;
  select.dataset.key = key;
  select.replaceChildren(...values.map((value) => el("option", { value }, value ? name(value) : first)));
  if (values.includes(was)) select.value = was;
}
