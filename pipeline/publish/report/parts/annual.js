// What left each plot: a mark with its interval for every plot and water year, treatments beside one another.

function drawAnnual(svg, width) {
  const { years } = data.yearly[state.analyte];
  const treatments = [...new Set(years.flatMap((year) => year.groups.map((group) => group.treatment)))].filter((name) => !name.includes(", then ")).sort();
  const rows = years.flatMap((year) => year.groups.flatMap((group) => group.plots));
  const wide = width >= 720;
  const label = 62, numbers = width >= 480 ? 138 : 0;
  const room = wide ? (width - 2 * label - 2 * numbers - 30) / 2 : width - label - numbers;
  const panels = [["load", "kg_ha", "Load"], ["volume", "mm", "Drainage"]];
  let height = 0;
  const drawPanel = ([name, quantity, title], left, top) => {
    const all = rows.flatMap((row) => row[name]).filter((value) => value !== null).map((value) => converted(value, quantity));
    const largest = Math.max(0, ...rows.map((row) => row[name][0] || 0)), written = (value) => bare(value, quantity, largest);
    const x = scale(Math.min(0, ...all), Math.max(...all, 1e-9) * 1.03, left, left + room);
    shape(svg, "text", { x: left, y: top + 13, class: "strong" }, `${title}, ${unitOf(quantity)}`);
    const grid = shape(svg, "g");
    let y = top + 40;
    for (const year of years) {
      shape(svg, "text", { x: left - label, y: y + 4, class: "strong" }, String(year.year));
      y += 18;
      for (const group of year.groups) {
        const shown = group.mean && group.mean[name][1] !== null, first = y, tall = (group.plots.length + (shown ? 1 : 0)) * 19;
        if (shown) {
          const [value, low, high] = group.mean[name].map((one) => x(converted(one, quantity)));
          shape(svg, "rect", { x: rounded(low), y: first - 9, width: rounded(Math.max(high - low, 1)), height: tall, class: "mean" });
          shape(svg, "line", { x1: rounded(value), x2: rounded(value), y1: first - 9, y2: first - 9 + tall, class: "mean-line" });
        }
        for (const plot of group.plots) {
          shape(svg, "text", { x: left - label + 10, y: y + 4, class: "quiet" }, cut(plot.plot, 7));
          const [value, low, high] = plot[name];
          if (value === null) shape(svg, "text", { x: left + 4, y: y + 4, class: "small quiet" }, "not known");
          else {
            if (low !== null) shape(svg, "line", { x1: rounded(x(converted(low, quantity))), x2: rounded(x(converted(high, quantity))), y1: y, y2: y, class: "whisker" });
            const which = treatments.indexOf(group.treatment);
            markOf(which < 0 ? 3 : which)(svg, x(converted(value, quantity)), y, 4);
            if (numbers) {
              const text = shape(svg, "text", { x: left + room + 8, y: y + 4 });
              shape(text, "tspan", {}, written(value));
              if (low !== null) shape(text, "tspan", { class: "small quiet", dx: 5 }, `${written(low)} to ${written(high)}`);
            }
          }
          y += 19;
        }
        if (shown) {
          // The treatment's name stands on the side of its band that has more room.
          const [low, high] = [x(converted(group.mean[name][1], quantity)), x(converted(group.mean[name][2], quantity))];
          const before = low - left > left + room - high, words = `${group.treatment || "all"}, mean`;
          const place = before ? { x: rounded(low - 8), "text-anchor": "end" } : { x: rounded(high + 8) };
          shape(svg, "text", { ...place, y: y + 4, class: "small quiet" }, words.length * 6 < (before ? low - left : left + room - high) - 12 ? words : "mean");
          if (numbers) {
            const text = shape(svg, "text", { x: left + room + 8, y: y + 4 });
            shape(text, "tspan", { class: "strong" }, written(group.mean[name][0]));
            shape(text, "tspan", { class: "small quiet", dx: 5 }, `${written(group.mean[name][1])} to ${written(group.mean[name][2])}`);
          }
          y += 19;
        }
        y += 5;
      }
      y += 8;
    }
    const { values, decimals } = ticks(x.low, x.high, Math.max(2, room / 70));
    for (const value of values) {
      shape(grid, "line", { x1: rounded(x(value)), x2: rounded(x(value)), y1: top + 24, y2: y - 6, class: value === 0 ? "zero" : "grid" });
      shape(grid, "text", { x: rounded(x(value)), y: y + 10, "text-anchor": "middle", class: "small quiet" }, decimal(value, decimals));
    }
    return y + 18;
  };
  if (wide) {
    height = drawPanel(panels[0], label, 0);
    drawPanel(panels[1], 2 * label + room + numbers + 30, 0);
  } else {
    height = drawPanel(panels[0], label, 0);
    height = drawPanel(panels[1], label, height + 22);
  }
  return height;
}

const cut = (text, most) => (text.length > most ? text.slice(0, most - 1) + "…" : text);

function annualLegend() {
  const names = [...new Set(data.yearly[state.analyte].years.flatMap((year) => year.groups.map((group) => group.treatment)))];
  const whole = names.filter((name) => !name.includes(", then ")).sort();
  const entries = whole.map((name, number) => [(svg) => { shape(svg, "path", { d: "M1 7H21", class: "whisker" }); markOf(number)(svg, 11, 7, 4); }, name || "no treatment entered"]);
  if (names.length > whole.length) entries.push([(svg) => { shape(svg, "path", { d: "M1 7H21", class: "whisker" }); markOf(3)(svg, 11, 7, 4); }, "treatment changed within the year"]);
  entries.push([(svg) => { shape(svg, "rect", { x: 3, y: 0, width: 16, height: 14, class: "mean" }); shape(svg, "path", { d: "M11 0V14", class: "mean-line" }); }, "mean of a treatment’s plots and its 90 % interval"]);
  return legend(entries);
}

function startAnnual(holder) {
  const key = element("div");
  const fill = () => key.replaceChildren(annualLegend());
  fill();
  onChange(fill);
  figure(holder, {
    title: "Load and drainage of every plot and water year", alternative: () => data.yearly[state.analyte].alternative,
    draw: drawAnnual, before: [key], sheets: [["Loads and drainage as a table", () => data.yearly[state.analyte].sheet]],
  });
}
