// What everything else on the page rests on: the data, units, sentences, sheets, packed series.
// Belongs here: setting text (never markup), conversion of units, unpacking. Does not: drawing (drawing.js and the figures).
"use strict";

const data = JSON.parse(document.getElementById("data").textContent);
const state = { units: "si", analyte: data.analytes[0].analyte };
const HOUR = 3600000, DAY = 24 * HOUR;

// Exact by definition: inch 25.4 mm, foot 0.3048 m, pound 0.45359237 kg, acre 4046.8564224 m², US gallon 231 cubic inches.
const INCH_MM = 25.4, POUND_KG = 0.45359237, ACRE_HA = 0.40468564224, GALLON_L = 3.785411784, FOOT_M = 0.3048;
const QUANTITIES = {
  mm: { si: ["mm", 1, 1], us: ["in", 1 / INCH_MM, 2] },
  kg_ha: { si: ["kg/ha", 1, 1], us: ["lb/acre", ACRE_HA / POUND_KG, 1] },
  kg_ha_fine: { si: ["kg/ha", 1, 2], us: ["lb/acre", ACRE_HA / POUND_KG, 2] },
  mg_l: { si: ["mg/L", 1, 1], us: ["mg/L", 1, 1] },
  mg_l_fine: { si: ["mg/L", 1, 3], us: ["mg/L", 1, 3] },
  l: { si: ["L", 1, 0], us: ["gal", 1 / GALLON_L, 0] },
  l_fine: { si: ["L", 1, 2], us: ["gal", 1 / GALLON_L, 2] },
  l_min: { si: ["L/min", 1, 1], us: ["gal/min", 1 / GALLON_L, 1] },
  ha: { si: ["ha", 1, 2], us: ["acre", 1 / ACRE_HA, 2] },
  m: { si: ["m", 1, 2], us: ["ft", 1 / FOOT_M, 2] },
  volt: { si: ["V", 1, 1], us: ["V", 1, 1] },
  hours: { si: ["h", 1, 1], us: ["h", 1, 1] },
  days: { si: ["days", 1, 1], us: ["days", 1, 1] },
  share: { si: ["%", 100, 0], us: ["%", 100, 0] },
  percent: { si: ["%", 1, 0], us: ["%", 1, 0] },
  percent_fine: { si: ["%", 1, 2], us: ["%", 1, 2] },
  percent_signed: { si: ["%", 1, 0], us: ["%", 1, 0] },
  number_fine: { si: ["", 1, 4], us: ["", 1, 4] },
  number: { si: ["", 1, 2], us: ["", 1, 2] },
  count: { si: ["", 1, 0], us: ["", 1, 0] },
};
const TEXTUAL = new Set(["text", "instant", "day", "year", "flag"]);

const unitOf = (quantity) => (QUANTITIES[quantity] ? QUANTITIES[quantity][state.units][0] : "");
const converted = (value, quantity) => value * QUANTITIES[quantity][state.units][1];

function decimal(value, decimals) {
  const text = Math.abs(value).toFixed(decimals);
  const [whole, part] = text.split(".");
  const grouped = whole.replace(/\B(?=(\d{3})+$)/g, ",");
  return (value < 0 && Number(text) !== 0 ? "−" : "") + grouped + (part ? "." + part : "");
}

// Decimals that leave three figures of a value, never fewer than its quantity has: a load of phosphorus is a small number.
const SMALL_TOO = new Set(["mm", "kg_ha", "kg_ha_fine", "mg_l", "mg_l_fine", "l_min"]);
function decimalsFor(value, quantity) {
  const least = QUANTITIES[quantity][state.units][2], size = Math.abs(converted(value, quantity));
  return SMALL_TOO.has(quantity) && size > 0 ? Math.min(Math.max(least, 2 - Math.floor(Math.log10(size) + 1e-9)), least + 4) : least;
}

// A value in the reader's unit, without the unit; with as many decimals as the value that it stands beside.
function bare(value, quantity, beside = value) {
  if (value === null || value === undefined || Number.isNaN(value)) return "–";
  if (quantity === "year") return String(value);
  if (quantity === "instant") return moment(value);
  if (quantity === "day") return typeof value === "number" ? day(value) : value;
  if (typeof value === "boolean") return value ? "yes" : "no";
  if (!QUANTITIES[quantity]) return String(value);
  const sign = quantity === "percent_signed" && value >= 0 ? "+" : "";
  return sign + decimal(converted(value, quantity), decimalsFor(beside, quantity));
}

function shown(value, quantity) {
  const unit = unitOf(quantity);
  const gap = unit === "%" ? "\u202f" : "\u00a0";
  return bare(value, quantity) + (unit && value !== null ? gap + unit : "");
}

