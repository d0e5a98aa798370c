// The site as a block of ground: a small painter with a depth per pixel, so that it looks the same
// with and without a graphics processor. The plan is the cloth over it.

import { darkScreen, inks, rasters, site } from "./site.js";
import { meshOf } from "./mesh.js";
import { buildingInk, buildings, paintBuildings, pixel, roofOf } from "./blocks.js";
import { paintPlan, shown } from "./plan.js";

export const reliefView = { turn: -25, tilt: 38, exaggeration: 1, zoom: 0 };

// Holes in the ground get a flat lid at the mean height of their rim, and the block of a building
// stands on it; what is outside the survey stays open.
function lidded({ rows, cols, values }) {
  const filled = Float32Array.from(values), met = new Uint8Array(values.length);
  for (let start = 0; start < values.length; start++) {
    if (met[start] || !Number.isNaN(values[start])) continue;
    const hole = [start];
    let open = false, sum = 0, count = 0;
    met[start] = 1;
    for (let k = 0; k < hole.length; k++) {
      const row = Math.floor(hole[k] / cols), col = hole[k] % cols;
      if (row === 0 || col === 0 || row === rows - 1 || col === cols - 1) open = true;
      for (const [r, c] of [[row - 1, col], [row + 1, col], [row, col - 1], [row, col + 1]]) {
        if (r < 0 || c < 0 || r >= rows || c >= cols) continue;
        const i = r * cols + c;
        if (!Number.isNaN(values[i])) {
          sum += values[i];
          count++;
        } else if (!met[i]) {
          met[i] = 1;
          hole.push(i);
        }
      }
    }
    if (!open && count) for (const i of hole) filled[i] = sum / count;
  }
  return filled;
}

