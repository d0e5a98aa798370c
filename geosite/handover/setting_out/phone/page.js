const work = JSON.parse(document.getElementById("work").textContent);
const at = (id) => document.getElementById(id);
const figures = (value) => value.toFixed(work.places);
const set = new Map();

// Three numbers from whatever was typed or pasted: "1.2 3.4 0.1", "x=1.2, y=3.4, z=0.1",
// "1,2; 3,4; 0,1". Two numbers are x and y.
function numbers(text) {
  let plain = text.trim();
  if (!plain.includes(".") && /\d,\d/.test(plain) && (/[;\s]/.test(plain))) plain = plain.replace(/(\d),(\d)/g, "$1.$2");
  const found = plain.match(/[-+\u2212]?(?:\d+(?:\.\d*)?|\.\d+)(?:e[-+]?\d+)?/gi) || [];
  const values = found.map((word) => Number(word.replace("\u2212", "-")));
  if (values.length < 2 || values.length > 3 || !values.every(Number.isFinite)) return null;
  return values;
}

// Frame of today: where the first mark is, unit vectors along the baseline and to its right.
function frame() {
  const one = numbers(at("first").value), two = numbers(at("second").value);
  if (!one || !two) return null;
  const step = [two[0] - one[0], two[1] - one[1]];
  const length = Math.hypot(...step);
  if (!(length > 0)) return { length };
  const along = [step[0] / length, step[1] / length];
  const right = at("mirrored").checked ? [-along[1], along[0]] : [along[1], -along[0]];
  // what the baseline is too long or too short by is shared by its two ends
  const spare = (length - work.baseline) / 2;
  const origin = [one[0] + along[0] * spare, one[1] + along[1] * spare];
  const rise = one.length > 2 && two.length > 2 ? two[2] - one[2] : null;
  const level = rise === null ? (one.length > 2 ? one[2] : null) : one[2] + (rise - work.rise) / 2;
  return { origin, along, right, length, rise, level };
}

const asRead = () => work.visits !== null && at("first").value === shownVisit(0)
  && at("second").value === shownVisit(1) && at("mirrored").checked === work.left_handed;
const shownVisit = (end) => work.visits[end].map((v) => v.toFixed(4)).join("  ");

// Where the device must be: as computed from the whole walk while its frame stands, else by the
// two marks as they were typed.
function reading(point) {
  if (asRead() && point.reading) return point.reading;
  const now = frame();
  if (!now || !now.origin) return null;
  const [along, offset, rise] = point.at;
  return [
    now.origin[0] + now.along[0] * along + now.right[0] * offset,
    now.origin[1] + now.along[1] * along + now.right[1] * offset,
    now.level === null ? null : now.level + rise,
  ];
}

// From what the device shows to where it has to go: ahead, to the right, up.
function toGo(point, shown) {
  const aim = reading(point), now = frame();
  if (!aim || !now || !shown) return null;
  const step = [aim[0] - shown[0], aim[1] - shown[1]];
  return {
    ahead: step[0] * now.along[0] + step[1] * now.along[1],
    right: step[0] * now.right[0] + step[1] * now.right[1],
    up: shown.length > 2 && aim[2] !== null ? aim[2] - shown[2] : null,
  };
}

function fits(now) {
  if (!now) return "Type what the device shows at both baseline marks.";
  const off = now.length - work.baseline;
  const limit = work.limit ?? Math.max(0.01 * work.baseline, 0.02);
  const words = `Baseline ${figures(now.length)} ${work.unit} today, ${figures(work.baseline)} known`;
  const ratio = now.length / work.baseline;
  if (Math.abs(off) <= limit) return [`${words}: it fits.`, true];
  if (Math.abs(ratio * 0.3048 - 1) < 0.03) return [`${words}: the device shows feet, this page is in metres.`, false];
  if (Math.abs(ratio / 0.3048 - 1) < 0.03) return [`${words}: the device shows metres, this page is in feet.`, false];
  return [`${words}: it does not fit. Walk to both marks again.`, false];
}

