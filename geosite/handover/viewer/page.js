// The page: what happens when somebody points, drags, presses a key or a button.

import {
  METRE, area, baselineEnds, byId, cellAt, coordinate, darkScreen, element, extent, height, inks,
  layers, marks, metres, perMetre, rasters, readable, site, unit, valueAt, wind,
} from "./site.js";
import { look, paintPlan, shown, tintRange } from "./plan.js";
import { buildings, roofOf } from "./blocks.js";
import { relief, reliefView } from "./relief.js";
import { showProfile } from "./profile.js";

const screen_ = byId("screen"), context = screen_.getContext("2d");
const view = { e: (extent[0] + extent[2]) / 2, n: (extent[1] + extent[3]) / 2, zoom: 1 };
let mode = "plan", drawing = false, ratio = 1, moving = 0, asked = false;

function fit() {
  const width = screen_.clientWidth || 300, height_ = screen_.clientHeight || 300;
  view.e = (extent[0] + extent[2]) / 2;
  view.n = (extent[1] + extent[3]) / 2;
  view.zoom = Math.min(width / (extent[2] - extent[0] || 1), (height_ - 40) / (extent[3] - extent[1] || 1)) * 0.88;
  Object.assign(reliefView, { turn: -25, tilt: 38, zoom: 0 });
}

// Redraw once per frame at most; while somebody drags, the relief is coarse.
function redraw() {
  if (asked) return;
  asked = true;
  requestAnimationFrame(() => { asked = false; paintScreen(); });
}

function paintScreen() {
  // as sharp as the screen while nothing moves
  ratio = Math.min(window.devicePixelRatio || 1, 3);
  if (mode === "relief" && moving) ratio = Math.min(ratio, 1.5);
  const width = Math.round(screen_.clientWidth * ratio), height_ = Math.round(screen_.clientHeight * ratio);
  if (screen_.width !== width || screen_.height !== height_) Object.assign(screen_, { width, height: height_ });
  if (!width || !height_) return;
  if (mode === "relief") {
    const coarse = moving ? Math.ceil(Math.sqrt(relief.cells / 9000)) : 1;
    relief.paint(screen_, coarse);
    signRelief();
  } else {
    paintPlan(context, width, height_, { ...view, zoom: view.zoom * ratio }, ratio, { writing: look.writing, held: heldBoxes() });
    if (look.cross) paintCross();
  }
  paintScale();
}

function paintCross() {
  const [x, y] = toScreen(look.cross).map((v) => v * ratio);
  context.strokeStyle = inks().text;
  context.lineWidth = 1.5 * ratio;
  context.setLineDash([]);
  context.beginPath();
  for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
    context.moveTo(x + dx * 5 * ratio, y + dy * 5 * ratio);
    context.lineTo(x + dx * 18 * ratio, y + dy * 18 * ratio);
  }
  context.stroke();
}

// What lies over the map, where no name is written: left, top, right, bottom in its pixels.
function heldBoxes() {
  const map = screen_.getBoundingClientRect();
  return [...document.querySelectorAll(".modes, .zooms, #scale")].map((over) => {
    const box = over.getBoundingClientRect();
    return [box.left - map.left, box.top - map.top, box.right - map.left, box.bottom - map.top].map((v) => v * ratio);
  });
}

// Names of the buildings, the baseline marks and inlets over the relief, where they can be seen.
function signRelief() {
  const ink = inks();
  context.font = `600 ${12 * ratio}px system-ui, sans-serif`;
  context.textAlign = "center";
  context.textBaseline = "bottom";
  context.lineWidth = 3 * ratio;
  for (const building of shown.get("areas") ? buildings : []) {
    const roof = roofOf(building, reliefView.exaggeration), name = readable(building.name).slice(0, 24);
    const place = relief.seen(...(building.label ?? building.rings[0]).slice(0, 2), roof);
    if (!place || context.measureText(name).width > 0.7 * relief.wideOf(building.rings[0], roof)) continue;
    context.strokeStyle = ink.paper;
    context.fillStyle = ink.text;
    context.strokeText(name, ...place);
    context.fillText(name, ...place);
  }
  for (const mark of shown.get("points") ? marks : []) {
    const inlet = site.codes[mark.code]?.inlet;
    if (!(inlet || baselineEnds.has(mark.point)) || mark.elevation === undefined) continue;
    const place = relief.seen(mark.e, mark.n, mark.elevation);
    if (!place) continue;
    const text = (inlet && mark.feature ? readable(mark.feature) : String(mark.point)).slice(0, 24);
    context.strokeStyle = ink.paper;
    context.fillStyle = inlet ? ink.water : ink.text;
    context.strokeText(text, place[0], place[1] - 8 * ratio);
    context.fillText(text, place[0], place[1] - 8 * ratio);
  }
}

