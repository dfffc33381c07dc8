// What was cast, and how did it come out?  The Casting book: loads and pours by day, molds, lots.
import { el } from "./dom.js";
import { ordersSection } from "./orders.js";
import { shelfSection } from "./shelf.js";
import { clock, pressure, span, warmth } from "./words.js";

let asked = 0;

export async function showBook(box, S) {
  const mine = ++asked;
  box.replaceChildren(el("p", { class: "plain" }, "Reading the log."));
  let all;
  try {
    const answer = await fetch("/api/v0/book");
    all = await answer.json();
    if (!answer.ok) throw new Error(all.why);
  } catch (error) {
    if (mine === asked) box.replaceChildren(el("p", { class: "plain" }, "The book can't be read now: " + error.message + ". The bench may still be watched; look at its room."));
    return;
  }
  if (mine === asked) box.replaceChildren(...pages(all));
}

const local = (all, t) => new Date((t + all.bench.utc_offset_s) * 1000).toISOString();
const moldOf = (all, id) => (all.bench.molds.find((m) => m.id === id) || { name: String(id).toUpperCase() }).name;
const lotOf = (all, id) => (all.bench.lots.find((x) => x.id === id) || { code: id ? String(id).toUpperCase() : "unknown" }).code;

function pages(all) {
  const loaded = new Set(all.loads.flatMap((load) => load.pours));
  const entries = [...all.loads.map((load) => ({ t: load.closed_t, node: () => loadPage(all, load) })),
    ...all.pours.filter((p) => !loaded.has(p.pour)).map((pour) => ({ t: pour.mix_t, node: () => pourPage(all, pour) }))].sort((a, b) => b.t - a.t);
  const out = [el("h2", {}, "Reports"), report("day", "today", "Today, on one page"), report("week", "last", "The week: what was wrong, what was learned"), report("orders", "all", "Orders: how far each is"), report("trim", "now", "To trim: what is out"), report("cost", "all", "What a part costs, and where the money goes"), report("scrap", "all", "What went wrong, and with what"), report("shopping", "now", "To buy, to make, to look at"), report("tomorrow", "next", "Tomorrow: what is planned, what to prepare"), el("h2", {}, "Pours and loads")];
  if (!entries.length) out.push(el("p", { class: "plain" }, "No pour yet. Press “A met B” in the Bench room, and the pour appears here."));
  let day = "";
  for (const entry of entries) {
    if (local(all, entry.t).slice(0, 10) !== day) out.push(el("h3", {}, (day = local(all, entry.t).slice(0, 10))));
    out.push(entry.node());
  }
  return [...out, ...moldPages(all), ...lotPages(all), ordersSection(all.bench.molds), shelfSection(), el("p", {}, el("button", { type: "button", class: "plain-button", on: { click: () => window.print() } }, "Print what is open"))];
}

const warmed = (all, c) => Math.round(Number(warmth(c, all.bench.units.temperature))) + " " + all.bench.units.temperature;
const report = (kind, id, words) => el("p", { class: "report" }, el("a", { href: "/report/" + kind + "/" + encodeURIComponent(id) }, words));

function facts(pairs) {
  return el("dl", {}, ...pairs.filter(([, value]) => value !== null && value !== undefined && value !== "").flatMap(([name, value]) => [el("dt", {}, name), el("dd", {}, value)]));
}

function loadPage(all, load) {
  const pot = all.bench.pots.find((p) => p.id === load.pot) || { name: load.pot || "pot" }, unit = all.bench.units.pressure;
  const pours = all.pours.filter((p) => load.pours.includes(p.pour)), molds = pours.flatMap((p) => p.molds || []);
  const head = local(all, load.closed_t).slice(11, 16) + "  Load " + load.number + ", " + pot.name + (molds.length ? ": " + molds.map((m) => moldOf(all, m)).join(", ") : "");
  const page = el("details", {}, el("summary", {}, head));
  page.addEventListener("toggle", () => { if (page.open && page.children.length === 1) fillLoad(page, all, load, pot, pours, unit); });
  return page;
}

function fillLoad(page, all, load, pot, pours, unit) {
  const leak = load.leak, drawing = el("div", {});
  page.append(drawing, facts([
    ["At pressure", load.at_pressure_t && local(all, load.at_pressure_t).slice(11, 19)],
    ["Before the kick", load.margin_s === undefined || load.margin_s === null ? null : span(load.margin_s)],
    ["Least pressure", load.min_kpa === undefined || load.min_kpa === null ? null : pressure(load.min_kpa, unit) + " " + unit],
    ["Leak", leak ? leak.verdict + ", " + pressure(leak.kpa_per_min, unit) + " " + unit + "/min, as a hole of " + leak.hole_mm.toFixed(2) + " mm" : { "tight-to": "none seen", "cant-tell": "can't tell", "no-leak-seen": "none seen; inlet not known to be shut" }[load.verdict]],
    ["Hold done", load.hold_done_t && local(all, load.hold_done_t).slice(11, 19)],
    ["Vent", load.vent_s === undefined || load.vent_s === null ? null : span(load.vent_s)],
    ["Opened", load.opened_t ? local(all, load.opened_t).slice(11, 19) : "not yet"]]), report("load", load.load, "The load on one page"), ...pours.flatMap((pour) => [el("h3", {}, "Pour " + pour.number), pourFacts(all, pour)]));
  drawing.append(drawn("load", load.load, "Load " + load.number + ", " + pot.name + ": pressure and cup over one clock, the hold, the kick, each mold"));
}

