// What is on the phone now?  Takes the stream into one state and paints the Bench room from it.
import { by, el, setText, syncRows } from "./dom.js";
import { Stream, benchNow, benchRate } from "./stream.js";
import { showBook } from "./book.js";
import { Marks } from "./marks.js";
import { Plan } from "./plan.js";
import { besideRows, clockLines } from "./rows.js";
import { drawStrip } from "./strip.js";
import { Watch } from "./watch.js";
import { ageLine, alertKey, basisLine, blindFigure, numberOf, cards, phaseOf, reading, span, unsavedLine, whyOf, wordOf } from "./words.js";
import * as voice from "./voice.js";

const HISTORY_S = 3600, MOST_POINTS = 4000, PAINT_MS = 250, BASIS_MS = 15000, LOST_SAID_S = 120, RISING_MS = 2500, TICK_MS = 60000, LOST_AGAIN_MS = 10000;
const PHASES = { idle: "Between pours", pouring: "Cup in hand", closing: "Lid", kicked: "Kicked", filling: "Filling", holding: "Holding", venting: "Venting", demolding: "Parts in their molds" };

const S = { bench: { channels: [], molds: [], lots: [], pots: [], cups: [], units: { pressure: "psi", temperature: "C" }, utc_offset_s: 0 },
  readings: new Map(), cards: new Map(), alerts: new Map(), said: [], findings: [], plan: null, stale: [], traces: new Map(), forecasts: new Map() };
let isKnown = false, isBlind = false, basis = null, basisUntil = 0, lastStripMs = -PAINT_MS, lastRisingMs = 0, lastTickMs = 0, lastLostMs = -LOST_AGAIN_MS, isLostSaid = false, lastPhase = { name: "idle" };
const spoken = new Set();
const plan = new Plan(S);
const marks = new Marks(S, (words) => { voice.tone("attention"); if (voice.isStarted()) voice.speak(words); });
const watch = new Watch(S, marks);
marks.plan = plan;
plan.marks = marks;

// ------------------------------------------------------------------------------------------------ the stream

function take(kind, said) {
  if (kind === "snapshot") begin(said);
  else if (kind === "state") {
    for (const r of said.readings) see(r);
    for (const card of said.cards) S.cards.set(card.of + "/" + card.id, card);
  } else if (kind === "beat") Object.assign(S, { stale: said.stale, plan: said.plan });
  else if (kind === "finding") {
    S.findings = [...S.findings.slice(-80), said.finding];
    expect(said.finding);
    plan.see(said.finding);
  }
  else if (kind === "alert") S.alerts.set(alertKey(said.alert), said.alert);
  else if (kind === "say") hearSay(said.say);
  if (kind !== "state" || performance.now() - lastStripMs > PAINT_MS) paint();
}

function begin(all) {
  isKnown = true;
  Object.assign(S, { bench: all.bench, said: all.said, findings: all.findings, plan: all.plan, stale: all.stale });
  S.readings = new Map(all.readings.map((r) => [r.channel, r]));
  S.cards = new Map(all.cards.map((card) => [card.of + "/" + card.id, card]));
  S.alerts = new Map(all.alerts.map((a) => [alertKey(a), a]));
  setText(by("title"), all.bench.name || "benchd");
  for (const found of all.findings) expect(found);
  loadTraces();
  for (const say of all.said) if (say.say_until < benchNow()) spoken.add(say.t + say.code);
  for (const say of all.said) announce(say);
}

// A kick as it is expected, up to the pot's closing: what it is later held against.
function expect(found) {
  if (found.finding === "kick_forecast" && !cards(S, "pot").some((p) => p.load && found.t > Number(p.load.split("-").pop()) && found.pot === p.id)) S.forecasts.set(found.pour, found);
}

function see(r) {
  S.readings.set(r.channel, r);
  const trace = S.traces.get(r.channel);
  if (!trace || r.value === null) return;
  if (trace.length && Math.floor(trace[trace.length - 1][0]) === Math.floor(r.t)) trace.pop();
  trace.push([r.t, r.value]);
  if (trace.length > MOST_POINTS) trace.shift();
}

