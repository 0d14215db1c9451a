// The flow of one plot, forward and backward apart and net, with rain, from years to one night.

const SHORTEST_WINDOW = 3 * HOUR;
const view = { plot: null, start: 0, end: 0, root: false };

async function startFlow(holder) {
  const names = data.plots.map(({ plot }) => plot).filter((plot) => seriesOf("hours").plots[plot]);
  if (!names.length) return nothing(holder, "No hour of flow is stored.");
  view.plot = names[0];
  [view.start, view.end] = [data.start, data.end];
  let flow = await flowOfPlot(view.plot);
  const sky = await weatherSeries();
  const status = element("p", { class: "readout", role: "status" }), readout = element("p", { class: "readout", "aria-hidden": "true" });
  let drawn, sheets;

  const pick = element("select", { onchange: (event) => show({ plot: event.target.value }) }, ...data.plots.filter(({ plot }) => names.includes(plot)).map(({ plot, title }) => element("option", { value: plot }, title && title !== plot ? `${plot}, ${title}` : plot)));
  const from = element("input", { type: "date", min: day(data.start), max: day(data.end - DAY), onchange: () => {
    const begins = Date.parse(from.value) - data.offset;
    if (Number.isFinite(begins)) show({ start: begins, end: begins + (view.end - view.start) });
  } });
  from.value = day(view.start);
  const spans = [["Everything", null], ["Year", 366 * DAY], ["Month", 31 * DAY], ["Week", 7 * DAY], ["Night", 14 * HOUR]].map(([name, span]) => element("button", { type: "button", "data-span": name.toLowerCase(), onclick: () => zoomTo(span) }, name));
  const press = (label, words, act) => element("button", { type: "button", "aria-label": words, title: words, onclick: act }, label);
  const root = element("button", { type: "button", "aria-pressed": "false", title: "Small flows take more room: square roots of flow", onclick: () => { root.setAttribute("aria-pressed", String(!view.root)); show({ root: !view.root }); } }, "Stretch small flows");
  const tools = element("div", { class: "tools" }, element("label", {}, "Plot ", pick), element("label", {}, "From ", from), ...spans,
    press("←", "Earlier", () => move(-0.5)), press("→", "Later", () => move(0.5)), press("+", "Zoom in", () => zoom(0.5)), press("−", "Zoom out", () => zoom(2)), root);
  const key = legend([
    [swatch("var(--forward-fill)", "var(--forward)"), "forward: drained"], [swatch("url(#lines-backward)", "var(--backward)"), "backward: ran up the main"],
    [stroke({ stroke: "var(--net)", "stroke-width": 1.8 }), "net"], [swatch("url(#lines-band)", "var(--band)"), "90 % interval of an estimated hour"],
    ...(sky.rain ? [[swatch("var(--rain)"), "rain"]] : []), ...sky.levels.map(({ gauge }) => [stroke({ stroke: "var(--quiet)", "stroke-width": 1.6, "stroke-dasharray": "5 2" }), `water level, ${gauge}`]),
  ]);

  const zoomTo = async (span) => {
    flow = await flowOfPlot(view.plot);
    if (span === null) return show({ start: data.start, end: data.end });
    const middle = view.end - view.start > span * 1.5 ? liveliest(flow, span) : (view.start + view.end) / 2;
    show({ start: middle - span / 2, end: middle + span / 2 });
  };
  const zoom = (factor, middle = (view.start + view.end) / 2) => show({ start: middle - (middle - view.start) * factor, end: middle + (view.end - middle) * factor });
  const move = (share) => show({ start: view.start + share * (view.end - view.start), end: view.end + share * (view.end - view.start) });

  let waiting;
  async function show(next) {
    // What is asked for holds at once; unpacking another plot must not undo what is asked for meanwhile.
    Object.assign(view, next);
    flow = await flowOfPlot(view.plot);
    const span = Math.min(Math.max(view.end - view.start, SHORTEST_WINDOW), data.end - data.start);
    const middle = (view.start + view.end) / 2;
    view.start = Math.min(Math.max(middle - span / 2, data.start), data.end - span);
    view.end = view.start + span;
    pick.value = view.plot;
    from.value = day(view.start);
    drawn.redraw();
    readout.textContent = "";
    clearTimeout(waiting);
    waiting = setTimeout(() => { status.textContent = sentence(spoken(flow, sky)); refill(); }, 120);
  }
  view.show = show;
  const refill = () => { if (sheets.open) { sheets.open = false; while (sheets.children.length > 1) sheets.lastChild.remove(); sheets.open = true; } else while (sheets.children.length > 1) sheets.lastChild.remove(); };

  drawn = figure(holder, {
    title: "Flow of one plot over time", alternative: () => spoken(flow, sky), before: [tools, key], after: [readout, status],
    draw: (svg, width) => drawFlow(svg, width, flow, sky, { ...view }),
  });
  sheets = fold(holder, "What is in view, as a table", () => windowSheet(flow));
  fold(holder, "Water of every plot and month, as a table", () => data.monthly);
  drawn.frame.classList.add("viewer");
  drawn.frame.setAttribute("tabindex", "0");
  drawn.frame.setAttribute("role", "group");
  drawn.frame.setAttribute("aria-label", "Flow over time. Arrow keys move, plus and minus zoom, Home shows everything.");
  steer(drawn, { show, zoom, move, tell: (time) => { readout.textContent = time === null ? "" : readAt(flow, sky, time); } });
  status.textContent = sentence(spoken(flow, sky));
  onChange(() => { status.textContent = sentence(spoken(flow, sky)); });
}

