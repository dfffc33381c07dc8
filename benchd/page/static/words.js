// What is the one sentence now, and the one number?  The phase, its words and its figure from what the stream told.
const PSI_PER_KPA = 1 / 6.894757;
const HANDS_ON = ["mixing", "pouring"];

export function pressure(kpa, unit, places = 1) {
  const value = unit === "psi" ? kpa * PSI_PER_KPA : unit === "bar" ? kpa / 100 : kpa;
  return (value + 0).toFixed(unit === "bar" ? places + 1 : places).replace(/^-(0(\.0+)?)$/, "$1");
}
export const warmth = (c, unit) => (unit === "F" ? c * 1.8 + 32 : c).toFixed(1);
export function clock(seconds) {
  const s = Math.max(0, Math.floor(seconds)), h = Math.floor(s / 3600), m = Math.floor(s / 60) % 60;
  const tail = String(s % 60).padStart(2, "0");
  return h ? h + ":" + String(m).padStart(2, "0") + ":" + tail : m + ":" + tail;
}
export function span(seconds) {
  const s = Math.max(0, seconds);
  return s < 90 ? Math.round(s) + " s" : s < 5400 ? Math.round(s / 60) + " min" : (s / 3600).toFixed(1) + " h";
}
export const moldName = (S, id) => (S.bench.molds.find((m) => m.id === id) || { name: String(id || "").toUpperCase() }).name;
export const cards = (S, of) => [...S.cards.values()].filter((card) => card.of === of);
export const reading = (S, role, of = "") => [...S.readings.values()].find((r) => r.role === role && (of === "" || r.of === of));
export const isGood = (r) => Boolean(r) && r.value !== null && r.quality !== "fault";
export const OLD_S = 15; // a probe silent for longer shows its age
export const alertKey = (a) => a.alert + "/" + (a.subject.channel || a.subject.source || a.subject.mold || a.subject.cup || a.subject.pot || a.subject.bench);

// Parts still in their molds, in the order they come due; the late edge is when they will be called.
export function partsDue(S) {
  const cures = cards(S, "mold").filter((card) => card.phase === "curing" || card.phase.startsWith("due-"));
  return cures.map((card) => ({ card, window: card.green_at && ["curing", "due-green"].includes(card.phase) ? card.green_at : card.hard_at }))
    .sort((a, b) => (a.window ? a.window[2] : 1e12) - (b.window ? b.window[2] : 1e12));
}

// The most urgent deadline first: a lid or air that is due is never replaced by a new mix.
export function phaseOf(S) {
  const pots = cards(S, "pot"), pours = cards(S, "pour");
  const filling = pots.find((p) => p.phase === "filling"), venting = pots.find((p) => p.phase === "venting");
  if (filling) return { name: "filling", pot: filling };
  const standing = pours.find((p) => p.phase === "standing" && (pots.find((x) => x.id === p.pot) || { phase: "idle" }).phase === "idle");
  if (standing) return { name: "closing", pour: standing };
  const working = pours.find((p) => HANDS_ON.includes(p.phase));
  if (working) return { name: "pouring", pour: working };
  if (venting) return { name: "venting", pot: venting };
  const kicked = pours.find((p) => p.phase === "kicked" && (pots.find((x) => x.id === p.pot) || { phase: "idle" }).phase === "idle");
  if (kicked) return { name: "kicked", pour: kicked };
  const held = pots.find((p) => p.phase === "fed" || p.phase === "isolated");
  if (held) return { name: "holding", pot: held };
  return partsDue(S).length ? { name: "demolding" } : { name: "idle" };
}

export const kickOf = (S, potId) => (cards(S, "pour").find((p) => p.kick && (p.pot === potId || !p.pot)) || {}).kick;

// What stands behind an alarm of the watch itself, which says no more than "look at the page".
const NOTICES = { "no-listener": "listener", "name-contested": "contested", "journal-failing": "journal", "source-down": "source" };
export function whyOf(S, alert) {
  const isCause = (f) => alert.active && (f.finding === "watcher_failed" ? alert.alert.startsWith("watch-") : f.finding === "bench_notice" && f.what === NOTICES[alert.alert]);
  return ([...S.findings].reverse().find(isCause) || { why: "" }).why.replace(/^(listener|contested|journal): /, "");
}

// What stands beside the word while the log is not written: what is said and marked now is lost if benchd ends.
export function unsavedLine(S, word) {
  const failing = [...S.alerts.values()].find((a) => a.alert === "journal-failing" && a.active);
  return failing && word.alert !== failing ? "Not saved: " + (whyOf(S, failing) || "the log is not written") + "." : "";
}

