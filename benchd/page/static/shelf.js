// How are molds and lots edited by hand and thumb?  The shelf's list and its one form, in the casting book.
import { el, setText } from "./dom.js";

const NAMES = {
  code: "Code on it", name: "Name, as spoken", cavity_ml: "Cavity, ml", gate_ml: "Gate and vents, ml", reservoir_ml: "Reservoir, ml",
  thin_mm: "Thinnest, mm", thick_mm: "Thickest, mm", length_mm: "Longest free length, mm", wall_mm: "Silicone wall, mm", warm: "Warmed to", stance: "Stance", traps: "Traps air at",
  pull: "Pull it", life: "Casts of its life", casts_before: "Casts before benchd", casts_a_day: "Casts a day", retired: "Retired", reserve: "Takes a surplus",
  footprint_cm2: "Covers, cm2", height_cm: "Height, cm", made: "Made on", shelf_end: "Last day", silicone: "Silicone", cost: "What it cost", resin: "Resin", note: "Note",
  opened: "Opened on", bought: "Bought, A and B", left: "Left, weighed", left_on: "Weighed on", cost_kg: "Price a kilogram", suspect: "Why not to use it",
  pot_life: "Its own pot life at 23 C", pot_life_mass: "Pot life of", demold: "Demold", least_hold: "Least hold", stir: "Stirred for", post_cure: "Post-cure for", post_cure_at: "Post-cure at", heat_deflection: "Heat deflection at", ratio_volume: "A:B by volume", ratio_weight: "A:B by weight",
  density_a: "Density of A", density_b: "Density of B", density_cured: "Density cast", peak: "Peak" };
const FIRST = {
  mold: ["code", "name", "cavity_ml", "gate_ml", "reservoir_ml", "warm", "thin_mm", "thick_mm", "pull", "life", "traps", "casts_before", "casts_a_day"],
  lot: ["code", "resin", "opened", "bought", "left", "left_on", "shelf_end", "cost_kg", "suspect", "pot_life"] };
const WHOLE = ["code", "name", "stance", "traps", "note", "suspect", "resin", "silicone"], WORDS = { true: "yes", false: "no" }, SAID = ["thin_mm", "thick_mm", "made", "silicone"];
const named = (why) => why.replace(/\b[a-z]+(?:_[a-z0-9]+)+\b/g, (key) => (NAMES[key] ? NAMES[key].split(",")[0].toLowerCase() : key));

export function shelfSection() {
  const box = el("section", { id: "shelf", "aria-label": "The shelf" });
  new Shelf(box).read();
  return box;
}

class Shelf {
  constructor(box) {
    this.box = box;
    this.said = el("p", { id: "shelf-said", role: "status" });
    this.body = el("div", {});
    box.replaceChildren(el("h2", {}, "The shelf"), this.said, this.body);
  }

  async read(words = "") {
    setText(this.said, words);
    try {
      const answer = await fetch("/api/v0/shelf"), all = await answer.json();
      if (!answer.ok) throw new Error(all.why);
      this.all = all;
    } catch (error) {
      this.body.replaceChildren(el("p", { class: "plain" }, "The shelf can't be read now: " + error.message + "."));
      return false;
    }
    this.list();
    return true;
  }

  list() {
    const out = [];
    for (const [kind, entries] of [["mold", this.all.molds], ["lot", this.all.lots]]) {
      if (!entries.length) out.push(el("p", { class: "plain" }, "No " + kind + " stands in " + this.all.file + " yet. Add the first."));
      out.push(el("ul", { class: "shelf-list" }, ...entries.map((entry) => el("li", {}, this.entry(kind, entry)))));
      out.push(el("button", { type: "button", class: "plain-button", "data-add": kind, on: { click: () => this.open(kind, null) } }, "Add a " + kind));
    }
    this.body.replaceChildren(...out);
  }

  entry(kind, entry) {
    const marks = [entry.retired === "true" && "retired", entry.reserve === "true" && "takes a surplus", entry.suspect].filter(Boolean).join(", ");
    return el("button", { type: "button", class: "row", "data-edit": entry.code, on: { click: () => this.open(kind, entry) } },
      el("span", {}, entry.code + "  " + (entry.name || entry.resin || "")), el("b", {}, "Edit"), marks ? el("small", {}, marks) : null);
  }

  open(kind, entry, words = "") {
    setText(this.said, words);
    const keys = this.all.keys[kind].filter((k) => k.key !== "retired"), first = FIRST[kind].map((key) => keys.find((k) => k.key === key)).filter(Boolean);
    const rest = keys.filter((k) => !first.includes(k)), form = el("form", { id: "shelf-form", novalidate: true });
    this.kind = kind;
    this.entry_ = entry;
    this.form = form;
    const more = el("details", { class: "shelf-more" }, el("summary", {}, "More"), el("div", { class: "shelf-fields" }, ...rest.map((k) => this.field(k))));
    form.append(el("h3", {}, entry ? entry.code + (entry.name ? "  " + entry.name : "") : "A new " + kind), ...first.map((k) => this.field(k)), more,
      el("button", { type: "submit", id: "shelf-save" }, "Write it into " + this.all.file), this.retire(), el("button", { type: "button", id: "shelf-cancel", on: { click: () => this.close(entry) } }, "Leave it as it is"),
      el("p", { class: "wrong", id: "shelf-wrong", role: "status" }));
    form.addEventListener("submit", (event) => { event.preventDefault(); this.save(entry ? "change" : "add", this.changed()); });
    this.body.replaceChildren(form);
    form.scrollIntoView({ block: "start" });
    const at = form.querySelector(entry ? "#shelf-name, #shelf-resin" : "#shelf-code");
    if (at) at.focus({ preventScroll: true });
  }

