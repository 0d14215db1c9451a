// Concentrations: the estimate between samples with its interval, and every result with what it stands for.

async function startConcentrations(holder) {
  const series = {};
  for (const [analyte, { plots }] of Object.entries(data.concentrations)) {
    for (const one of plots) if (one.days) series[`${analyte} ${one.plot}`] = await Promise.all([one.mg_l, one.low, one.high].map(unpacked));
  }
  if (!Object.values(data.concentrations).some(({ plots }) => plots.length)) return nothing(holder, "No sample and no concentration is stored.");
  let span = [data.start, data.end], drawn;
  const years = Object.values(data.yearly)[0].years.map(({ year }) => year);
  const pick = element("select", { onchange: () => {
    const year = Number(pick.value);
    span = year ? [Math.max(midnight(...yearStart(year)), data.start), Math.min(midnight(...yearStart(year + 1)), data.end)] : [data.start, data.end];
    drawn.redraw();
  } }, element("option", { value: "" }, "whole record"), ...years.map((year) => element("option", { value: year }, `water year ${year}`)));
  const mark = (kind, more) => (svg) => drawResult(svg, kind, 6, 16, 7, 11, more);
  drawn = figure(holder, {
    title: "Concentrations of every plot", alternative: () => data.concentrations[state.analyte].alternative,
    before: [element("div", { class: "tools" }, element("label", {}, "Show ", pick)), legend([
      [stroke({ stroke: "var(--accent)", "stroke-width": 1.6 }), "estimate, daily mean"], [swatch("var(--mean)"), "90 % interval"],
      [mark("grab", {}), "grab or single bottle"], [mark("flow_composite", {}), "composite: its window"],
      [mark("grab", { censored: true }), "below the detection limit (drawn there)"], [mark("grab", { above: true }), "more than the range of the analysis"],
      [mark("grab", { receiving: true }), "water of the ditch"],
    ])],
    sheets: [["Every result as a table", () => data.concentrations[state.analyte].sheet]],
    draw: (svg, width) => drawConcentrations(svg, width, span, series),
  });
}

function drawResult(svg, kind, left, right, y, middle, { censored, above, receiving } = {}) {
  const colour = receiving ? "var(--backward)" : "var(--ink)", look = { style: `stroke:${colour};fill:${censored || receiving ? "var(--paper)" : colour}` };
  if (kind.endsWith("composite")) {
    // A window too narrow to be seen is drawn a little wider, without its ends.
    const ends = right - left > 5, [from, to] = ends ? [left, right] : [middle - 3, middle + 3];
    shape(svg, "path", { d: `M${rounded(from)} ${rounded(y)}H${rounded(to)}${ends ? `M${rounded(from)} ${rounded(y - 3.5)}v7M${rounded(to)} ${rounded(y - 3.5)}v7` : ""}`, fill: "none", stroke: colour, "stroke-width": 2 });
    if (!censored && !above && !receiving) return;
  }
  const which = censored ? 4 : above ? 2 : receiving ? 3 : 0;
  markOf(which)(svg, middle, y, which ? 3.4 : 2.5, look);
}

function drawConcentrations(svg, width, [start, end], series) {
  const { plots } = data.concentrations[state.analyte];
  const left = 50, right = width - 8, tall = 104, gap = 22, x = scale(start, end, left, right);
  const inView = (one) => { const all = series[`${state.analyte} ${one.plot}`]; return all ? all[2].filter((value, day) => Number.isFinite(value) && timeOf(one, day) >= start && timeOf(one, day) <= end) : []; };
  const timeOf = (one, day) => (one.first_day + day) * DAY - data.offset;
  const most = Math.max(1e-6, ...plots.flatMap((one) => [quantile(inView(one), 0.995) || 0, ...one.results.filter((row) => row[2] >= start && row[1] <= end).map((row) => row[3])]));
  let top = 22;
  shape(svg, "text", { x: 0, y: 11, class: "small quiet" }, "mg/L");
  for (const one of plots) {
    const y = scale(0, most * 1.06, top + tall, top), all = series[`${state.analyte} ${one.plot}`];
    timeAxis(svg, x, top + tall, top, one === plots.at(-1));
    numberAxis(svg, y, left, right, 3);
    const inside = shape(svg, "svg", { x: left, y: top - 6, width: right - left, height: tall + 12, viewBox: `${left} ${top - 6} ${right - left} ${tall + 12}`, style: "overflow:hidden" });
    if (all) {
      const days = [...all[0].keys()].filter((day) => timeOf(one, day) >= start - DAY && timeOf(one, day) <= end);
      shape(inside, "path", { d: areaOf(days.map((day) => [x(timeOf(one, day) + DAY / 2), y(all[1][day]), y(all[2][day])])), fill: "var(--mean)" });
      shape(inside, "path", { d: pathOf(days.map((day) => [x(timeOf(one, day) + DAY / 2), y(all[0][day])])), fill: "none", stroke: "var(--accent)", "stroke-width": 1.3 });
    }
    for (const [kind, begins, ends, value, censored, above, limit, water] of one.results) {
      if (ends < start || begins > end) continue;
      drawResult(inside, kind, x(begins), x(ends), y(censored && limit !== null ? limit : value), x((begins + ends) / 2), { censored, above, receiving: water === "receiving" });
    }
    shape(svg, "text", { x: left + 6, y: top + 11, class: "strong" }, cut(one.plot, 12));
    top += tall + gap;
  }
  return top + 6;
}

function quantile(values, share) {
  const sorted = Float64Array.from(values).sort();
  return sorted.length ? sorted[Math.min(sorted.length - 1, Math.floor(share * sorted.length))] : NaN;
}
