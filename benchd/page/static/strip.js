// What does the phase look like?  The cup against its kick, the pot against its limits, as much room as there is.
import { el, syncRows } from "./dom.js";
import { Plot } from "./plot.js";
import { partRows, partScale, probeRows } from "./rows.js";
import { cards, clock, isGood, kickOf, potName, pressure, reading, warmth } from "./words.js";

export { Plot };
const VENT_FASTEST_S = 20; // common practice: a bleed takes 20 to 60 s
const NEAR_ZERO_KPA = 6.9; // 1 psi
const PSI_KPA = 6.894757293168;

const spread = (points) => [Math.min(...points.map((p) => p[1])), Math.max(...points.map((p) => p[1]))];
const traceOf = (S, role, of) => {
  const channel = S.bench.channels.find((c) => c.role === role && c.of === of);
  return (channel && S.traces.get(channel.id)) || [];
};
const finding = (S, name, pot) => [...S.findings].reverse().find((f) => f.finding === name && f.pot === pot);
const closedAt = (pot, now) => Number(String(pot.load || "").split("-").pop()) || now - 30;

// The kick as it was expected, hatched, and the kick found, a bar: two things, drawn apart.
function kicks(plot, S, pour) {
  if (!pour || !pour.kick) return plot;
  const kick = pour.kick, forecast = kick.found ? S.forecasts && S.forecasts.get(pour.pour) : kick;
  if (forecast && forecast.late > plot.t0) {
    plot.band(forecast.early, forecast.late, kick.found ? "expected" : "kick");
    plot.add("path", { class: "thin", d: `M${plot.x(forecast.at)} ${plot.top}V${plot.bottom}` });
  }
  return kick.found && kick.at >= plot.t0 ? plot.upright(kick.at, "kick", "bar") : plot;
}

export function cupPlot(S, pour, now, size) {
  const kick = pour.kick, t0 = pour.mix_t - 10, t1 = Math.max(now + 20, kick ? kick.late + 20 : now + 120), unit = S.bench.units.temperature;
  const points = traceOf(S, "cup_temperature", pour.id).filter((p) => p[0] >= t0);
  const [low, high] = points.length ? spread(points) : [20, 60];
  const plot = new Plot(t0, t1, Math.min(low - 2, 18), Math.max(high + 8, 45), "The cup's temperature against the kick window", size);
  const f = unit === "F";
  kicks(plot, S, pour).clock(now, [[pour.mix_t, "0:00"], ...(kick ? [[kick.at, clock(kick.at - pour.mix_t)]] : [])]);
  plot.scale(unit, (c) => (f ? c * 1.8 + 32 : c), (v) => (f ? (v - 32) / 1.8 : v)).curve(points);
  const last = points[points.length - 1];
  if (last) plot.label([[plot.x(last[0]) - 8, plot.y(last[1]) - 12, "end"], [plot.left + 6, plot.top + 16, "start"]], warmth(last[1], unit) + " " + unit);
  else plot.label([[plot.left + 6, plot.top + 16]], "no cup probe: use the timer");
  return plot.root;
}

function potPlot(S, pot, t0, t1, title, size) {
  const limits = S.bench.pots.find((p) => p.id === pot.id), unit = S.bench.units.pressure, each = unit === "psi" ? PSI_KPA : unit === "bar" ? 100 : 1;
  const points = traceOf(S, "pot_pressure", pot.id), most = Math.max(limits ? limits.limit_kpa : 300, ...points.filter((p) => p[0] >= t0).map((p) => p[1]));
  return { plot: new Plot(t0, t1, 0, most * 1.18, title, size), points, limits, unit, each };
}

// Limits and numbers last: words find their places around the curve's own.
function bounded({ plot, limits, unit, each }, withTarget) {
  if (limits) plot.limit(limits.limit_kpa, "limit " + pressure(limits.limit_kpa, unit, 0)).limit(limits.floor_kpa, "floor " + pressure(limits.floor_kpa, unit, 0));
  if (limits && withTarget) plot.limit(limits.target_kpa, "target " + pressure(limits.target_kpa, unit, 0), "thin");
  return plot.scale(unit, (kpa) => kpa / each, (v) => v * each);
}

const pourOf = (S, pot) => cards(S, "pour").find((p) => p.kick && p.pot === pot.id) || cards(S, "pour").find((p) => p.kick === kickOf(S, pot.id));
const zeroOf = (S, pot, now) => (pourOf(S, pot) || { mix_t: closedAt(pot, now) }).mix_t;

export function fillPlot(S, pot, now, size) {
  const closed = closedAt(pot, now), kick = kickOf(S, pot.id), zero = zeroOf(S, pot, now);
  const parts = potPlot(S, pot, closed - 10, Math.max(now + 30, kick ? kick.late + 5 : closed + 90), "Pressure climbing towards floor and target, the kick window as a wall", size);
  kicks(parts.plot, S, pourOf(S, pot)).clock(now, kick ? [[kick.at, clock(kick.at - zero)]] : []);
  return bounded(parts, true).curve(parts.points).root;
}

