// Mass against CG: the limits of the phase, the planned path, the path flown until now.

const TRAIL_POINTS = 1500;
const trail = decimated();

function decimated() {
  const every = Math.max(1, Math.floor(path.t0.length / TRAIL_POINTS)), out = [];
  for (let i = 0; i < path.t0.length; i += 1) {
    if (i % every !== 0 && i !== path.t0.length - 1) continue;
    out.push({ t: path.t0[i], cg: cgOf(path.m0[i], path.M0[i]), mass: path.m0[i] });
    out.push({ t: path.t1[i], cg: cgOf(path.m1[i], path.M1[i]), mass: path.m1[i] });
  }
  return out;
}
const planned = data.planned.t.map((t, k) => ({
  cg: cgOf(data.planned.mass[k], data.planned.moment[k]), mass: data.planned.mass[k],
}));

let view = null; // what the axes show
const envelopeChart = chart(document.getElementById("envelope"), drawEnvelope);
const BORDER = { left: 46, right: 12, top: 10, bottom: 36 };

function span(values, room) {
  const low = Math.min(...values), high = Math.max(...values);
  const pad = Math.max((high - low) * room, 1e-9);
  return [low - pad, high + pad];
}

function envelopeView(phase, closer) {
  const walked = [...trail, ...planned];
  const masses = span(walked.map((p) => p.mass), 0.06);
  const cgs = walked.map((p) => p.cg);
  const limits = [];
  for (const one of closer ? [data.phases[phase]] : data.phases) {
    for (const side of ["forward", "aft"]) {
      for (const mass of masses) limits.push(limitAt(one.limits, side, mass));
      for (const [mass, value] of one.limits[side]) {
        if (mass > masses[0] && mass < masses[1]) limits.push(value);
      }
    }
  }
  if (!closer) return { cg: span([...cgs, ...limits], 0.06), mass: masses };
  const [low, high] = span(cgs, 0);
  const near = limits.filter((v) => v > low - 3 && v < high + 3);
  return { cg: span([...cgs, ...near], 0.08), mass: masses };
}

function at(w, h) {
  const [c0, c1] = view.cg, [m0, m1] = view.mass;
  const width = w - BORDER.left - BORDER.right, height = h - BORDER.top - BORDER.bottom;
  return (cg, mass) => [
    BORDER.left + (cg - c0) / (c1 - c0) * width,
    BORDER.top + (m1 - mass) / (m1 - m0) * height,
  ];
}

function clip(g, w, h) {
  g.beginPath();
  g.rect(BORDER.left, BORDER.top, w - BORDER.left - BORDER.right, h - BORDER.top - BORDER.bottom);
  g.clip();
}

// The line of a limit over the masses shown, moved inward.
function limitLine(phase, side, inward) {
  const limits = phase.limits, [m0, m1] = view.mass, shift = side === "forward" ? inward : -inward;
  const inner = limits[side].filter(([mass]) => mass > m0 && mass < m1);
  const ends = (mass) => [mass, limitAt(limits, side, mass)];
  return [ends(m0), ...inner, ends(m1)].map(([mass, cg]) => [cg + shift, mass]);
}

function stroke(g, place, points, colour, width, dash = []) {
  g.strokeStyle = colour;
  g.lineWidth = width;
  g.setLineDash(dash);
  g.beginPath();
  points.forEach(([cg, mass], k) => {
    const [x, y] = place(cg, mass);
    if (k === 0) g.moveTo(x, y); else g.lineTo(x, y);
  });
  g.stroke();
  g.setLineDash([]);
}

