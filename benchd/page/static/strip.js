// What does the phase look like?  Curves against their limits: hatching is doubt, a bar is a limit, a notch is now.
import { el, svg, syncRows } from "./dom.js";
import { OLD_S, alertKey, cards, isGood, kickOf, moldName, partsDue, potName, pressure, reading, slowProbe, span, warmth, whyOf, wordOf } from "./words.js";

const W = 400, H = 252, LEFT = 6, RIGHT = 394, TOP = 32, BOTTOM = 222;
const VENT_FASTEST_S = 20; // common practice: a bleed takes 20 to 60 s
const NEAR_ZERO_KPA = 6.9; // 1 psi

export class Plot {
  constructor(t0, t1, low, high, title) {
    this.t0 = t0;
    this.t1 = Math.max(t1, t0 + 1);
    this.low = low;
    this.high = Math.max(high, low + 0.1);
    this.root = svg("svg", { viewBox: `0 0 ${W} ${H}`, role: "img", "aria-label": title });
    this.root.append(svg("path", { class: "base", d: `M${LEFT} ${BOTTOM}H${RIGHT}` }));
  }
  x(t) { return LEFT + ((Math.min(Math.max(t, this.t0), this.t1) - this.t0) / (this.t1 - this.t0)) * (RIGHT - LEFT); }
  y(v) { return BOTTOM - ((Math.min(Math.max(v, this.low), this.high) - this.low) / (this.high - this.low)) * (BOTTOM - TOP); }
  add(tag, attributes, ...kids) { this.root.append(svg(tag, attributes, ...kids)); return this; }
  label(x, y, words, anchor = "start") { return this.add("text", { x, y, class: "lab", "text-anchor": anchor }, words); }
  curve(points, css = "line") {
    const inside = points.filter((p) => p[0] >= this.t0 && p[0] <= this.t1);
    if (inside.length < 1) return this;
    return this.add("path", { class: css, d: "M" + inside.map((p) => this.x(p[0]).toFixed(1) + " " + this.y(p[1]).toFixed(1)).join("L") });
  }
  // A bar with its words under it, or over it; at the end, the start or the middle, where the curve is not.
  limit(value, words, { over = false, at = "end", css = "bar" } = {}) {
    const y = this.y(value);
    this.add("path", { class: css, d: `M${LEFT} ${y}H${RIGHT}` });
    return this.label({ start: LEFT + 2, middle: W * 0.58, end: RIGHT - 2 }[at], over ? y - 7 : y + 22, words, at);
  }
  guide(value, words, more = {}) { return this.limit(value, words, { over: true, css: "thin", ...more }); }
  upright(t, words, css = "edge", anchor = "middle") {
    return this.add("path", { class: css, d: `M${this.x(t)} ${TOP}V${BOTTOM}` }).label(this.x(t), TOP - 8, words, anchor);
  }
  band(t0, t1, words) {
    const a = this.x(t0), b = Math.max(this.x(t1), this.x(t0) + 3);
    this.add("rect", { x: a, y: TOP, width: b - a, height: BOTTOM - TOP, fill: "url(#doubt)" });
    this.add("path", { class: "edge", d: `M${a} ${TOP}V${BOTTOM}M${b} ${TOP}V${BOTTOM}` });
    return this.label((a + b) / 2, TOP - 8, words, "middle");
  }
  fan(t, value, t1, low, high) {
    const d = `M${this.x(t)} ${this.y(value)}L${this.x(t1)} ${this.y(high)}V${this.y(low)}Z`;
    return this.add("path", { d, fill: "url(#doubt)", class: "edge" });
  }
  now(t) {
    const x = this.x(t);
    this.add("path", { class: "thin", d: `M${x} ${TOP}V${BOTTOM}` });
    this.add("path", { class: "notch", d: `M${x - 11} ${H - 3}h22l-11 -20z` });
    const right = x > W - 60;
    return this.label(right ? x - 15 : x + 15, H - 5, "now", right ? "end" : "start");
  }
}

