// How is anything put on the page?  As text and attributes only: no name is ever read as markup.
const SVG = "http://www.w3.org/2000/svg";

export const by = (id) => document.getElementById(id);

function dress(node, attributes, kids) {
  for (const [name, value] of Object.entries(attributes)) {
    if (name === "on") for (const [event, run] of Object.entries(value)) node.addEventListener(event, run);
    else if (value !== null && value !== undefined && value !== false) node.setAttribute(name, value === true ? "" : String(value));
  }
  for (const kid of kids) if (kid !== null && kid !== undefined) node.append(kid instanceof Node ? kid : document.createTextNode(String(kid)));
  return node;
}

export const el = (tag, attributes = {}, ...kids) => dress(document.createElement(tag), attributes, kids);
export const svg = (tag, attributes = {}, ...kids) => dress(document.createElementNS(SVG, tag), attributes, kids);

export function setText(node, words) {
  const text = words === null || words === undefined ? "" : String(words);
  if (node.textContent !== text) node.textContent = text;
}

// Rows that stay the same nodes while their figures change, so that a tap or a reader's place is never lost.
export function syncRows(box, rows, onTap) {
  const kept = new Map([...box.children].map((node) => [node.dataset.row, node]));
  let place = null;
  for (const row of rows) {
    let node = kept.get(row.id);
    kept.delete(row.id);
    if (!node) {
      node = el("button", { type: "button", class: "row" }, el("span"), el("b"), el("small"));
      node.dataset.row = row.id;
      node.addEventListener("click", () => node.basis && onTap(node.basis));
    }
    const [name, value, note] = node.children;
    setText(name, row.name);
    setText(value, row.value);
    setText(note, row.note || "");
    note.hidden = !row.note;
    node.classList.toggle("doubt", Boolean(row.doubt));
    if (row.css) node.classList.add(row.css);
    if (row.css === "axis") node.tabIndex = -1;
    node.basis = row.basis;
    if (row.draw) {
      const drawn = row.draw();
      if (node.children[3]) node.children[3].replaceWith(drawn);
      else node.append(drawn);
    }
    const next = place ? place.nextSibling : box.firstChild;
    if (next !== node) box.insertBefore(node, next);
    place = node;
  }
  for (const gone of kept.values()) gone.remove();
}
