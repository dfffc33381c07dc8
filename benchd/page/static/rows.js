// What stands beside the drawing?  Probes, molds on their way out, and a line for each other pot and cup.
import { svg } from "./dom.js";
import { OLD_S, alertKey, cards, clock, isGood, moldName, partsDue, potName, pressure, reading, slowProbe, span, warmth, whyOf, wordOf } from "./words.js";

const partPhrase = { "due-green": "due, green", "due-going-hard": "going hard", "due-hard": "due, hard", waiting: "waits", curing: "cures" };

const untilOf = (parts, now) => Math.max(now + 600, ...parts.map((p) => (p.window ? p.window[2] : 0)));

// The molds in the order they come due: the window hatched between its edges, its likely time a bar, now a notch.
export function partRows(S, now, room = 400) {
  const parts = partsDue(S), until = untilOf(parts, now);
  return parts.map(({ card, window }) => ({
    id: card.id,
    name: moldName(S, card.id),
    value: card.phase !== "curing" ? partPhrase[card.phase] || card.phase : window ? (card.test_t ? "ready to test, due " : "") + fromTo(S, window, now) + (card.green_at ? ", green" : ", hard") : "no label",
    note: "",
    basis: { what: moldName(S, card.id), basis: card.basis || "blind", source: (card.limit ? "its " + card.limit + " section rules; " : "") + "early, likely and late edge of the window", t: null },
    draw: () => windowBar(window, now, until, room),
  }));
}

// The clock under the molds: now and two numbers.
export function partScale(S, now, room) {
  const until = untilOf(partsDue(S), now), x = across(now, until, room), minutes = (until - now) / 60, step = [5, 10, 15, 20, 30, 60, 120].find((m) => minutes / m <= 3) || 240;
  return { id: "scale", name: "", value: "", note: "", css: "axis", basis: null, draw: () => {
    const root = svg("svg", { viewBox: `0 0 ${room} 18`, role: "img", "aria-label": "Minutes from now" }), label = (t, words, anchor) => root.append(svg("text", { x: x(t), y: 14, class: "lab soft", "text-anchor": anchor, "font-size": 13 }, words));
    label(now, "now", "middle");
    for (const n of [1, 2]) if (n * step < minutes * 0.94) label(now + n * step * 60, "+" + n * step + " min", "middle");
    return root;
  } };
}

const across = (now, until, room) => (t) => 14 + ((Math.min(Math.max(t, now - 60), until) - now + 60) / (until - now + 60)) * (room - 20);

// A window that is over while a pot is still closed waits for the pot: nothing is due under pressure.
function fromTo(S, window, now) {
  const minutes = (t) => Math.ceil((t - now) / 60);
  if (window[2] <= now) return cards(S, "pot").some((p) => p.phase !== "idle") ? "once vented" : "any minute";
  const early = minutes(window[0]), late = minutes(window[2]);
  return (window[0] <= now ? "within " : early === late ? "in " : early + " to ") + late + " min";
}

function windowBar(window, now, until, room) {
  const x = across(now, until, room), root = svg("svg", { viewBox: `0 0 ${room} 24`, "aria-hidden": "true" });
  if (window && window[2] > now) {
    root.append(svg("rect", { x: x(window[0]), y: 4, width: Math.max(3, x(window[2]) - x(window[0])), height: 14, fill: "url(#doubt)", class: "reached" }));
    root.append(svg("rect", { x: x(window[1]) - 3, y: 0, width: 6, height: 22, class: "solid" }));
  }
  root.append(svg("path", { class: "notch", d: `M${x(now) - 8} 24h16l-8 -14z` }));
  return root;
}

const NEEDED = [["cup_temperature", "the cup"], ["pot_pressure", "the pot"], ["room_temperature", "the room's warmth"],
  ["room_humidity", "the room's damp"], ["tank_pressure", "the tank"], ["mold_temperature", "the molds' warmth"]];
const NAMES = { cup_temperature: "Cup", pot_pressure: "Pot", pot_gas_temperature: "Gas in the pot", mold_temperature: "Mold", room_temperature: "Room",
  room_humidity: "Damp", barometer: "Air pressure", tank_pressure: "Tank", tank_temperature: "Tank air", scale: "Scale" };

// Every probe with its value, age and state; what has no probe is named last.
export function probeRows(S, now) {
  const rows = S.bench.channels.map((channel) => {
    const r = S.readings.get(channel.id), good = isGood(r), isOld = r && now - r.t > OLD_S, of = channel.of && channel.role.startsWith("pot") ? potName(S, channel.of) : NAMES[channel.role];
    return {
      id: channel.id,
      name: of || channel.role,
      value: good ? shown(S, channel.role, r.value) : r ? "blind" : "not heard yet",
      note: isOld ? span(now - r.t) + " old" : good && r.quality === "good" ? "" : r ? r.why || r.quality : "",
      doubt: !good || isOld || r.quality !== "good",
      basis: { what: channel.id, basis: good ? "measured" : "blind", source: channel.id + (r && r.why ? ", " + r.why : ""), t: r ? r.t : null },
    };
  });
  const missing = NEEDED.filter(([role]) => !S.bench.channels.some((c) => c.role === role)).map(([, name]) => name);
  if (missing.length) rows.push({ id: "missing", name: "Not watched", value: missing.join(", "), note: "", doubt: true, css: "whole", basis: { what: "Not watched", basis: "blind", source: "no channel in bench.toml", t: null } });
  return rows;
}