const spread = (points) => [Math.min(...points.map((p) => p[1])), Math.max(...points.map((p) => p[1]))];
const traceOf = (S, role, of) => {
  const channel = S.bench.channels.find((c) => c.role === role && c.of === of);
  return (channel && S.traces.get(channel.id)) || [];
};
const finding = (S, name, pot) => [...S.findings].reverse().find((f) => f.finding === name && f.pot === pot);

export function cupPlot(S, pour, now) {
  const kick = pour.kick, t1 = Math.max(now + 20, kick ? kick.late + 20 : now + 120);
  const points = traceOf(S, "cup_temperature", pour.id).filter((p) => p[0] >= pour.mix_t - 20);
  const [low, high] = points.length ? spread(points) : [20, 60], unit = S.bench.units.temperature;
  const plot = new Plot(pour.mix_t - 20, t1, Math.min(low - 2, 18), Math.max(high + 6, 45), "The cup's temperature against the kick window");
  if (kick && kick.found) plot.upright(kick.at, "kick");
  else if (kick) plot.band(kick.early, kick.late, "kick").add("path", { class: "thin", d: `M${plot.x(kick.at)} ${TOP}V${BOTTOM}` });
  plot.curve(points).now(now);
  if (points.length) plot.label(LEFT + 2, TOP + 20, warmth(points[points.length - 1][1], unit) + " " + unit);
  else plot.label(LEFT + 2, TOP + 20, "no cup probe: use the timer");
  return plot.root;
}

function potPlot(S, pot, t0, t1, title, at) {
  const limits = S.bench.pots.find((p) => p.id === pot.id), unit = S.bench.units.pressure;
  const points = traceOf(S, "pot_pressure", pot.id), top = limits ? limits.limit_kpa : 400;
  const most = Math.max(top, ...points.filter((p) => p[0] >= t0).map((p) => p[1]));
  const plot = new Plot(t0, t1, 0, most * 1.2, title);
  if (limits) plot.limit(limits.limit_kpa, "limit " + pressure(limits.limit_kpa, unit, 0), { over: true, at }).limit(limits.floor_kpa, "floor " + pressure(limits.floor_kpa, unit, 0), { at });
  return { plot, points, limits, unit };
}

export function fillPlot(S, pot, now) {
  const closed = Number(String(pot.load || "").split("-").pop()) || now - 30, kick = kickOf(S, pot.id);
  const t1 = Math.max(now + 30, kick ? kick.late : closed + 90);
  const { plot, points, limits, unit } = potPlot(S, pot, closed - 10, t1, "Pressure climbing towards floor and target, the kick window as a wall", "start");
  if (limits) plot.guide(limits.target_kpa, "target " + pressure(limits.target_kpa, unit, 0), { at: "start" });
  if (kick && kick.found) plot.upright(kick.at, "kick", "bar");
  else if (kick) plot.band(kick.early, kick.late, "kick");
  return plot.curve(points).now(now).root;
}

export function holdPlot(S, pot, now) {
  const up = pot.at_pressure_t || Number(String(pot.load || "").split("-").pop()) || now - 60;
  const t1 = Math.max(now + 120, (pot.hold_at || 0) + 30), kick = kickOf(S, pot.id);
  const { plot, points } = potPlot(S, pot, up - 40, t1, "Pressure held, with floor, limit, kick and the doubt about what comes", "middle");
  const hold = finding(S, "pot_hold", pot.id), last = points[points.length - 1];
  if (kick) plot.upright(kick.at, "kick");
  if (pot.hold_at && pot.hold_at > up) plot.upright(pot.hold_at, "hold done", "thin", "end");
  if (last && hold && hold.low !== null && hold.t >= up) {
    const minutes = (t1 - last[0]) / 60;
    plot.fan(last[0], last[1], t1, last[1] - hold.high * minutes, last[1] - Math.max(hold.low, -hold.high) * minutes);
  }
  return plot.curve(points).now(now).root;
}