// A bar of a round ground length; the relief has no one scale.
function paintScale() {
  const bar = byId("scale");
  bar.hidden = mode === "relief";
  if (bar.hidden) return;
  const perUnit = view.zoom / METRE / perMetre(), power = 10 ** Math.floor(Math.log10(120 / perUnit));
  const length = [5, 2, 1].map((m) => m * power).find((l) => l * perUnit <= 120);
  byId("scale-bar").style.width = `${length * perUnit}px`;
  byId("scale-words").textContent = `${+length.toPrecision(3)} ${unit.name}`;
}

const toScreen = ([e, n]) => [screen_.clientWidth / 2 + (e - view.e) * view.zoom, screen_.clientHeight / 2 - (n - view.n) * view.zoom];
const toMap = ([x, y]) => [view.e + (x - screen_.clientWidth / 2) / view.zoom, view.n - (y - screen_.clientHeight / 2) / view.zoom];

// ---- asking -------------------------------------------------------------------------------------

function placeAt(x, y) {
  return mode === "relief" ? relief.pick(x * ratio, y * ratio) : toMap([x, y]);
}

// The nearest mark within a finger's breadth, in plan pixels.
function markNear(place) {
  if (!shown.get("points")) return null;
  const reach = mode === "relief" ? 0.02 * Math.max(extent[2] - extent[0], extent[3] - extent[1]) : 14 / view.zoom;
  let best = null, near = reach;
  for (const mark of marks) {
    const away = Math.hypot(mark.e - place[0], mark.n - place[1]);
    if (away < near) { near = away; best = mark; }
  }
  return best;
}

function point(place) {
  if (!place) return say("No ground there.", []);
  const mark = markNear(place);
  const exact = mark ? [mark.e, mark.n] : place;
  if (drawing) {
    look.line.push(exact);
    showProfile();
  } else {
    look.spot = exact;
    tell(exact, mark);
  }
  freshen();
}

function tell(place, mark) {
  const facts = [["Easting", coordinate(place[0], 0)], ["Northing", coordinate(place[1], 1)]];
  const up = mark ? mark.elevation : valueAt("elevation", ...place);
  if (up !== undefined && !Number.isNaN(up)) {
    const sigma = mark ? mark.sigma_v_m : valueAt("elevation_sigma", ...place);
    facts.push(["Elevation", height(up)]);
    if (sigma !== undefined && !Number.isNaN(sigma))
      facts.push(["Elevation, sigma", `${metres(sigma, 3)} (95 %: ± ${metres(mark?.v_95_m ?? site.half_width.height * sigma, 2)})`]);
  } else facts.push(["Elevation", "not known here"]);
  if (mark?.sigma_h_m !== undefined)
    facts.push(["Position, sigma per axis", `${metres(mark.sigma_h_m, 3)} (95 %: ± ${metres(mark.h_95_m ?? site.half_width.plan * mark.sigma_h_m, 2)})`]);
  const slope = rasters.get("slope");
  const steep = cellAt(slope ?? { cols: 0, rows: 0, west: 0, north: 0, cell: 1 }, ...place);
  if (slope && !Number.isNaN(steep)) facts.push(["Slope", `${steep.toFixed(1)} ${slope.unit === "percent" ? "%" : slope.unit}`]);
  const way = rasters.get("drainage_direction");
  if (way) {
    const azimuth = cellAt(way, ...place);
    if (azimuth >= 0) facts.push(["Water runs", `${wind(azimuth)} (${azimuth.toFixed(0)}°)`]);
    else if (azimuth < 0) facts.push(["Water runs", "nowhere: it stands here"]);
  }
  const pond = rasters.get("ponding_depth");
  if (pond) {
    const depth = cellAt(pond, ...place);
    if (depth > 0) facts.push(["Water stands", `${metres(depth)} deep`]);
  }
  if (mark) {
    for (const [key, title] of [["code", "Code"], ["feature", "Feature"], ["run", "Run"]])
      if (mark[key] !== undefined) facts.push([title, String(mark[key])]);
  }
  for (const [name, title] of [["areas", "Area"], ["parcels", "Parcel"]])
    for (const feature of layers.get(name)?.features ?? [])
      if (shown.get(name) && insideOf(feature, place)) {
        const called = feature.p.feature ?? feature.p.parcel ?? "without a name";
        const net = feature.p.net_area_m2 !== undefined;
        const size = net ? feature.p.net_area_m2 : feature.p.area_m2;
        const half = net ? feature.p.net_area_95_m2 : feature.p.area_95_m2;
        facts.push([title, size === undefined ? called : `${called}, ${area(size, half)}`]);
      }
  say(mark ? `Mark ${mark.point}` : "This spot", facts);
  for (const button of document.querySelectorAll("button.finding")) {
    const about = placeOf(findings[+button.dataset.finding]);
    const near = about && Math.hypot(about[0] - place[0], about[1] - place[1]) * METRE < 1.5;
    button.classList.toggle("here", Boolean(near));
  }
}

