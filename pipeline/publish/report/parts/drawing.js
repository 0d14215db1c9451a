// Drawing: shapes, scales, axes of numbers and of time, patterns, figures that are drawn anew when width or units change.
// Belongs here: what several figures share. Does not: any one figure.

const SVG = "http://www.w3.org/2000/svg";

function shape(parent, name, attributes = {}, text) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) if (value !== null && value !== undefined) made.setAttribute(key, value);
  if (text !== undefined) made.textContent = text;
  parent.append(made);
  return made;
}

const rounded = (value) => Math.round(value * 10) / 10;

function scale(low, high, start, end) {
  const factor = high === low ? 0 : (end - start) / (high - low);
  const place = (value) => start + (value - low) * factor;
  return Object.assign(place, { low, high, start, end, back: (place) => low + (place - start) / factor });
}

// Round values within bounds: about `count` of them.
function ticks(low, high, count = 5) {
  const span = high - low || 1, rough = span / Math.max(count, 1), power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].find((one) => one * power >= rough) * power;
  const found = [];
  for (let number = Math.ceil(low / step - 1e-9); number <= high / step + 1e-9; number++) found.push(number * step);
  return { values: found, decimals: Math.max(0, -Math.floor(Math.log10(step) + 1e-9)) };
}

// Places and labels of a time axis for a window, in the site's standard time.
function timeTicks(start, end, room) {
  const most = Math.max(2, Math.floor(room / 62)), span = end - start;
  const found = [];
  const hoursOf = [1, 2, 3, 6, 12].find((hours) => span / (hours * HOUR) <= most);
  if (hoursOf) {
    const first = Math.ceil((start + data.offset) / (hoursOf * HOUR)) * hoursOf * HOUR - data.offset;
    for (let time = first; time <= end; time += hoursOf * HOUR) {
      const clock = local(time);
      found.push({ time, label: clock.getUTCHours() ? `${two(clock.getUTCHours())}:00` : `${clock.getUTCDate()} ${MONTHS[clock.getUTCMonth()].slice(0, 3)}`, strong: !clock.getUTCHours() });
    }
    return found;
  }
  const daysOf = [1, 2, 7].find((days) => span / (days * DAY) <= most);
  if (daysOf) {
    const first = Math.ceil((start + data.offset) / (daysOf * DAY)) * daysOf * DAY - data.offset;
    for (let time = first; time <= end; time += daysOf * DAY) {
      const clock = local(time);
      found.push({ time, label: `${clock.getUTCDate()} ${MONTHS[clock.getUTCMonth()].slice(0, 3)}`, strong: clock.getUTCDate() === 1 });
    }
    return found;
  }
  const months = [1, 3, 6, 12, 24, 60].find((one) => span / (one * 30.4 * DAY) <= most) || 120;
  const first = local(start);
  for (let month = first.getUTCFullYear() * 12 + first.getUTCMonth(); ; month++) {
    const time = midnight(Math.floor(month / 12), month % 12);
    if (time > end) return found;
    const inStep = months < 12 ? (month % 12) % months === 0 : month % months === 0;
    if (time >= start && inStep) found.push({ time, label: month % 12 ? MONTHS[month % 12].slice(0, 3) : String(Math.floor(month / 12)), strong: month % 12 === 0 });
  }
}

function timeAxis(svg, x, y, top, labelled = true) {
  let taken = -Infinity;
  for (const { time, label, strong } of timeTicks(x.low, x.high, x.end - x.start)) {
    const place = rounded(x(time));
    shape(svg, "line", { x1: place, x2: place, y1: top, y2: y, class: "grid" });
    if (!labelled) continue;
    const half = label.length * 3.2;
    if (place - half < taken + 6 || place + half > x.end + 30) continue;
    shape(svg, "text", { x: place, y: y + 16, "text-anchor": "middle", class: strong ? "small strong" : "small quiet" }, label);
    taken = place + half;
  }
}