// Middle of the stretch of so long within view in which most ran back, or else most ran.
function liveliest(flow, span) {
  const size = Math.round(span / HOUR), from = Math.max(0, Math.floor((view.start - flow.first) / HOUR)), to = Math.min(flow.hours, Math.ceil((view.end - flow.first) / HOUR));
  const weigh = (weight) => {
    let sum = 0, best = 0, place = from;
    for (let hour = from; hour < to; hour++) {
      sum += weight(hour);
      if (hour - size >= from) sum -= weight(hour - size);
      if (sum > best + 1e-9) { best = sum; place = hour; }
    }
    return best > 0 ? flow.first + (place + 1 - size / 2) * HOUR : null;
  };
  return weigh((hour) => flow.reverse[hour]) ?? weigh((hour) => Math.abs(flow.net[hour]) || 0) ?? (view.start + view.end) / 2;
}

function spoken(flow, sky) {
  const sums = sumsOf(flow, view.start, view.end);
  const said = [`${view.plot}, ${moment(view.start)} to ${moment(view.end)} standard time: forward `, { v: sums.forward, q: "l" }, ", backward ", { v: sums.reverse, q: "l" }, " (metered); net of all hours "];
  said.push(sums.unknown ? "not known" : { v: sums.net, q: "l" }, `; ${sums.metered.toLocaleString("en")} of ${sums.hours.toLocaleString("en")} hours metered`);
  if (sky.rain) {
    const rain = sumOver(sky.rain, flow.first, view.start, view.end);
    said.push("; rain ", { v: Number.isFinite(rain) ? rain : null, q: "mm" });
  }
  return [...said, "."];
}

function readAt(flow, sky, time) {
  const { steps } = stepsOf(flow, view.start, view.end, 1200);
  const step = steps.find((one) => one.start <= time && time < one.end);
  if (!step) return "";
  const hour = Math.floor((time - flow.first) / HOUR);
  const parts = [`${moment(step.start)} to ${moment(step.end).slice(11)}: `, "net ", { v: step.net, q: "l_min" }];
  if (step.forward || step.reverse) parts.push(", forward ", { v: step.forward, q: "l_min" }, ", backward ", { v: step.reverse, q: "l_min" });
  if (step.low !== undefined && !step.measured) parts.push(", 90 % interval ", { v: step.low, q: "l_min_bare" }, " to ", { v: step.high, q: "l_min" });
  if (flow.basis[hour]) parts.push(`, ${basisName(flow.basis[hour]).replaceAll("_", " ")}`);
  if (sky.rain && Number.isFinite(sky.rain[hour])) parts.push(", rain ", { v: sumOver(sky.rain, flow.first, step.start, step.end), q: "mm" });
  return sentence(parts);
}