export function ventPlot(S, pot, now) {
  const vent = finding(S, "pot_venting", pot.id), points = traceOf(S, "pot_pressure", pot.id), unit = S.bench.units.pressure;
  const began = vent && vent.active ? vent.t : now - 5, from = vent ? vent.kpa : points.length ? points[points.length - 1][1] : 0;
  const plot = new Plot(began - 15, Math.max(now + 15, began + 75), 0, Math.max(from * 1.15, 50), "The pot's fall against the steepest that is slow enough");
  const tau = VENT_FASTEST_S / Math.log(Math.max(from, 14) / NEAR_ZERO_KPA);
  const steepest = Array.from({ length: 40 }, (_, i) => [began + i * 1.5, from * Math.exp((-i * 1.5) / tau)]);
  plot.curve(steepest, "thin").label(plot.x(began + 12), BOTTOM - 8, "not below this");
  plot.curve(points).now(now);
  return plot.label(LEFT + 2, TOP - 8, pressure(from, unit, 0) + " " + unit).root;
}

const partPhrase = { "due-green": "due, green", "due-going-hard": "going hard", "due-hard": "due, hard", waiting: "waits", curing: "cures" };

// The molds in the order they come due: the window hatched between its edges, its likely time a bar, now a notch.
export function partRows(S, now) {
  const parts = partsDue(S), until = Math.max(now + 600, ...parts.map((p) => (p.window ? p.window[2] : 0)));
  return parts.map(({ card, window }) => ({
    id: card.id,
    name: moldName(S, card.id),
    value: card.phase !== "curing" ? partPhrase[card.phase] : window ? fromTo(S, window, now) : "no label",
    note: (card.green_at ? "pull green" : "pull hard") + (card.limit ? ", its " + card.limit + " section rules" : "") + (card.basis ? ", by " + card.basis : ""),
    basis: { what: moldName(S, card.id), basis: card.basis || "blind", source: "early, likely and late edge of the window", t: null },
    draw: () => windowBar(window, now, until),
  }));
}

// A window that is over while a pot is still closed waits for the pot: nothing is due under pressure.
function fromTo(S, window, now) {
  const minutes = (t) => Math.ceil((t - now) / 60);
  if (window[2] <= now) return cards(S, "pot").some((p) => p.phase !== "idle") ? "once vented" : "any minute";
  return (window[0] <= now ? "within " : minutes(window[0]) + " to ") + minutes(window[2]) + " min";
}

function windowBar(window, now, until) {
  const t0 = now - 120, x = (t) => 3 + ((Math.min(Math.max(t, t0), until) - t0) / (until - t0)) * 394;
  const root = svg("svg", { viewBox: "0 0 400 30", "aria-hidden": "true", preserveAspectRatio: "none" });
  if (window) {
    root.append(svg("rect", { x: x(window[0]), y: 5, width: Math.max(3, x(window[2]) - x(window[0])), height: 16, fill: "url(#doubt)", class: "reached" }));
    root.append(svg("rect", { x: x(window[1]) - 3, y: 1, width: 6, height: 24, class: "solid" }));
  }
  root.append(svg("path", { class: "notch", d: `M${x(now) - 8} 30h16l-8 -14z` }));
  return root;
}

const NEEDED = [["cup_temperature", "the cup"], ["pot_pressure", "the pot"], ["room_temperature", "the room's warmth"],
  ["room_humidity", "the room's damp"], ["tank_pressure", "the tank"], ["mold_temperature", "the molds' warmth"]];
const NAMES = { cup_temperature: "Cup", pot_pressure: "Pot", pot_gas_temperature: "Gas in the pot", mold_temperature: "Mold", room_temperature: "Room",
  room_humidity: "Room damp", barometer: "Air pressure", tank_pressure: "Tank", tank_temperature: "Tank air", scale: "Scale" };

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
      basis: { what: channel.id, basis: good ? "measured" : "blind", source: channel.id, t: r ? r.t : null },
    };
  });
  const missing = NEEDED.filter(([role]) => !S.bench.channels.some((c) => c.role === role)).map(([, name]) => name);
  if (missing.length) rows.push({ id: "missing", name: "Not watched", value: "", note: missing.join(", "), doubt: true, basis: { what: "Not watched", basis: "blind", source: "no channel in bench.toml", t: null } });
  return rows;
}

