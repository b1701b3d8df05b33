// Time: played, scrubbed, stepped; what is told in words; keys.

const byId = (id) => document.getElementById(id);
const scrub = byId("scrub"), play = byId("play"), speed = byId("speed"), every = byId("every");
const HOURLY = 100; // ms between rewritings of the figures while playing
const CALM = 1000; // ms between pictures where the reader asks for little motion
const calm = window.matchMedia("(prefers-reduced-motion: reduce)");
const state = { t: 0, i: 0, playing: false, last: 0, written: 0 };
const frames = []; // ms that the last frames took to draw

byId("player").hidden = false;
byId("still").hidden = true;
scrub.max = END;

// Everything that anybody does, in order of time, for the fine steps and the words.
const moves = cabinMoves();

function cabinMoves() {
  const out = [];
  const rows = data.people;
  for (let k = 0; k < people.count; k += 1) {
    let before = SITS;
    for (let c = rows.first[k]; c < rows.first[k + 1]; c += 1) {
      if (rows.state[c] !== before) out.push({ t: rows.t[c], k, c, before });
      before = rows.state[c];
    }
  }
  return out.sort((a, b) => a.t - b.t);
}
const moveTimes = moves.map((m) => m.t);

function goal(c) {
  const rows = data.people;
  if (rows.purpose[c] === IN_SURGE) return "with the surge";
  const places = rows.purpose[c] === TO_LAVATORY ? cabin.lavatories : cabin.galleys;
  return `for the ${places.name[rows.place[c]] || "galley"}`;
}

function words(move) {
  const rows = data.people, who = cabin.seats.label[rows.seat[move.k]];
  const now = rows.state[move.c];
  if (now === OUT) return `${who} gets up ${goal(move.c)}`;
  if (now === WAITS) return `${who} queues`;
  if (now === INSIDE) return `${who} goes in`;
  if (now === STANDS) return `${who} stands`;
  if (now === BACK) return `${who} goes back`;
  return `${who} sits down`;
}

// The sign and the last call in force at t.
function isSigned(i) {
  return data.phases[path.phase[i]].sign;
}

const phaseChart = chart(byId("phases"), drawPhases);

function drawPhases(g, w, h) {
  const x = (t) => t / END * w;
  data.phases.forEach((phase, k) => {
    const from = x(phase.start), to = x(phase.end);
    g.fillStyle = k % 2 ? "#f0f1f3" : "#e4e7ea";
    g.fillRect(from, 12, to - from, 18);
    if (phase.sign) {
      g.fillStyle = "#7f8892";
      g.fillRect(from, 32, to - from, 4);
    }
    write(g, fitted(g, phase.name, to - from - 4), 0.5 * (from + to), 25, INK, "center");
  });
  write(g, "seat-belt sign lit", 0, 45, GREY, "left", 10);
  g.fillStyle = "#7f8892";
  g.fillRect(95, 39, 16, 4);
  g.fillStyle = GREY;
  for (const event of data.events) {
    if (event.kind !== "approach") g.fillRect(x(event.t) - 0.5, 7, 1, 5);
  }
  for (const mark of data.marks) {
    const at = x(mark.t);
    g.fillStyle = mark.side === "aft" ? AFT : FORWARD;
    g.beginPath();
    g.moveTo(at - 5, 1);
    g.lineTo(at + 5, 1);
    g.lineTo(at, 11);
    g.fill();
  }
}

function showPhases(t) {
  const [g, w, h] = phaseChart.begin(), x = t / END * w;
  g.fillStyle = INK;
  g.fillRect(x - 1, 4, 2, h - 12);
}

const markButtons = data.marks.map((mark, k) => {
  const button = document.createElement("button");
  button.type = "button";
  button.className = mark.side;
  const room = `${Math.abs(mark.margin).toFixed(2)} % MAC ${mark.margin < 0 ? "OUTSIDE" : "inside"}`;
  button.textContent = `${k + 1} ${mark.side}, ${mark.group}: ${mark.margin.toFixed(2)}`;
  const label = `Closest to the ${mark.side} limit, ${mark.group}, ${mark.phase}, ${clock(mark.t)}: ${room}`;
  button.setAttribute("aria-label", label);
  button.title = label;
  button.addEventListener("click", () => goTo(mark.t, mark.stretch));
  byId("marks").append(button);
  return button;
});

