// Times at which water ran back, drawn side by side from metering intervals.

async function startBackwater(holder) {
  const { drawn, alternative, sheet } = data.backwater;
  if (!drawn.length) return nothing(holder, "There is no such time to draw.");
  const [flows, sky] = [await Promise.all(drawn.map(({ plot }) => flowOfPlot(plot))), await weatherSeries()];
  const buttons = element("div", { class: "tools" }, ...drawn.map(({ plot, began, start, end }) => element("button", { type: "button", onclick: () => {
    view.show({ plot, start, end });
    document.getElementById("flow").scrollIntoView();
  } }, `Look closer: ${longDay(began)}, ${plot}`)));
  figure(holder, {
    title: "Water running back up the mains", alternative, after: [buttons], sheets: [["Every time that water ran back, as a table", () => sheet]],
    draw: (svg, width) => {
      const columns = width >= 760 ? drawn.length : 1, gap = 26, each = (width - gap * (columns - 1)) / columns;
      let height = 0;
      drawn.forEach((one, number) => {
        const place = shape(svg, "g", { transform: `translate(${(number % columns) * (each + gap)} ${columns > 1 ? 0 : height})` });
        shape(place, "text", { x: 0, y: 14, class: "strong" }, `${longDay(one.began)}, ${one.plot}`);
        const inner = shape(place, "g", { transform: "translate(0 30)" });
        const tall = drawFlow(inner, Math.floor(each), flows[number], sky, { start: one.start, end: one.end, root: false });
        height = columns > 1 ? Math.max(height, tall + 34) : height + tall + 62;
      });
      return height;
    },
  });
}