  retire() {
    if (this.kind !== "mold" || !this.entry_) return null;
    const isRetired = this.entry_.retired === "true";
    return el("button", { type: "button", id: "shelf-retire", on: { click: () => this.save(isRetired ? "restore" : "retire", {}) } }, isRetired ? "Cast it again" : "Retire it");
  }

  field(key) {
    const id = "shelf-" + key.key, had = this.entry_ ? this.entry_[key.key] || "" : "", isCode = key.key === "code" && this.entry_;
    const about = [key.is_needed && !this.entry_ && "needed", SAID.includes(key.key) ? "" : named(key.about).replace(/`(\w+)`/g, (_, word) => (NAMES[word] || word).split(",")[0].toLowerCase()), key.usual && "usually " + (WORDS[key.usual] || key.usual)].filter(Boolean).join("; "), common = { id, name: key.key, "aria-describedby": id + "-about " + id + "-wrong" };
    const isNumber = /_(ml|mm|cm|cm2|kg|day|before)$|^life$/.test(key.key);
    const css = "field" + (WHOLE.includes(key.key) ? "" : " half"), name = NAMES[key.key] || key.key;
    const below = [el("small", { id: id + "-about" }, isCode ? "stays: its records are kept under it" : about), el("span", { class: "wrong", id: id + "-wrong" })];
    if (key.choices.length) return el("fieldset", { class: css, "aria-describedby": common["aria-describedby"] }, el("legend", {}, name), ...this.choice(key, had), ...below);
    const input = el("input", { ...common, value: had, readonly: Boolean(isCode), type: key.is_date ? "date" : "text", inputmode: isNumber ? "decimal" : null, autocomplete: "off", maxlength: 400, placeholder: key.example ? "as " + key.example : null });
    return el("p", { class: css }, el("label", { for: id }, name), input, ...below);
  }

  // One chip for each choice: no list opens under a glove.  Pressed again it is taken back, where it may be left open.
  choice(key, had) {
    const held = el("input", { type: "hidden", name: key.key, value: had }), known = key.choices.includes(had) || !had ? key.choices : [had, ...key.choices];
    const chips = known.map((word) => el("button", { type: "button", "data-value": word, on: { click: () => choose(held.value === word && !key.is_needed ? "" : word) } }, WORDS[word] || word));
    const choose = (word) => {
      held.value = word;
      for (const chip of chips) chip.setAttribute("aria-pressed", String(chip.dataset.value === word));
    };
    choose(had);
    return [held, el("div", { class: "choices", "data-key": key.key }, ...chips)];
  }

  changed() {
    const out = {};
    for (const key of this.all.keys[this.kind]) {
      const input = this.form.elements.namedItem(key.key), had = this.entry_ ? this.entry_[key.key] || "" : "";
      if (input && key.key !== "code" && input.value.trim() !== had) out[key.key] = input.value.trim();
    }
    return out;
  }

  async save(what, keys) {
    const code = this.entry_ ? this.entry_.code : this.form.elements.namedItem("code").value.trim();
    this.clear();
    if (!code) return this.wrong([{ field: "code", why: "write the code that stands on it, as M09 or R-08" }]);
    if (what === "change" && !Object.keys(keys).length) return this.close(this.entry_, "Nothing was changed.");
    let said;
    this.form.querySelector("#shelf-save").disabled = true;
    try {
      const answer = await fetch("/api/v0/shelf", { method: "PUT", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ digest: this.all.digest, do: what, kind: this.kind, code, keys }) });
      said = await answer.json();
      if (answer.status === 409) return await this.again(code, said.why);
    } catch { said = { ok: false, errors: [{ field: "", why: "The bench did not answer. Whether it is written is not known: look again." }] }; }
    this.form.querySelector("#shelf-save").disabled = false;
    if (!said.ok) return this.wrong(said.errors || [{ field: "", why: said.why }]);
    const words = { add: " is on the shelf.", change: " is written.", retire: " is retired.", restore: " is cast again." }[what];
    await this.read(code + words + (said.why ? " But " + said.why + "." : " The bench goes by it."));
    this.box.scrollIntoView({ block: "start" });
  }

  // Somebody else wrote the file: show the entry as it stands now, never over it.
  async again(code, why) {
    const kind = this.kind;
    if (!(await this.read(why + "."))) return;
    const fresh = this.all[kind + "s"].find((entry) => entry.code.toLowerCase() === code.toLowerCase());
    if (fresh) this.open(kind, fresh, why + ".");
    this.box.scrollIntoView({ block: "start" });
  }

  clear() {
    for (const node of this.form.querySelectorAll(".wrong")) setText(node, "");
    for (const node of this.form.querySelectorAll("[aria-invalid]")) node.removeAttribute("aria-invalid");
  }

  wrong(errors) {
    let first = null;
    for (const { field, why } of errors) {
      const input = field && this.form.elements.namedItem(field), at = input && this.form.querySelector("#shelf-" + field + "-wrong");
      const line = at || this.form.querySelector("#shelf-wrong");
      setText(line, (line.textContent ? line.textContent + " " : "") + (at || !field ? "" : field + ": ") + named(why) + (/[.!?]$/.test(why) ? "" : "."));
      if (!at) continue;
      const marked = input.type === "hidden" ? input.nextSibling : input; // a choice: its chips
      marked.setAttribute("aria-invalid", "true");
      const more = input.closest("details");
      if (more) more.open = true;
      first = first || (marked === input ? input : marked.firstChild);
    }
    if (first) first.focus();
  }

  close(entry, words = "") {
    setText(this.said, words);
    this.list();
    const back = entry && [...this.body.querySelectorAll("[data-edit]")].find((node) => node.dataset.edit === entry.code);
    (back || this.box).scrollIntoView({ block: "center" });
  }
}
