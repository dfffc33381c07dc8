// How is one of several chosen with a gloved thumb?
import { el } from "./dom.js";

// One choice of several, each a thumb wide; pressed again it is taken back.
export class Chips {
  constructor(box, changed = () => {}) {
    Object.assign(this, { box: box.querySelector(".choices"), value: "", changed, key: null });
  }

  fill(values, name = (x) => x, none = "") {
    const key = values.map(name).join("|");
    if (this.key === key) return;
    this.key = key;
    if (!values.includes(this.value)) this.value = "";
    const button = (value) => el("button", { type: "button", "data-value": value, "aria-pressed": "false", on: { click: () => this.choose(this.value === value ? "" : value) } }, name(value));
    this.box.replaceChildren(...(values.length ? values.map(button) : [el("p", { class: "small" }, none)]));
    this.show();
  }

  choose(value) {
    this.value = value;
    this.show();
    this.changed();
  }

  show() {
    this.box.parentElement.classList.toggle("chosen", Boolean(this.value));
    for (const node of this.box.querySelectorAll("button")) node.setAttribute("aria-pressed", String(node.dataset.value === this.value));
  }
}