// A report's drawing, as the bench draws it: as narrow as the screen.
function drawn(kind, id, words) {
  const width = window.innerWidth < 560 ? "narrow" : "wide", image = el("img", { class: "drawn", alt: words, src: "/report/" + kind + "/" + encodeURIComponent(id) + "/drawing.svg?width=" + width });
  image.addEventListener("error", () => image.replaceWith(el("p", {}, "The drawing can't be made now.")));
  return image;
}

function pourPage(all, pour) {
  const head = local(all, pour.mix_t).slice(11, 16) + "  Pour " + pour.number + (pour.molds && pour.molds.length ? ": " + pour.molds.map((m) => moldOf(all, m)).join(", ") : "") + (pour.ended ? ", " + pour.ended : "");
  return el("details", {}, el("summary", {}, head), pourFacts(all, pour));
}

function pourFacts(all, pour) {
  const kick = pour.kick, outcomes = pour.outcomes.map((o) => moldOf(all, o.mold) + ": " + [o.grade, o.cause, o.feel].filter(Boolean).join(", ") + " after " + clock(o.t - pour.mix_t));
  return facts([
    ["Mixed", local(all, pour.mix_t).slice(11, 19) + (pour.inferred ? ", inferred from the cup" : "")], ["Lot", lotOf(all, pour.lot)],
    ["A and B", pour.a_g && pour.b_g ? pour.a_g + " g and " + pour.b_g + " g" : null],
    ["Kick", kick ? clock(kick.at - pour.mix_t) + " after the mix, from the " + (kick.basis === "curve" ? "curve" : "mark") : "not seen"],
    ["Peak", pour.peak ? warmed(all, pour.peak.temp_c) : null], ["Ran", pour.odd], ...outcomes.map((words) => ["Out", words])]);
}

function moldPages(all) {
  const out = [el("h2", {}, "Molds")];
  if (!all.molds.length) out.push(el("p", { class: "plain" }, "No mold on the shelf yet: add the first under The shelf, below."));
  for (const page of all.molds) {
    const mold = all.bench.molds.find((m) => m.id === page.id), causes = Object.entries(page.causes).map(([cause, n]) => cause + (n > 1 ? " " + n + " times" : "")).join(", ");
    out.push(el("details", {}, el("summary", {}, mold.code + "  " + mold.name + ": " + page.casts + " of " + mold.life + " casts"), facts([
      ["Came out", Object.entries(page.grades).filter(([, n]) => n).map(([grade, n]) => n + " " + grade).join(", ") || "nothing marked yet"], ["Went wrong", causes],
      ["Best demold", page.best_demold_s ? clock(page.best_demold_s) + " after the mix" : null], ["Traps", mold.traps], ["Stance", mold.stance], ["Sections", mold.thin_mm + " to " + mold.thick_mm + " mm"]]), report("mold", mold.id, "All its castings")));
  }
  return out;
}

function lotPages(all) {
  const out = [el("h2", {}, "Lots")];
  if (!all.lots.length) out.push(el("p", { class: "plain" }, "No lot on the shelf yet: add one under The shelf, below."));
  for (const page of all.lots) {
    const lot = all.bench.lots.find((x) => x.id === page.id), kicks = page.kicks, last = kicks[kicks.length - 1];
    const drift = kicks.length > 1 ? ((last[1] / kicks[0][1] - 1) * 100).toFixed(0) + " % against its first" : null;
    const node = el("details", {}, el("summary", {}, lot.code + "  " + lot.resin + (last ? ": last kick " + clock(last[1]) : ": no kick timed yet")), facts([
      ["Opened", lot.opened ? local(all, lot.opened).slice(0, 10) : null], ["Label", clock(page.pot_life_s) + " pot life at " + warmed(all, 23)], ["Kick drift", drift], ["Pours", String(page.pours)]]), report("lot", lot.id, "All its kicks"));
    if (kicks.length > 1) opened(node, () => drawn("lot", lot.id, "Lot " + lot.code + ": its kicks brought to " + warmed(all, 23) + ", against the label"));
    out.push(node);
  }
  return out;
}

// Drawn once, when its page is opened.
function opened(page, draw) {
  page.addEventListener("toggle", () => { if (page.open && !page.querySelector(".drawn")) page.append(draw()); });
}
