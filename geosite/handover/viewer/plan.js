// The site from above, painted on any canvas: the screen, and the cloth that the relief wears.

import { area, baselineEnds, darkScreen, extent, inks, layers, metres, rampColour, rasters, readable, site } from "./site.js";

const QUIET = ["parcel_clearances", "catchments", "outflows"]; // switched on when asked for
export const shown = new Map(site.layers.map((layer) => [layer.name, !QUIET.includes(layer.name)]));
export const look = { ground: "", writing: true, line: [], cross: null, spot: null };

// Bottom to top.
const ORDER = [
  "areas", "ponding", "contours", "parcels", "lines", "flow_paths", "drainage_arrows", "sections",
  "design_lines", "design_edges", "grades", "parcel_clearances", "baseline", "points",
];
// A pond that is deeper than the survey's own uncertainty.
const significant = (pond) => pond.p.is_significant !== 0;
const VERDICT_INK = { within: "water", beyond: "alert", undecided: "alert" };

const tintCache = new Map();
function tintOf(name) {
  if (tintCache.has(name)) return tintCache.get(name);
  const raster = rasters.get(name), colours = site.ramps[name] ?? site.ramps.elevation;
  const cloth = document.createElement("canvas");
  cloth.width = raster.cols;
  cloth.height = raster.rows;
  const context = cloth.getContext("2d"), image = context.createImageData(raster.cols, raster.rows);
  const [low, high] = tintRange(name);
  for (let i = 0; i < raster.values.length; i++) {
    const value = raster.values[i];
    const empty = Number.isNaN(value) || (name === "ponding_depth" && value <= 0) || (name === "drainage_direction" && value < 0);
    if (empty) continue;
    const [r, g, b] = rampColour(colours, (value - low) / (high - low || 1));
    image.data.set([r, g, b, 255], 4 * i);
  }
  context.putImageData(image, 0, 0);
  tintCache.set(name, cloth);
  return cloth;
}

// A wall would take the whole slope ramp: it ends at twenty percent, the steepest that is walked.
export function tintRange(name) {
  const raster = rasters.get(name);
  if (name === "drainage_direction") return [0, 360];
  if (name === "drainage_confidence") return [0, 1];
  if (name === "slope" && raster.unit === "percent") return [0, Math.min(20, raster.high)];
  if (name === "ponding_depth" || name === "elevation_sigma" || name === "slope") return [0, raster.high];
  return [raster.low, raster.high];
}

// Neighbouring parcels share lines, flow paths run into each other: what they share is drawn once,
// or its dashes would close.
function drawnOnce(name) {
  const met = new Set(), runs = [];
  for (const feature of layers.get(name)?.features ?? [])
    for (const ring of feature.g) {
      let run = [];
      for (let i = 0; i + 3 < ring.length; i += 2) {
        const ends = [`${ring[i]} ${ring[i + 1]}`, `${ring[i + 2]} ${ring[i + 3]}`].sort().join(" ");
        if (met.has(ends)) {
          if (run.length) runs.push(run);
          run = [];
          continue;
        }
        met.add(ends);
        if (!run.length) run.push(ring[i], ring[i + 1]);
        run.push(ring[i + 2], ring[i + 3]);
      }
      if (run.length) runs.push(run);
    }
  return { g: runs };
}
const parcelLines = drawnOnce("parcels"), flowLines = drawnOnce("flow_paths");