function drawFlow(svg, width, flow, sky, shownView) {
  const { start, end, root } = shownView;
  const left = 52, right = width - 8, rainTop = 14, rainTall = sky.rain ? 44 : 0, top = rainTop + rainTall + (sky.rain ? 18 : 8);
  const tall = width < 520 ? 200 : 270, bottom = top + tall, x = scale(start, end, left, right);
  const { steps, length } = stepsOf(flow, start, end, Math.max(120, right - left));
  const turned = (value) => { const one = converted(value, "l_min"); return root ? Math.sign(one) * Math.sqrt(Math.abs(one)) : one; };
  let high = 0.1, low = 0;
  for (const step of steps) {
    high = Math.max(high, step.forward, step.net || 0, step.high || 0);
    low = Math.min(low, -step.reverse, step.net || 0, step.low || 0);
  }
  const y = scale(turned(low) - (low < 0 ? 0.04 * (turned(high) - turned(low)) : 0), turned(high) * 1.04, bottom, top);
  timeAxis(svg, x, bottom + 12, rainTop);
  flowAxis(svg, y, left, right, root);
  shape(svg, "text", { x: 0, y: top - 5, class: "small quiet" }, `${unitOf("l_min")}${length >= HOUR ? `, means of ${length === HOUR ? "an hour" : length < DAY ? `${length / HOUR} hours` : length === DAY ? "a day" : `${length / DAY} days`}` : `, every ${length / 60000} minutes`}`);
  const zero = y(0);
  const areas = { forward: "", reverse: "", band: "" };
  const line = [];
  const block = (step, value) => `M${rounded(x(step.start))} ${rounded(zero)}V${rounded(y(turned(value)))}H${rounded(x(step.end))}V${rounded(zero)}Z`;
  let previous = null;
  for (const step of steps) {
    if (step.forward) areas.forward += block(step, step.forward);
    if (step.reverse) areas.reverse += block(step, -step.reverse);
    const hour = Math.floor((step.start - flow.first) / HOUR);
    if (Number.isFinite(step.low) && (step.estimate || !isMeasured(flow.basis[hour]))) areas.band += `M${rounded(x(step.start))} ${rounded(y(turned(step.low)))}H${rounded(x(step.end))}V${rounded(y(turned(step.high)))}H${rounded(x(step.start))}Z`;
    if (step.estimate && !Number.isFinite(step.net)) continue;
    if (previous !== null && step.start > previous) line.push([x(previous), NaN]);
    const place = Number.isFinite(step.net) ? y(turned(step.net)) : NaN;
    line.push([x(step.start), place], [x(step.end), place]);
    previous = step.end;
  }
  const inside = shape(svg, "svg", { x: left, y: 0, width: right - left, height: bottom + 12, viewBox: `${left} 0 ${right - left} ${bottom + 12}`, style: "overflow:hidden" });
  if (areas.band) shape(inside, "path", { d: areas.band, fill: "url(#lines-band)" });
  shape(inside, "path", { d: areas.forward, fill: "var(--forward-fill)" });
  shape(inside, "path", { d: areas.reverse, fill: "url(#lines-backward)" });
  shape(inside, "path", { d: pathOf(line), fill: "none", stroke: "var(--net)", "stroke-width": steps.length > 0.5 * (right - left) ? 1 : 1.5, "stroke-linejoin": "round" });
  basisStrip(inside, flow, x, start, end, bottom + 4);
  if (sky.rain) drawRain(svg, inside, sky.rain, flow.first, x, start, end, length, rainTop, rainTall);
  let foot = bottom + 34;
  for (const { unit, level, gauge } of sky.levels) foot = drawLevel(svg, level, unit, gauge, flow.first, x, start, end, foot + 18);
  svg.dataset.steps = steps.length;
  svg.dataset.minutes = length / 60000;
  return foot;
}