// Alarms that may be the word, the worst first.  Priority 2 gives way once it is heard or put away; in mid-pour it waits, as
// its voice does, until it has been said.
const HANDS_FULL = ["pouring", "closing", "filling"];
function alarmsOf(S, phase, now) {
  const wasSaid = (a) => S.said.some((u) => u.code === a.alert && u.t >= a.t);
  const isWord = (a) => a.priority === 1 || (!a.heard && !(a.shelved_until > now) && (!HANDS_FULL.includes(phase.name) || wasSaid(a)));
  return [...S.alerts.values()].filter((a) => a.active && a.priority <= 2 && a.text && isWord(a)).sort((a, b) => a.priority - b.priority || b.t - a.t);
}

// The word: what cannot wait, then what was just said, then what else is wrong, then what the phase is about.
export function wordOf(S, phase, now) {
  const alarms = alarmsOf(S, phase, now), said = S.said[S.said.length - 1], isFresh = said && said.priority >= 3 && said.say_until >= now;
  if (alarms.length && (alarms[0].priority === 1 || !isFresh)) return { text: alarms[0].text, priority: alarms[0].priority, alert: alarms[0] };
  if (isFresh) return { text: said.say, priority: 3 };
  return { text: phaseWord(S, phase, now), priority: 4 };
}

function phaseWord(S, phase, now) {
  if (phase.name === "pouring") {
    const next = phase.pour.molds.find((m) => !phase.pour.poured.includes(m));
    if (!next) return phase.pour.phase === "mixing" ? "Mixing." : "Pouring.";
    return phase.pour.phase === "mixing" ? "Mixing. First " + moldName(S, next) + "." : moldName(S, next) + " next.";
  }
  if (phase.name === "closing") return "All poured. Lid and air.";
  if (phase.name === "kicked") return "Kicked. The cup is hot.";
  if (phase.name === "filling") return "Keep filling.";
  if (phase.name === "venting") return "Slowly.";
  if (phase.name === "holding") return holdWord(phase.pot);
  if (phase.name === "demolding") return partWord(S, partsDue(S)[0]);
  return idleWord(S);
}

function holdWord(pot) {
  if (pot.reads === "blind") return "Gauge blind. Watch the dial.";
  if (pot.hold_done_t) return "Hold done. Mask on, vent slowly.";
  const verdicts = { "tight-to": "Holding. No leak seen.", "cant-tell": "Holding. Can't tell yet.", "no-leak-seen": pot.why === "the pot is fed" ? "No leak seen, air on." : "No leak seen. Is the inlet shut?", slow: "Slow leak. Check the gasket after this load.", fast: "Leaking fast. Bleed shut? Hands off clamps." };
  return verdicts[pot.verdict] || (pot.phase === "fed" ? "At pressure, air on." : "Holding.");
}

function partWord(S, part) {
  const name = moldName(S, part.card.id);
  if (part.card.phase === "due-green") return name + " due. Pull while green.";
  if (part.card.phase === "due-going-hard") return name + " going hard.";
  if (part.card.phase === "due-hard") return name + " due. Try the sprue first.";
  if (part.card.test_t) return name + " ready to test. Try the sprue first.";
  return name + (part.card.green_at ? " next, green." : " next, hard.");
}

function idleWord(S) {
  if (!S.bench.channels.length) return "Nothing is watched yet.";
  if (!S.readings.size) return "No reading yet. Is the board plugged in?";
  if ([...S.readings.values()].every((r) => !isGood(r))) return "No probe answers.";
  const last = (kind) => [...S.findings].reverse().find((f) => f.finding === kind), damp = last("room_damp"), wet = last("air_wet");
  const room = [...S.readings.values()].find((r) => r.role === "room_humidity" && isGood(r)), rh = damp && Math.round(room ? room.value : damp.rh_pct);  // now, not when it began
  if (damp && damp.active) return damp.level === "hold-off" ? "Dry first. Room " + rh + " %." : "Nothing mixed. Room " + rh + " %: cap the resin.";
  return wet && wet.active ? "Tank air " + (wet.basis === "measured" ? "is" : "may be") + " wet. Dump and refill." : "Nothing mixed.";
}

// While the bench is silent: the mix clock the phone knows, else how long it has been silent.
export function blindFigure(S, phase, silentS, now, isStopped) {
  const source = isStopped ? "the daemon stands still" : "no word from the daemon", quiet = span(silentS);
  if (phase.pour) return { ...mixClock(phase.pour, now), caption: "since A met B; bench silent for " + quiet };
  const [text, unit] = quiet.split(" ");
  return { text, unit, caption: S.readings.size ? "since the bench was last heard" : "and the bench was not heard yet", basis: { what: "Silence", basis: "blind", source, t: null } };
}