function numberAxis(svg, y, left, right, count = 4) {
  const { values, decimals } = ticks(Math.min(y.low, y.high), Math.max(y.low, y.high), count);
  for (const value of values) {
    shape(svg, "line", { x1: left, x2: right, y1: rounded(y(value)), y2: rounded(y(value)), class: Math.abs(value) < 1e-12 ? "zero" : "grid" });
    shape(svg, "text", { x: left - 7, y: rounded(y(value)) + 4, "text-anchor": "end", class: "small quiet" }, decimal(value, decimals));
  }
}

// A line through points; a gap where a value is not there.
function pathOf(points) {
  let drawn = "", pen = false;
  for (const [x, y] of points) {
    if (!Number.isFinite(y)) { pen = false; continue; }
    drawn += `${pen ? "L" : "M"}${rounded(x)} ${rounded(y)}`;
    pen = true;
  }
  return drawn;
}

// The area between two lines, in pieces where either is not there.
function areaOf(points) {
  let drawn = "", piece = [];
  const close = () => {
    if (piece.length > 1) {
      drawn += "M" + piece.map(([x, low]) => `${rounded(x)} ${rounded(low)}`).join("L");
      drawn += "L" + piece.slice().reverse().map(([x, , high]) => `${rounded(x)} ${rounded(high)}`).join("L") + "Z";
    }
    piece = [];
  };
  for (const point of points) Number.isFinite(point[1]) && Number.isFinite(point[2]) ? piece.push(point) : close();
  close();
  return drawn;
}

const MARKS = [
  (svg, x, y, r, more) => shape(svg, "circle", { cx: rounded(x), cy: rounded(y), r, class: "mark", ...more }),
  (svg, x, y, r, more) => shape(svg, "rect", { x: rounded(x - r), y: rounded(y - r), width: 2 * r, height: 2 * r, class: "mark open", ...more }),
  (svg, x, y, r, more) => shape(svg, "path", { d: `M${rounded(x)} ${rounded(y - r * 1.3)}L${rounded(x + r * 1.2)} ${rounded(y + r)}H${rounded(x - r * 1.2)}Z`, class: "mark", ...more }),
  (svg, x, y, r, more) => shape(svg, "path", { d: `M${rounded(x)} ${rounded(y - r * 1.4)}L${rounded(x + r * 1.4)} ${rounded(y)}L${rounded(x)} ${rounded(y + r * 1.4)}L${rounded(x - r * 1.4)} ${rounded(y)}Z`, class: "mark open", ...more }),
  (svg, x, y, r, more) => shape(svg, "path", { d: `M${rounded(x)} ${rounded(y + r * 1.3)}L${rounded(x + r * 1.2)} ${rounded(y - r)}H${rounded(x - r * 1.2)}Z`, class: "mark", ...more }),
  (svg, x, y, r, more) => shape(svg, "path", { d: `M${rounded(x - r)} ${rounded(y - r)}l${2 * r} ${2 * r}m0 ${-2 * r}l${-2 * r} ${2 * r}`, class: "mark", fill: "none", ...more }),
  (svg, x, y, r, more) => shape(svg, "path", { d: `M${rounded(x - r * 1.3)} ${rounded(y)}h${2.6 * r}m${-1.3 * r} ${-1.3 * r}v${2.6 * r}`, class: "mark", fill: "none", ...more }),
];
const markOf = (number) => MARKS[number % MARKS.length];