function flowAxis(svg, y, left, right, root) {
  if (!root) return numberAxis(svg, y, left, right, 5);
  let last = Infinity;
  const values = [0];
  for (let power = 0.1; power < 1e6; power *= 10) for (const one of [1, 2, 5]) values.push(one * power, -one * power);
  for (const value of values.sort((a, b) => a - b)) {
    const at = Math.sign(value) * Math.sqrt(Math.abs(value)), place = y(at);
    if (at < Math.min(y.low, y.high) || at > Math.max(y.low, y.high) || (value !== 0 && (last - place < 20 || Math.abs(place - y(0)) < 20))) continue;
    shape(svg, "line", { x1: left, x2: right, y1: rounded(place), y2: rounded(place), class: value === 0 ? "zero" : "grid" });
    shape(svg, "text", { x: left - 7, y: rounded(place) + 4, "text-anchor": "end", class: "small quiet" }, decimal(value, Math.abs(value) < 1 && value ? 1 : 0));
    last = place;
  }
}

function basisStrip(svg, flow, x, start, end, top) {
  const from = Math.max(0, Math.floor((start - flow.first) / HOUR)), to = Math.min(flow.hours, Math.ceil((end - flow.first) / HOUR));
  const paths = {};
  for (let hour = from, begin = from; hour < to; hour++) {
    if (hour + 1 < to && flow.basis[hour + 1] === flow.basis[hour]) continue;
    const left = x(flow.first + begin * HOUR), right = x(flow.first + (hour + 1) * HOUR), name = basisName(flow.basis[begin]);
    if (name && right - left > 0.3) paths[name] = (paths[name] || "") + `M${rounded(left)} ${top}H${rounded(right)}v7H${rounded(left)}Z`;
    begin = hour + 1;
  }
  for (const [name, path] of Object.entries(paths)) shape(svg, "path", { d: path, fill: `url(#hatch-${name})` });
}

function drawRain(svg, inside, rain, first, x, start, end, length, top, tall) {
  const size = Math.max(HOUR, length), sums = [];
  for (let time = Math.floor((start + data.offset) / size) * size - data.offset; time < end; time += size) sums.push([time, sumOver(rain, first, time, time + size)]);
  const most = Math.max(1, ...sums.map(([, sum]) => sum || 0));
  let bars = "";
  for (const [time, sum] of sums) if (sum > 0) bars += `M${rounded(x(time))} ${top}H${rounded(Math.max(x(time + size), x(time) + 0.8))}v${rounded(sum / most * tall)}H${rounded(x(time))}Z`;
  shape(inside, "path", { d: bars, fill: "var(--rain)" });
  shape(svg, "line", { x1: x.start, x2: x.end, y1: top, y2: top, class: "axis" });
  const each = size === HOUR ? "an hour" : size < DAY ? `${size / HOUR} hours` : size === DAY ? "a day" : `${size / DAY} days`;
  shape(svg, "text", { x: 0, y: 9, class: "small quiet" }, `rain, most ${shown(most, "mm")} in ${each}`);
}

function drawLevel(svg, level, unit, gauge, first, x, start, end, top) {
  const quantity = unit === "m" ? "m" : "number", tall = 52;
  const size = Math.max(1, Math.floor((end - start) / HOUR / (x.end - x.start))), points = [];
  let low = Infinity, high = -Infinity;
  for (let hour = Math.max(0, Math.floor((start - first) / HOUR)); hour < Math.min(level.length, Math.ceil((end - first) / HOUR)); hour += size) {
    let most = NaN;
    for (let at = hour; at < Math.min(hour + size, level.length); at++) if (!(level[at] <= most) && Number.isFinite(level[at])) most = level[at];
    const value = converted(most, quantity);
    if (Number.isFinite(value)) { low = Math.min(low, value); high = Math.max(high, value); }
    points.push([x(first + (hour + size / 2) * HOUR), value]);
  }
  shape(svg, "text", { x: 0, y: top - 5, class: "small quiet" }, `water level, ${gauge}, ${quantity === "m" ? unitOf("m") : unit}`);
  if (low > high) return top;
  const y = scale(low, high + (high - low || 1) * 0.08, top + tall, top + 4);
  numberAxis(svg, y, x.start, x.end, 2);
  shape(svg, "path", { d: pathOf(points.map(([place, value]) => [place, y(value)])), fill: "none", stroke: "var(--quiet)", "stroke-width": 1.6, "stroke-dasharray": "5 2" });
  return top + tall + 6;
}