export function shown(S, role, value) {
  const units = S.bench.units;
  if (role.endsWith("_pressure")) return pressure(value, units.pressure) + " " + units.pressure;
  if (role.endsWith("_temperature")) return warmth(value, units.temperature) + " " + units.temperature;
  return role === "room_humidity" ? Math.round(value) + " % RH" : role === "barometer" ? value.toFixed(1) + " kPa" : value.toFixed(1) + " g";
}

// Alarms besides the one that is the word: still on, or over and not yet heard; and what is only logged.
export function alertRows(S, phase, now) {
  const word = wordOf(S, phase, now).alert;
  const on = [...S.alerts.values()].filter((a) => a.active || (!a.heard && a.priority <= 2)).sort((a, b) => b.active - a.active || a.priority - b.priority || b.t - a.t);
  const rest = on.filter((a) => a !== word);
  return rest.map((a) => ({ id: "alert " + alertKey(a), name: a.text || a.alert, value: a.active ? (a.heard ? "on, heard" : "on") : "over, not heard", note: whyOf(S, a),
    basis: { what: a.text || a.alert, basis: "measured", source: a.alert, t: a.t } }));
}

// The last word of a mold's name, as a caster says it: "arms", "cloak".
const short = (S, id) => moldName(S, id).split(" ").pop();
const inPot = (S, pot) => cards(S, "mold").filter((m) => m.load && m.load === pot.load).map((m) => short(S, m.id));

// One line for each pot and cup whose number is not the one shown: "Barrel  42 psi, 9 min, arms, cloak".
export function clockLines(S, phase, now) {
  const lines = [], unit = S.bench.units.pressure;
  for (const pot of cards(S, "pot")) {
    const isShown = phase.pot && phase.pot.id === pot.id && ["filling", "venting"].includes(phase.name);
    if (pot.phase === "idle" || isShown) continue;
    const gauge = reading(S, "pot_pressure", pot.id), good = isGood(gauge), left = pot.hold_at && !pot.hold_done_t ? pot.hold_at - now : null, own = phase.pot && phase.pot.id === pot.id;
    const clockWords = own || left === null ? null : left > 60 ? Math.ceil(left / 60) + " min" : left > 0 ? Math.ceil(left) + " s" : "hold ends";
    lines.push({ id: "pot " + pot.id, name: potName(S, pot.id), doubt: !good, note: "",
      value: [good ? pressure(gauge.value, unit, own ? 1 : 0) + " " + unit : "blind", pot.hold_done_t && !own ? "hold done" : clockWords, ...inPot(S, pot)].filter(Boolean).join(", "),
      basis: { what: potName(S, pot.id), basis: good ? "measured" : "blind", source: (gauge ? gauge.channel : "no gauge") + (pot.margin_s > 0 ? "; up " + span(pot.margin_s) + " before the kick" : ""), t: gauge ? gauge.t : null } });
  }
  for (const pour of cards(S, "pour")) {
    if (["idle", "curing"].includes(pour.phase) || (phase.pour && phase.pour.id === pour.id) || (pour.phase === "kicked" && phase.pot && phase.pot.id === pour.pot && phase.name !== "filling")) continue;
    const kick = pour.kick, molds = (pour.molds || []).filter((m) => !(pour.poured || []).includes(m)).map((m) => short(S, m));
    lines.push({ id: "cup " + pour.id, name: "Pour " + pour.number, doubt: false, note: "",
      value: [clock(now - pour.mix_t), kick ? (kick.found ? "kicked" : "kick " + clock(kick.early - pour.mix_t) + " to " + clock(kick.late - pour.mix_t)) : null, ...(pour.phase === "standing" ? [] : molds)].filter(Boolean).join(", "),
      basis: { what: "Pour " + pour.number, basis: pour.inferred ? "measured" : "typed", source: pour.inferred ? "inferred from the cup's curve" : "from the mix mark", t: pour.mix_t } });
  }
  return lines;
}

// Below, or beside where there is room: alarms that are not the word, cups still hot, the molds.
export function besideRows(S, phase, now) {
  const rows = alertRows(S, phase, now);
  for (const pour of cards(S, "pour")) {
    const cup = reading(S, "cup_temperature", pour.id);
    if (pour.phase === "idle" || (phase.pour && phase.pour.id === pour.id) || !(isGood(cup) || slowProbe(pour))) continue;
    const unit = S.bench.units.temperature, good = isGood(cup);
    rows.push({ id: "heat " + pour.id, name: "Cup of pour " + pour.number, value: good ? warmth(cup.value, unit) + " " + unit : "no probe", note: slowProbe(pour), doubt: !good,
      basis: { what: "Cup", basis: good ? "measured" : "blind", source: cup ? cup.channel : "no probe", t: cup ? cup.t : null } });
  }
  return phase.name === "demolding" ? rows : rows.concat(partRows(S, now));
}
