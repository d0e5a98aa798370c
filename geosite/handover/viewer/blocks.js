// Buildings as solid blocks with a flat roof, for the relief. How high they are was not measured:
// every block is one storey above the highest ground at its foot, and the page says so.

import { inks, layers, rasters, site } from "./site.js";

const STOREY = 3; // metres, drawn true to scale whatever the exaggeration of the ground
const REACH = 4; // cells from a wall to the ground that its foot is read from

// The ground nearest to a place, NaN where none is near.
function groundNear(raster, e, n) {
  const col = Math.floor((e - raster.west) / raster.cell), row = Math.floor((raster.north - n) / raster.cell);
  let best = NaN, near = Infinity;
  for (let r = Math.max(row - REACH, 0); r <= Math.min(row + REACH, raster.rows - 1); r++)
    for (let c = Math.max(col - REACH, 0); c <= Math.min(col + REACH, raster.cols - 1); c++) {
      const value = raster.values[r * raster.cols + c], away = (r - row) ** 2 + (c - col) ** 2;
      if (away < near && !Number.isNaN(value)) { near = away; best = value; }
    }
  return best;
}

// Twice the area that a ring holds, positive against the clock.
function turned(ring) {
  let sum = 0;
  for (let i = 0; i + 3 < ring.length; i += 2) sum += ring[i] * ring[i + 3] - ring[i + 2] * ring[i + 1];
  return sum;
}

// The buildings that stand on ground: rings, lowest and highest ground at the foot.
export const buildings = (() => {
  const raster = rasters.get("elevation"), found = [];
  if (!raster) return found;
  for (const feature of layers.get("areas")?.features ?? []) {
    if (!site.codes[feature.p.code]?.building) continue;
    let low = Infinity, high = -Infinity;
    for (const ring of feature.g)
      for (let i = 0; i + 3 < ring.length; i += 2) {
        const [e, n, f, m] = ring.slice(i, i + 4), parts = Math.max(1, Math.ceil(Math.hypot(f - e, m - n) / (2 * raster.cell)));
        for (let k = 0; k < Math.min(parts, 500); k++) {
          const up = groundNear(raster, e + ((f - e) * k) / parts, n + ((m - n) * k) / parts);
          if (up < low) low = up;
          if (up > high) high = up;
        }
      }
    if (low <= high) found.push({ name: feature.p.feature, label: feature.label, rings: feature.g, low, high });
  }
  return found;
})();

export const roofOf = (building, exaggeration) => building.high + STOREY / site.height_unit_m / exaggeration;

// Paint them into the picture of the relief; `scene` is what its painter works with.
export function paintBuildings(scene, exaggeration) {
  for (const building of buildings) {
    const roof = roofOf(building, exaggeration), sense = Math.sign(turned(building.rings[0])) || 1;
    const seen = building.rings.map((ring) => {
      const corners = [];
      for (let i = 0; i < ring.length; i += 2) corners.push([...scene.project(ring[i], ring[i + 1], roof), ...scene.project(ring[i], ring[i + 1], building.low)]);
      return corners;
    });
    building.rings.forEach((ring, which) => {
      const outward = which ? -Math.sign(turned(ring)) : sense;
      for (let i = 0; i + 1 < seen[which].length; i++) {
        const [ax, ay, ad, bx, by, bd] = seen[which][i], [cx, cy, cd, dx, dy, dd] = seen[which][i + 1];
        const de = ring[2 * i + 2] - ring[2 * i], dn = ring[2 * i + 3] - ring[2 * i + 1];
        // light from the upper left of the paper, as on the ground
        const light = 0.72 + (0.14 * outward * (-dn - de)) / (Math.hypot(de, dn) || 1);
        scene.face(ax, ay, ad, cx, cy, cd, bx, by, bd, light);
        scene.face(cx, cy, cd, dx, dy, dd, bx, by, bd, light);
      }
    });
    paintRoof(scene, seen, roof);
    seen.forEach((corners) => outline(scene, corners));
  }
}