function current() {
  return work.points[at("point").selectedIndex];
}

function field(name, value) {
  const box = document.createElement("div");
  const term = document.createElement("dt"), figure = document.createElement("dd");
  term.textContent = name;
  figure.textContent = value === null || value === undefined ? "-" : figures(value);
  box.append(term, figure);
  return box;
}

function show() {
  const now = frame(), said = fits(now);
  const [words, good] = Array.isArray(said) ? said : [said, now === null && false];
  at("frame-words").textContent = words;
  at("frame-words").className = good ? "" : "bad-words";
  at("frame").classList.toggle("bad", !good);
  const point = current(), aim = reading(point);
  const [along, offset, rise] = point.at;
  at("target").replaceChildren(
    ...["x", "y", "z"].map((axis, i) => field(`${axis}, ${work.unit}`, aim && aim[i])),
    field(`along ${work.marks[0]} → ${work.marks[1]}`, along),
    field(offset < 0 ? "left of it" : "right of it", Math.abs(offset)),
    field(rise < 0 ? `below ${work.marks[0]}` : `above ${work.marks[0]}`, Math.abs(rise)),
  );
  const cut = point.cut === null ? "" : point.cut >= 0 ? ` Cut ${figures(point.cut)} ${work.unit}.` : ` Fill ${figures(-point.cut)} ${work.unit}.`;
  at("quality").textContent = (point.within === null ? "How near this comes is not known."
    : `Within ${figures(point.within)} ${work.unit} in 95 of 100 walks, height within ${figures(point.height_within)}.`) + cut
    + (point.verdict === "cannot" ? " Not within the tolerance from this baseline." : "");
  showWay(point, good);
  showKnown();
  sketch(point);
}

function showWay(point, good) {
  const shown = numbers(at("shown").value);
  const go = good ? toGo(point, shown) : null;
  const parts = [["ahead", "ahead", "forward", "back"], ["aside", "right", "right", "left"], ["height", "up", "up", "down"]];
  for (const [id, key, plus, minus] of parts) {
    const value = go && go[key];
    const none = value === null || value === undefined;
    at(id).textContent = none ? "-" : figures(Math.abs(value));
    at(`${id}-word`).textContent = none || Number(figures(value)) === 0 ? "" : value > 0 ? plus : minus;
  }
  const left = go ? Math.hypot(go.ahead, go.right) : null;
  const near = work.tolerance ?? 0.01 * (work.unit === "m" ? 1 : 1 / 0.3048);
  const there = left !== null && left <= near;
  at("go").classList.toggle("there", there);
  const typed = at("shown").value.trim() !== "";
  at("answer").textContent = go ? (there ? `You are there: ${figures(left)} ${work.unit} to go.` : `${figures(left)} ${work.unit} to go.`)
    : typed && !shown ? "Type x, y and z as the device shows them, with blanks between."
    : typed && !good ? "First the baseline: open the line at the top." : "";
  at("note").disabled = !go;
}

function showKnown() {
  if (!work.known) return;
  const aim = reading(work.known), shown = numbers(at("known").value);
  at("known-words").textContent = aim
    ? `Try it first at ${work.known.name}: the device should show ${aim.map((v, i) => `${"xyz"[i]} ${v === null ? "-" : figures(v)}`).join(", ")}.`
    : `Try it first at ${work.known.name}.`;
  const go = toGo(work.known, shown);
  at("known-answer").textContent = !go ? "" : `Off by ${figures(Math.hypot(go.ahead, go.right))} ${work.unit}`
    + (go.up === null ? "." : `, ${figures(Math.abs(go.up))} in height.`);
}