// The number: one figure, its unit, what it is, and where it comes from.
export function numberOf(S, phase, now) {
  if (phase.pour) return mixClock(phase.pour, now);
  if (phase.name === "filling" || phase.name === "venting") return potFigure(S, phase.pot, now);
  if (phase.name === "holding") return holdFigure(S, phase.pot, now);
  if (phase.name === "demolding") return partFigure(S, partsDue(S)[0], now);
  return idleFigure(S, now);
}

// A probe that reads too seldom to show a kick is marked as long as its pour is open.
export const slowProbe = (pour) => (pour.probe_every_s ? "probe reads once in " + span(pour.probe_every_s) + ", too slow for a kick" : "");

function mixClock(pour, now) {
  const how = pour.inferred ? "inferred from the cup's curve" : "from the mix mark";
  const caption = "since A met B" + (slowProbe(pour) ? "; " + slowProbe(pour) : "");
  return { text: clock(now - pour.mix_t), unit: "", caption, basis: { what: "Mix clock", basis: pour.inferred ? "measured" : "typed", source: how, t: pour.mix_t } };
}

function potFigure(S, pot, now) {
  const gauge = reading(S, "pot_pressure", pot.id), unit = S.bench.units.pressure;
  const basis = { what: potName(S, pot.id), basis: isGood(gauge) ? "measured" : "blind", source: gauge ? gauge.channel : "no gauge", t: gauge && gauge.t };
  if (!isGood(gauge)) return { text: "?", unit, caption: "gauge blind", basis, doubt: true };
  const old = now - gauge.t > OLD_S ? ", " + span(now - gauge.t) + " old" : "";
  return { text: pressure(gauge.value, unit, 0), unit, caption: potName(S, pot.id) + old, basis };
}

function holdFigure(S, pot, now) {
  if (!pot.hold_at || pot.hold_done_t) return potFigure(S, pot, now);
  const left = pot.hold_at - now, basis = { what: "Hold done", basis: pot.hold_basis === "curve" ? "measured" : pot.hold_basis, source: "thinnest and slowest mold past gel, by the late edge", t: null };
  const label = pot.hold_label_at > now ? "; by the label " + Math.ceil((pot.hold_label_at - now) / 60) + " min" : "";
  if (left <= 0) return { text: "0", unit: "min", caption: "hold ends when pressure has been enough", basis };
  return left < 60 ? { text: String(Math.ceil(left)), unit: "s", caption: "to hold done" + label, basis } : { text: String(Math.ceil(left / 60)), unit: "min", caption: "to hold done" + label, basis };
}

function partFigure(S, part, now) {
  const basis = { what: moldName(S, part.card.id), basis: part.card.basis || "label", source: "its thinnest and thickest section, the mold's warmth and the lot's kick; called at the late edge", t: null };
  if (part.card.phase !== "curing") return { text: "due", unit: "", caption: moldName(S, part.card.id), basis };
  if (!part.window) return { text: "?", unit: "", caption: "no label known for this resin", basis: { ...basis, basis: "blind" }, doubt: true };
  const left = part.window[2] - now;
  return { text: String(Math.max(0, Math.ceil(left / 60))), unit: "min", caption: "at the latest, " + moldName(S, part.card.id), basis };
}

function idleFigure(S, now) {
  const plan = S.plan;
  if (!plan) return { text: "–", unit: "", caption: "no lot known: write its label into resins/", basis: { what: "Working time", basis: "blind", source: "no label", t: null } };
  const warm = warmth(plan.temp_c, S.bench.units.temperature) + " " + S.bench.units.temperature;
  const caption = "working time at " + warm + (plan.temp_basis === "measured" ? "" : " (no room probe)") + (plan.lot ? ", lot " + plan.lot : "");
  return { text: clock(plan.working_s), unit: "", caption, basis: { what: "Working time", basis: plan.basis, source: "nine in ten kick " + clock(plan.early_s) + " to " + clock(plan.late_s) + " after the mix, at " + warm, t: plan.t } };
}

export const potName = (S, id) => (S.bench.pots.find((p) => p.id === id) || { name: String(id) }).name;

export function basisLine(basis) {
  if (!basis) return "";
  return basis.what + ": " + basis.basis + " (" + basis.source + ").";
}

export function ageLine(basis, now) {
  return basis.t === null || basis.t === undefined ? "" : " " + span(now - basis.t) + " ago.";
}