async function loadTraces() {
  const wanted = S.bench.channels.filter((c) => c.role === "cup_temperature" || c.role === "pot_pressure");
  for (const channel of wanted) {
    if (!S.traces.has(channel.id)) S.traces.set(channel.id, []);
    const url = "/api/v0/history?channel=" + encodeURIComponent(channel.id) + "&since=" + (benchNow() - HISTORY_S).toFixed(0) + "&points=800";
    try {
      const past = await (await fetch(url)).json(), live = S.traces.get(channel.id), first = live.length ? live[0][0] : 1e12;
      const before = [...past.minutes.map((m) => [m[0], m[2]]), ...past.points].filter((p) => p[0] < first);
      S.traces.set(channel.id, [...before, ...live]);
    } catch { /* the live readings draw the curve from here on */ }
  }
}

function hearSay(say) {
  S.said = [...S.said.slice(-49), say];
  announce(say);
}

// Tone first, then the words, a shake; nothing once it is stale, nothing twice.
function announce(say) {
  if (spoken.has(say.t + say.code) || say.say_until < benchNow()) return;
  spoken.add(say.t + say.code);
  if (!watch.isFor(say)) return;
  voice.shake(say.priority);
  if (!voice.isStarted()) return;
  voice.tone(say.tone);
  setTimeout(() => { if (say.say_until >= benchNow()) voice.speak(say.say, say.priority === 1); }, say.priority === 1 ? 700 : 450);
}

function gap(isLost) {
  isBlind = isLost;
  lastLostMs = -LOST_AGAIN_MS;
  isLostSaid = false;
  if (isLost && isKnown) voice.shake(1);
  if (!isLost) loadTraces();
  paint();
}

// ------------------------------------------------------------------------------------------------ the Bench room

function paint() {
  const now = benchNow(), stopped = S.stale.includes("engine");
  if (isBlind || stopped) return paintBlind(stopped);
  if (!isKnown) return;
  const phase = phaseOf(S), word = wordOf(S, phase, now), figure = numberOf(S, phase, now);
  by("top").className = word.priority <= 2 ? "p" + word.priority : "";
  setText(by("phase"), (word.alert && whyOf(S, word.alert)) || PHASES[phase.name] + (phase.pot ? ", " + (S.bench.pots.find((p) => p.id === phase.pot.id) || phase.pot).name : phase.pour ? ", pour " + phase.pour.number : "") + watch.words);
  by("word").setAttribute("aria-live", word.priority === 1 ? "assertive" : "polite");
  setText(by("word"), word.text);
  setText(by("unsaved"), unsavedLine(S, word));
  showFigure(figure);
  lastPhase = phase;
  document.body.classList.toggle("busy", phase.name !== "idle");
  document.body.classList.add("known"); // nothing is shown before it stands where it stays
  marks.paint(phase);
  plan.paint(phase);
  watch.paint(now);
  paintSaid(now);
  if (performance.now() - lastStripMs > PAINT_MS - 10) {
    lastStripMs = performance.now();
    drawStrip(by("strip"), S, phase, now, tapped);
    syncRows(by("lines"), [...clockLines(S, phase, now), ...plan.rows(phase, now)], tapped);
    syncRows(by("beside"), besideRows(S, phase, now), tapped);
  }
  paintBasis(now);
  sound(phase);
}

function showFigure(figure) {
  setText(by("figure"), figure.text);
  setText(by("unit"), figure.unit);
  setText(by("caption"), figure.caption);
  by("figure").className = figure.text.length > 4 ? "long" : "";
  by("number").figure = figure;
  fit();
}

// The word as large as it may be with the number whole below it; looked at only when the words or the room change.
let fitted = "";
function fit() {
  const top = by("top"), word = by("word"), key = word.textContent + by("unsaved").textContent + by("figure").className + top.clientWidth + "x" + top.clientHeight + top.className;
  if (key === fitted) return;
  fitted = key;
  for (const share of [1, 0.86, 0.74, 0.64, 0.55]) {
    top.style.setProperty("--fit", share);
    if (top.scrollHeight <= top.clientHeight) break;
  }
}