export const relief = (() => {
  const raster = rasters.get("elevation");
  if (!raster) return null;
  const { rows, cols, cell } = raster;
  const values = lidded(raster);
  const middle = { e: raster.west + (cols * cell) / 2, n: raster.north - (rows * cell) / 2 };
  const upPerUnit = site.height_unit_m / site.unit_m; // map units per elevation unit
  const CLOTH = 1400; // pixels along the longer side
  const cloth = document.createElement("canvas");
  const perUnit = CLOTH / (Math.max(rows, cols) * cell);
  cloth.width = Math.max(2, Math.round(cols * cell * perUnit));
  cloth.height = Math.max(16, Math.round(rows * cell * perUnit));
  let pixels = null, last = null;
  const meshes = new Map(); // by step: they do not change with the view

  function weave() {
    const context = cloth.getContext("2d", { willReadFrequently: true });
    // bare ground is not as white as paper: the block must stand out from the page
    const paper = darkScreen.matches ? "#2a3942" : "#e8e3d9";
    paintPlan(context, cloth.width, cloth.height, { ...middle, zoom: perUnit }, CLOTH / 640, { paper });
    const image = context.getImageData(0, 0, cloth.width, cloth.height);
    pixels = new Uint32Array(image.data.buffer);
  }

  // Paint into an image of the canvas' size; coarse: every so many cells.
  function paint(canvas, coarse) {
    if (!pixels) weave();
    const width = canvas.width, height_ = canvas.height, context = canvas.getContext("2d");
    const image = context.createImageData(width, height_);
    const out = new Uint32Array(image.data.buffer);
    const paper = inks().paper, back = (255 << 24) | (parseInt(paper.slice(5, 7), 16) << 16) | (parseInt(paper.slice(3, 5), 16) << 8) | parseInt(paper.slice(1, 3), 16);
    out.fill(back);
    const depth = new Float32Array(width * height_).fill(Infinity);
    const texel = new Int32Array(width * height_).fill(-1);
    const turn = (reliefView.turn * Math.PI) / 180, tilt = (reliefView.tilt * Math.PI) / 180;
    const ct = Math.cos(turn), st = Math.sin(turn), sp = Math.sin(tilt), cp = Math.cos(tilt);
    const rise = upPerUnit * reliefView.exaggeration, zero = raster.low;
    const base = zero - Math.max((raster.high - zero) * 0.25, (Math.hypot(rows, cols) * cell * 0.012) / rise);
    const lay = (e, n, z) => {
      const de = e - middle.e, dn = n - middle.n, up = (z - zero) * rise;
      const y = -de * st + dn * ct;
      return [de * ct + dn * st, -(y * sp + up * cp), y * cp - up * sp];
    };
    const built = shown.get("areas") ? buildings : [];
    const top = Math.max(raster.high, ...built.map((one) => roofOf(one, reliefView.exaggeration)));
    // the block in the middle, as large as fits
    const box = [Infinity, Infinity, -Infinity, -Infinity];
    for (const e of [raster.west, raster.west + cols * cell])
      for (const n of [raster.north, raster.north - rows * cell])
        for (const z of [base, top]) {
          const [x, y] = lay(e, n, z);
          box[0] = Math.min(box[0], x); box[1] = Math.min(box[1], y);
          box[2] = Math.max(box[2], x); box[3] = Math.max(box[3], y);
        }
    const zoom = Math.min(width / (box[2] - box[0]), (height_ * 0.86) / (box[3] - box[1])) * 0.96 * 2 ** reliefView.zoom;
    const project = (e, n, z) => {
      const [x, y, d] = lay(e, n, z);
      return [width / 2 + (x - (box[0] + box[2]) / 2) * zoom, height_ / 2 + (y - (box[1] + box[3]) / 2) * zoom, d];
    };
    const step = Math.max(1, coarse);
    if (!meshes.has(step)) meshes.set(step, meshOf(raster, values, step, perUnit));
    const mesh = meshes.get(step), { nc, u: tu, v: tv } = mesh, count = mesh.z.length;
    const px = new Float32Array(count), py = new Float32Array(count), pz = new Float32Array(count);
    const ups = Float32Array.from(mesh.z, (z) => z * rise);
    for (let k = 0; k < count; k++) [px[k], py[k], pz[k]] = project(mesh.e[k], mesh.n[k], mesh.z[k]);
    const shade = (colour, light) => {
      const r = Math.min(255, (colour & 255) * light), g = Math.min(255, ((colour >> 8) & 255) * light), b = Math.min(255, ((colour >> 16) & 255) * light);
      return (255 << 24) | (b << 16) | (g << 8) | r;
    };
    // one triangle: screen x, y, depth, and cloth u, v per corner; side >= 0: one colour instead
    const triangle = (ax, ay, az, au, av, bx, by, bz, bu, bv, cx, cy, cz, cu, cv, light, side) => {
      const area = (bx - ax) * (cy - ay) - (cx - ax) * (by - ay);
      if (!(Math.abs(area) > 1e-6)) return;
      const x0 = Math.max(0, Math.ceil(Math.min(ax, bx, cx) - 0.5)), x1 = Math.min(width - 1, Math.floor(Math.max(ax, bx, cx) + 0.5));
      const y0 = Math.max(0, Math.ceil(Math.min(ay, by, cy) - 0.5)), y1 = Math.min(height_ - 1, Math.floor(Math.max(ay, by, cy) + 0.5));
      const inv = 1 / area, slack = -1e-3;
      // where the cloth is seen along its surface, a pixel covers many texels: they are spread over it
      const tall = Math.max(ay, by, cy) - Math.min(ay, by, cy), deep = Math.max(av, bv, cv) - Math.min(av, bv, cv);
      const hop = Math.max(1, Math.min(6, Math.round(deep / Math.max(tall, 0.2) / 3))) * cloth.width, most = pixels.length - 1;
      for (let y = y0; y <= y1; y++)
        for (let x = x0; x <= x1; x++) {
          const wb = ((x - ax) * (cy - ay) - (cx - ax) * (y - ay)) * inv;
          const wc = ((bx - ax) * (y - ay) - (x - ax) * (by - ay)) * inv;
          const wa = 1 - wb - wc;
          if (wa < slack || wb < slack || wc < slack) continue;
          const d = wa * az + wb * bz + wc * cz, i = y * width + x;
          if (d >= depth[i]) continue;
          depth[i] = d;
          if (side >= 0) { out[i] = shade(side, light); texel[i] = -1; continue; }
          const u = Math.min(cloth.width - 2, Math.max(0, (wa * au + wb * bu + wc * cu) | 0));
          const v = Math.min(cloth.height - 8, Math.max(0, (wa * av + wb * bv + wc * cv) | 0));
          const t = v * cloth.width + u;
          texel[i] = t;
          // mean of four texels, two at a time, all channels at once
          const p = pixels[t], q = pixels[t + hop + 1], r = pixels[Math.min(t + 2 * hop, most)], s = pixels[Math.min(t + 3 * hop + 1, most)];
          const m = (p & q) + (((p ^ q) & 0xfefefefe) >>> 1), o = (r & s) + (((r ^ s) & 0xfefefefe) >>> 1);
          out[i] = shade((m & o) + (((m ^ o) & 0xfefefefe) >>> 1), light);
        }
    };
    const span = cell * step;
    const earth = parseInt(site.inks.light.earth.slice(1), 16), earthColour = ((earth & 255) << 16) | (earth & 0xff00) | (earth >> 16);
    // light from the upper left of the paper, as on shaded maps
    const lightOf = (de, dn) => 0.62 + 0.5 * Math.max(0, (de * 0.5 - dn * 0.5 + 0.9) / Math.sqrt(de * de + dn * dn + 1) / 1.144);
    const { triangles, slopes } = mesh;
    for (let t = 0, s = 0; t < triangles.length; t += 3, s += 4) {
      const p = triangles[t], q = triangles[t + 1], r = triangles[t + 2];
      let de, dn;
      if (slopes[s] < 0) {
        // both triangles of a whole block have its mean slope: the first has its upper left corner
        const a = q === p + 1 ? p : p - 1, b = a + 1, c = a + nc, d = c + 1;
        de = (ups[b] + ups[d] - ups[a] - ups[c]) / (2 * span);
        dn = (ups[a] + ups[b] - ups[c] - ups[d]) / (2 * span);
      } else {
        de = (ups[slopes[s + 1]] - ups[slopes[s]]) / span;
        dn = (ups[slopes[s + 3]] - ups[slopes[s + 2]]) / span;
      }
      triangle(px[p], py[p], pz[p], tu[p], tv[p], px[q], py[q], pz[q], tu[q], tv[q], px[r], py[r], pz[r], tu[r], tv[r], lightOf(de, dn), -1);
    }
    for (const [k, l] of mesh.edges) {
      const a = project(mesh.e[k], mesh.n[k], base), b = project(mesh.e[l], mesh.n[l], base);
      const [ke, kn] = mesh.normals.get(k), [le, ln] = mesh.normals.get(l);
      const light = 0.77 + 0.0375 * (kn + ln) - 0.045 * (ke + le);
      triangle(px[k], py[k], pz[k], 0, 0, px[l], py[l], pz[l], 0, 0, a[0], a[1], a[2], 0, 0, light, earthColour);
      triangle(px[l], py[l], pz[l], 0, 0, b[0], b[1], b[2], 0, 0, a[0], a[1], a[2], 0, 0, light, earthColour);
    }
    if (built.length) {
      const ratio = width / (canvas.clientWidth || width);
      const most = [cloth.width - 1, cloth.height - 1];
      const texelAt = (e, n) => {
        const u = Math.floor((e - raster.west) * perUnit), v = Math.floor((raster.north - n) * perUnit);
        return u < 0 || v < 0 || u > most[0] || v > most[1] ? -1 : v * cloth.width + u;
      };
      const side = pixel(buildingInk());
      paintBuildings({
        width, height: height_, depth, out, texel, project, texelAt,
        span: Math.hypot(rows, cols) * cell, thick: Math.max(1, Math.round(1.3 * ratio)),
        roof: pixel(buildingInk(), darkScreen.matches ? 1.25 : 1), line: pixel(inks().text),
        face: (ax, ay, ad, bx, by, bd, cx, cy, cd, light) => triangle(ax, ay, ad, 0, 0, bx, by, bd, 0, 0, cx, cy, cd, 0, 0, light, side & 0xffffff),
      }, reliefView.exaggeration);
    }
    context.putImageData(image, 0, 0);
    last = { width, height: height_, texel, depth, project };
  }

  // The place that a pixel of the last picture shows, or null.
  function pick(x, y) {
    if (!last) return null;
    const at = last.texel[Math.round(y) * last.width + Math.round(x)];
    if (at === undefined || at < 0) return null;
    const u = at % cloth.width, v = Math.floor(at / cloth.width);
    return [raster.west + (u + 0.5) / perUnit, raster.north - (v + 0.5) / perUnit];
  }

  // Where a place is in the last picture, null where something is in front of it.
  function seen(e, n, z) {
    const [x, y, d] = last.project(e, n, z);
    const i = Math.round(y) * last.width + Math.round(x);
    if (!(x >= 0 && y >= 0 && x < last.width && y < last.height)) return null;
    const slack = 0.02 * Math.hypot(rows, cols) * cell;
    return last.depth[i] < d - slack ? null : [x, y];
  }

  // How wide a line is in the last picture.
  function wideOf(line, z) {
    const xs = [];
    for (let i = 0; i < line.length; i += 2) xs.push(last.project(line[i], line[i + 1], z)[0]);
    return Math.max(...xs) - Math.min(...xs);
  }

  return { paint, pick, seen, wideOf, forget: () => { pixels = null; }, cells: rows * cols };
})();
