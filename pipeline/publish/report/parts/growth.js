// How the load grew over each water year, and the events that carried it.

const isYearStart = (time) => { const at = local(time), [month, date] = data.water_year_starts; return at.getUTCMonth() === month - 1 && at.getUTCDate() === date; };

async function startGrowth(holder) {
  const daily = {};
  for (const [analyte, { plots }] of Object.entries(data.growth)) for (const one of plots) daily[`${analyte} ${one.plot}`] = await unpacked(one.daily);
  if (!Object.keys(daily).length) return nothing(holder, "No daily load is stored.");
  figure(holder, {
    title: "Load since the beginning of each water year", alternative: () => data.growth[state.analyte].alternative,
    before: [legend([[stroke({ stroke: "var(--accent)", "stroke-width": 1.8 }), "load so far"], [swatch("var(--mean)"), "its 90 % interval, at month ends"]])],
    sheets: [["Month by month, as a table", () => data.growth[state.analyte].sheet]],
    draw: (svg, width) => {
      const { plots } = data.growth[state.analyte];
      const left = 50, right = width - 34, tall = 78, gap = 20;
      const most = Math.max(...plots.flatMap(({ months }) => months.map((month) => converted(month[5], "kg_ha"))), 1e-6);
      const least = Math.min(...plots.flatMap(({ months }) => months.map((month) => converted(month[4], "kg_ha"))), 0);
      const x = scale(data.start, data.end, left, right);
      let top = 22;
      shape(svg, "text", { x: 0, y: 11, class: "small quiet" }, unitOf("kg_ha"));
      for (const { plot, first, months } of plots) {
        const y = scale(least, most * 1.05, top + tall, top);
        timeAxis(svg, x, top + tall, top, plot === plots.at(-1).plot);
        numberAxis(svg, y, left, right, 3);
        shape(svg, "text", { x: left + 6, y: top + 12, class: "strong" }, cut(plot, 12));
        drawYears(svg, daily[`${state.analyte} ${plot}`], first, months, x, y);
        top += tall + gap;
      }
      return top + 6;
    },
  });
}

function drawYears(svg, loads, first, months, x, y) {
  for (const year of [...new Set(months.map((month) => month[0]))]) {
    const ends = months.filter((month) => month[0] === year);
    const begins = Math.max(first, midnight(...yearStart(ends[0][0])));
    const band = [[x(begins), y(0), y(0)], ...ends.map(([, , end, , low, high]) => [x(end), y(converted(low, "kg_ha")), y(converted(high, "kg_ha"))])];
    shape(svg, "path", { d: areaOf(band), fill: "var(--mean)" });
  }
  let sum = 0, known = true;
  const points = [], tops = [];
  for (let day = 0; day < loads.length; day++) {
    const time = first + day * DAY;
    if (day === 0 || isYearStart(time)) { sum = 0; known = true; points.push([x(time), NaN], [x(time), y(0)]); }
    known &&= Number.isFinite(loads[day]);
    if (known) sum += loads[day];
    points.push([x(time + DAY), known ? y(converted(sum, "kg_ha")) : NaN]);
    if (day === loads.length - 1 || isYearStart(time + DAY)) tops.push([time + DAY, known ? sum : NaN]);
  }
  shape(svg, "path", { d: pathOf(points), fill: "none", stroke: "var(--accent)", "stroke-width": 1.8, "stroke-linejoin": "round" });
  const crowded = tops.length > 1 && x(tops[1][0]) - x(tops[0][0]) < 60;
  for (const [time, load] of tops) {
    if (!Number.isFinite(load)) continue;
    shape(svg, "circle", { cx: rounded(x(time)), cy: rounded(y(converted(load, "kg_ha"))), r: 2.6, fill: "var(--accent)" });
    if (!crowded) shape(svg, "text", { x: rounded(x(time)) - 6, y: rounded(y(converted(load, "kg_ha"))) - 3, "text-anchor": "end", class: "small" }, bare(load, "kg_ha", Math.max(...tops.map(([, one]) => one || 0))));
  }
}

// Calendar year, month and day on which a water year starts.
function yearStart(year) {
  const [month, date] = data.water_year_starts;
  return [month === 1 && date === 1 ? year : year - 1, month - 1, date];
}

function startEvents(holder) {
  if (!Object.values(data.events).some(({ rows }) => rows.length)) return nothing(holder, "No drainage event was found.");
  const stick = (open) => (svg) => { shape(svg, "path", { d: "M11 13V5", stroke: "var(--accent)", "stroke-width": 1.6 }); shape(svg, "circle", { cx: 11, cy: 5, r: 3.4, class: open ? "mark open" : "mark" }); };
  figure(holder, {
    title: "Drainage events of every plot", alternative: () => data.events[state.analyte].alternative,
    before: [legend([[stick(false), "event, at least half of its hours metered"], [stick(true), "event, less than half metered"]])],
    sheets: [["Every event as a table", () => data.events[state.analyte].sheet]],
    draw: (svg, width) => {
      const { rows } = data.events[state.analyte], plots = data.plots.map(({ plot }) => plot).filter((plot) => rows.some((row) => row[0] === plot));
      const left = 50, right = width - 8, tall = 54, gap = 18, x = scale(data.start, data.end, left, right);
      const most = Math.max(...rows.map((row) => converted(row[4] || 0, "mm")), 1e-6);
      let top = 22;
      shape(svg, "text", { x: 0, y: 11, class: "small quiet" }, unitOf("mm"));
      for (const plot of plots) {
        const y = scale(0, most * 1.12, top + tall, top);
        timeAxis(svg, x, top + tall, top, plot === plots.at(-1));
        numberAxis(svg, y, left, right, 2);
        shape(svg, "text", { x: left + 6, y: top + 11, class: "strong" }, cut(plot, 12));
        for (const [of, , start, end, volume, , metered] of rows) {
          if (of !== plot || volume === null) continue;
          const place = x((start + end) / 2), height = y(converted(volume, "mm"));
          shape(svg, "line", { x1: rounded(place), x2: rounded(place), y1: rounded(y(0)), y2: rounded(height), stroke: "var(--accent)", "stroke-width": 1.3 });
          shape(svg, "circle", { cx: rounded(place), cy: rounded(height), r: 2.8, class: metered >= 0.5 ? "mark" : "mark open" });
        }
        top += tall + gap;
      }
      return top + 6;
    },
  });
}