// Paint the plan. view: {e, n, zoom (pixels per map unit)}, the place in the middle of the canvas.
export function paintPlan(context, width, height_, view, ratio, { writing = false, held = [], paper = inks().paper } = {}) {
  const ink = { ...inks(), paper }, zoom = view.zoom;
  const X = (e) => width / 2 + (e - view.e) * zoom;
  const Y = (n) => height_ / 2 - (n - view.n) * zoom;
  context.fillStyle = ink.paper;
  context.fillRect(0, 0, width, height_);
  context.lineJoin = "round";
  const raster = look.ground && rasters.get(look.ground);
  if (raster) {
    context.imageSmoothingEnabled = raster.cell * zoom < 4;
    const size = [raster.cols * raster.cell * zoom, raster.rows * raster.cell * zoom];
    context.drawImage(tintOf(look.ground), X(raster.west), Y(raster.north), ...size);
  }
  const pen = (colour, size, dash = []) => {
    context.strokeStyle = colour;
    context.lineWidth = size * ratio;
    context.setLineDash(dash.map((d) => d * ratio));
  };
  const trace = (feature) => {
    context.beginPath();
    for (const line of feature.g) {
      for (let i = 0; i < line.length; i += 2)
        if (i) context.lineTo(X(line[i]), Y(line[i + 1]));
        else context.moveTo(X(line[i]), Y(line[i + 1]));
    }
  };
  const each = (name, draw) => {
    if (shown.get(name)) for (const feature of layers.get(name)?.features ?? []) draw(feature, feature.p);
  };
  const alpha = darkScreen.matches ? 0.5 : raster ? 0.35 : 1;
  const drawers = {
    areas: () =>
      each("areas", (f, p) => {
        const code = site.codes[p.code] ?? {};
        trace(f);
        if (code.building || (code.tint && !raster)) {
          context.globalAlpha = code.building ? 1 : alpha;
          context.fillStyle = code.building ? ink.building : code.tint;
          context.fill("evenodd");
          context.globalAlpha = 1;
        }
        pen(ink.text, code.building ? 2.2 : 1.2);
        context.stroke();
        if (code.building) hatch(context, ratio, ink.text);
      }),
    ponding: () =>
      each("ponding", (f) => {
        trace(f);
        if (significant(f)) {
          context.globalAlpha = 0.8;
          context.fillStyle = ink.pond;
          context.fill("evenodd");
          context.globalAlpha = 1;
        }
        pen(ink.water, significant(f) ? 1.2 : 0.8, significant(f) ? [] : [2, 2]);
        context.stroke();
      }),
    contours: () =>
      each("contours", (f, p) => {
        trace(f);
        pen(ink.earth, p.is_index || p.index ? 1.6 : 0.8);
        context.stroke();
      }),
    parcels: () => {
      if (!shown.get("parcels")) return;
      trace(parcelLines);
      pen(ink.parcel, 1.8, [11, 3, 3, 3]);
      context.stroke();
    },
    lines: () =>
      each("lines", (f, p) => { trace(f); pen(ink.text, site.codes[p.code]?.barrier ? 2.6 : 1.6); context.stroke(); }),
    flow_paths: () => {
      if (!shown.get("flow_paths")) return;
      trace(flowLines);
      pen(ink.water, 2.2, [8, 3]);
      context.stroke();
    },
    drainage_arrows: () => {
      const met = new Set();
      each("drainage_arrows", (f, p) => {
        const azimuth = p.azimuth_deg ?? -1, x = X(f.g[0][0]), y = Y(f.g[0][1]);
        const place = `${Math.floor(x / (26 * ratio))} ${Math.floor(y / (26 * ratio))}`;
        const steady = p.steadiness ?? 1, { turning, faded } = site.arrows;
        if (azimuth < 0 || steady < turning || met.has(place)) return;
        met.add(place);
        context.globalAlpha = steady < site.arrows.steady ? faded : 1;
        dart(context, x, y, azimuth, (11 + 4 * Math.log10(Math.max(p.slope_percent ?? 0.1, 0.1) * 10)) * ratio, ink.water);
        context.globalAlpha = 1;
      });
    },
    sections: () => each("sections", (f) => { trace(f); pen(ink.earth, 2, [14, 4]); context.stroke(); }),
    // what is only designed has the ink of what needs an eye: it is not there
    design_lines: () => each("design_lines", (f) => { trace(f); pen(ink.alert, 0.9); context.stroke(); }),
    design_edges: () => each("design_edges", (f) => { trace(f); pen(ink.alert, 1.6, [12, 4]); context.stroke(); }),
    grades: () => {
      for (const verdict of ["within", "undecided", "beyond"])
        each("grades", (f, p) => {
          if (p.verdict !== verdict) return;
          trace(f);
          pen(ink[VERDICT_INK[verdict]], verdict === "beyond" ? 5 : 3.5, verdict === "undecided" ? [6, 4] : []);
          context.stroke();
        });
    },
    parcel_clearances: () => each("parcel_clearances", (f) => { trace(f); pen(ink.parcel, 1.4); context.stroke(); }),
    baseline: () => each("baseline", (f) => { trace(f); pen(ink.text, 1, [12, 4, 2, 4]); context.stroke(); }),
    points: () =>
      each("points", (f, p) => markSign(context, X(f.g[0][0]), Y(f.g[0][1]), p, ratio, ink)),
  };
  for (const name of ORDER) drawers[name]();
  for (const layer of site.layers)
    if (!ORDER.includes(layer.name)) each(layer.name, (f) => {
      if (layer.kind === "Point") {
        context.beginPath();
        context.arc(X(f.g[0][0]), Y(f.g[0][1]), 5 * ratio, 0, 2 * Math.PI);
      } else trace(f);
      pen(ink.water, 1.2, layer.kind === "Point" ? [] : [1.5, 3]);
      context.stroke();
    });
  if (writing) write(context, width, height_, X, Y, ratio, ink, held);
  paintLine(context, X, Y, ratio, ink);
  context.setLineDash([]);
}

