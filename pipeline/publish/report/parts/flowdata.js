// The flow's series, unpacked, and looked at in steps of any length.
// Belongs here: from packed hours and intervals to means of a window. Does not: drawing them (flow.js, backwater.js).

const flowOf = {};

// A plot's hours and intervals; forward and backward volumes of metered hours are sums of their intervals.
function flowOfPlot(plot) {
  flowOf[plot] ||= (async () => {
    const hours = seriesOf("hours"), coded = hours.plots[plot];
    const [net, below, above, basis] = await Promise.all([coded.net_l, coded.below, coded.above, coded.basis].map(unpacked));
    const intervals = seriesOf("intervals").plots[plot] || { grids: [], single: [] };
    const grids = await Promise.all(intervals.grids.map(async (grid) => ({
      start: grid.start, length: grid.length, n: grid.n, forward: await unpacked(grid.forward), reverse: await unpacked(grid.reverse),
    })));
    const forward = new Float64Array(hours.hours), reverse = new Float64Array(hours.hours);
    for (const grid of grids) {
      for (let i = 0; i < grid.n; i++) {
        if (Number.isNaN(grid.forward[i])) continue;
        const hour = Math.floor((grid.start + i * grid.length - hours.first_hour) / HOUR);
        if (hour >= 0 && hour < hours.hours && grid.length <= HOUR) { forward[hour] += grid.forward[i]; reverse[hour] += grid.reverse[i]; }
      }
    }
    return { first: hours.first_hour, hours: hours.hours, net, below, above, basis, grids, single: intervals.single, forward, reverse };
  })();
  return flowOf[plot];
}

let weather;
function weatherSeries() {
  weather ||= (async () => {
    const hours = seriesOf("hours");
    return {
      rain: hours.rain ? await unpacked(hours.rain) : null,
      levels: await Promise.all((hours.levels || []).map(async ({ gauge, unit, level }) => ({ gauge, unit, level: await unpacked(level) }))),
    };
  })();
  return weather;
}

const STEPS = [1, 2, 3, 6, 12, 24, 72, 168];

// Steps of a window: intervals where these are few enough, else means over whole hours. Rates in L/min, rain in mm of the step.
function stepsOf(flow, start, end, most) {
  const grid = flow.grids.find((one) => one.start <= end && one.start + one.n * one.length >= start);
  if (grid && grid.length < HOUR && (end - start) / grid.length <= most) return { length: grid.length, steps: intervalSteps(flow, start, end) };
  const size = STEPS.find((hours) => (end - start) / (hours * HOUR) <= most) || 336;
  const wall = (flow.first + data.offset) / HOUR % 24;
  let hour = Math.max(0, Math.floor((start - flow.first) / HOUR));
  hour -= (hour + wall) % size;
  const steps = [];
  for (; hour < flow.hours && flow.first + hour * HOUR < end; hour += size) {
    let net = 0, forward = 0, reverse = 0, known = 0, whole = 0;
    for (let at = Math.max(hour, 0); at < Math.min(hour + size, flow.hours); at++) {
      forward += flow.forward[at];
      reverse += flow.reverse[at];
      whole++;
      if (Number.isFinite(flow.net[at])) { net += flow.net[at]; known++; }
    }
    const one = size === 1 && known ? { low: (flow.net[hour] - flow.below[hour]) / 60, high: (flow.net[hour] + flow.above[hour]) / 60 } : {};
    steps.push({
      start: flow.first + hour * HOUR, end: flow.first + (hour + size) * HOUR, forward: forward / whole / 60, reverse: reverse / whole / 60,
      net: known === whole ? net / whole / 60 : NaN, ...one,
    });
  }
  return { length: size * HOUR, steps };
}

function intervalSteps(flow, start, end) {
  const steps = [], metered = new Set();
  for (const grid of flow.grids) {
    const first = Math.max(0, Math.floor((start - grid.start) / grid.length)), last = Math.min(grid.n, Math.ceil((end - grid.start) / grid.length));
    for (let i = first; i < last; i++) {
      if (Number.isNaN(grid.forward[i])) continue;
      const minutes = grid.length / 60000, begins = grid.start + i * grid.length;
      steps.push({ start: begins, end: begins + grid.length, forward: grid.forward[i] / minutes, reverse: grid.reverse[i] / minutes, net: (grid.forward[i] - grid.reverse[i]) / minutes, measured: true });
      metered.add(Math.floor((begins - flow.first) / HOUR));
    }
  }
  // Hours without intervals of their own: the estimate of the hour.
  const from = Math.max(0, Math.floor((start - flow.first) / HOUR)), to = Math.min(flow.hours, Math.ceil((end - flow.first) / HOUR));
  for (let hour = from; hour < to; hour++) {
    if (metered.has(hour) && isMeasured(flow.basis[hour])) continue;
    const begins = flow.first + hour * HOUR;
    steps.push({ start: begins, end: begins + HOUR, forward: 0, reverse: 0, net: metered.has(hour) ? NaN : flow.net[hour] / 60, low: (flow.net[hour] - flow.below[hour]) / 60, high: (flow.net[hour] + flow.above[hour]) / 60, estimate: true });
  }
  return steps.sort((a, b) => a.start - b.start || (a.estimate ? 1 : 0) - (b.estimate ? 1 : 0));
}

const basisName = (number) => (number > 0 ? data.record.bases[number - 1].basis : "");
const isMeasured = (number) => basisName(number).startsWith("measured");

// Sums of a window over whole hours.
function sumsOf(flow, start, end) {
  const from = Math.max(0, Math.floor((start - flow.first) / HOUR)), to = Math.min(flow.hours, Math.ceil((end - flow.first) / HOUR));
  const sums = { forward: 0, reverse: 0, net: 0, hours: to - from, metered: 0, unknown: 0 };
  for (let hour = from; hour < to; hour++) {
    sums.forward += flow.forward[hour];
    sums.reverse += flow.reverse[hour];
    if (Number.isFinite(flow.net[hour])) sums.net += flow.net[hour]; else sums.unknown++;
    if (isMeasured(flow.basis[hour])) sums.metered++;
  }
  return sums;
}
const sumOver = (values, first, start, end) => {
  let sum = 0, known = 0;
  for (let hour = Math.max(0, Math.floor((start - first) / HOUR)); hour < Math.min(values.length, Math.ceil((end - first) / HOUR)); hour++) {
    if (Number.isFinite(values[hour])) { sum += values[hour]; known++; }
  }
  return known ? sum : NaN;
};