function insideOf(feature, [e, n]) {
  let inside = false;
  for (const ring of feature.g)
    for (let i = 0, j = ring.length - 2; i < ring.length; j = i, i += 2)
      if (ring[i + 1] > n !== ring[j + 1] > n && e < ((ring[j] - ring[i]) * (n - ring[i + 1])) / (ring[j + 1] - ring[i + 1]) + ring[i])
        inside = !inside;
  return inside;
}

function say(title, facts) {
  byId("answer-title").textContent = title;
  const list = byId("answer");
  list.replaceChildren();
  for (const [name, value] of facts) list.append(element("dt", name), element("dd", value));
}

// What is drawn on the plan lies on the relief's cloth too.
function freshen() {
  relief?.forget();
  redraw();
}

// ---- pointing -----------------------------------------------------------------------------------

const fingers = new Map();
let travelled = 0, spread = 0;

const at = (event) => {
  const box = screen_.getBoundingClientRect();
  return [event.clientX - box.left, event.clientY - box.top];
};

screen_.addEventListener("pointerdown", (event) => {
  fingers.set(event.pointerId, at(event));
  travelled = fingers.size > 1 ? Infinity : 0;
  spread = 0;
  screen_.setPointerCapture(event.pointerId);
});

screen_.addEventListener("pointermove", (event) => {
  const before = fingers.get(event.pointerId);
  if (!before) return;
  const now = at(event), dx = now[0] - before[0], dy = now[1] - before[1];
  fingers.set(event.pointerId, now);
  if (fingers.size > 1) {
    const [a, b] = [...fingers.values()], apart = Math.hypot(a[0] - b[0], a[1] - b[1]);
    if (spread) zoomAt((a[0] + b[0]) / 2, (a[1] + b[1]) / 2, apart / spread);
    spread = apart;
    return;
  }
  travelled += Math.hypot(dx, dy);
  if (travelled < 5) return;
  moving = 1;
  if (mode === "relief") {
    turnBy(dx * 0.4, dy * 0.3);
  } else {
    view.e -= dx / view.zoom;
    view.n += dy / view.zoom;
    redraw();
  }
});

const lift = (event) => {
  const known = fingers.delete(event.pointerId);
  if (known && travelled < 5 && event.type === "pointerup") {
    look.cross = null;
    point(placeAt(...at(event)));
  }
  if (!fingers.size && moving) { moving = 0; redraw(); }
};
screen_.addEventListener("pointerup", lift);
screen_.addEventListener("pointercancel", lift);

screen_.addEventListener("wheel", (event) => {
  event.preventDefault();
  zoomAt(...at(event), Math.exp(-event.deltaY * (event.deltaMode ? 0.05 : 0.0015)));
}, { passive: false });