// Side by side in order of time, each as near to its time as the others leave room.
function placeMarks() {
  const w = byId("phases").clientWidth;
  const order = markButtons.map((button, k) => ({ button, x: 8 + data.marks[k].t / END * w,
    half: 0.5 * button.offsetWidth + 3 })).sort((a, b) => a.x - b.x);
  let free = 0;
  for (const one of order) {
    one.x = Math.max(one.x, free + one.half);
    free = one.x + one.half;
  }
  let limit = w + 16;
  for (const one of order.reverse()) {
    one.x = Math.min(one.x, limit - one.half);
    limit = one.x - one.half;
    one.button.style.left = `${one.x}px`;
  }
}

function tell(t, i, counts) {
  const phase = data.phases[path.phase[i]], was = plannedAt(t), cg = cgAt(t, i);
  const sign = phase.sign ? "seat-belt sign lit" : "sign off";
  const aft = marginAt(t, "aft", i), forward = marginAt(t, "forward", i);
  const room = (v, side) => (v < 0 ? `${(-v).toFixed(2)} % MAC OUTSIDE ${side}`
    : `${v.toFixed(2)} % MAC inside the ${side} limit`);
  byId("now").textContent = `${clock(t)}  ·  ${phase.name}  ·  ${sign}  ·  ${counts.up} up, `
    + `${counts.waiting} waiting  ·  ${room(aft, "aft")}, ${room(forward, "forward")}`;
  byId("told").textContent = lately(t);
  const told = byId("cg");
  told.textContent = cg.toFixed(2);
  told.dataset.cg = String(cg);
  byId("cg-planned").textContent = was.cg.toFixed(2);
  byId("mass").textContent = Math.round(massAt(t, i)).toLocaleString("en");
  markRow(t);
  scrub.setAttribute("aria-valuetext", `${clock(t)}, ${phase.name}`);
}

function lately(t) {
  const told = [];
  const events = data.events.filter((e) => e.t <= t + 1e-9);
  if (events.length) {
    const last = events[events.length - 1];
    told.push(t - last.t < 1 ? last.text : `${clock(t - last.t)} ago: ${last.text}`);
  }
  for (let k = lastNotAfter(moveTimes, t + 1e-6); k >= 0 && told.length < 4; k -= 1) {
    if (!moves.length || moves[k].t > t + 1e-6 || moves[k].t < t - 60) break;
    told.push(words(moves[k]));
  }
  return told.join("  ·  ");
}

// The row of the last event is marked in the table.
let markedRow = null;

function markRow(t) {
  let last = -1;
  data.events.forEach((event, k) => {
    if (event.t <= t + 1e-9) last = k;
  });
  const row = last < 0 ? null : byId("events").rows[last];
  if (row === markedRow) return;
  if (markedRow) markedRow.removeAttribute("aria-current");
  if (row) row.setAttribute("aria-current", "step");
  markedRow = row;
}

const plan = byId("cabin").getAttribute("aria-label");

function announce() {
  byId("live").textContent = `${byId("now").textContent}. ${byId("told").textContent}`;
  byId("cabin").setAttribute("aria-label", `${plan}: ${byId("now").textContent}`);
}

function draw(figures) {
  const begun = performance.now();
  const counts = showCabin(state.t);
  showPhases(state.t);
  showEnvelope(state.t, state.i, byId("closer").checked);
  showTraces(state.t, state.i, figures);
  if (figures) tell(state.t, state.i, counts);
  if (document.activeElement !== scrub || !scrub.matches(":active")) scrub.value = state.t;
  frames.push(performance.now() - begun);
  if (frames.length > 1200) frames.shift();
}

// At a jump two stretches meet at one time: the second, unless another is asked for.
function goTo(t, stretch = -1) {
  state.t = Math.min(Math.max(t, 0), END);
  state.i = stretch >= 0 ? stretch : stretchAt(state.t);
  draw(true);
  announce();
}

