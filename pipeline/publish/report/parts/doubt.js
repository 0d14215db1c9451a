// What makes the loads uncertain, how much the method matters, and the supplies of the loggers.

const SOURCE_LOOKS = {
  gap_filling: "from_neighbours", sampling: "measured", laboratory: "total_known", calibration: "bridged", error_curve: "measured_below_range",
  below_range: "from_weather", counting: "unfilled", backward_water: "backward",
};
const sourceFill = (source) => (source === "backward_water" ? "url(#lines-backward)" : `url(#hatch-${SOURCE_LOOKS[source] || "unfilled"})`);

function startBudget(holder) {
  if (!Object.values(data.budget).some(({ rows }) => rows.length)) return nothing(holder, "No budget is stored: no load of a whole water year is known.");
  const key = element("div");
  const fill = () => key.replaceChildren(legend(data.budget[state.analyte].sources.map(({ source, name }) => [swatch(sourceFill(source), "var(--quiet)"), name])));
  fill();
  onChange(fill);
  figure(holder, {
    title: "Where the uncertainty of each annual load comes from", alternative: () => data.budget[state.analyte].alternative, before: [key],
    sheets: [["The budget as a table", () => data.budget[state.analyte].sheet]],
    draw: (svg, width) => {
      const { rows, sources } = data.budget[state.analyte], left = 62, right = width - 8;
      let y = 8, last = null;
      for (const [plot, year, shares] of rows) {
        if (year !== last) { y += last === null ? 4 : 12; shape(svg, "text", { x: 0, y: y + 4, class: "strong" }, String(year)); y += 16; last = year; }
        shape(svg, "text", { x: 10, y: y + 4, class: "quiet" }, cut(plot, 7));
        let place = left;
        const labels = shape(svg, "g");
        shares.forEach((share, number) => {
          const wide = (share || 0) * (right - left);
          if (wide < 0.4) return void (place += wide);
          shape(svg, "rect", { x: rounded(place), y: y - 7, width: rounded(wide), height: 14, fill: sourceFill(sources[number].source), stroke: "var(--paper)", "stroke-width": 1 });
          const words = `${sources[number].source.replaceAll("_", " ")} ${Math.round(100 * share)} %`;
          if (wide > words.length * 6 + 16) {
            shape(labels, "rect", { x: rounded(place + 5), y: y - 6, width: rounded(words.length * 6 + 4), height: 12, rx: 2, fill: "var(--paper)" });
            shape(labels, "text", { x: rounded(place + 8), y: y + 3.6, class: "small" }, words);
          }
          place += wide;
        });
        svg.append(labels);
        y += 19;
      }
      return y;
    },
  });
}

function startMethods(holder) {
  if (!Object.values(data.methods).some(({ methods }) => methods.length > 1)) return nothing(holder, "No estimator stands beside the reported loads yet: drainledger run computes them.");
  const key = element("div"), others = () => data.methods[state.analyte].methods.filter(({ method }) => method !== "reported");
  const fill = () => key.replaceChildren(legend([
    [(svg) => { shape(svg, "rect", { x: 1, y: 2, width: 20, height: 10, class: "mean" }); shape(svg, "path", { d: "M11 1V13", stroke: "var(--ink)", "stroke-width": 2.4 }); }, "reported load and its 90 % interval"],
    ...others().map(({ name }, number) => [(svg) => markOf(number)(svg, 11, 7, 4), name]),
  ]));
  fill();
  onChange(fill);
  figure(holder, {
    title: "Annual loads by each method", alternative: () => data.methods[state.analyte].alternative, before: [key],
    sheets: [["Every method as a table", () => data.methods[state.analyte].sheet]],
    draw: (svg, width) => {
      const { rows } = data.methods[state.analyte], left = 62, right = width - 12;
      const all = rows.flatMap(([, , by]) => Object.entries(by).flatMap(([name, values]) => (name === "reported" ? values : [values[0]]))).filter((value) => value !== null).map((value) => converted(value, "kg_ha"));
      const x = scale(Math.min(0, ...all), Math.max(...all, 0.1) * 1.03, left, right), grid = shape(svg, "g");
      let y = 16, last = null;
      shape(svg, "text", { x: left, y: 11, class: "small quiet" }, unitOf("kg_ha"));
      for (const [plot, year, by] of rows) {
        if (year !== last) { y += last === null ? 8 : 12; shape(svg, "text", { x: 0, y: y + 4, class: "strong" }, String(year)); y += 16; last = year; }
        shape(svg, "text", { x: 10, y: y + 4, class: "quiet" }, cut(plot, 7));
        const [value, low, high] = (by.reported || [null]).map((one) => (one === null ? null : x(converted(one, "kg_ha"))));
        if (low) shape(svg, "rect", { x: rounded(low), y: y - 7, width: rounded(high - low), height: 14, class: "mean" });
        if (value) shape(svg, "line", { x1: rounded(value), x2: rounded(value), y1: y - 8, y2: y + 8, stroke: "var(--ink)", "stroke-width": 2.4 });
        others().forEach(({ method }, number) => { if (by[method]) markOf(number)(svg, x(converted(by[method][0], "kg_ha")), y, 3.6); });
        y += 20;
      }
      const { values, decimals } = ticks(x.low, x.high, Math.max(2, (right - left) / 90));
      for (const value of values) {
        shape(grid, "line", { x1: rounded(x(value)), x2: rounded(x(value)), y1: 18, y2: y - 6, class: value === 0 ? "zero" : "grid" });
        shape(grid, "text", { x: rounded(x(value)), y: y + 8, "text-anchor": "middle", class: "small quiet" }, decimal(value, decimals));
      }
      return y + 14;
    },
  });
}

async function startSupply(holder) {
  const { gauges, alternative, sheet } = data.supply;
  if (!gauges.length) return nothing(holder, "No gauge reads a supply voltage.");
  const lines = await Promise.all(gauges.map(async (one) => ({ ...one, values: await unpacked(one.lowest) })));
  const looks = ["", "5 3", "1.5 2.5", "8 3 1.5 3"];
  figure(holder, {
    title: "Supply voltage of the loggers", alternative, sheets: [["By month, as a table", () => sheet]],
    before: [legend(lines.map(({ gauge }, number) => [stroke({ stroke: number % 2 ? "var(--backward)" : "var(--accent)", "stroke-width": 1.6, "stroke-dasharray": looks[number % 4] }), `${gauge}, lowest of each day`]))],
    draw: (svg, width) => {
      const left = 50, right = width - 8, top = 20, tall = 120, x = scale(data.start, data.end, left, right);
      const all = lines.flatMap(({ values }) => [...values].filter(Number.isFinite));
      const low = Math.min(...all), high = Math.max(...all), y = scale(low - 0.05 * (high - low || 1), high + 0.05 * (high - low || 1), top + tall, top);
      shape(svg, "text", { x: 0, y: 11, class: "small quiet" }, "V");
      timeAxis(svg, x, top + tall, top);
      numberAxis(svg, y, left, right, 4);
      lines.forEach(({ values, first_day }, number) => {
        const points = [...values].map((value, day) => [x((first_day + day + 0.5) * DAY - data.offset), Number.isFinite(value) ? y(value) : NaN]);
        shape(svg, "path", { d: pathOf(points), fill: "none", stroke: number % 2 ? "var(--backward)" : "var(--accent)", "stroke-width": 1.2, "stroke-dasharray": looks[number % 4] });
      });
      return top + tall + 24;
    },
  });
}
