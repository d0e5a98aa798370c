// The ground as triangles, every so many cells, with a smooth rim: where the ground ends, cells make
// stairs that nobody walked. Corners that stick out are cut, and places on the rim move towards the
// line between their neighbours, by less than a cell; what lies within stays where it is.

const MOST_MOVED = 0.75; // cells
const SMOOTHED = 8; // rounds

// Nodes of a grid: their places in the plan, height, and place on the cloth; triangles with the
// nodes that tell their slope; and the edges of the rim, each with the ground to its right.
export function meshOf({ rows, cols, cell, west, north }, values, step, perUnit) {
  const nr = Math.ceil(rows / step), nc = Math.ceil(cols / step), count = nr * nc;
  const e = new Float64Array(count), n = new Float64Array(count), z = new Float32Array(count);
  for (let i = 0; i < nr; i++)
    for (let j = 0; j < nc; j++) {
      const k = i * nc + j, row = Math.min(i * step, rows - 1), col = Math.min(j * step, cols - 1);
      e[k] = west + (col + 0.5) * cell;
      n[k] = north - (row + 0.5) * cell;
      z[k] = values[row * cols + col];
    }
  const known = (k) => !Number.isNaN(z[k]);
  const corners = new Uint8Array(count); // of the block whose upper left node it is
  for (let i = 0; i < nr - 1; i++)
    for (let j = 0; j < nc - 1; j++) {
      const a = i * nc + j;
      corners[a] = known(a) + known(a + 1) + known(a + nc) + known(a + nc + 1);
    }
  const ground = (i, j) => i >= 0 && j >= 0 && i < nr - 1 && j < nc - 1 && corners[i * nc + j] >= 3;
  const triangles = [], slopes = [], edges = [];
  // the slope of a triangle: to the east from one node to another, to the north likewise
  const add = (p, q, r, west_, east_, south, north_) => { triangles.push(p, q, r); slopes.push(west_, east_, south, north_); };
  for (let i = 0; i < nr - 1; i++)
    for (let j = 0; j < nc - 1; j++) {
      if (!ground(i, j)) continue;
      const a = i * nc + j, b = a + 1, c = a + nc, d = c + 1;
      if (corners[a] === 4) {
        add(a, b, c, -1, -1, -1, -1);
        add(b, d, c, -1, -1, -1, -1);
      } else if (!known(d)) { add(a, b, c, a, b, c, a); edges.push([b, c]); }
      else if (!known(a)) { add(b, d, c, c, d, d, b); edges.push([c, b]); }
      else if (!known(b)) { add(a, d, c, c, d, c, a); edges.push([a, d]); }
      else { add(a, b, d, a, b, d, b); edges.push([d, a]); }
      if (known(a) && known(b) && !ground(i - 1, j)) edges.push([a, b]);
      if (known(b) && known(d) && !ground(i, j + 1)) edges.push([b, d]);
      if (known(d) && known(c) && !ground(i + 1, j)) edges.push([d, c]);
      if (known(c) && known(a) && !ground(i, j - 1)) edges.push([c, a]);
    }
  const normals = smoothRim(e, n, edges, cell * step);
  const u = Float32Array.from(e, (east) => (east - west) * perUnit), v = Float32Array.from(n, (up) => (north - up) * perUnit);
  return { nr, nc, e, n, z, u, v, triangles, slopes, edges, normals };
}

// Move the rim towards a smooth line, in place; returns which way is out at each of its nodes.
function smoothRim(e, n, edges, span) {
  const before = new Map(), after = new Map(), twice = new Set();
  for (const [p, q] of edges) {
    if (after.has(p)) twice.add(p);
    if (before.has(q)) twice.add(q);
    after.set(p, q);
    before.set(q, p);
  }
  const rim = [...after.keys()].filter((k) => before.has(k) && !twice.has(k)), home = new Map(rim.map((k) => [k, [e[k], n[k]]]));
  for (let round = 0; round < SMOOTHED; round++) {
    const moved = rim.map((k) => {
      const p = before.get(k), q = after.get(k), [he, hn] = home.get(k);
      const de = (e[k] + (e[p] + e[q]) / 2) / 2 - he, dn = (n[k] + (n[p] + n[q]) / 2) / 2 - hn;
      const less = Math.min(1, (MOST_MOVED * span) / (Math.hypot(de, dn) || 1));
      return [he + de * less, hn + dn * less];
    });
    rim.forEach((k, i) => { [e[k], n[k]] = moved[i]; });
  }
  let out = new Map();
  for (const k of new Set(edges.flat())) {
    const p = before.get(k) ?? k, q = after.get(k) ?? k, de = e[q] - e[p], dn = n[q] - n[p], long = Math.hypot(de, dn) || 1;
    out.set(k, [-dn / long, de / long]); // the ground is to the right
  }
  for (let round = 0; round < SMOOTHED; round++) {
    const next = new Map();
    for (const [k, [x, y]] of out) {
      const p = out.get(before.get(k)) ?? [x, y], q = out.get(after.get(k)) ?? [x, y];
      next.set(k, [(2 * x + p[0] + q[0]) / 4, (2 * y + p[1] + q[1]) / 4]);
    }
    out = next;
  }
  return out;
}