function drawEnvelope(g, w, h) {
  const place = at(w, h), phase = data.phases[view.phase];
  g.font = `11px ${FONT}`;
  g.lineWidth = 1;
  for (const cg of ticks(...view.cg, 7)) {
    const [x] = place(cg, view.mass[0]);
    g.strokeStyle = PALE;
    g.beginPath();
    g.moveTo(x, BORDER.top);
    g.lineTo(x, h - BORDER.bottom);
    g.stroke();
    write(g, String(Number(cg.toFixed(6))), x, h - BORDER.bottom + 14, GREY, "center");
  }
  for (const mass of ticks(view.mass[0] / 1000, view.mass[1] / 1000, 6)) {
    const [, y] = place(view.cg[0], mass * 1000);
    g.strokeStyle = PALE;
    g.beginPath();
    g.moveTo(BORDER.left, y);
    g.lineTo(w - BORDER.right, y);
    g.stroke();
    write(g, String(Number(mass.toFixed(6))), BORDER.left - 5, y + 4, GREY, "right");
  }
  write(g, "centre of gravity, % MAC", 0.5 * (w + BORDER.left), h - 5, GREY, "center");
  g.save();
  g.translate(11, 0.5 * (h - BORDER.bottom));
  g.rotate(-0.5 * Math.PI);
  write(g, "mass, t", 0, 0, GREY, "center");
  g.restore();
  g.save();
  clip(g, w, h);
  for (const side of ["forward", "aft"]) {
    const line = limitLine(phase, side, 0);
    const out = side === "forward" ? view.cg[0] : view.cg[1];
    g.fillStyle = "rgba(213, 94, 0, 0.09)";
    g.beginPath();
    for (const [cg, mass] of [...line, [out, view.mass[1]], [out, view.mass[0]]]) {
      g.lineTo(...place(cg, mass));
    }
    g.fill();
    stroke(g, place, line, INK, 2);
    if (phase.curtailed) {
      const inner = limitLine(phase, side, phase.curtailed[side]);
      stroke(g, place, inner, GREY, 1.3, [6, 4]);
      name(g, place, inner, side, w, `operational ${side} limit`, 0.5, GREY);
    }
    name(g, place, line, side, w, `certified ${side} limit`, 0.04, INK);
  }
  stroke(g, place, planned.map((p) => [p.cg, p.mass]), GREY, 1.2);
  g.restore();
}

// A name along a line, on its outer side.
function name(g, place, line, side, w, text, height, colour) {
  const mass = between(view.mass[0], view.mass[1], height);
  const k = Math.max(line.findIndex((p) => p[1] >= mass), 1);
  const [cg0, m0] = line[k - 1], [cg1, m1] = line[k];
  const [x, y] = place(between(cg0, cg1, m1 > m0 ? (mass - m0) / (m1 - m0) : 0), mass);
  if (x < BORDER.left || x > w - BORDER.right) return;
  const [x0, y0] = place(cg0, m0), [x1, y1] = place(cg1, m1);
  g.save();
  g.translate(x, y);
  g.rotate(y0 === y1 ? -0.5 * Math.PI : Math.atan2(y1 - y0, x1 - x0));
  write(g, text, 0, side === "aft" ? 13 : -5, colour);
  g.restore();
}

function showEnvelope(t, i, closer) {
  const phase = path.phase[i];
  view = { ...envelopeViewOf(phase, closer), phase };
  const [g, w, h] = envelopeChart.begin(`${phase} ${closer}`);
  const place = at(w, h);
  g.save();
  clip(g, w, h);
  g.strokeStyle = AFT;
  g.lineWidth = 1.6;
  g.beginPath();
  let started = false;
  for (const p of trail) {
    if (p.t > t) break;
    const [x, y] = place(p.cg, p.mass);
    if (started) g.lineTo(x, y); else g.moveTo(x, y);
    started = true;
  }
  const mass = massAt(t, i), cg = cgAt(t, i), was = plannedAt(t);
  const [x, y] = place(cg, mass), [px, py] = place(was.cg, was.mass);
  g.lineTo(x, y);
  g.stroke();
  g.restore();
  g.lineWidth = 1.6;
  g.strokeStyle = GREY;
  g.fillStyle = "#ffffff";
  g.beginPath();
  g.arc(px, py, 4.5, 0, 2 * Math.PI);
  g.fill();
  g.stroke();
  g.fillStyle = marginAt(t, "aft", i) < 0 || marginAt(t, "forward", i) < 0 ? WARN : AFT;
  g.beginPath();
  g.arc(x, y, 5.5, 0, 2 * Math.PI);
  g.fill();
  const right = x < w - 110;
  write(g, "now", x + (right ? 9 : -9), y - 6, INK, right ? "left" : "right");
  write(g, "planned", px + (px < x ? -8 : 8), py + 14, GREY, px < x ? "right" : "left");
}

const views = new Map();

function envelopeViewOf(phase, closer) {
  const key = closer ? phase : -1;
  if (!views.has(key)) views.set(key, envelopeView(phase, closer));
  return views.get(key);
}