function frame(now) {
  if (!state.playing) return;
  const passed = Math.min(now - state.last, 250) / 1000;
  state.last = now;
  state.t = Math.min(state.t + passed * Number(speed.value), END);
  state.i = stretchAt(state.t);
  const still = calm.matches && state.t < END;
  const figures = now - state.written > (still ? CALM : HOURLY) || state.t >= END;
  if (figures) state.written = now;
  if (figures || !still) draw(figures);
  if (state.t >= END) setPlaying(false); else requestAnimationFrame(frame);
}

function setPlaying(on) {
  if (on === state.playing) return;
  if (on && state.t >= END) goTo(0);
  state.playing = on;
  play.textContent = on ? "Pause" : "Play";
  play.setAttribute("aria-pressed", String(on));
  if (on) {
    state.last = performance.now();
    requestAnimationFrame(frame);
  } else {
    draw(true);
    announce();
  }
}

const eventSteps = data.events.map((e) => ({ t: e.t, stretch: e.stretch }));
const fineSteps = moves.map((m) => ({ t: m.t, stretch: -1 }));

function step(list, forward) {
  setPlaying(false);
  const here = state.t;
  if (forward) {
    const next = list.find((s) => s.t > here + 1e-6);
    goTo(next ? next.t : END, next ? next.stretch : -1);
    return;
  }
  for (let k = list.length - 1; k >= 0; k -= 1) {
    if (list[k].t < here - 1e-6) {
      goTo(list[k].t, list[k].stretch);
      return;
    }
  }
  goTo(0);
}

const steps = () => (every.checked ? fineSteps : eventSteps);

function faster(by) {
  const k = speed.selectedIndex + by;
  if (k >= 0 && k < speed.options.length) speed.selectedIndex = k;
}

byId("start").addEventListener("click", () => goTo(0));
byId("previous").addEventListener("click", () => step(steps(), false));
byId("next").addEventListener("click", () => step(steps(), true));
play.addEventListener("click", () => setPlaying(!state.playing));
scrub.addEventListener("input", () => goTo(Number(scrub.value)));
byId("closer").addEventListener("change", () => draw(true));

const KEYS = {
  " ": () => setPlaying(!state.playing),
  n: () => step(eventSteps, true),
  p: () => step(eventSteps, false),
  ".": () => step(fineSteps, true),
  ",": () => step(fineSteps, false),
  "+": () => faster(1),
  "=": () => faster(1),
  "-": () => faster(-1),
  Home: () => goTo(0),
  End: () => goTo(END),
};
document.addEventListener("keydown", (event) => {
  const on = event.target;
  if (event.ctrlKey || event.altKey || event.metaKey || on.tagName === "SELECT") return;
  if (event.key === " " && ["BUTTON", "SUMMARY", "INPUT"].includes(on.tagName) && on !== scrub) return;
  const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  const mark = data.marks[Number(key) - 1];
  let act = KEYS[key];
  if (mark) act = () => goTo(mark.t, mark.stretch);
  if (key === "ArrowLeft" || key === "ArrowRight") {
    const by = (event.shiftKey ? 60 : 10) * (key === "ArrowLeft" ? -1 : 1);
    act = () => goTo(state.t + by);
  }
  if (!act) return;
  event.preventDefault();
  act();
});

// In the table of events each time becomes a way there.
Array.from(byId("events").rows).forEach((row, k) => {
  const button = document.createElement("button");
  button.type = "button";
  button.textContent = row.cells[0].textContent;
  button.setAttribute("aria-label", `Go to ${button.textContent}`);
  button.addEventListener("click", () => goTo(data.events[k].t, data.events[k].stretch));
  row.cells[0].replaceChildren(button);
});

const near = data.marks.reduce((a, b) => (b.margin < a.margin ? b : a));
new ResizeObserver(() => {
  placeMarks();
  draw(true);
}).observe(byId("player"));
goTo(near.t, near.stretch);
placeMarks();

window.cgriskReplay = {
  cgAt, massAt, momentAt, marginAt, contributionsAt, demandAt, plannedAt, stretchAt, frames,
  events: data.events,
  marks: data.marks,
  parts: data.parts.map((part) => part.key),
  peopleAt: (t) => data.people.seat.map((seat, k) => ({ seat: cabin.seats.label[seat], ...personAt(k, t) })),
  get time() { return state.t; },
  get playing() { return state.playing; },
  seek: (t, stretch) => goTo(t, stretch),
  play: () => setPlaying(true),
  pause: () => setPlaying(false),
};
