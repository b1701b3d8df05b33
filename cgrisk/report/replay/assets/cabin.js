// The cabin from above, nose to the left: seats, and people where they are.

const SITS = 1, OUT = 2, WAITS = 3, INSIDE = 4, STANDS = 5, BACK = 6;
const TO_GALLEY = 0, TO_LAVATORY = 1, IN_SURGE = 2;
const cabin = data.cabin;
const isChild = new Set(data.people.child);

const cabinChart = chart(document.getElementById("cabin"), drawCabin);
let scale = 1, left = 0, middle = 0;

const X = (arm) => left + (arm - cabin.arms[0]) * scale;
const Y = (side) => middle + side * scale;

function fitCabin() {
  const canvas = cabinChart.canvas, w = canvas.clientWidth;
  const length = cabin.arms[1] - cabin.arms[0], width = 2 * cabin.half_width + 0.5;
  scale = Math.min((w - 8) / length, 250 / width);
  const h = Math.round(width * scale + 34);
  if (canvas.style.height !== `${h}px`) canvas.style.height = `${h}px`;
  left = 0.5 * (w - length * scale);
  middle = 17 + 0.5 * (h - 34);
}

function drawCabin(g) {
  const wall = cabin.half_width + 0.25, from = X(cabin.arms[0]), to = X(cabin.arms[1]);
  g.fillStyle = "#f4f5f6";
  g.strokeStyle = "#9aa2ab";
  g.lineWidth = 1.5;
  g.beginPath();
  g.roundRect(from, Y(-wall), to - from, 2 * wall * scale, [40, 16, 16, 40]);
  g.fill();
  g.stroke();
  const seats = cabin.seats, size = 0.42 * scale;
  g.lineWidth = 1;
  g.fillStyle = "#ffffff";
  g.strokeStyle = LINE;
  for (let s = 0; s < seats.arm.length; s += 1) {
    g.beginPath();
    g.roundRect(X(seats.arm[s]) - 0.5 * size, Y(seats.side[s]) - 0.5 * size, size, size, 2);
    g.fill();
    g.stroke();
  }
  g.strokeStyle = GREY;
  for (const s of seats.blocked) {
    const x = X(seats.arm[s]), y = Y(seats.side[s]), d = 0.3 * size;
    g.beginPath();
    g.moveTo(x - d, y - d);
    g.lineTo(x + d, y + d);
    g.moveTo(x - d, y + d);
    g.lineTo(x + d, y - d);
    g.stroke();
  }
  boxes(g, cabin.lavatories.boxes, "#e4eff7", "L");
  boxes(g, cabin.galleys.boxes, "#f7eedb", "G");
  rowNumbers(g);
  zoneNames(g);
  write(g, "◄ nose", from + 6, Y(cabin.half_width + 0.25) + 13, GREY, "left", 10);
}

function boxes(g, list, fill, letter) {
  const [long, wide] = cabin.box;
  for (const [, arm, side] of list) {
    g.fillStyle = fill;
    g.strokeStyle = "#9aa2ab";
    g.beginPath();
    g.rect(X(arm - 0.5 * long), Y(side - 0.5 * wide), long * scale, wide * scale);
    g.fill();
    g.stroke();
    const edge = Y(side + Math.sign(side || 1) * 0.5 * wide) - Math.sign(side || 1) * 8;
    write(g, letter, X(arm), edge + 3.5, GREY, "center", 10);
  }
}

function rowNumbers(g) {
  const seen = new Map(), seats = cabin.seats, top = Y(-cabin.half_width - 0.25) - 5;
  for (let s = 0; s < seats.arm.length; s += 1) {
    if (!seen.has(seats.row[s])) seen.set(seats.row[s], seats.arm[s]);
  }
  let last = -Infinity;
  for (const [row, arm] of seen) {
    if (X(arm) - last < 22) continue;
    last = X(arm);
    write(g, String(row), last, top, GREY, "center", 10);
  }
}

function zoneNames(g) {
  const foot = Y(cabin.half_width + 0.25) + 13;
  cabin.zones.forEach((zone, k) => {
    const from = X(zone.from), to = X(zone.to), text = `zone ${zone.name}`;
    const room = Math.min(to - from + 14, k === 0 ? to - left - 50 : Infinity);
    write(g, fitted(g, text, room, 10), 0.5 * (from + to), foot, GREY, "center", 10);
    const next = cabin.zones[k + 1];
    if (!next) return;
    g.setLineDash([3, 3]);
    g.strokeStyle = GREY;
    g.beginPath();
    const x = X(0.5 * (zone.to + next.from));
    g.moveTo(x, Y(-cabin.half_width - 0.2));
    g.lineTo(x, Y(cabin.half_width + 0.2) + 6);
    g.stroke();
    g.setLineDash([]);
  });
}