const MONTHS = ["January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November", "December"];
const local = (ms) => new Date(ms + data.offset);
const two = (number) => String(number).padStart(2, "0");
const day = (ms) => { const at = local(ms); return `${at.getUTCFullYear()}-${two(at.getUTCMonth() + 1)}-${two(at.getUTCDate())}`; };
const moment = (ms) => { const at = local(ms); return `${day(ms)} ${two(at.getUTCHours())}:${two(at.getUTCMinutes())}`; };
const longDay = (ms) => { const at = local(ms); return `${at.getUTCDate()} ${MONTHS[at.getUTCMonth()]} ${at.getUTCFullYear()}`; };
const midnight = (year, month, date = 1) => Date.UTC(year, month, date) - data.offset;

// A sentence of text and amounts; {v, q} is an amount, {u} a unit alone.
function sentence(parts) {
  return (parts || []).map((part) => {
    if (typeof part === "string") return part;
    if (part.u) return "\u00a0" + unitOf(part.u);
    return part.q.endsWith("_bare") ? bare(part.v, part.q.slice(0, -5)) : shown(part.v, part.q);
  }).join("");
}

function element(name, attributes = {}, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (key === "class") made.className = value;
    else if (key.startsWith("on")) made.addEventListener(key.slice(2), value);
    else if (value === true) made.setAttribute(key, "");
    else if (value !== false && value !== null && value !== undefined) made.setAttribute(key, value);
  }
  made.append(...children.filter((child) => child !== null));
  return made;
}

// What stands at a path of the data, such as yearly.sheet; parts that are kept by analyte are looked up for the one shown.
function at(path) {
  return path.split(".").reduce((found, key) => (found === undefined || found === null ? undefined : found[state.analyte] ? found[state.analyte][key] : found[key]), data);
}

// A sheet as a table. Cells keep the stored value in data-value, so that what is shown can be held against the tables.
function tableOf(sheet) {
  const head = element("tr");
  for (const [heading, quantity] of sheet.columns) {
    const unit = unitOf(quantity);
    head.append(element("th", { scope: "col", class: TEXTUAL.has(quantity) ? "" : "number" }, heading, unit ? element("span", { class: "unit" }, unit) : ""));
  }
  const body = element("tbody");
  const first = (value) => (Array.isArray(value) ? value[0] : value);
  const largest = sheet.columns.map(([, quantity], number) => (QUANTITIES[quantity] ? Math.max(0, ...sheet.rows.map((row) => Math.abs(first(row[number])) || 0)) : undefined));
  for (const row of sheet.rows) {
    const line = element("tr");
    row.forEach((value, number) => {
      const quantity = sheet.columns[number][1];
      const cell = element("td", { class: TEXTUAL.has(quantity) ? (quantity === "text" ? "text" : "") : "number" });
      const [middle, low, high] = Array.isArray(value) ? value : [value];
      const written = (one) => (typeof one === "number" && largest[number] !== undefined ? bare(one, quantity, largest[number]) : bare(one, quantity));
      if (middle !== null && middle !== undefined) cell.dataset.value = middle;
      cell.append(written(middle));
      if (low !== undefined && low !== null) {
        cell.dataset.low = low;
        cell.dataset.high = high;
        cell.append(element("span", { class: "interval" }, `[${written(low)}, ${written(high)}]`));
      }
      line.append(cell);
    });
    body.append(line);
  }
  return element("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": sheet.caption },
    element("table", {}, element("caption", {}, sheet.caption), element("thead", {}, head), body));
}

// The table behind a figure, made when it is opened and made anew when units change.
function fold(holder, summary, sheetNow, open = false) {
  const details = element("details", { open });
  const fill = () => {
    if (!details.open) return;
    while (details.children.length > 1) details.lastChild.remove();
    const sheet = sheetNow();
    details.append(sheet && sheet.rows.length ? tableOf(sheet) : element("p", { class: "note" }, "There is nothing to list."));
  };
  details.append(element("summary", {}, summary));
  details.addEventListener("toggle", () => { if (details.children.length === 1) fill(); });
  holder.append(details);
  onChange(fill);
  if (open) fill();
  return details;
}

const listeners = [];
const onChange = (listener) => listeners.push(listener);
const changed = () => listeners.forEach((listener) => listener());

// Undoes packing.py: bytes by rank, folded signs, differences; 0 is absent where some are.
async function unpacked(series) {
  if (series.values) return series.values;
  const bytes = Uint8Array.from(atob(series.text), (letter) => letter.charCodeAt(0));
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
  const planes = new Uint8Array(await new Response(stream).arrayBuffer());
  const values = new Float64Array(series.n);
  let last = 0;
  for (let i = 0; i < series.n; i++) {
    let folded = 0;
    for (let byte = series.width - 1; byte >= 0; byte--) folded = folded * 256 + planes[byte * series.n + i];
    if (series.absent && folded-- === 0) { values[i] = NaN; continue; }
    const step = folded % 2 ? -(folded + 1) / 2 : folded / 2;
    last = series.differences ? last + step : step;
    values[i] = last * series.step;
  }
  series.values = values;
  delete series.text;
  return values;
}

const readSeries = {};
function seriesOf(name) {
  if (!readSeries[name]) readSeries[name] = JSON.parse(document.getElementById(`series-${name}`).textContent);
  return readSeries[name];
}
