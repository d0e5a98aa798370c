// The ground along the drawn line: its profile, its grades and how well they are known.

import {
  METRE, area, byId, element, marks, metres, perHeight, perMetre, percent, site, svgElement, unit,
  valueAt,
} from "./site.js";
import { look } from "./plan.js";

const STATIONS = 160;
const markOf = (corner) => marks.find((m) => m.e === corner[0] && m.n === corner[1] && m.elevation !== undefined);

// Stations along a line of corners: chainage (ground metres), elevation (metres), sigma (metres).
function stationsAlong(corners) {
  const lengths = corners.slice(1).map((c, i) => Math.hypot(c[0] - corners[i][0], c[1] - corners[i][1]) * METRE);
  const total = lengths.reduce((a, b) => a + b, 0), found = [];
  let start = 0;
  lengths.forEach((length, k) => {
    const parts = Math.max(1, Math.round((STATIONS * length) / (total || 1)));
    for (let i = k ? 1 : 0; i <= parts; i++) {
      const t = i / parts;
      const e = corners[k][0] + (corners[k + 1][0] - corners[k][0]) * t;
      const n = corners[k][1] + (corners[k + 1][1] - corners[k][1]) * t;
      const corner = i === 0 ? corners[k] : i === parts ? corners[k + 1] : null;
      const mark = corner && markOf(corner);
      found.push({
        e, n,
        at: start + length * t,
        up: (mark ? mark.elevation : valueAt("elevation", e, n)) * site.height_unit_m,
        sigma: mark?.sigma_v_m ?? valueAt("elevation_sigma", e, n),
        corner: corner !== null,
        name: mark ? mark.point : "",
      });
    }
    start += length;
  });
  return found;
}

// What the line says: each edge between corners, and the whole.
function gradesOf(stations) {
  const ends = stations.filter((s) => s.corner);
  const edge = (a, b) => {
    const length = b.at - a.at, rise = b.up - a.up;
    const sigma = (100 * Math.hypot(a.sigma, b.sigma)) / length;
    return { from: a, to: b, length, rise, grade: (100 * rise) / length, sigma };
  };
  const edges = ends.slice(1).map((end, i) => edge(ends[i], end));
  let steepest = 0, rise = 0, fall = 0;
  for (let i = 1; i < stations.length; i++) {
    const step = stations[i].up - stations[i - 1].up;
    if (Number.isNaN(step)) continue;
    if (step > 0) rise += step;
    else fall -= step;
    const run = stations[i].at - stations[i - 1].at;
    if (run > 0) steepest = Math.max(steepest, Math.abs((100 * step) / run));
  }
  return { edges, whole: edge(ends[0], ends[ends.length - 1]), steepest, rise, fall };
}

const plusMinus = (value, digits, behind) => (Number.isNaN(value) ? "" : ` ± ${(site.half_width.height * value).toFixed(digits)}${behind}`);

// Area within the corners, ground square metres, and half of its 95 % interval where every corner
// is a mark: corners taken as independent, as the words beside it say.
function areaOf(corners) {
  let sum = 0, variance = 0;
  corners.forEach(([e, n], i) => {
    const [a, b] = corners[(i + corners.length - 1) % corners.length], [c, d] = corners[(i + 1) % corners.length];
    sum += e * d - c * n;
    const sigma = markOf([e, n])?.sigma_h_m ?? NaN;
    variance += (0.25 * ((c - a) ** 2 + (d - b) ** 2) * METRE ** 2) * sigma ** 2;
  });
  return { size: (Math.abs(sum) / 2) * METRE ** 2, half: site.half_width.plan * Math.sqrt(variance) };
}
const signed = (value, digits) => (Number.isNaN(value) ? "?" : `${value > 0 ? "+" : value < 0 ? "−" : ""}${Math.abs(value).toFixed(digits)}`);