// Sideways places of the k-th who stands at one arm: first in the aisle, then to its sides.
function besideAisle(aisle, k) {
  const step = Math.ceil(k / 2) * 0.42 * (k % 2 ? 1 : -1);
  const edge = cabin.half_width - 0.15;
  return Math.min(Math.max(cabin.aisles[aisle] + step, -edge), edge);
}

function lavatoryBox(place, slot) {
  const own = cabin.lavatories.boxes.filter((box) => box[0] === place);
  return own.length ? own[Math.min(slot, own.length - 1)] : null;
}

// Where one of the people is, and what he does.
function personAt(k, t) {
  const rows = data.people, seat = rows.seat[k], c = people.row(k, t);
  const state = c < 0 ? SITS : rows.state[c];
  if (state === SITS) {
    return { state, purpose: -1, arm: cabin.seats.arm[seat], side: cabin.seats.side[seat] };
  }
  const aisle = Math.min(Math.max(rows.aisle[c], 0), cabin.aisles.length - 1);
  const purpose = rows.purpose[c];
  let arm = people.arm(c, t), side = cabin.aisles[aisle];
  if (state === OUT) side += 0.1;
  if (state === BACK) side -= 0.1;
  if (state === INSIDE) {
    const box = lavatoryBox(rows.place[c], rows.slot[c]);
    if (box) side = box[2];
  }
  if (state === STANDS && purpose === TO_GALLEY) side = besideAisle(aisle, rows.slot[c]);
  return { state, purpose, arm, side };
}

function cartAt(k, t) {
  const rows = data.carts, c = carts.row(k, t);
  if (c < 0 || rows.state[c] === 0) return null;
  return { arm: carts.arm(c, t), side: cabin.aisles[Math.min(rows.aisle[c], cabin.aisles.length - 1)] };
}

// Crew at their stations, walking, or before and behind their cart.
function crewAt(k, t, hands) {
  const rows = data.crew, c = crew.row(k, t);
  if (c < 0 || rows.state[c] === 0) {
    return { arm: cabin.crew.arm[k], side: cabin.crew.side[k] };
  }
  if (rows.state[c] === 3) {
    const cart = cartAt(rows.place[c], t);
    if (!cart) return { arm: rows.arm[c], side: cabin.crew.side[k] };
    const place = hands.get(rows.place[c]) || 0;
    hands.set(rows.place[c], place + 1);
    const away = (0.62 + 0.4 * (place >> 1)) * (place % 2 ? -1 : 1);
    return { arm: cart.arm + away, side: cart.side };
  }
  return { arm: crew.arm(c, t), side: cabin.aisles[0] };
}

const STYLES = [
  { name: "seated", fill: "#aeb6bf", line: null },
  { name: "lavatory", fill: "#0072b2", line: null },
  { name: "galley", fill: "#e69f00", line: "#7a5200" },
  { name: "surge", fill: "#d55e00", line: null },
  { name: "back", fill: "#ffffff", line: "#20262e" },
];

function styleOf(person) {
  if (person.state === SITS) return 0;
  if (person.state === BACK) return 4;
  return person.purpose === IN_SURGE ? 3 : person.purpose === TO_LAVATORY ? 1 : 2;
}

// Draw everybody; return how many are up and how many wait.
function showCabin(t) {
  fitCabin();
  const [g] = cabinChart.begin();
  const grown = Math.max(0.17 * scale, 2.2), small = Math.max(0.12 * scale, 1.7);
  const paths = STYLES.map(() => new Path2D());
  let up = 0, waiting = 0;
  for (let k = 0; k < people.count; k += 1) {
    const person = personAt(k, t), style = styleOf(person);
    const r = isChild.has(k) ? small : grown, x = X(person.arm), y = Y(person.side);
    paths[style].moveTo(x + r, y);
    paths[style].arc(x, y, r, 0, 2 * Math.PI);
    if (person.state !== SITS) up += 1;
    if (person.state === WAITS) waiting += 1;
  }
  STYLES.forEach((style, k) => {
    g.fillStyle = style.fill;
    g.fill(paths[k]);
    if (style.line) {
      g.strokeStyle = style.line;
      g.lineWidth = 1.3;
      g.stroke(paths[k]);
    }
  });
  g.fillStyle = INK;
  for (let k = 0; k < carts.count; k += 1) {
    const cart = cartAt(k, t);
    if (cart) g.fillRect(X(cart.arm - 0.36), Y(cart.side - 0.18), 0.72 * scale, 0.36 * scale);
  }
  const hands = new Map(), d = Math.max(0.2 * scale, 2.6);
  g.fillStyle = CREW;
  for (let k = 0; k < crew.count; k += 1) {
    const member = crewAt(k, t, hands), x = X(member.arm), y = Y(member.side);
    g.beginPath();
    g.moveTo(x - d, y);
    g.lineTo(x, y - d);
    g.lineTo(x + d, y);
    g.lineTo(x, y + d);
    g.closePath();
    g.fill();
  }
  return { up, waiting };
}
