// One line over the flight for each quantity: drawn once, revealed as time goes.

const nodes = traceNodes();

// Both ends of every stretch; for long flights every so many of them.
function traceNodes() {
  const every = Math.max(1, Math.floor(path.t0.length / 3000)), out = [];
  for (let i = 0; i < path.t0.length; i += every) {
    out.push([path.t0[i], i], [path.t1[i], i]);
  }
  return out;
}

const byPart = nodes.map(([t, i]) => contributionsAt(t, i));
const sumOf = (values) => values.reduce((a, b) => a + b, 0);
const greatest = Math.max(1, ...byPart.map((v) => Math.max(...v.map(Math.abs), Math.abs(sumOf(v)))));

function traceList() {
  const out = ["aft", "forward"].map((side) => ({
    name: `room to the ${side} limit`,
    values: nodes.map(([t, i]) => marginAt(t, side, i)),
    now: (t, i) => marginAt(t, side, i),
    figures: (v) => ["", v.toFixed(2)],
    colour: side === "aft" ? AFT : FORWARD,
    dash: side === "aft" ? [] : [5, 3],
    low: 0,
    kind: "sum",
  }));
  const pct = (v, t, i) => 100 * v / (massAt(t, i) * data.mac_m);
  const moment = (name, pick, kind) => ({
    name,
    values: byPart.map(pick),
    now: (t, i, parts) => pick(parts),
    figures: (v, t, i) => [signed(v, 0), signed(pct(v, t, i), 2)],
    colour: INK,
    dash: [],
    range: [-greatest, greatest],
    kind,
  });
  out.push(moment("CG error, all causes", sumOf, "sum"));
  data.parts.forEach((part, k) => out.push(moment(part.name, (values) => values[k], "")));
  if (data.trim) {
    out.push({
      name: "stabilizer that trims, deg",
      values: nodes.map(([t, i]) => demandAt(t, i)),
      planned: nodes.map(([t, i]) => {
        const p = plannedAt(t);
        return data.phases[path.phase[i]].air ? demandOf(t, p.mass, p.moment) : null;
      }),
      now: (t, i) => demandAt(t, i),
      figures: (v) => [v === null ? "on the ground" : `${signed(v, 2)}°`, ""],
      colour: INK,
      dash: [],
      stops: data.trim.stops,
      kind: "tall",
    });
  }
  return out;
}

function signed(v, digits) {
  const text = Math.abs(v).toLocaleString("en", {
    minimumFractionDigits: digits, maximumFractionDigits: digits,
  });
  return Number(Math.abs(v).toFixed(digits)) === 0 ? text : (v < 0 ? "−" : "+") + text;
}

const traces = traceList();
for (const trace of traces) addRow(trace);

function addRow(trace) {
  const row = document.createElement("tr");
  row.className = trace.kind;
  const head = document.createElement("th");
  head.scope = "row";
  head.textContent = trace.name;
  const cell = document.createElement("td");
  const canvas = document.createElement("canvas");
  canvas.setAttribute("role", "img");
  canvas.setAttribute("aria-label", `${trace.name} over the flight`);
  cell.append(canvas);
  trace.cells = [document.createElement("td"), document.createElement("td")];
  for (const one of trace.cells) one.className = "figure";
  row.append(head, cell, ...trace.cells);
  document.getElementById("traces").append(row);
  const known = trace.values.filter((v) => v !== null);
  if (trace.stops) {
    trace.range = [Math.min(...known, ...trace.stops) - 0.5, Math.max(...known, ...trace.stops) + 0.5];
  } else if (!trace.range) {
    trace.range = [Math.min(0, ...known), Math.max(...known, 0.1) * 1.05];
  }
  trace.chart = chart(canvas, (g, w, h) => drawTrace(g, w, h, trace));
  trace.full = document.createElement("canvas");
}

function yOf(trace, h) {
  const [low, high] = trace.range;
  return (v) => 2 + (high - v) / (high - low) * (h - 4);
}

function line(g, w, y, values) {
  let pen = false;
  g.beginPath();
  values.forEach((v, k) => {
    if (v === null) {
      pen = false;
      return;
    }
    const x = nodes[k][0] / END * w;
    if (pen) g.lineTo(x, y(v)); else g.moveTo(x, y(v));
    pen = true;
  });
  g.stroke();
}

// The still layer is the line in pale; the same in full is kept aside, to be shown up to now.
function drawTrace(g, w, h, trace) {
  const y = yOf(trace, h), ratio = window.devicePixelRatio || 1;
  const base = (pen) => {
    pen.lineWidth = 1;
    pen.strokeStyle = LINE;
    pen.beginPath();
    pen.moveTo(0, y(0));
    pen.lineTo(w, y(0));
    pen.stroke();
    for (const stop of trace.stops || []) {
      pen.strokeStyle = WARN;
      pen.lineWidth = 1.5;
      pen.beginPath();
      pen.moveTo(0, y(stop));
      pen.lineTo(w, y(stop));
      pen.stroke();
    }
  };
  trace.full.width = Math.round(w * ratio);
  trace.full.height = Math.round(h * ratio);
  const full = trace.full.getContext("2d");
  full.setTransform(ratio, 0, 0, ratio, 0, 0);
  for (const [pen, pale] of [[g, true], [full, false]]) {
    base(pen);
    pen.lineJoin = "round";
    if (trace.planned) {
      pen.strokeStyle = GREY;
      pen.lineWidth = 1;
      pen.setLineDash([2, 2]);
      line(pen, w, y, trace.planned);
    }
    pen.strokeStyle = pale ? "#c3c9d0" : trace.colour;
    pen.lineWidth = pale ? 1 : 1.5;
    pen.setLineDash(trace.dash);
    line(pen, w, y, trace.values);
    pen.setLineDash([]);
  }
}

function showTraces(t, i, figures) {
  const parts = contributionsAt(t, i), ratio = window.devicePixelRatio || 1;
  for (const trace of traces) {
    const [g, w, h] = trace.chart.begin(), x = t / END * w, shown = Math.round(x * ratio);
    if (shown > 0 && trace.full.width > 0) {
      g.clearRect(0, 0, shown / ratio, h);
      g.drawImage(trace.full, 0, 0, shown, trace.full.height, 0, 0, shown / ratio, h);
    }
    const value = trace.now(t, i, parts);
    g.fillStyle = GREY;
    g.fillRect(x - 0.5, 0, 1, h);
    if (value !== null) {
      g.fillStyle = trace.colour;
      g.beginPath();
      g.arc(x, yOf(trace, h)(value), 2.6, 0, 2 * Math.PI);
      g.fill();
    }
    if (figures) {
      trace.figures(value, t, i).forEach((text, k) => {
        if (trace.cells[k].textContent !== text) trace.cells[k].textContent = text;
      });
    }
  }
}