// The flat roof: even-odd spans of its outline on the screen. Depth and place are linear there.
function paintRoof(scene, seen, roof) {
  const { width, height, depth, out, texel } = scene, span = scene.span;
  const [ox, oy, od] = scene.project(0, 0, roof), [ex, ey, ed] = scene.project(span, 0, roof), [nx, ny, nd] = scene.project(0, span, roof);
  const whole = (ex - ox) * (ny - oy) - (nx - ox) * (ey - oy);
  if (Math.abs(whole) < 1e-9) return;
  const ys = seen.flatMap((corners) => corners.map((c) => c[1]));
  const first = Math.max(0, Math.ceil(Math.min(...ys) - 0.5)), last = Math.min(height - 1, Math.floor(Math.max(...ys) - 0.5));
  for (let y = first; y <= last; y++) {
    const level = y + 0.5, cuts = [];
    for (const corners of seen)
      for (let i = 0; i + 1 < corners.length; i++) {
        const [ax, ay] = corners[i], [bx, by] = corners[i + 1];
        if (ay > level !== by > level) cuts.push(ax + ((level - ay) / (by - ay)) * (bx - ax));
      }
    cuts.sort((a, b) => a - b);
    for (let k = 0; k + 1 < cuts.length; k += 2)
      for (let x = Math.max(0, Math.ceil(cuts[k] - 0.5)); x <= Math.min(width - 1, Math.floor(cuts[k + 1] - 0.5)); x++) {
        const px = x + 0.5 - ox, py = y + 0.5 - oy;
        const e = (px * (ny - oy) - (nx - ox) * py) / whole, n = ((ex - ox) * py - px * (ey - oy)) / whole;
        const d = od + e * (ed - od) + n * (nd - od), i = y * width + x;
        if (d >= depth[i]) continue;
        depth[i] = d;
        out[i] = scene.roof;
        texel[i] = scene.texelAt(e * span, n * span);
      }
  }
}

// The edges of the roof and the corners below it, where nothing is in front of them.
function outline(scene, corners) {
  const { width, height, depth, out } = scene, slack = 0.004 * scene.span, thick = scene.thick;
  const stroke = (ax, ay, ad, bx, by, bd) => {
    const steps = Math.ceil(Math.max(Math.abs(bx - ax), Math.abs(by - ay), 1));
    if (steps > 20_000) return;
    for (let k = 0; k <= steps; k++) {
      const x0 = Math.round(ax + ((bx - ax) * k) / steps), y0 = Math.round(ay + ((by - ay) * k) / steps), d = ad + ((bd - ad) * k) / steps;
      for (let y = Math.max(y0, 0); y < Math.min(y0 + thick, height); y++)
        for (let x = Math.max(x0, 0); x < Math.min(x0 + thick, width); x++)
          if (d - slack <= depth[y * width + x]) out[y * width + x] = scene.line;
    }
  };
  for (let i = 0; i + 1 < corners.length; i++) {
    const [ax, ay, ad, bx, by, bd] = corners[i], [cx, cy, cd] = corners[i + 1];
    stroke(ax, ay, ad, cx, cy, cd);
    const [zx, zy] = corners[i ? i - 1 : corners.length - 2];
    const bend = Math.abs((ax - zx) * (cy - ay) - (ay - zy) * (cx - ax)) / (Math.hypot(ax - zx, ay - zy) * Math.hypot(cx - ax, cy - ay) || 1);
    if (bend > 0.3) stroke(ax, ay, ad, bx, by, bd);
  }
}

// A colour like "#a1b2c3" as a pixel, a little lighter or darker.
export function pixel(colour, light = 1) {
  const channel = (i) => Math.min(255, Math.round(parseInt(colour.slice(i, i + 2), 16) * light));
  return (255 << 24) | (channel(5) << 16) | (channel(3) << 8) | channel(1);
}
export const buildingInk = () => inks().building;
