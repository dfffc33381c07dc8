// What is the whole shop doing now, and what do its books say?  One question every two seconds; clocks run on between.
import { by, el, setText } from "./dom.js";

const EVERY_MS = 2000, LOST_MS = 7000, PAINT_MS = 250;
let shop = null, heardMs = 0, isAsking = false;

const sinceS = () => ((performance.now() - heardMs) / 1000) * (shop ? shop.rate : 1);

export function clock(seconds) {
  const s = Math.max(0, Math.floor(seconds)), h = Math.floor(s / 3600), m = Math.floor(s / 60) % 60;
  return (h ? h + ":" + String(m).padStart(2, "0") : String(m)) + ":" + String(s % 60).padStart(2, "0");
}
export const left = (seconds) => (seconds <= 0 ? "now" : seconds < 90 ? "in " + Math.ceil(seconds) + " s" : seconds < 5400 ? "in " + Math.ceil(seconds / 60) + " min" : "in " + (seconds / 3600).toFixed(1) + " h");

async function ask() {
  if (isAsking) return;
  isAsking = true;
  try {
    const answer = await fetch("/api/v0/wall", { signal: AbortSignal.timeout(5000) });
    if (answer.status === 401) location.assign("/pair");
    if (answer.ok) [shop, heardMs] = [await answer.json(), performance.now()];
  } catch { /* said by paint once it lasts */ } finally { isAsking = false; }
  paint();
}

// ------------------------------------------------------------------------------------------------ the wall

function lineOf(line) {
  const then = line.in_s === undefined ? "" : line.then + " " + left(line.in_s - sinceS());
  const since = line.for_s === undefined ? "" : clock(line.for_s + sinceS());
  return el("p", { class: line.doubt ? "doubt" : null }, el("span", {}, line.what + ": " + line.words), el("b", {}, [since, then].filter(Boolean).join(", ")));
}

function benchRow(bench) {
  const word = bench.blind ? "Blind: " + bench.blind : bench.word || (bench.lines.length ? "" : "Between pours");
  const css = "bench" + (bench.blind ? " blind" : bench.word ? " p" + bench.priority : "");
  return el("article", { class: css }, el("h2", {}, bench.name), word ? el("p", { class: "word" }, word) : null, ...(bench.blind ? [] : bench.lines.map(lineOf)));
}

function dueRow(due) {
  const seconds = due.in_s - sinceS();
  const waits = due.words === "once vented", isNow = seconds <= 0 && !waits;
  return el("li", { class: isNow ? "now" : null }, el("span", {}, due.what + ", " + due.words + ": " + due.bench), el("b", {}, waits ? "waits" : left(seconds)));
}

function paint() {
  const silent = performance.now() - heardMs, lost = by("lost");
  lost.hidden = Boolean(shop) && silent < LOST_MS;
  if (!lost.hidden) setText(lost, shop ? "Blind for " + Math.round(silent / 1000) + " s: the shop's page does not answer. Look at the benches themselves." : "Connecting.");
  if (!shop) return;
  setText(by("title"), shop.name);
  document.body.classList.toggle("lost", !lost.hidden);
  const due = shop.due.map(dueRow);
  by("due").replaceChildren(...(due.length ? due : [el("li", {}, "Nothing is in a mold.")]));
  const rows = shop.benches.map(benchRow);
  document.documentElement.dataset.benches = rows.length <= 4 ? "few" : rows.length <= 12 ? "some" : "many";
  by("benches").replaceChildren(...(rows.length ? rows : [el("p", { class: "plain" }, "No bench has been heard yet. Give one an [mqtt] table with this broker, and it appears.")]));
}

// ------------------------------------------------------------------------------------------------ the books

const day = (t) => (t ? new Date(t * 1000).toISOString().slice(0, 10) : "–"), code = (id) => String(id || "–").toUpperCase(), figure = (n, places = 0) => (n === null || n === undefined ? "–" : Number(n).toFixed(places));