function paintBlind(isStopped) {
  by("top").className = "blind";
  document.body.classList.add("known");
  setText(by("phase"), "");
  setText(by("unsaved"), "");
  by("word").setAttribute("aria-live", "assertive");
  setText(by("word"), "Blind. Watch the dial, use the timer.");
  showFigure(blindFigure(S, lastPhase, stream.silentS(), benchNow(), isStopped));
  const box = by("strip");
  box.classList.add("blind");
  box.dataset.kind = "blind";
  if (!box.querySelector(".plain")) box.replaceChildren(el("p", { class: "plain" }, "What is shown here is old. Is the bench's computer on, is this phone on its network?"));
  by("beside").replaceChildren();
  by("lines").replaceChildren();
  paintBasis(benchNow());
  if (voice.isStarted() && performance.now() - lastLostMs > LOST_AGAIN_MS) {
    if (!isLostSaid) voice.speak("Blind. Watch the dial.", true);
    isLostSaid = true;
    lastLostMs = performance.now();
    voice.tone("blind");
  }
}

function paintSaid(now) {
  const last = S.said[S.said.length - 1];
  setText(by("latest"), last && last.say !== by("word").textContent && now - last.t < LOST_SAID_S ? "“" + last.say + "” " + span(now - last.t) + " ago" : "");
  const list = by("said"), lines = [...S.said].reverse().slice(0, 12).map((u) => [u.t + u.code, timeOf(u.t) + "  " + u.say]);
  if (list.dataset.key === String(lines.length && lines[0][0]) && list.firstChild) return;
  list.dataset.key = String(lines.length && lines[0][0]);
  list.replaceChildren(...(lines.length ? lines.map(([, words]) => el("li", {}, words)) : [el("li", {}, "Nothing yet. What is spoken appears here.")]));
}

const timeOf = (t) => new Date((t + S.bench.utc_offset_s) * 1000).toISOString().slice(11, 19);

function tapped(what) {
  basis = what;
  basisUntil = performance.now() + BASIS_MS;
  paintBasis(benchNow());
}

function paintBasis(now) {
  const line = by("basis");
  if (!basis || performance.now() > basisUntil) {
    line.hidden = true;
    return;
  }
  line.hidden = false;
  setText(line, basisLine(basis));
  line.dataset.age = ageLine(basis, now); // drawn beside the words: a reader is told once, not each second
}

// Rising while the pot fills, a soft tick each minute while it holds: silence would be heard.
function sound(phase) {
  const at = performance.now();
  if (!voice.isStarted()) return;
  if (phase.name === "filling" && at - lastRisingMs > RISING_MS) {
    lastRisingMs = at;
    const gauge = reading(S, "pot_pressure", phase.pot.id), limits = S.bench.pots.find((p) => p.id === phase.pot.id);
    if (gauge && gauge.value !== null && limits) voice.rising(gauge.value / limits.target_kpa);
  }
  if (phase.name === "holding" && at - lastTickMs > TICK_MS / Math.max(1, benchRate())) {
    lastTickMs = at;
    voice.tone("tick", 0.15);
  }
}

new ResizeObserver(() => { fitted = ""; lastStripMs = -PAINT_MS; fit(); }).observe(by("top"));

// ------------------------------------------------------------------------------------------------ this phone

function tier() {
  if (!window.isSecureContext) return "Plain HTTP: the screen may sleep, and there are no alerts on the lock screen. Set the phone's screen to stay on.";
  return navigator.wakeLock ? "" : "This browser can't keep the screen on: set the phone's screen to stay on.";
}

const TESTS = { tone: () => voice.tone("alarm"), speech: () => voice.speak("Lid now."), shake: () => voice.shake(1), awake: () => voice.stayAwake() };

by("start").addEventListener("click", async () => {
  await voice.start();
  voice.tone("chime");
  by("start").hidden = true;
  setText(by("start-why"), "Sound is on: this phone sounds and speaks. Try each.");
});
for (const button of by("tests").querySelectorAll("[data-test]"))
  button.addEventListener("click", async () => setText(by("tested"), await TESTS[button.dataset.test]()));
by("number").addEventListener("click", () => tapped(by("number").figure && by("number").figure.basis));
setText(by("tier"), tier());

function room() {
  const isBook = location.hash === "#book";
  by("bench").hidden = isBook;
  by("book").hidden = !isBook;
  by("foot").hidden = isBook;
  by("to-bench").toggleAttribute("aria-current", !isBook);
  by("to-book").toggleAttribute("aria-current", isBook);
  if (isBook) showBook(by("book"), S);
}
window.addEventListener("hashchange", room);

const stream = new Stream(take, gap);
setInterval(paint, PAINT_MS);
room();
if (window.isSecureContext && navigator.serviceWorker) navigator.serviceWorker.register("/sw.js").catch(() => {});