export function shown(S, role, value) {
  const units = S.bench.units;
  if (role.endsWith("_pressure")) return pressure(value, units.pressure) + " " + units.pressure;
  if (role.endsWith("_temperature")) return warmth(value, units.temperature) + " " + units.temperature;
  return role === "room_humidity" ? Math.round(value) + " % RH" : role === "barometer" ? value.toFixed(1) + " kPa" : value.toFixed(1) + " g";
}

export function drawStrip(box, S, phase, now, onTap) {
  const rows = phase.name === "demolding" ? partRows(S, now) : phase.name === "idle" ? (S.bench.channels.length ? probeRows(S, now) : []) : null;
  box.classList.remove("blind");
  if (box.dataset.kind !== (rows ? "rows" : "plot")) {
    box.dataset.kind = rows ? "rows" : "plot";
    box.replaceChildren();
  }
  if (rows && rows.length) return syncRows(box, rows, onTap);
  if (rows) return box.replaceChildren(el("p", { class: "plain" }, "Nothing is watched yet. Write a [[source]] and its [[channel]] tables into bench.toml; `benchd check` says what is missing."));
  const plots = { filling: fillPlot, holding: holdPlot, venting: ventPlot };
  box.replaceChildren(phase.pour ? cupPlot(S, phase.pour, now) : plots[phase.name](S, phase.pot, now));
}

// Alarms besides the one that is the word: still on, or over and not yet heard; and what is only logged.
function alertRows(S, phase, now) {
  const word = wordOf(S, phase, now).alert;
  const on = [...S.alerts.values()].filter((a) => a.active || (!a.heard && a.priority <= 2)).sort((a, b) => b.active - a.active || a.priority - b.priority || b.t - a.t);
  const rest = on.filter((a) => a !== word);
  return rest.map((a) => ({ id: "alert " + alertKey(a), name: a.text || a.alert, value: a.active ? (a.heard ? "on, heard" : "on") : "over, not heard", note: whyOf(S, a),
    basis: { what: a.text || a.alert, basis: "measured", source: a.alert, t: a.t } }));
}

// What goes on besides the phase: other pots, other cups, the next part.
export function besideRows(S, phase, now) {
  const rows = alertRows(S, phase, now), unit = S.bench.units.pressure;
  for (const pot of cards(S, "pot")) {
    if (phase.pot && phase.pot.id === pot.id && phase.name !== "holding") continue;
    if (phase.name === "idle") continue;
    const gauge = reading(S, "pot_pressure", pot.id), good = isGood(gauge);
    rows.push({ id: "pot " + pot.id, name: potName(S, pot.id) + (pot.phase === "idle" ? "" : ", " + pot.phase), value: good ? pressure(gauge.value, unit) + " " + unit : "blind", doubt: !good,
      note: pot.margin_s === null || pot.margin_s === undefined ? "" : "up " + span(pot.margin_s) + " before the kick",
      basis: { what: potName(S, pot.id), basis: good ? "measured" : "blind", source: gauge ? gauge.channel : "no gauge", t: gauge ? gauge.t : null } });
  }
  for (const pour of cards(S, "pour")) {
    if (pour.phase === "idle" || (phase.pour && phase.pour.id === pour.id)) continue;
    const cup = reading(S, "cup_temperature", pour.id), good = isGood(cup);
    rows.push({ id: "cup " + pour.id, name: "Pour " + pour.number + ", " + pour.phase, value: good ? warmth(cup.value, S.bench.units.temperature) + " " + S.bench.units.temperature : "no probe", doubt: !good,
      note: [pour.kick ? (pour.kick.found ? "kicked " + span(now - pour.kick.at) + " ago" : "kick in " + span(pour.kick.early - now) + " to " + span(pour.kick.late - now)) : "", slowProbe(pour)].filter(Boolean).join("; "),
      basis: { what: "Cup", basis: good ? "measured" : "blind", source: cup ? cup.channel : "no probe", t: cup ? cup.t : null } });
  }
  return phase.name === "demolding" ? rows : rows.concat(partRows(S, now));
}