// Pointer, wheel and keys.
function steer(drawn, { show, zoom, move, tell }) {
  const { frame, svg } = drawn;
  const timeAt = (event) => {
    const box = svg.getBoundingClientRect(), wide = svg.viewBox.baseVal.width;
    const place = (event.clientX - box.left) / box.width * wide;
    return view.start + (Math.min(Math.max(place, 52), wide - 8) - 52) / (wide - 60) * (view.end - view.start);
  };
  let held = null;
  frame.addEventListener("pointerdown", (event) => { held = { x: event.clientX, start: view.start, end: view.end }; frame.setPointerCapture(event.pointerId); });
  frame.addEventListener("pointermove", (event) => {
    if (!held) return tell(timeAt(event));
    const box = svg.getBoundingClientRect();
    const shift = (held.x - event.clientX) / (box.width * (1 - 60 / svg.viewBox.baseVal.width)) * (held.end - held.start);
    if (Math.abs(held.x - event.clientX) > 2) show({ start: held.start + shift, end: held.end + shift });
  });
  for (const name of ["pointerup", "pointercancel"]) frame.addEventListener(name, () => { held = null; });
  frame.addEventListener("pointerleave", () => tell(null));
  frame.addEventListener("dblclick", (event) => zoom(0.4, timeAt(event)));
  frame.addEventListener("wheel", (event) => {
    if (!event.ctrlKey && !event.metaKey && !event.shiftKey) return;
    event.preventDefault();
    zoom((event.deltaY || event.deltaX) > 0 ? 1.25 : 0.8, timeAt(event));
  }, { passive: false });
  frame.addEventListener("keydown", (event) => {
    const acts = { ArrowLeft: () => move(-0.25), ArrowRight: () => move(0.25), "+": () => zoom(0.5), "=": () => zoom(0.5), "-": () => zoom(2), "−": () => zoom(2), Home: () => show({ start: data.start, end: data.end }) };
    if (acts[event.key] && !event.ctrlKey && !event.metaKey && !event.altKey) { event.preventDefault(); acts[event.key](); }
  });
}

// The numbers in view: intervals of a night, hours of some days, days of some months, else months.
function windowSheet(flow) {
  const span = view.end - view.start, columns = [["From", "instant"], ["Forward, metered", "l"], ["Backward, metered", "l"], ["Net", "l"], ["Basis", "text"]];
  if (span > 200 * DAY) {
    const own = data.monthly.columns.findIndex(([heading]) => heading === "Plot");
    return { ...data.monthly, caption: `${view.plot} by month`, rows: data.monthly.rows.filter((row) => row[own] === view.plot) };
  }
  const rows = [];
  if (span <= 36 * HOUR && flow.grids.length) {
    for (const step of intervalSteps(flow, view.start, view.end)) {
      const minutes = (step.end - step.start) / 60000;
      rows.push([step.start, step.forward * minutes, step.reverse * minutes, step.net * minutes, basisName(flow.basis[Math.floor((step.start - flow.first) / HOUR)]).replaceAll("_", " ")]);
    }
    return { caption: `${view.plot} by metering interval`, columns: columns.map(([name, quantity]) => [name, quantity === "l" ? "l_fine" : quantity]), rows };
  }
  const size = span <= 10 * DAY ? HOUR : DAY;
  for (let time = Math.floor((view.start + data.offset) / size) * size - data.offset; time < view.end; time += size) {
    const sums = sumsOf(flow, time, time + size), hour = Math.floor((time - flow.first) / HOUR);
    const net = sums.unknown ? null : size === HOUR && hour >= 0 ? [flow.net[hour], flow.net[hour] - flow.below[hour], flow.net[hour] + flow.above[hour]] : sums.net;
    rows.push([time, sums.forward, sums.reverse, net, size === HOUR ? basisName(flow.basis[hour]).replaceAll("_", " ") : `${sums.metered} of ${sums.hours} hours metered`]);
  }
  return { caption: `${view.plot} by ${size === HOUR ? "hour, net with its 90 % interval" : "day"}`, columns, rows };
}