function sketch(point) {
  const space = "http://www.w3.org/2000/svg";
  const make = (name, attributes, text) => {
    const item = document.createElementNS(space, name);
    for (const [key, value] of Object.entries(attributes)) item.setAttribute(key, value);
    if (text !== undefined) item.textContent = text;
    return item;
  };
  const shown = numbers(at("shown").value), go = toGo(point, shown);
  const device = go && [point.at[0] - go.ahead, point.at[1] - go.right];
  // the baseline runs up the screen: forward is up, right is right
  const all = [[0, 0], [work.baseline, 0], point.at, ...(device ? [device] : [])];
  const low = [0, 1].map((k) => Math.min(...all.map((p) => p[k])));
  const high = [0, 1].map((k) => Math.max(...all.map((p) => p[k])));
  const scale = Math.min(250 / Math.max(high[1] - low[1], 1e-9), 150 / Math.max(high[0] - low[0], 1e-9));
  const place = (p) => [170 + (p[1] - (low[1] + high[1]) / 2) * scale, 100 - (p[0] - (low[0] + high[0]) / 2) * scale];
  const [one, two] = [place([0, 0]), place([work.baseline, 0])];
  const items = [make("line", { class: "base", x1: one[0], y1: one[1], x2: two[0], y2: two[1] })];
  for (const other of work.points) {
    const [x, y] = place(other.at);
    if (x > 0 && x < 340 && y > 0 && y < 200) items.push(make("circle", { class: "other", cx: x, cy: y, r: 2.5 }));
  }
  [one, two].forEach((end, i) => {
    items.push(make("circle", { class: "mark", cx: end[0], cy: end[1], r: 5 }));
    items.push(make("text", { x: end[0] + 8, y: end[1] + (i ? -6 : 14) }, work.marks[i]));
  });
  const aim = place(point.at);
  if (device) {
    const [x, y] = place(device);
    items.push(make("line", { class: "way", x1: x, y1: y, x2: aim[0], y2: aim[1] }));
    items.push(make("circle", { class: "device", cx: x, cy: y, r: 6 }));
  }
  items.push(make("circle", { class: "aim", cx: aim[0], cy: aim[1], r: 8 }));
  items.push(make("text", { x: aim[0] + 11, y: aim[1] + 4 }, point.name.slice(0, 24)));
  at("sketch").replaceChildren(...items);
}

function note() {
  const point = current(), shown = numbers(at("shown").value);
  if (!shown) return;
  set.set(point.name, shown);
  const quoted = (name) => /[",\n]/.test(name) ? `"${name.replaceAll('"', '""')}"` : name;
  at("noted").value = ["point,x,y,z", ...[...set].map(([name, v]) => [quoted(name), ...v].join(","))].join("\n");
  at("noted-row").hidden = false;
  at("noted-count").textContent = `${set.size} of ${work.points.length} set`;
  const option = at("point").options[at("point").selectedIndex];
  if (!option.textContent.endsWith(" ✓")) option.textContent += " ✓";
}

function choose(by) {
  const choice = at("point");
  choice.selectedIndex = (choice.selectedIndex + by + work.points.length) % work.points.length;
  at("shown").value = "";
  show();
}

at("title").textContent = `Setting out: ${work.title}`;
at("first-name").textContent = work.marks[0];
at("second-name").textContent = work.marks[1];
at("mirrored").checked = work.left_handed;
if (work.visits) {
  at("first").value = shownVisit(0);
  at("second").value = shownVisit(1);
} else at("frame").open = true;
at("known-row").hidden = !work.known;
at("facing").textContent = `Forward is the way from ${work.marks[0]} to ${work.marks[1]}: face that way, then read.`;
at("point").append(...work.points.map((point) => new Option(point.name)));
at("words").append(...work.words.map((text) => {
  const line = document.createElement("p");
  line.className = "hint";
  line.textContent = text;
  return line;
}));
for (const id of ["first", "second", "known", "shown"]) at(id).addEventListener("input", show);
at("mirrored").addEventListener("change", show);
at("point").addEventListener("change", () => { at("shown").value = ""; show(); });
at("before").addEventListener("click", () => choose(-1));
at("after").addEventListener("click", () => choose(1));
at("note").addEventListener("click", note);
show();