function zoomAt(x, y, factor) {
  if (mode === "relief") {
    reliefView.zoom = Math.min(Math.max(reliefView.zoom + Math.log2(factor), -2), 5);
  } else {
    const [e, n] = toMap([x, y]);
    view.zoom = Math.min(Math.max(view.zoom * factor, 1e-4), 1e5);
    view.e = e - (x - screen_.clientWidth / 2) / view.zoom;
    view.n = n + (y - screen_.clientHeight / 2) / view.zoom;
  }
  redraw();
}

const zoomBy = (factor) => zoomAt(screen_.clientWidth / 2, screen_.clientHeight / 2, factor);

function turnBy(turn, tilt) {
  reliefView.turn = ((reliefView.turn + turn + 540) % 360) - 180;
  reliefView.tilt = Math.min(Math.max(reliefView.tilt + tilt, 8), 88);
  byId("turn").value = reliefView.turn;
  byId("tilt").value = reliefView.tilt;
  redraw();
}

// ---- keys ---------------------------------------------------------------------------------------

screen_.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const step = event.shiftKey ? 60 : 10;
  const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  const way = arrows[event.key];
  if (way && mode === "relief") turnBy(way[0] * step * 0.5, way[1] * step * -0.3);
  else if (way) moveCross(way[0] * step, way[1] * step);
  else if (event.key === "Enter" || event.key === " ")
    point(mode === "relief" ? placeAt(screen_.clientWidth / 2, screen_.clientHeight / 2) : toMap(toScreen(look.cross ?? [view.e, view.n])));
  else if (event.key === "+" || event.key === "=") zoomBy(1.3);
  else if (event.key === "-") zoomBy(1 / 1.3);
  else if (event.key === "0") { fit(); redraw(); }
  else if (event.key === "l" || event.key === "L") draw(!drawing);
  else if (event.key === "Backspace") undo();
  else if (event.key === "Escape") draw(false);
  else return;
  event.preventDefault();
});

function moveCross(dx, dy) {
  const [x, y] = look.cross ? toScreen(look.cross) : [screen_.clientWidth / 2, screen_.clientHeight / 2];
  look.cross = toMap([x + dx, y + dy]);
  const [u, v] = toScreen(look.cross), rim = 24;
  const out = (value, size) => Math.min(value - rim, 0) + Math.max(value - size + rim, 0);
  view.e += out(u, screen_.clientWidth) / view.zoom;
  view.n -= out(v, screen_.clientHeight) / view.zoom;
  const up = valueAt("elevation", ...look.cross);
  byId("cross-words").textContent = `${coordinate(look.cross[0], 0)} E, ${coordinate(look.cross[1], 1)} N${Number.isNaN(up) ? "" : `, ${height(up)}`}`;
  redraw();
}

// ---- the cards ----------------------------------------------------------------------------------

function draw(on) {
  drawing = on;
  byId("draw").setAttribute("aria-pressed", String(on));
  byId("draw").textContent = on ? "Stop drawing" : "Draw a line";
  screen_.classList.toggle("drawing", on);
  byId("hint").textContent = on
    ? "Set corners on the map, or move the cross with the arrow keys and press Enter. Backspace takes the last one back."
    : mode === "relief"
      ? "Drag to turn and tilt, click or tap to ask. Arrow keys turn and tilt, Enter asks in the middle."
      : "Click or tap the map, or move the cross with the arrow keys and press Enter.";
}

function undo() {
  look.line.pop();
  showProfile();
  freshen();
}

function setMode(name) {
  mode = name;
  byId("plan-mode").setAttribute("aria-pressed", String(name === "plan"));
  byId("relief-mode").setAttribute("aria-pressed", String(name === "relief"));
  byId("relief-card").hidden = name !== "relief";
  draw(drawing);
  screen_.setAttribute("aria-label", name === "plan" ? "Plan of the site" : "Relief of the site");
  redraw();
}