export function holdPlot(S, pot, now, size) {
  const up = pot.at_pressure_t || closedAt(pot, now), t1 = Math.max(now + 120, (pot.hold_at || 0) + 30), zero = zeroOf(S, pot, now);
  const parts = potPlot(S, pot, up - 40, t1, "Pressure held, with floor, limit, kick and the doubt about what comes", size), { plot, points } = parts;
  const hold = finding(S, "pot_hold", pot.id), last = points[points.length - 1], done = pot.hold_at && pot.hold_at > up;
  kicks(plot, S, pourOf(S, pot));
  if (done) plot.upright(pot.hold_at, "hold done", "thin");
  plot.clock(now, done ? [[pot.hold_at, clock(pot.hold_at - zero)]] : []);
  if (last && hold && hold.low !== null && hold.t >= up && t1 > last[0]) {
    const minutes = (t1 - last[0]) / 60;
    plot.fan(last[0], last[1], t1, last[1] - hold.high * minutes, last[1] - Math.max(hold.low, -hold.high) * minutes);
  }
  return bounded(parts).curve(points).root;
}

// The fall against the slowest that a bleed of 20 s would make, from where the pressure really began to fall.
export function ventPlot(S, pot, now, size) {
  const vent = finding(S, "pot_venting", pot.id), all = traceOf(S, "pot_pressure", pot.id), unit = S.bench.units.pressure;
  const told = vent && vent.active ? vent.t : now - 5, before = all.filter((p) => p[0] > told - 60 && p[0] <= told);
  const from = before.length ? Math.max(...before.map((p) => p[1])) : vent ? vent.kpa : 0;
  const began = [...before].reverse().find((p) => p[1] > 0.98 * from), t0 = began ? began[0] : told;
  const each = unit === "psi" ? PSI_KPA : unit === "bar" ? 100 : 1, tau = VENT_FASTEST_S / Math.log(Math.max(from, 14) / NEAR_ZERO_KPA);
  const plot = new Plot(t0 - 10, Math.max(now + 15, t0 + 70), 0, Math.max(from * 1.15, 50), "The pot's fall against the steepest that is slow enough", size);
  plot.clock(now, [[t0, "0:00"], [t0 + 60, "1:00"]]).scale(unit, (kpa) => kpa / each, (v) => v * each);
  const steepest = Array.from({ length: 40 }, (_, i) => [t0 + i * 1.5, from * Math.exp((-i * 1.5) / tau)]);
  plot.curve(steepest, "thin").curve(all);
  return plot.label([[plot.x(t0 + 30), plot.y(from * 0.9), "start"], [plot.right, plot.top + 14, "end"]], "stay above the dashes").root;
}

const PLOTS = { filling: fillPlot, holding: holdPlot, venting: ventPlot };

// What is drawn: the phase's own; where there is room for two, the other of cup and pot below it.
function plotsOf(S, phase, isRoomy) {
  const pour = phase.pour || (isRoomy && phase.pot && pourOf(S, phase.pot)) || null;
  const pot = phase.pot || (isRoomy && cards(S, "pot").find((p) => p.phase !== "idle")) || null;
  const shape = pot && { filling: "filling", venting: "venting" }[pot.phase] || "holding";
  const basis = (role, of, what) => () => { const r = reading(S, role, of), good = isGood(r); return { what, basis: good ? "measured" : "blind", source: r ? r.channel : "no probe", t: r ? r.t : null }; };
  const cup = pour && ["cup", (now, size) => cupPlot(S, pour, now, size), basis("cup_temperature", pour && pour.id, "Cup")], vessel = pot && ["pot", (now, size) => PLOTS[shape](S, pot, now, size), basis("pot_pressure", pot && pot.id, potName(S, pot.id))];
  return (phase.pour ? [cup, isRoomy && vessel] : [vessel, isRoomy && cup]).filter(Boolean);
}

export function drawStrip(box, S, phase, now, onTap) {
  const isList = phase.name === "demolding" || phase.name === "idle", plots = isList ? [] : plotsOf(S, phase, box.clientHeight > 420);
  const kind = isList ? phase.name : plots.map(([name]) => name).join("+");
  box.classList.remove("blind");
  if (box.dataset.kind !== kind) {
    box.dataset.kind = kind;
    box.replaceChildren(...(isList ? [] : plots.map(() => el("div", { class: "plot" }))));
  }
  if (phase.name === "idle" && !S.bench.channels.length)
    return box.replaceChildren(el("p", { class: "plain" }, "Nothing is watched yet. Write a [[source]] and its [[channel]] tables into bench.toml; `benchd check` says what is missing."));
  if (isList) {
    const room = Math.max(box.clientWidth, 200);
    const rows = phase.name === "idle" ? probeRows(S, now) : partRows(S, now, room);
    box.style.setProperty("--rows", Math.ceil(rows.length / 2));
    return syncRows(box, phase.name === "idle" ? rows : [...rows, partScale(S, now, room)], onTap);
  }
  plots.forEach(([, draw, basis], n) => {
    const place = box.children[n];
    place.onclick = () => onTap(basis());
    place.replaceChildren(draw(now, [place.clientWidth, place.clientHeight]));
  });
}
