// What was ordered, how far is it, and what does it still want?  The orders' list and their one form, in the casting book.
import { el, setText } from "./dom.js";

const MOST_SHOWN = 60;

export function ordersSection(molds) {
  const box = el("section", { id: "orders", "aria-label": "The orders" });
  new Orders(box, molds).read();
  return box;
}

class Orders {
  constructor(box, molds) {
    this.molds = molds;
    this.said = el("p", { id: "orders-said", role: "status" });
    this.body = el("div", {});
    box.replaceChildren(el("h2", {}, "The orders"), this.said, this.body);
  }

  async read() {
    try {
      const answer = await fetch("/api/v0/orders"), all = await answer.json();
      if (!answer.ok) throw new Error(all.why);
      this.show(all);
    } catch (error) { this.body.replaceChildren(el("p", { class: "plain" }, "The orders can't be read now: " + error.message + ".")); }
  }

  async change(what) {
    let said;
    try {
      const answer = await fetch("/api/v0/orders", { method: "PUT", headers: { "Content-Type": "application/json" }, body: JSON.stringify(what) });
      said = await answer.json();
    } catch { said = { ok: false, field: "", why: "The bench did not answer. Whether it is written is not known: look again." }; }
    if (said.ok) this.show(said);
    return said;
  }

  show(all) {
    const open = all.orders.filter((o) => o.state !== "done"), done = all.orders.length - open.length + all.more;
    const shown = open.filter((order, n) => n < MOST_SHOWN || order.code === this.opened);
    const out = open.length ? shown.map((order) => this.order(order)) : [el("p", { class: "plain" }, "No order is open. Write the first below: a code, its parts, how many, by when.")];
    if (shown.length < open.length) out.push(el("p", { class: "small" }, "And " + (open.length - shown.length) + " more, whose turn comes later: benchd orders lists them all."));
    if (done) out.push(el("p", { class: "small" }, done + (done === 1 ? " order is" : " orders are") + " done."));
    if (open.length) out.push(el("p", { class: "small" }, "Wanted today: " + (all.today.join(" ") || "nothing") + ". Tomorrow: " + (all.tomorrow.join(" ") || "nothing") + "."));
    this.body.replaceChildren(...out, this.form());
  }

  order(order) {
    const sum = (key) => order.parts.reduce((n, part) => n + part[key], 0);
    const head = order.code + ", " + order.state + ": " + sum("good") + " of " + sum("wanted") + (order.by ? ", by " + order.by : "");
    const line = (part) => el("li", {}, part.code + " " + part.name + ": " + part.good + " of " + part.wanted + " good" + (part.curing ? ", " + part.curing + " curing" : "") + (part.to_cast ? ", " + part.to_cast + " to cast" : "") + (part.trimmed ? ", " + part.trimmed + " trimmed" : ""));
    const node = el("details", { "data-order": order.code, open: this.opened === order.code }, el("summary", {}, head), el("ul", {}, ...order.parts.map(line)), ...order.warnings.map((why) => el("p", { class: "wrong" }, why + ".")),
      order.cast_by ? el("p", { class: "small" }, "Its last cast is made by " + order.cast_by + ", at " + order.figures + (order.figures === 1 ? " figure" : " figures") + " in all.") : null, this.acts(order));
    node.addEventListener("toggle", () => { if (node.open) this.opened = order.code; });
    return node;
  }

  acts(order) {
    const wrong = el("p", { class: "wrong", role: "status" }), act = async (what) => {
      const said = await this.change({ code: order.code, ...what });
      if (!said.ok) setText(wrong, said.why + ".");
    };
    const button = (words, what) => el("button", { type: "button", class: "plain-button", on: { click: () => act(what) } }, words);
    const trim = order.parts.filter((part) => part.good > part.trimmed), good = order.parts.filter((part) => part.good);
    return el("div", {}, el("div", { class: "choices" }, ...trim.map((part) => button("1 " + part.code + " trimmed", { do: "trimmed", molds: [part.code] })),
      ...good.map((part) => button("1 " + part.code + " spoiled", { do: "spoiled", molds: [part.code] })), button("Done", { do: "done" }), this.dropping(act)), wrong);
  }

  // Nothing brings a dropped order back: it takes a second press.
  dropping(act) {
    const node = el("button", { type: "button", class: "plain-button", on: { click: () => {
      if (node.dataset.asked) return act({ do: "drop" });
      node.dataset.asked = "yes";
      setText(node, "Drop it for good");
    } } }, "Drop it");
    return node;
  }

  form() {
    const field = (name, words, about, more = {}) => el("p", { class: "field" + (more.whole ? "" : " half") }, el("label", { for: "order-" + name }, words), el("input", { id: "order-" + name, name, autocomplete: "off", maxlength: 200, "aria-describedby": "order-" + name + "-wrong", ...more }), el("small", {}, about), el("span", { class: "wrong", id: "order-" + name + "-wrong", role: "status" }));
    const chip = (mold) => el("button", { type: "button", on: { click: () => { parts.value = (parts.value + " " + mold.code).trim(); } } }, mold.code);
    const form = el("form", { id: "order-form", novalidate: true }, el("h3", {}, "A new order"), field("code", "Code", "yours: no name is needed", { placeholder: "as Q7" }), field("figures", "Figures", "1 if left empty", { inputmode: "numeric" }),
      field("molds", "Parts of one figure", "M02x2 for two casts of it", { whole: true }), el("div", { class: "choices" }, ...this.molds.map(chip)),
      field("by", "By", "may be left open", { type: "date" }), field("price", "Price of it all", "may be left open", { inputmode: "decimal" }), el("button", { type: "submit", id: "order-go" }, "Take the order"), el("p", { class: "wrong", id: "order-wrong", role: "status" }));
    const parts = form.elements.namedItem("molds");
    form.addEventListener("submit", (event) => { event.preventDefault(); this.add(form); });
    return form;
  }

  async add(form) {
    const value = (name) => form.elements.namedItem(name).value.trim(), what = { do: "add", code: value("code"), molds: value("molds").split(/[\s,]+/).filter(Boolean) };
    for (const node of form.querySelectorAll(".wrong")) setText(node, "");
    const wrong = (field, why) => setText(form.querySelector("#order-" + field + "-wrong") || form.querySelector("#order-wrong"), why + ".");
    for (const name of ["figures", "price"]) {
      const number = Number(value(name).replace(",", "."));
      if (!value(name)) continue;
      if (!Number.isFinite(number) || (name === "figures" && !Number.isInteger(number))) return wrong(name, "write a number");
      what[name] = number;
    }
    if (value("by")) what.by = value("by");
    const said = await this.change(what);
    if (!said.ok) return wrong(said.field, said.why);
    setText(this.said, what.code + " is taken.");
  }
}