export function showProfile() {
  const chart = byId("profile"), words = byId("profile-words"), rows = byId("profile-rows");
  chart.replaceChildren();
  rows.replaceChildren();
  byId("profile-more").hidden = true;
  chart.toggleAttribute("hidden", look.line.length < 2);
  if (look.line.length < 2) {
    words.textContent = look.line.length ? "One corner set. Set the next." : "No line yet.";
    return;
  }
  const stations = stationsAlong(look.line), told = gradesOf(stations), { whole } = told;
  if (!(whole.length > 0)) {
    words.textContent = "Both ends are the same place.";
    return;
  }
  const known = stations.filter((s) => !Number.isNaN(s.up));
  const parts = [`${metres(whole.length)} long on the ground.`];
  if (Number.isNaN(whole.rise)) parts.push("An end lies where the ground is not known.");
  else {
    const way = whole.rise > 0 ? "rises" : "falls";
    parts.push(`It ${way} ${metres(Math.abs(whole.rise))} from end to end: ${signed(whole.grade, 1)} %${plusMinus(whole.sigma, 1, " %")}.`);
    parts.push(`Steepest piece ${percent(told.steepest)}; climbs ${metres(told.rise)}, descends ${metres(told.fall)} in all.`);
  }
  if (look.line.length > 2) {
    const closed = areaOf(look.line);
    parts.push(`Closed to its start it holds ${area(closed.size, closed.half)}${closed.half > 0 ? " (corners taken as independent)" : ""}.`);
  }
  words.textContent = parts.join(" ");
  for (const e of told.edges) {
    const row = element("tr");
    row.append(
      element("td", `${e.from.name || "corner"} to ${e.to.name || "corner"}`),
      element("td", metres(e.length)),
      element("td", Number.isNaN(e.rise) ? "not known" : `${signed(e.rise * perMetre(), 2)} ${unit.name}`),
      element("td", Number.isNaN(e.grade) ? "not known" : `${signed(e.grade, 1)} %${plusMinus(e.sigma, 1, "")}`),
    );
    rows.append(row);
  }
  byId("profile-more").hidden = false;
  if (known.length > 1) drawProfile(chart, stations, known, whole.length);
  else chart.toggleAttribute("hidden", true);
}

function drawProfile(chart, stations, known, total) {
  const W = 360, H = 190, left = 46, right = 8, top = 10, bottom = 26;
  const spread = (s) => (Number.isNaN(s.sigma) ? 0 : site.half_width.height * s.sigma);
  let low = Math.min(...known.map((s) => s.up - spread(s))), high = Math.max(...known.map((s) => s.up + spread(s)));
  if (high - low < 0.1) { low -= 0.05; high += 0.05; }
  const X = (at) => left + ((W - left - right) * at) / total;
  const Y = (up) => H - bottom - ((H - top - bottom) * (up - low)) / (high - low);
  const round = (span, count) => {
    const power = 10 ** Math.floor(Math.log10(span / count));
    return [1, 2, 5, 10].map((m) => m * power).find((s) => span / s <= count);
  };
  chart.setAttribute("viewBox", `0 0 ${W} ${H}`);
  const tall = perHeight() / site.height_unit_m, long = perMetre(); // chart units per metre
  const up = round((high - low) * tall, 5), across = round(total * long, 5);
  for (let k = Math.ceil((low * tall) / up); k * up <= high * tall; k++) {
    const y = Y((k * up) / tall);
    chart.append(svgElement("line", { x1: left, x2: W - right, y1: y, y2: y, class: "rule" }));
    chart.append(svgElement("text", { x: left - 4, y: y + 3.5, "text-anchor": "end" }, (k * up).toFixed(up < 0.1 ? 2 : up < 1 ? 1 : 0)));
  }
  chart.append(svgElement("text", { x: 4, y: H - 9 }, unit.name));
  for (let k = 0; k * across <= total * long * 1.0001; k++) {
    const x = X((k * across) / long);
    // the last figure stays on the chart
    chart.append(svgElement("text", { x: Math.min(x, W - 10), y: H - 9, "text-anchor": "middle" }, `${+(k * across).toPrecision(6)}`));
  }
  // a gap in the ground breaks the line
  const runs = [[]];
  for (const s of stations) {
    if (Number.isNaN(s.up)) runs.push([]);
    else runs[runs.length - 1].push(s);
  }
  for (const run of runs.filter((r) => r.length > 1)) {
    const path = (points) => points.map(([x, y], i) => `${i ? "L" : "M"}${x.toFixed(1)} ${y.toFixed(1)}`).join("");
    const upper = run.map((s) => [X(s.at), Y(s.up + spread(s))]), lower = run.map((s) => [X(s.at), Y(s.up - spread(s))]).reverse();
    chart.append(svgElement("path", { d: `${path([...upper, ...lower])}Z`, class: "band" }));
    chart.append(svgElement("path", { d: path(run.map((s) => [X(s.at), Y(s.up)])), class: "ground" }));
  }
  for (const s of stations.filter((c) => c.corner && !Number.isNaN(c.up))) {
    chart.append(svgElement("circle", { cx: X(s.at), cy: Y(s.up), r: 3.5, class: "corner" }));
    if (s.name) chart.append(svgElement("text", { x: Math.min(Math.max(X(s.at), left + 8), W - 12), y: Y(s.up) - 7, "text-anchor": "middle", class: "name" }, s.name.slice(0, 12)));
  }
}