// Hatches by which a basis is told without colour. Each is the colour of its basis with strokes of the paper.
const HATCHES = {
  measured: "", measured_below_range: "M0 2H6", total_known: "M3 0V6", bridged: "M0 3H6M3 0V6",
  from_neighbours: "M-1 1L1 -1M0 6L6 0M5 7L7 5", from_weather: "M-1 5L1 7M0 0L6 6M5 -1L7 1", unfilled: "M0 0L6 6M6 0L0 6",
};
function drawPatterns() {
  const defs = shape(document.getElementById("patterns"), "defs");
  for (const [name, strokes] of Object.entries(HATCHES)) {
    const pattern = shape(defs, "pattern", { id: `hatch-${name}`, width: 6, height: 6, patternUnits: "userSpaceOnUse" });
    shape(pattern, "rect", { width: 6, height: 6, fill: name === "unfilled" ? "var(--paper)" : `var(--${name})` });
    shape(pattern, "path", { d: strokes, stroke: name === "unfilled" ? "var(--unfilled)" : "var(--hatch)", "stroke-width": name === "measured_below_range" ? 1.1 : 1.5, fill: "none" });
  }
  for (const [name, colour] of [["backward", "--backward"], ["band", "--band"]]) {
    const pattern = shape(defs, "pattern", { id: `lines-${name}`, width: 5, height: 5, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" });
    shape(pattern, "rect", { width: 5, height: 5, fill: name === "backward" ? "var(--backward-fill)" : "none" });
    shape(pattern, "line", { x1: 0, x2: 0, y1: 0, y2: 5, stroke: `var(${colour})`, "stroke-width": name === "backward" ? 2 : 1.6 });
  }
}

// A figure of which there is nothing to show yet.
const nothing = (holder, words) => holder.replaceWith(element("p", { class: "note" }, words));

function legend(entries) {
  const list = element("ul", { class: "legend" });
  for (const [draw, words] of entries) {
    const picture = document.createElementNS(SVG, "svg");
    picture.setAttribute("viewBox", "0 0 22 14");
    picture.setAttribute("aria-hidden", "true");
    draw(picture);
    list.append(element("li", {}, picture, words));
  }
  return list;
}
const swatch = (fill, stroke) => (svg) => shape(svg, "rect", { x: 1, y: 1, width: 20, height: 12, fill, stroke: stroke || "none" });
const stroke = (attributes) => (svg) => shape(svg, "path", { d: "M1 7H21", fill: "none", ...attributes });

// A figure: a picture with a text alternative, drawn anew when its width or the units change, and the tables behind it.
let figures = 0;
function figure(holder, { title, caption, alternative, draw, sheets = [], before = [], after = [] }) {
  const number = ++figures;
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("role", "img");
  svg.setAttribute("aria-labelledby", `figure-${number}-title figure-${number}-text`);
  const frame = element("div", { class: "frame" });
  frame.append(svg);
  holder.append(...before, frame, ...after);
  if (caption) holder.append(element("figcaption", {}, caption));
  const redraw = (width) => {
    svg.replaceChildren();
    shape(svg, "title", { id: `figure-${number}-title` }, title);
    shape(svg, "desc", { id: `figure-${number}-text` }, sentence(typeof alternative === "function" ? alternative() : alternative));
    const height = draw(svg, width);
    svg.setAttribute("viewBox", `0 0 ${width} ${Math.ceil(height)}`);
  };
  const wide = () => Math.max(280, Math.round(holder.clientWidth || 320));
  let drawn = 0;
  const fresh = () => { drawn = wide(); redraw(drawn); };
  new ResizeObserver(() => { if (wide() !== drawn && !printing) fresh(); }).observe(holder);
  onChange(fresh);
  fresh();
  paper.push((width) => (width ? redraw(width) : fresh()));
  for (const [summary, sheet] of sheets) fold(holder, summary, sheet);
  return { redraw: fresh, svg, frame };
}

// Paper is narrower than a screen: figures are drawn for this width, and shrink to the paper's by a sixth or so.
const PAPER = 820;
const paper = [];
let printing = false;
window.addEventListener("beforeprint", () => { printing = true; paper.forEach((draw) => draw(PAPER)); });
window.addEventListener("afterprint", () => { printing = false; paper.forEach((draw) => draw(0)); });
