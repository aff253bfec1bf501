// Draws a plot from its numbers as SVG: axes with their units, points, lines and bands, in the colours of the page.
// The shapes are those of tracker/desk/drawing.py. Nothing moves, so reduced motion needs no other way.

const SPACE = "http://www.w3.org/2000/svg";
const WIDEST = 760, NARROWEST = 320, MOST = 1500;

/** The ends and the distance of ticks at round numbers between two values. */
export function ticks(low, high, about = 6) {
  const span = high - low || Math.abs(high) || 1;
  const raw = span / about, base = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].map((one) => one * base).find((one) => one >= raw);
  const first = Math.ceil(low / step - 1e-9), found = [];
  for (let i = first; i * step <= high + 1e-9 * span; i += 1) found.push(Number((i * step).toPrecision(12)));
  return found;
}

/** Of each of many columns the lowest and the highest point, so that no peak is lost. */
export function thinned(points, most = MOST) {
  const each = Math.floor(points.length / (most / 2));
  if (each <= 2) return points;
  const kept = [];
  for (let i = 0; i < points.length; i += each) {
    let low = i, high = i;
    const end = Math.min(i + each, points.length);
    for (let j = i; j < end; j += 1) {
      if (points[j][1] < points[low][1]) low = j;
      if (points[j][1] > points[high][1]) high = j;
    }
    kept.push(points[Math.min(low, high)]);
    if (low !== high) kept.push(points[Math.max(low, high)]);
  }
  return kept;
}

function make(name, attributes, text) {
  const one = document.createElementNS(SPACE, name);
  for (const [key, value] of Object.entries(attributes)) one.setAttribute(key, value);
  if (text !== undefined) one.textContent = text;
  return one;
}

function extent(drawing) {
  const xs = [], ys = [];
  for (const one of drawing.series) {
    for (const [x, y, bar] of one.points) {
      // Where y has words, a bar lies along x.
      const [flat, up] = drawing.y_words.length ? [bar || 0, 0] : [0, bar || 0];
      xs.push(x - flat, x + flat);
      ys.push(y - up, y + up);
    }
  }
  for (const mark of drawing.marks) {
    const into = mark.axis === "x" ? xs : ys;
    into.push(mark.at);
    if (mark.to !== null) into.push(mark.to);
  }
  const ends = (values) => {
    let low = Infinity, high = -Infinity;
    for (const one of values) { if (one < low) low = one; if (one > high) high = one; }
    if (!(high >= low)) return [0, 1];
    const air = 0.06 * (high - low || Math.abs(high) || 1);
    return [low >= 0 ? Math.max(0, low - air) : low - air, high + air];
  };
  return { x: ends(xs), y: drawing.y_words.length ? [-0.5, drawing.y_words.length - 0.5] : ends(ys) };
}

/** Return a drawing as an SVG element, `wide` pixels wide, so that its letters have the size of the page's. */
export function draw(drawing, wide = WIDEST, label = "") {
  const words = drawing.y_words, height = words.length ? 146 + 44 * words.length : Math.round(214 + 0.22 * wide);
  const svg = make("svg", { viewBox: `0 0 ${wide} ${height}`, role: "img", "aria-label": label || drawing.told, class: "drawn" });
  const ends = extent(drawing);
  const box = { left: Math.max(64, ...words.map((one) => 7.7 * one.length + 12)), right: wide - 20, top: 12, bottom: height - 88 };
  const at = {
    x: (v) => box.left + (v - ends.x[0]) / (ends.x[1] - ends.x[0]) * (box.right - box.left),
    y: (v) => box.bottom - (v - ends.y[0]) / (ends.y[1] - ends.y[0]) * (box.bottom - box.top),
  };
  const round = (v) => v.toFixed(1);
  for (const v of ticks(...ends.x, box.right - box.left < 400 ? 4 : 7)) {
    svg.append(make("path", { class: "grid", d: `M${round(at.x(v))} ${box.top}V${box.bottom}` }));
    svg.append(make("text", { x: round(at.x(v)), y: box.bottom + 18, "text-anchor": "middle" }, String(v)));
  }
  const rows = words.length ? words.map((word, i) => [i, word]) : ticks(...ends.y, 5).map((v) => [v, String(v)]);
  for (const [v, word] of rows) {
    svg.append(make("path", { class: "grid", d: `M${box.left} ${round(at.y(v))}H${box.right}` }));
    svg.append(make("text", { x: box.left - 7, y: round(at.y(v) + 5), "text-anchor": "end" }, word));
  }
  for (const mark of drawing.marks) drawMark(svg, mark, at, box, round);
  drawing.series.forEach((one, number) => drawSeries(svg, one, number, at, round, words.length > 0));
  svg.append(make("path", { class: "axes", d: `M${box.left} ${box.top}V${box.bottom}H${box.right}` }));
  svg.append(make("text", { x: (box.left + box.right) / 2, y: box.bottom + 38, "text-anchor": "middle", class: "title" }, drawing.x));
  if (drawing.y) {
    svg.append(make("text", { transform: `translate(16 ${(box.top + box.bottom) / 2}) rotate(-90)`, "text-anchor": "middle", class: "title" }, drawing.y));
  }
  drawKey(svg, drawing, wide, height);
  return svg;
}