function hatch(context, ratio, colour) {
  context.save();
  context.clip("evenodd");
  context.strokeStyle = colour;
  context.globalAlpha = 0.45;
  context.lineWidth = ratio;
  context.setLineDash([]);
  context.beginPath();
  const size = context.canvas.width + context.canvas.height;
  for (let at = -context.canvas.height; at < size; at += 8 * ratio) {
    context.moveTo(at, context.canvas.height);
    context.lineTo(at + context.canvas.height, 0);
  }
  context.stroke();
  context.restore();
}

function dart(context, x, y, azimuth, length, colour) {
  const turn = (azimuth * Math.PI) / 180, ahead = [Math.sin(turn), -Math.cos(turn)];
  context.beginPath();
  for (const [a, s] of [[0.5, 0], [0.08, 0.2], [0.2, 0.04], [-0.5, 0], [0.2, -0.04], [0.08, -0.2]])
    context.lineTo(x + length * (ahead[0] * a - ahead[1] * s), y + length * (ahead[1] * a + ahead[0] * s));
  context.closePath();
  context.fillStyle = colour;
  context.fill();
}

function markSign(context, x, y, record, ratio, ink) {
  const disc = (r, from = 0, to = 2 * Math.PI) => {
    context.beginPath();
    if (to - from < 6) context.moveTo(x, y);
    context.arc(x, y, r * ratio, from, to);
    context.closePath();
  };
  context.setLineDash([]);
  const inlet = site.codes[record.code]?.inlet, base = baselineEnds.has(record.point);
  context.fillStyle = ink.paper;
  context.strokeStyle = inlet ? ink.water : ink.text;
  context.lineWidth = (inlet || base ? 1.6 : 1.1) * ratio;
  disc(inlet || base ? 6 : 2.6);
  context.fill();
  context.stroke();
  if (base)
    for (const from of [0, Math.PI]) {
      disc(6, from, from + Math.PI / 2);
      context.fillStyle = ink.text;
      context.fill();
    }
  if (inlet) {
    context.beginPath();
    for (const share of [-0.45, 0, 0.45]) {
      const half = 6 * ratio * Math.sqrt(1 - share * share);
      context.moveTo(x + share * 6 * ratio, y - half);
      context.lineTo(x + share * 6 * ratio, y + half);
    }
    context.stroke();
  }
}

// A name for so many square pixels of the site at most: on a phone only the most important ones.
const ROOM = 5000;

