// The site as the page knows it. Places are easting and northing in map units, relative to
// site.origin; elevations in the unit of the vertical CRS.

export const site = JSON.parse(document.getElementById("site").textContent);
export const byId = (id) => document.getElementById(id);
export const METRE = site.unit_m / site.factor; // ground metres per map unit
export const layers = new Map(site.layers.map((layer) => [layer.name, layer]));
export const darkScreen = window.matchMedia("(prefers-color-scheme: dark)");
export const inks = () => (darkScreen.matches ? site.inks.dark : site.inks.light);

// Whole numbers in base64 to a Float32Array; NaN where nothing is known.
function decode(raster) {
  const text = atob(raster.data);
  const bytes = Uint8Array.from(text, (c) => c.charCodeAt(0));
  const codes = raster.width === 2 ? new Uint16Array(bytes.buffer) : bytes;
  const nothing = raster.width === 2 ? 65535 : 255;
  return Float32Array.from(codes, (c) => (c === nothing ? NaN : raster.low + c * raster.step));
}

export const rasters = new Map(
  Object.entries(site.rasters).map(([name, raster]) => [name, { ...raster, values: decode(raster) }]),
);

export function cellAt(raster, e, n) {
  const col = Math.floor((e - raster.west) / raster.cell);
  const row = Math.floor((raster.north - n) / raster.cell);
  const inside = col >= 0 && row >= 0 && col < raster.cols && row < raster.rows;
  return inside ? raster.values[row * raster.cols + col] : NaN;
}

// Value between the centres of four cells; of the cell itself where a neighbour is empty.
export function valueAt(name, e, n) {
  const raster = rasters.get(name);
  if (!raster) return NaN;
  const x = (e - raster.west) / raster.cell - 0.5;
  const y = (raster.north - n) / raster.cell - 0.5;
  const col = Math.floor(x), row = Math.floor(y);
  if (col >= 0 && row >= 0 && col < raster.cols - 1 && row < raster.rows - 1) {
    const i = row * raster.cols + col, v = raster.values;
    const upper = v[i] + (v[i + 1] - v[i]) * (x - col);
    const lower = v[i + raster.cols] + (v[i + raster.cols + 1] - v[i + raster.cols]) * (x - col);
    const value = upper + (lower - upper) * (y - row);
    if (!Number.isNaN(value)) return value;
  }
  return cellAt(raster, e, n);
}

// What the site covers, marks and areas first; parcels may reach far beyond it.
export const extent = (() => {
  const box = [Infinity, Infinity, -Infinity, -Infinity];
  const names = ["points", "areas", "lines", "baseline", "contours"];
  const chosen = site.layers.filter((l) => names.includes(l.name));
  for (const layer of chosen.length ? chosen : site.layers)
    for (const feature of layer.features)
      for (const line of feature.g)
        for (let i = 0; i < line.length; i += 2) {
          box[0] = Math.min(box[0], line[i]);
          box[1] = Math.min(box[1], line[i + 1]);
          box[2] = Math.max(box[2], line[i]);
          box[3] = Math.max(box[3], line[i + 1]);
        }
  for (const raster of box[0] <= box[2] ? [] : rasters.values()) {
    box[0] = Math.min(box[0], raster.west);
    box[1] = Math.min(box[1], raster.north - raster.rows * raster.cell);
    box[2] = Math.max(box[2], raster.west + raster.cols * raster.cell);
    box[3] = Math.max(box[3], raster.north);
  }
  return box[0] <= box[2] ? box : [0, 0, 1, 1];
})();

// The named marks, with their place.
export const marks = (layers.get("points")?.features ?? []).map((f) => ({ ...f.p, e: f.g[0][0], n: f.g[0][1] }));
export const baselineEnds = new Set(
  (layers.get("baseline")?.features ?? []).flatMap((f) => [f.p.from_point, f.p.to_point]),
);

// Lengths are kept in metres and written in the unit that the reader chose.
const FOOT = 0.3048;
export const unit = { name: site.shown_unit === "ft" ? "ft" : "m" };
export const perMetre = () => (unit.name === "ft" ? 1 / FOOT : 1);
export const metres = (value, digits = 2) => `${(value * perMetre()).toFixed(digits)} ${unit.name}`;
// Elevations in feet are in the foot of the vertical CRS where it has one.
export const perHeight = () => {
  const foot = Math.abs(site.height_unit_m / FOOT - 1) < 1e-4;
  return unit.name === "ft" && foot ? 1 : site.height_unit_m * perMetre();
};
export const height = (value) => `${(value * perHeight()).toFixed(2)} ${unit.name}`;
export const area = (value, half) => {
  const scale = perMetre() ** 2, digits = unit.name === "ft" ? 0 : 1;
  const written = (v) => (v * scale).toFixed(digits).replace(/\B(?=(\d{3})+(?!\d))/g, "\u202f");
  return `${written(value)}${half > 0 ? ` ± ${written(half)}` : ""} ${unit.name}²`;
};
// as on paper: keys of the field book have blanks where people read
export const readable = (key) => String(key ?? "").replaceAll("_", " ");
export const percent = (value) => `${value.toFixed(1)} %`;
const mapDigits = site.unit_m < 0.9 ? 2 : 3;
export const coordinate = (value, axis) => {
  const [whole, part] = (value + site.origin[axis]).toFixed(mapDigits).split(".");
  return `${whole.replace(/\B(?=(\d{3})+$)/g, "\u202f")}.${part}`;
};
const WINDS = ["north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west"];
export const wind = (azimuth) => WINDS[Math.round(azimuth / 45) % 8];

// Colours of a ramp, between its stops.
export function rampColour(colours, share) {
  const at = Math.min(Math.max(share, 0), 1) * (colours.length - 1);
  const k = Math.min(Math.floor(at), colours.length - 2);
  const channel = (i) => {
    const a = parseInt(colours[k].slice(i, i + 2), 16), b = parseInt(colours[k + 1].slice(i, i + 2), 16);
    return Math.round(a + (b - a) * (at - k));
  };
  return [channel(1), channel(3), channel(5)];
}

export function element(tag, text, attributes = {}) {
  const made = document.createElement(tag);
  if (text !== undefined && text !== null) made.textContent = text;
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  return made;
}

export function svgElement(tag, attributes, text) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  if (text !== undefined) made.textContent = text;
  return made;
}