function listLayers() {
  const list = byId("layers");
  for (const layer of site.layers) {
    const label = element("label"), box = element("input", null, { type: "checkbox", "data-layer": layer.name });
    box.checked = shown.get(layer.name);
    box.addEventListener("change", () => { shown.set(layer.name, box.checked); freshen(); });
    label.append(box, element("span", layer.title || layer.name), element("small", String(layer.features.length)));
    list.append(label);
  }
  const label = element("label"), box = element("input", null, { type: "checkbox", id: "writing" });
  box.checked = true;
  box.addEventListener("change", () => { look.writing = box.checked; redraw(); });
  label.append(box, element("span", "Names and figures"));
  list.append(label);
  const ground = byId("ground");
  for (const [name, raster] of rasters) ground.append(element("option", raster.title || name, { value: name }));
  ground.addEventListener("change", () => { look.ground = ground.value; showRamp(); freshen(); });
  byId("ground-row").hidden = !rasters.size;
}

function showRamp() {
  const box = byId("ramp");
  box.hidden = !look.ground;
  if (!look.ground) return;
  const raster = rasters.get(look.ground), [low, high] = tintRange(look.ground);
  const colours = site.ramps[look.ground] ?? site.ramps.elevation;
  byId("ramp-bar").style.background = `linear-gradient(to right, ${colours.join(", ")})`;
  const sign = { percent: "%", degree: "°" }[raster.unit] ?? raster.unit;
  const digits = high - low < 5 ? 2 : 1;
  byId("ramp-low").textContent = look.ground === "drainage_direction" ? "north" : `${low.toFixed(digits)} ${sign}`;
  byId("ramp-high").textContent = look.ground === "drainage_direction" ? "round to north" : `${high.toFixed(digits)} ${sign}${raster.high > high + 1e-6 ? " and more" : ""}`;
}

function listMarks() {
  for (const id of ["from", "to"]) {
    const list = byId(id);
    list.append(element("option", "choose a mark", { value: "" }));
    marks.forEach((mark, i) => list.append(element("option", mark.point, { value: String(i) })));
    list.addEventListener("change", () => {
      const chosen = ["from", "to"].map((k) => byId(k).value);
      if (chosen.includes("")) return;
      look.line = chosen.map((k) => [marks[+k].e, marks[+k].n]);
      showProfile();
      freshen();
    });
  }
  const find = byId("find"), known = byId("names");
  for (const name of targets.keys()) known.append(element("option", null, { value: name }));
  const search = () => {
    const wanted = find.value.trim(), lower = wanted.toLowerCase();
    if (!wanted) return;
    const name = targets.has(wanted) ? wanted : [...targets.keys()].find((n) => n.toLowerCase().startsWith(lower));
    byId("find-words").textContent = name ? "" : `Nothing here is called ${wanted}.`;
    if (name) go(targets.get(name));
  };
  find.addEventListener("change", search);
  find.addEventListener("keydown", (event) => { if (event.key === "Enter") search(); });
  byId("find-row").hidden = !targets.size;
  byId("ends").hidden = !marks.length;
}

// What can be looked for by name: marks first, then areas, lines and parcels.
const targets = (() => {
  const found = new Map(marks.map((mark) => [String(mark.point), [mark.e, mark.n]]));
  for (const name of ["areas", "lines", "parcels"])
    for (const feature of layers.get(name)?.features ?? []) {
      const called = feature.p.feature ?? feature.p.parcel, line = feature.g[0];
      if (called === undefined || found.has(String(called))) continue;
      const k = 2 * Math.floor(line.length / 4);
      found.set(String(called), feature.label ?? [line[k], line[k + 1]]);
    }
  return found;
})();

// Move the plan to a place and ask there.
function go(place) {
  if (mode === "relief") setMode("plan");
  look.spot = place;
  Object.assign(view, { e: place[0], n: place[1] });
  tell(place, markNear(place));
  freshen();
  byId("screen").scrollIntoView({ block: "nearest" });
}

const findings = [...site.look, ...site.notes];
const placeOf = (finding) => finding.place ?? (finding.mark === undefined ? null : targets.get(finding.mark) ?? null);

// What a finding says in the unit chosen.
const saidOf = (finding) => (unit.name === site.told_unit ? finding.text : finding.other ?? finding.text);

// The first sentences of a long finding, and the rest of it.
function parted(text) {
  const [first, ...rest] = text.split(/(?<=[.)]) (?=[A-Z])/);
  let told = first;
  while (rest.length && told.length + rest[0].length < 260) told += ` ${rest.shift()}`;
  return [told, rest.join(" ")];
}