// Write names where there is room, the most important first; none covers another or a button.
function write(context, width, height_, X, Y, ratio, ink, held) {
  const taken = [...held], small = [];
  const seenWide = Math.min(X(extent[2]), width) - Math.max(X(extent[0]), 0), seenHigh = Math.min(Y(extent[1]), height_) - Math.max(Y(extent[3]), 0);
  const most = Math.max(8, Math.round((Math.max(seenWide, 0) * Math.max(seenHigh, 0)) / (ratio * ratio * ROOM)));
  let written = 0;
  const place = (x, y, lines, colour, bold, kept = small) => {
    const size = 12 * ratio;
    context.font = `${bold ? "600 " : ""}${size}px system-ui, sans-serif`;
    const wide = Math.max(...lines.map((l) => context.measureText(l).width)) / 2 + ratio;
    const high = (lines.length * size * 1.15) / 2;
    if (x + wide < 0 || y + high < 0 || x - wide > width || y - high > height_) return true;
    if (x < wide || y < high || x > width - wide || y > height_ - high) return false;
    const meets = (b) => x - wide < b[2] && x + wide > b[0] && y - high < b[3] && y + high > b[1];
    if (written >= most || taken.some(meets) || kept.some(meets)) return false;
    written++;
    taken.push([x - wide - 2 * ratio, y - high, x + wide + 2 * ratio, y + high]);
    context.textAlign = "center";
    context.textBaseline = "middle";
    context.lineWidth = 3 * ratio;
    context.setLineDash([]);
    context.strokeStyle = ink.paper;
    context.fillStyle = colour;
    lines.forEach((line, i) => {
      const at = y - high + size * 1.15 * (i + 0.5);
      context.strokeText(line, x, at);
      context.fillText(line, x, at);
    });
    return true;
  };
  const beside = (x, y, lines, colour, bold, gap = 9) => {
    context.font = `${bold ? "600 " : ""}${12 * ratio}px system-ui, sans-serif`;
    const wide = Math.max(...lines.map((l) => context.measureText(l).width)) / 2 + gap * ratio;
    const high = (lines.length * 7 + gap) * ratio;
    return [[wide, 0], [-wide, 0], [0, -high], [0, high], [wide, -high], [-wide, -high], [wide, high], [-wide, high]].some(
      ([dx, dy]) => place(x + dx, y + dy, lines, colour, bold),
    );
  };
  const named = (key) => short(readable(key));
  const short = (text, limit = 28) => (text.length > limit ? `${text.slice(0, limit - 1)}…` : text);
  const visible = (name) => (shown.get(name) ? layers.get(name)?.features ?? [] : []);
  // no name covers a sign; the name of an area may cover ordinary marks where it has no other room
  const grand = (f) => baselineEnds.has(f.p.point) || Boolean(site.codes[f.p.code]?.inlet);
  const spare = (f, r, boxes) => {
    const x = X(f.g[0][0]), y = Y(f.g[0][1]);
    if (x > -r && y > -r && x < width + r && y < height_ + r) boxes.push([x - r, y - r, x + r, y + r]);
  };
  for (const f of visible("points")) spare(f, (grand(f) ? 7 : 3) * ratio, grand(f) ? taken : small);
  for (const f of visible("points")) {
    if (!grand(f)) continue;
    const inlet = site.codes[f.p.code]?.inlet;
    const name = inlet && f.p.feature ? named(f.p.feature) : short(f.p.point);
    beside(X(f.g[0][0]), Y(f.g[0][1]), [name], inlet ? ink.water : ink.text, true);
  }
  const middle = (f) => {
    const box = [Infinity, Infinity, -Infinity, -Infinity];
    const ring = f.g[0];
    for (let i = 0; i < ring.length; i += 2) {
      box[0] = Math.min(box[0], ring[i]); box[2] = Math.max(box[2], ring[i]);
      box[1] = Math.min(box[1], ring[i + 1]); box[3] = Math.max(box[3], ring[i + 1]);
    }
    return [(box[0] + box[2]) / 2, (box[1] + box[3]) / 2];
  };
  for (const f of visible("areas")) {
    const size = f.p.net_area_m2 ?? f.p.area_m2, lines = [named(f.p.feature)];
    if (size !== undefined) lines.push(area(size));
    const [e, n] = f.label ?? middle(f);
    const steps = [[0, 0], [0, 26], [0, -26], [60, 0], [-60, 0], [90, 40], [-90, 40]];
    const put = (kept, tried) => tried.some(([dx, dy]) => place(X(e) + dx * ratio, Y(n) + dy * ratio, lines, ink.text, true, kept));
    if (!put(small, steps.slice(0, 3))) put([], steps);
  }
  const middleOf = (f) => {
    const line = f.g.reduce((x, y) => (x.length >= y.length ? x : y));
    const k = Math.min(2 * Math.floor((line.length / 2 - 1) / 2), line.length - 4);
    return [X((line[k] + line[k + 2]) / 2), Y((line[k + 1] + line[k + 3]) / 2)];
  };
  // no name is crossed by the line that it names: above or below one that lies flat
  const alongside = (f, lines, colour) => {
    const [x, y] = middleOf(f), [left, up, right, down] = [[-1, 0], [0, -1], [1, 0], [0, 1]];
    const line = f.g.reduce((a, b) => (a.length >= b.length ? a : b));
    const k = Math.min(2 * Math.floor((line.length / 2 - 1) / 2), line.length - 4);
    const flat = Math.abs(line[k + 2] - line[k]) > Math.abs(line[k + 3] - line[k + 1]);
    context.font = `${12 * ratio}px system-ui, sans-serif`;
    const wide = Math.max(...lines.map((l) => context.measureText(l).width)) / 2 + 7 * ratio;
    const free = (flat ? [up, down, right, left] : [right, left, up, down]).some(([dx, dy]) =>
      place(x + dx * wide, y + dy * 13 * ratio, lines, colour, false));
    if (!free) beside(x, y, lines, colour, false);
  };
  for (const verdict of ["beyond", "undecided", "within"])
    for (const f of visible("grades"))
      if (f.p.verdict === verdict && f.p.value !== undefined) {
        const check = f.p.check_of === "running" ? "" : `${short(f.p.check_of ?? "")} `;
        const text = `${check}${f.p.unit === "percent" ? `${f.p.value.toFixed(1)} %` : metres(f.p.value)} ${f.p.words ?? verdict}`;
        beside(...middleOf(f), [text], ink[VERDICT_INK[verdict]], verdict === "beyond");
      }
  for (const f of visible("ponding")) {
    const [e, n] = middle(f), depth = f.p.depth_m ?? f.p.max_depth_m;
    if (depth !== undefined && significant(f)) beside(X(e), Y(n), [`${metres(depth)} deep`], ink.water, false);
  }
  for (const f of visible("parcels")) {
    const [e, n] = middle(f);
    [0, 40, -40, 80, -80].some((dy) => place(X(e), Y(n) + dy * ratio, [`parcel ${short(f.p.parcel ?? "")}`], ink.parcel, false));
  }
  for (const f of visible("lines")) alongside(f, [named(f.p.feature)], ink.text);
  const designs = new Map([...visible("design_edges")].reverse().map((f) => [f.p.design, f]));
  for (const [design, f] of designs) alongside(f, [short(`design ${site.designs[design] ?? readable(design)}`, 35)], ink.alert);
  // a few of many marks named at random would tell nothing: most of them, or none
  const plain = visible("points").filter((f) => !grand(f));
  if (most - written > small.length / 2)
    for (const f of plain)
      beside(X(f.g[0][0]), Y(f.g[0][1]), [short(f.p.point)], ink.text, false, 6);
  // as many decimals as tell them apart, the same at all of them
  const heights = visible("contours").filter((f) => f.p.elevation !== undefined);
  const decimals = (v) => (`${+v.toFixed(2)}`.split(".")[1] ?? "").length;
  const digits = heights.reduce((found, f) => Math.max(found, decimals(f.p.elevation)), 0);
  for (const f of heights) {
    const line = f.g[0], elevation = f.p.elevation;
    if (line.length < 8) continue;
    for (const share of [0.5, 0.3, 0.7, 0.15, 0.85]) {
      const k = 2 * Math.floor((line.length / 2 - 1) * share), x = X(line[k]), y = Y(line[k + 1]);
      if (x > 0 && y > 0 && x < width && y < height_ && place(x, y, [elevation.toFixed(digits)], ink.earth, false)) break;
    }
  }
}

// The line that is being drawn, the spot that was asked about and the cross of the keyboard.
function paintLine(context, X, Y, ratio, ink) {
  context.setLineDash([]);
  if (look.line.length) {
    for (const [colour, size] of [[ink.paper, 6], [ink.alert, 3]]) {
      context.strokeStyle = colour;
      context.lineWidth = size * ratio;
      context.beginPath();
      look.line.forEach(([e, n], i) => (i ? context.lineTo(X(e), Y(n)) : context.moveTo(X(e), Y(n))));
      context.stroke();
    }
    look.line.forEach(([e, n]) => {
      context.beginPath();
      context.arc(X(e), Y(n), 4.5 * ratio, 0, 2 * Math.PI);
      context.fillStyle = ink.alert;
      context.fill();
    });
  }
  if (look.spot) {
    const x = X(look.spot[0]), y = Y(look.spot[1]);
    for (const [colour, size] of [[ink.paper, 5], [ink.alert, 2.5]]) {
      context.strokeStyle = colour;
      context.lineWidth = size * ratio;
      context.beginPath();
      context.arc(x, y, 10 * ratio, 0, 2 * Math.PI);
      context.stroke();
    }
  }
}