function drawMark(svg, mark, at, box, round) {
  if (mark.to !== null) {
    const from = at[mark.axis](mark.at), to = at[mark.axis](mark.to);
    const low = Math.min(from, to), size = Math.max(Math.abs(to - from), 2);
    const place = mark.axis === "x"
      ? { x: round(low), y: box.top, width: round(size), height: box.bottom - box.top }
      : { x: box.left, y: round(low), width: box.right - box.left, height: round(size) };
    svg.append(make("rect", { class: "band", ...place }));
    return;
  }
  const line = mark.axis === "x" ? `M${round(at.x(mark.at))} ${box.top}V${box.bottom}` : `M${box.left} ${round(at.y(mark.at))}H${box.right}`;
  svg.append(make("path", { class: "mark", d: line }));
}

function drawSeries(svg, one, number, at, round, flat) {
  const points = thinned(one.points), group = make("g", { class: `series look-${one.look} n${number % 3}` });
  const placed = points.map(([x, y, bar]) => [at.x(x), at.y(y), bar ? Math.abs(flat ? at.x(x + bar) - at.x(x) : at.y(y + bar) - at.y(y)) : 0]);
  if (one.look === "line" || one.look === "dashed") {
    group.append(make("path", { d: placed.map(([x, y], i) => `${i ? "L" : "M"}${round(x)} ${round(y)}`).join("") }));
  } else {
    const shape = one.look === "crosses"
      ? ([x, y]) => `M${round(x - 5)} ${round(y - 5)}l10 10m0 -10l-10 10`
      : ([x, y]) => `M${round(x - 3)} ${round(y)}a3 3 0 1 0 6 0a3 3 0 1 0 -6 0`;
    group.append(make("path", { d: placed.map(shape).join("") }));
  }
  const bar = ([x, y, b]) => (flat ? `M${round(x - b)} ${round(y)}h${round(2 * b)}` : `M${round(x)} ${round(y - b)}v${round(2 * b)}`);
  const bars = placed.filter((p) => p[2]).map(bar).join("");
  if (bars) group.append(make("path", { class: "bars", d: bars }));
  svg.append(group);
}

function drawKey(svg, drawing, wide, height) {
  const marks = drawing.marks.filter((one, i) => drawing.marks.findIndex((other) => other.name === one.name) === i).slice(0, 4);
  const named = [...drawing.series.filter((one) => one.name), ...marks];
  let x = 64, second = false, line = height - 28;
  for (const one of named) {
    const words = one.name.length > 34 ? `${one.name.slice(0, 33)}…` : one.name;
    const long = 26 + 7.6 * words.length + 14;
    if (x + long > wide + 10 && x > 64) { if (second) return; second = true; x = 64; line = height - 8; }
    const y = line, group = make("g", { class: one.look ? `series look-${one.look} n${drawing.series.indexOf(one) % 3}` : "" });
    if (one.look === "dots") group.append(make("path", { d: `M${x + 6} ${y - 5}a3 3 0 1 0 6 0a3 3 0 1 0 -6 0` }));
    else if (one.look === "crosses") group.append(make("path", { d: `M${x + 4} ${y - 10}l10 10m0 -10l-10 10` }));
    else if (one.look) group.append(make("path", { d: `M${x} ${y - 5}h20` }));
    else if (one.to !== null) group.append(make("rect", { class: "band", x, y: y - 11, width: 20, height: 12 }));
    else group.append(make("path", { class: "mark", d: `M${x} ${y - 5}h20` }));
    svg.append(group, make("text", { x: x + 26, y }, words));
    x += long;
  }
}

/** Put a drawing into a figure, before its caption, in place of the one that is there. */
export function show(figure, drawing) {
  const old = figure.querySelector("svg.drawn"), caption = figure.querySelector("figcaption");
  const room = Math.round(figure.clientWidth) || WIDEST;
  const fresh = draw(drawing, Math.min(Math.max(room, NARROWEST), WIDEST));
  if (old) old.replaceWith(fresh);
  else figure.insertBefore(fresh, caption);
  if (caption) caption.textContent = drawing.told;
}

/** Draw every figure of the page that carries its numbers. */
export function showAll(root = document) {
  for (const figure of root.querySelectorAll("figure[data-plot]")) {
    if (figure.dataset.plot) show(figure, JSON.parse(figure.dataset.plot));
  }
}
