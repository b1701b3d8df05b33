"use strict";
// The flight as a function of time. Between breakpoints all is straight, so nothing is lost.

const data = JSON.parse(document.getElementById("replay-data").textContent);
const path = data.path;
const END = data.end_s;

// Number of the last time that is not after t; 0 before the first.
function lastNotAfter(times, t, from = 0, to = times.length) {
  let low = from, high = to;
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (times[middle] <= t) low = middle; else high = middle;
  }
  return low;
}

function stretchAt(t) {
  return lastNotAfter(path.t0, t);
}

function shareOf(i, t) {
  return Math.min(Math.max((t - path.t0[i]) / (path.t1[i] - path.t0[i]), 0), 1);
}

function between(a, b, share) {
  return a + share * (b - a);
}

function massAt(t, i = stretchAt(t)) {
  return between(path.m0[i], path.m1[i], shareOf(i, t));
}

function momentAt(t, i = stretchAt(t)) {
  return between(path.M0[i], path.M1[i], shareOf(i, t));
}

function cgOf(mass, moment) {
  return 100 * (moment / mass - data.lemac_m) / data.mac_m;
}

function cgAt(t, i = stretchAt(t)) {
  return cgOf(massAt(t, i), momentAt(t, i));
}

function interpolate(times, values, t) {
  if (t <= times[0]) return values[0];
  const last = times.length - 1;
  if (t >= times[last]) return values[last];
  const i = lastNotAfter(times, t);
  return between(values[i], values[i + 1], (t - times[i]) / (times[i + 1] - times[i]));
}

function plannedAt(t) {
  const p = data.planned;
  const mass = interpolate(p.t, p.mass, t), moment = interpolate(p.t, p.moment, t);
  return { mass, moment, cg: cgOf(mass, moment) };
}

// A limit at a mass: straight between points, constant beyond, the narrower value at a step.
function limitAt(limits, side, mass) {
  const points = limits[side];
  const value = (k) => {
    if (k === 0) return points[0][1];
    if (k === points.length) return points[k - 1][1];
    const [m0, v0] = points[k - 1], [m1, v1] = points[k];
    return m1 > m0 ? between(v0, v1, (mass - m0) / (m1 - m0)) : v1;
  };
  let below = 0, above = 0;
  for (const [m] of points) {
    if (m < mass) below += 1;
    if (m <= mass) above += 1;
  }
  const a = value(below), b = value(above);
  return side === "forward" ? Math.max(a, b) : Math.min(a, b);
}

// Room to the certified limit in % MAC; negative outside.
function marginAt(t, side, i = stretchAt(t)) {
  const mass = massAt(t, i);
  const limit = limitAt(data.phases[path.phase[i]].limits, side, mass);
  const cg = cgOf(mass, momentAt(t, i));
  return side === "forward" ? cg - limit : limit - cg;
}

// Moment error by part about the planned CG of the instant, in the order of data.parts.
function contributionsAt(t, i = stretchAt(t)) {
  const share = shareOf(i, t), planned = plannedAt(t), arm = planned.moment / planned.mass;
  let mass = massAt(t, i) - planned.mass, moment = momentAt(t, i) - planned.moment;
  let rest = -1;
  const out = data.parts.map((part, k) => {
    if (part.rest) {
      rest = k;
      return 0;
    }
    if (part.M0) {
      const value = between(part.M0[i], part.M1[i], share);
      moment -= value;
      return value;
    }
    mass -= part.mass;
    moment -= part.moment;
    return part.moment - arm * part.mass;
  });
  if (rest >= 0) out[rest] = moment - arm * mass;
  return out;
}

function demandOf(t, mass, moment) {
  const trim = data.trim;
  return interpolate(trim.t, trim.base, t) + interpolate(trim.t, trim.by_mass, t) * mass
    + interpolate(trim.t, trim.by_moment, t) * moment;
}

// Stabilizer that trims the CG in degrees, leading edge up; null on the ground or without trim.
function demandAt(t, i = stretchAt(t)) {
  if (!data.trim || !data.phases[path.phase[i]].air) return null;
  return demandOf(t, massAt(t, i), momentAt(t, i));
}

// Everybody's breakpoints: a cursor each, moved on as time goes and sought when it jumps.
function follower(rows) {
  const count = rows.first.length - 1;
  const cursor = new Int32Array(count).fill(-1);
  return {
    count,
    // Row that holds for one at t; -1 before his first.
    row(k, t) {
      const from = rows.first[k], to = rows.first[k + 1];
      let c = cursor[k];
      if (c < 0 || rows.t[c] > t) {
        if (from === to || rows.t[from] > t) return -1;
        c = lastNotAfter(rows.t, t, from, to);
      }
      while (c + 1 < to && rows.t[c + 1] <= t) c += 1;
      cursor[k] = c;
      return c;
    },
    arm(c, t) {
      return rows.arm[c] + rows.speed[c] * (t - rows.t[c]);
    },
  };
}

const people = follower(data.people);
const carts = follower(data.carts);
const crew = follower(data.crew);

function clock(t) {
  const whole = Math.floor(t + 1e-6);
  const two = (x) => String(x).padStart(2, "0");
  return `${Math.floor(whole / 3600)}:${two(Math.floor(whole / 60) % 60)}:${two(whole % 60)}`;
}