// A finding whose place is known is a button that goes there.
function findingItem(finding) {
  const item = element("li"), place = placeOf(finding);
  const [said, rest] = parted(saidOf(finding));
  if (!place) item.textContent = said;
  else {
    const button = element("button", said, { type: "button", class: "finding", "data-finding": String(findings.indexOf(finding)) });
    button.addEventListener("click", () => go(place));
    item.append(button);
  }
  if (rest) {
    const more = element("details");
    more.append(element("summary", "more of it"), element("p", rest));
    item.append(more);
  }
  return item;
}

function fillWords() {
  const north = Math.abs(site.convergence_deg) * 60;
  const angle = `${Math.floor(north / 60)}° ${(north % 60).toFixed(1)}′`;
  const side = site.convergence_deg > 0 ? "west" : "east";
  byId("title").textContent = site.title;
  byId("subtitle").textContent = [site.date && `Surveyed ${site.date}`, site.crs, site.vertical].filter(Boolean).join(" · ");
  byId("accuracy").textContent = site.accuracy[unit.name];
  byId("caution").textContent = site.caution;
  byId("place").textContent =
    `Lengths are ground lengths; on the map grid of ${site.crs} they are ${site.factor.toFixed(6)} of that. Up is grid north` +
    (north < 0.5 ? "." : `; true north is ${angle} ${side} of it.`);
  byId("thinned").hidden = !site.thinned;
  for (const [id, texts] of [["look", site.look], ["notes", site.notes]]) {
    byId(`${id}-card`).hidden = !texts.length;
    const more = byId(`${id}-more`), first = 3, items = texts.map(findingItem);
    byId(id).replaceChildren(...items.slice(0, first));
    more.querySelector("ul").replaceChildren(...items.slice(first));
    more.hidden = texts.length <= first;
    more.querySelector("summary").textContent = `${texts.length - first} more`;
  }
}

fillWords();
listLayers();
listMarks();
showProfile();
draw(false);
byId("plan-mode").addEventListener("click", () => setMode("plan"));
byId("relief-mode").addEventListener("click", () => setMode("relief"));
byId("relief-mode").hidden = !relief;
byId("blocks-words").hidden = !buildings.length;
byId("draw").addEventListener("click", () => draw(!drawing));
byId("undo").addEventListener("click", undo);
byId("units").value = unit.name;
byId("units").addEventListener("change", () => {
  unit.name = byId("units").value;
  fillWords();
  showProfile();
  showRamp();
  if (look.spot) tell(look.spot, markNear(look.spot));
  freshen();
});
byId("print").addEventListener("click", () => window.print());
byId("clear").addEventListener("click", () => { look.line = []; showProfile(); freshen(); });
byId("closer").addEventListener("click", () => zoomBy(1.4));
byId("farther").addEventListener("click", () => zoomBy(1 / 1.4));
byId("whole").addEventListener("click", () => { fit(); redraw(); });
for (const name of ["turn", "tilt", "exaggeration"]) {
  const slider = byId(name);
  const tellValue = () => { byId(`${name}-value`).textContent = name === "exaggeration" ? `${(+slider.value).toFixed(1)} ×` : `${Math.round(+slider.value)}°`; };
  slider.addEventListener("input", () => { reliefView[name] = +slider.value; tellValue(); moving = 1; redraw(); });
  slider.addEventListener("change", () => { moving = 0; redraw(); });
  if (name === "exaggeration" && relief) {
    // flat ground is shown steeper, so that its relief is about a twelfth of its width
    const raster = rasters.get("elevation"), wide = Math.max(raster.rows, raster.cols) * raster.cell * site.unit_m;
    const tall = Math.max((raster.high - raster.low) * site.height_unit_m, 1e-3);
    slider.value = String(Math.min(Math.max(Math.round(wide / tall / 12), 1), 20));
  } else slider.value = String(reliefView[name]);
  reliefView[name] = +slider.value;
  tellValue();
}
darkScreen.addEventListener("change", freshen);
new ResizeObserver(redraw).observe(screen_);
fit();
setMode("plan");
