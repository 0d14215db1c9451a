// How much was measured: a strip of days for each plot and water year, and outages under it.

async function startCalendar(holder) {
  const { record } = data;
  if (!record.plots.length) return nothing(holder, "No hour of flow is stored.");
  const strips = await Promise.all(record.plots.map(async ({ plot, hours }) => ({ plot, hours: await unpacked(hours) })));
  const used = record.bases.filter((_, number) => strips.some(({ hours }) => hours.subarray(number * record.days, (number + 1) * record.days).some((value) => value > 0)));
  const key = legend([
    ...used.map(({ basis }) => [swatch(`url(#hatch-${basis})`, "var(--quiet)"), basis.replaceAll("_", " ")]),
    [stroke({ stroke: "var(--ink)", "stroke-width": 2.4 }), "outage, cause entered"],
    [stroke({ stroke: "var(--ink)", "stroke-width": 2.4, "stroke-dasharray": "2 2.5" }), "outage found in the record"],
  ]);
  figure(holder, {
    title: "Every day of the record by basis", alternative: record.alternative, before: [key],
    draw: (svg, width) => drawCalendar(svg, width, strips),
    sheets: [["Hours by basis as a table", () => record.sheet], ["What each basis means", () => ({
      caption: "Where an hour's number comes from", columns: [["Basis", "text"], ["Meaning", "text"]],
      rows: record.bases.map(({ basis, meaning }) => [basis.replaceAll("_", " "), meaning]),
    })]],
  });
}

function drawCalendar(svg, width, strips) {
  const { record } = data;
  const [month, date] = data.water_year_starts;
  const label = 46, right = width - 4, top = 22;
  const dayNumber = (year) => Date.UTC(year, month - 1, date) / DAY;
  const firstYear = new Date(record.first_day * DAY).getUTCFullYear() - 1;
  const years = [];
  for (let year = firstYear; dayNumber(year) < record.first_day + record.days; year++) if (dayNumber(year + 1) > record.first_day) years.push(year);
  const many = years.length * strips.length > 24;
  const tall = many ? 10 : 15, step = many ? 15 : 24;
  const x = scale(0, 366, label, right);
  let y = top;
  const months = shape(svg, "g");
  for (const year of years) {
    shape(svg, "text", { x: 0, y: y + 4, class: "strong" }, String(month === 1 && date === 1 ? year : year + 1));
    y += 10;
    const from = dayNumber(year), to = dayNumber(year + 1);
    for (const { plot, hours } of strips) {
      shape(svg, "text", { x: 10, y: y + tall / 2 + 4, class: many ? "small quiet" : "quiet" }, cut(plot, 5));
      drawStrip(svg, hours, from, to, x, y, tall);
      drawOutages(svg, plot, from, to, x, y + tall + 2.6, !many);
      y += step;
    }
    y += 12;
  }
  for (let ahead = 0; ahead < 12; ahead++) {
    const start = new Date(Date.UTC(years[0], month - 1 + ahead, 1));
    const place = rounded(x(Math.max(0, start.getTime() / DAY - dayNumber(years[0]))));
    shape(months, "line", { x1: place, x2: place, y1: top - 4, y2: y - 14, class: "grid" });
    if (width > 520 || ahead % 2 === 0) shape(months, "text", { x: place + 2, y: 12, class: "small quiet" }, MONTHS[start.getUTCMonth()].slice(0, 3));
  }
  return y;
}

// Runs of days that are alike are one rectangle, so that ten years stay light.
function drawStrip(svg, hours, from, to, x, y, tall) {
  const { record } = data;
  const paths = record.bases.map(() => "");
  const at = (basis, day) => hours[basis * record.days + day - record.first_day];
  const begin = Math.max(from, record.first_day), end = Math.min(to, record.first_day + record.days);
  let start = begin;
  const same = (a, b) => record.bases.every((_, basis) => at(basis, a) === at(basis, b));
  for (let day = begin; day < end; day++) {
    if (day + 1 < end && same(day, day + 1)) continue;
    let foot = y + tall;
    const total = record.bases.reduce((sum, _, basis) => sum + (at(basis, day) || 0), 0);
    record.bases.forEach((_, basis) => {
      const share = total ? (at(basis, day) || 0) / total : 0;
      if (!share) return;
      const left = rounded(x(start - from)), high = rounded(share * tall);
      paths[basis] += `M${left} ${rounded(foot - share * tall)}H${rounded(x(day + 1 - from))}v${high}H${left}Z`;
      foot -= share * tall;
    });
    start = day + 1;
  }
  paths.forEach((path, basis) => path && shape(svg, "path", { d: path, fill: `url(#hatch-${record.bases[basis].basis})` }));
}

function drawOutages(svg, plot, from, to, x, y, named) {
  for (const [of, start, end, cause, source] of data.record.outages) {
    const first = Math.max((start + data.offset) / DAY, from), last = Math.min((end + data.offset) / DAY, to);
    if (of !== plot || last <= first || last - first < 0.5) continue;
    shape(svg, "line", { x1: rounded(x(first - from)), x2: rounded(Math.max(x(last - from), x(first - from) + 1.5)), y1: y, y2: y, stroke: "var(--ink)", "stroke-width": 2.4, "stroke-dasharray": source === "declared" ? null : "2 2.5" });
    const room = x(last - from) - x(first - from);
    if (named && source === "declared" && room > cause.length * 5.6 + 10) {
      const half = cause.length * 2.9 + 4, middle = x((first + last) / 2 - from);
      shape(svg, "rect", { x: rounded(middle - half), y: y - 15, width: rounded(2 * half), height: 12, rx: 2, fill: "var(--paper)" });
      shape(svg, "text", { x: rounded(middle), y: y - 5.5, "text-anchor": "middle", class: "small" }, cause);
    }
  }
}