function table(title, empty, heads, rows) {
  const cell = (tag, words, n) => el(tag, { class: n ? "n" : null }, words);
  const body = rows.length ? el("table", {}, el("thead", {}, el("tr", {}, ...heads.map(([name, n]) => cell("th", name, n)))), el("tbody", {}, ...rows.map((row) => el("tr", {}, ...row.map((words, at) => cell("td", words, heads[at][1])))))) : el("p", { class: "plain" }, empty);
  return el("section", {}, el("h2", {}, title), body);
}

function pages(all) {
  const wrong = [...all.twins.map((x) => [x.bench, "two benches send under this name"]), ...all.clocks.map((x) => [x.bench, "its clock is " + Math.round(Math.abs(x.skew_s) / 60) + " min " + (x.skew_s < 0 ? "behind" : "ahead")]),
    ...all.contested.map((x) => [x.bench, x.times + " records came twice and differ: a copied journal"]), ...all.refused.map((x) => [x.topic, x.times + " refused: " + x.why])];
  return [
    table("Lots that run odd on several benches", "No lot has run odd on two benches.", [["Lot"], ["Benches", 1], ["Odd pours", 1], ["Last"]], all.odd_lots.map((x) => [code(x.lot), x.odd_benches + " of " + x.benches, x.odd + " of " + x.pours, day(x.last_t)])),
    table("Lots by bench", "No pour named its lot yet.", [["Lot"], ["Bench"], ["Pours", 1], ["Kick s", 1], ["Odd", 1]], all.lots.map((x) => [code(x.lot), x.bench, x.pours, figure(x.kick_s), x.odd])),
    table("Gaskets that leak", "No load yet.", [["Bench"], ["Pot"], ["Leaky loads", 1], ["kPa/min", 1], ["Last leak"]], all.gaskets.map((x) => [x.bench, x.pot, x.leaky + " of " + x.loads, figure(x.kpa_per_min, 2), day(x.last_leak_t)])),
    table("Scrap and seconds", "Every part that was judged was good.", [["Bench"], ["Cause"], ["Scrap", 1], ["Seconds", 1], ["Last"]], all.scrap.map((x) => [x.bench, x.cause, x.scrap, x.seconds, day(x.last_t)])),
    table("Molds lent between benches", "No mold was cast on two benches.", [["Mold"], ["Bench"], ["Casts", 1], ["Last"]], all.lent_molds.map((x) => [code(x.mold), x.bench, x.casts, day(x.last_t)])),
    table("Wrong with the records", "Nothing.", [["Where"], ["What"]], wrong),
  ];
}

async function answered(path) {
  const answer = await fetch(path), said = await answer.json();
  if (!answer.ok) throw new Error(said.why);
  return said;
}

async function showBooks() {
  by("pages").replaceChildren(el("p", { class: "plain" }, "Reading the database."));
  try {
    by("pages").replaceChildren(...pages(await answered("/api/v0/books")));
  } catch (error) {
    by("pages").replaceChildren(el("p", { class: "plain" }, "The books can't be read now: " + error.message + ". The wall does not need them."));
  }
}

by("recall-form").addEventListener("submit", async (event) => {
  event.preventDefault();
  setText(by("lot-wrong"), "");
  try {
    const found = await answered("/api/v0/recall?lot=" + encodeURIComponent(by("lot").value));
    by("recalled").replaceChildren(table(found.parts.length + " parts of " + code(found.lot), "No part was cast from it.", [["Bench"], ["Mold"], ["Poured"], ["Came out"]], found.parts.map((x) => [x.bench, code(x.mold), day(x.mix_t), [x.grade, x.cause].filter(Boolean).join(", ") || (x.pulled_t ? "not judged" : "not pulled")])));
  } catch (error) {
    setText(by("lot-wrong"), error.message.replace(/^lot: /, ""));
  }
});

function room() {
  const isBooks = location.hash === "#books";
  by("wall").hidden = isBooks;
  by("books").hidden = !isBooks;
  for (const [id, is] of [["to-wall", !isBooks], ["to-books", isBooks]]) is ? by(id).setAttribute("aria-current", "page") : by(id).removeAttribute("aria-current");
  if (isBooks) showBooks();
}

addEventListener("hashchange", room);
room();
ask();
setInterval(ask, EVERY_MS);
setInterval(paint, PAINT_MS);
