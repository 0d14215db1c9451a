"""Lies of meters, found in the record.

Belongs here: the record as blocks of flow, where each kind of lie is looked for, findings with their sentences.
Does not: the expectation (science/flow_expectation.py), the evidence (science/meter_evidence.py), what a finding does to the hours
(stages/outages.py), how findings are shown (publish/meters.py).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import duckdb
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.science.flow_expectation import Expectation, Relations, relations, weather_root
from pipeline.science.meter_evidence import edge_evidence, zero_runs, zeros_evidence
from pipeline.science.signed_root import signed_root
from pipeline.site import Site
from pipeline.tables import table

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Indices = NDArray[np.int64]

HOUR_US = 3_600_000_000
BLOCK_HOURS = 12
BLOCK_DAYS = BLOCK_HOURS / 24
M2_PER_HA = 10_000.0

SILENCE_EVIDENCE = 4.5
"""Evidence from which a run of zeros is a finding. Chosen on invented fields (tests/bench/meter_findings.py) for less than one false
alarm in 20 site-years."""
CHANGED_EVIDENCE = 10.0
"""The same for a plot whose treatment began within the record."""
FIRST_EVIDENCE = 2.0
"""Evidence that a finding must have beside all sources, before other findings are taken out of them: plots that are alike are silent
together."""
LEAST_EXPECTED = 1.0
"""Evidence that the expectation itself must give: an abrupt stop alone is no lie."""
LEAST_EXPECTED_TOGETHER = 2.0
"""The same where all plots of a logger are silent."""
LEAST_EXPECTED_MM = 1.0
"""Depth that was to be expected at least: what matters less is not told."""
WEATHER_WORTH = 0.5
"""Share of its evidence at which the weather's expectation counts where it stands alone: a model of soil errs alike for weeks."""
LEAST_ROOT = 0.2
"""Root of mm per day below which flow is as good as none."""
SHORTEST_SILENCE_HOURS = 24
THAW_DAYS = 3
"""Days after a day of frost in which zeros are no evidence yet."""
RESTING_SHARE = 0.02
"""Share of wet blocks without flow, under a treatment that began within the record, from which a plot is said to rest by habit."""
USUAL_RESTING_SHARE = 0.2
"""The same of other plots: a drain under a raised outlet, whose treatment is not known."""
FEWEST_WET_DAYS = 60.0
"""Wet days that a treatment which began within the record must have been seen before its plot's zeros are judged."""
WET_ROOT = 0.5
"""Root of mm per day above which a block is called wet."""
MOST_SUPPLY = 3.0
"""Most evidence of several meters that stop or start within the same hour, log10."""


@dataclass(frozen=True)
class Finding:
    """One finding: a row of `meter_findings`, times in microseconds since 1970."""

    plot: str
    meter: str
    direction: str | None
    kind: str
    start: int
    end: int
    evidence: float
    told: int
    factor: float | None
    others: str | None
    finding: str
    check: str


@dataclass(frozen=True)
class Record:
    """What the meters said of the window years, hour by hour: plots in order of name by hours, whole days.

    Attributes:
        plots: names; area_ha: shape (plots,).
        first_us: start of the first hour, microseconds since 1970.
        net_l, gross_l: of the metered part of each hour, 0 where nothing was metered, shape (plots, hours).
        fraction: share of each hour that was metered, shape (plots, hours).
        rain_mm, air_temp_c: shape (hours,), not-a-number where missing.
        treatment: number of the treatment in each hour, 0 for none, shape (plots, hours).
    """

    plots: list[str]
    area_ha: Floats
    first_us: int
    net_l: Floats
    gross_l: Floats
    fraction: Floats
    rain_mm: Floats
    air_temp_c: Floats
    treatment: Indices

    def time(self, hour: int) -> int:
        """Start of an hour, microseconds since 1970."""
        return self.first_us + hour * HOUR_US

    def root(self) -> Floats:
        """Signed root of the flow of each block, mm per day; not-a-number where less than half of it was metered, shape (plots, blocks)."""
        metered = self._by_block(self.fraction)
        rate = np.divide(
            self._by_block(self.net_l), metered, out=np.full(metered.shape, np.nan), where=metered >= BLOCK_HOURS / 2
        )
        return signed_root(rate * 24.0 / (self.area_ha[:, np.newaxis] * M2_PER_HA))

    def hour_root(self, plot: int, hour: int) -> float:
        """Root of the flow of one hour, mm per day; not-a-number where it was not metered."""
        if not 0 <= hour < self.fraction.shape[1] or self.fraction[plot, hour] < 0.5:
            return float("nan")
        return float(
            np.sqrt(self.gross_l[plot, hour] / self.fraction[plot, hour] * 24.0 / (self.area_ha[plot] * M2_PER_HA))
        )

    def frozen(self) -> Flags:
        """Blocks of days whose mean temperature is below zero, and of the days after them, shape (blocks,)."""
        day = self.air_temp_c.reshape(-1, 24)
        known = np.isfinite(day)
        mean = np.where(known, day, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
        frost = known.any(axis=1) & (mean < 0)
        lasting = frost.copy()
        for days in range(1, THAW_DAYS + 1):
            lasting[days:] |= frost[:-days]
        return np.repeat(lasting, 24 // BLOCK_HOURS)

    def _by_block(self, hourly: Floats) -> Floats:
        return hourly.reshape(len(hourly), -1, BLOCK_HOURS).sum(axis=2)


def meter_findings(
    session: duckdb.DuckDBPyConnection,
    flow: duckdb.DuckDBPyRelation,
    metered: pd.DataFrame,
    weather: pd.DataFrame,
    site: Site,
    year: int,
) -> pd.DataFrame:
    """What the record of a water year says against its meters.

    Args:
        session: in which `flow` lives.
        flow: rows of `interval_flow` of the year.
        metered: rows of `metered_hours` of the years that may be learned from; declared outages are not in them.
        weather: hour_start, rain_mm, air_temp_c; may be empty.
        site: plots, treatments, meters, wiring, policies.
        year: the water year whose findings are wanted.

    Returns:
        Rows of `meter_findings`. A finding that goes on across the end of a water year stands in both.
    """
    record = record_of(metered, weather, site, year)
    start, end = _period(site, year)
    found = [
        clipped
        for finding in findings(record, site)
        if (clipped := _within(finding, _microseconds(start), _microseconds(end))) is not None
    ]
    return _rows(found)


def findings(record: Record, site: Site) -> list[Finding]:
    """All findings of a record, in order of plot and time."""
    return sorted(_silences(record, site), key=lambda one: (one.plot, one.start, one.kind))


def record_of(metered: pd.DataFrame, weather: pd.DataFrame, site: Site, year: int) -> Record:
    """The hours of the water years within `gap_window_years` of one, as arrays."""
    reach = site.policies.gap_window_years
    starts, ends = zip(*(_period(site, each) for each in site.water_years() if abs(each - year) <= reach), strict=True)
    first, hours = _microseconds(starts[0]), (_microseconds(ends[-1]) - _microseconds(starts[0])) // HOUR_US
    plots = sorted(plot.plot for plot in site.plots)
    at = (_epoch_us(metered["hour_start"]) - first) // HOUR_US
    plot = pd.Index(plots).get_indexer(pd.Index(metered["plot"]))
    fraction = metered["measured_fraction"].to_numpy(dtype=float)
    rows = np.flatnonzero((at >= 0) & (at < hours) & (plot >= 0) & (fraction > 0))

    def spread_out(values: Floats) -> Floats:
        whole = np.zeros((len(plots), hours))
        whole[plot[rows], at[rows]] = values[rows]
        return whole

    forward, reverse = (spread_out(metered[name].to_numpy(dtype=float)) for name in ("forward_l", "reverse_l"))
    sky = np.full((2, hours), np.nan)
    weather_at = (_epoch_us(weather["hour_start"]) - first) // HOUR_US
    inside = (weather_at >= 0) & (weather_at < hours)
    for row, name in enumerate(("rain_mm", "air_temp_c")):
        sky[row, weather_at[inside]] = weather[name].to_numpy(dtype=float)[inside]
    area = {row.plot: row.area_ha for row in site.plots}
    return Record(
        plots=plots,
        area_ha=np.array([area[name] for name in plots]),
        first_us=first,
        net_l=forward - reverse,
        gross_l=forward + reverse,
        fraction=spread_out(fraction),
        rain_mm=sky[0],
        air_temp_c=sky[1],
        treatment=_treatments(site, plots, first + HOUR_US * np.arange(hours)),
    )


def _period(site: Site, year: int) -> tuple[datetime, datetime]:
    """The part of a water year that lies within the record."""
    start, end = site.water_year_period(year)
    first, last = site.record_period()
    return max(start, first), min(end, last)


def _microseconds(moment: datetime) -> int:
    return (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)


def _epoch_us(times: pd.Series) -> Indices:
    return times.dt.tz_convert(None).to_numpy("datetime64[us]").astype(np.int64)


def _treatments(site: Site, plots: list[str], hour_us: Indices) -> Indices:
    numbers = np.zeros((len(plots), hour_us.size), dtype=np.int64)
    names = sorted({row.treatment for row in site.treatments})
    for row in site.treatments:
        during = hour_us >= _microseconds(row.start)
        if row.end is not None:
            during &= hour_us < _microseconds(row.end)
        numbers[plots.index(row.plot), during] = 1 + names.index(row.treatment)
    return numbers


# Silence


@dataclass(frozen=True)
class _Run:
    """A run of zeros of one plot: first hour and the one after the last, and the root of flow beside both."""

    plot: int
    first: int
    end: int
    before: float
    after: float

    @property
    def blocks(self) -> slice:
        """The blocks that lie in it whole."""
        return slice(-(-self.first // BLOCK_HOURS), self.end // BLOCK_HOURS)


@dataclass(frozen=True)
class _Silence:
    """A run of zeros that is a finding; `told`: the block in which the evidence sufficed; `plots`: those that fell silent together."""

    run: _Run
    evidence: float
    told: int
    expected_mm: float
    plots: tuple[int, ...]


class _Silences:
    """Where the meters of a record gave zeros, and how that looks beside an expectation."""

    def __init__(self, record: Record) -> None:
        self.record = record
        self.root = record.root()
        self.frozen = record.frozen()
        known = record.fraction > 0
        self.runs = [
            _Run(plot, first, end, record.hour_root(plot, first - 1), record.hour_root(plot, end))
            for plot in range(len(record.plots))
            for first, end in zero_runs(known[plot] & (record.gross_l[plot] == 0), known[plot], SHORTEST_SILENCE_HOURS)
        ]
        self.context = record.treatment[:, ::BLOCK_HOURS]
        # A treatment that began within the record is another drain, of which little is known.
        self.changed = (self.context != self.context[:, :1]).any(axis=1)

    def evidence(
        self,
        run: _Run,
        expectation: Expectation,
        blocks: slice | None = None,
        ignored: tuple[int, ...] = (),
    ) -> Floats:
        """Evidence of each block of a run, or of some of them; `ignored` plots are no sources of the expectation."""
        blocks = run.blocks if blocks is None else blocks
        plot = run.plot
        before = float("nan")
        if blocks.start > 0 and blocks.start == run.blocks.start:
            before = float(
                (self.root[plot, blocks.start - 1] - expectation.root[plot, blocks.start - 1])
                / expectation.spread[plot, blocks.start - 1]
            )
        # Blocks of which nothing is on record are silent for another reason.
        nothing = self.frozen[blocks] | np.isnan(self.root[plot, blocks])
        if np.isfinite(run.after) and nothing.size and blocks.stop == run.blocks.stop:
            # Flow that begins a little later than elsewhere is no lie.
            nothing[-1] = True
        root = expectation.root[plot]
        lagged = np.fmin(root, np.concatenate([root[:1], root[:-1]]))
        others = np.setdiff1d(np.arange(len(self.root)), (run.plot, *ignored))
        worth = np.where(np.isfinite(self.root[others, blocks]).any(axis=0), 1.0, WEATHER_WORTH)
        return worth * zeros_evidence(
            lagged[blocks],
            expectation.spread[plot, blocks],
            float(expectation.persistence[plot]),
            before,
            LEAST_ROOT,
            nothing,
        )

    def edges(self, run: _Run) -> tuple[float, float]:
        """Evidence of the run's abrupt beginning and end, beside runs of plots that changed their treatment, or did not, alike."""
        others = [other for other in self.runs if other is not run and self.changed[other.plot] == self.changed[run.plot]]
        return (
            edge_evidence(run.before, np.array([other.before for other in others])),
            edge_evidence(run.after, np.array([other.after for other in others])),
        )

    def rests(self, run: _Run, expectation: Expectation) -> bool:
        """Whether a plot gives no flow by habit, or is not known well enough since its treatment began within the record.

        Under a raised outlet a drain may give nothing for months while its neighbours run. Nothing in the record tells that from
        a dead meter, so that such zeros are believed.
        """
        plot = run.plot
        blocks = np.arange(self.root.shape[1])
        alike = self.context[plot] == self.context[plot, min(run.end // BLOCK_HOURS, blocks.size - 1)]
        outside = (blocks < run.blocks.start) | (blocks >= run.blocks.stop)
        wet = alike & outside & np.isfinite(self.root[plot]) & (expectation.root[plot] >= WET_ROOT)
        without = wet & (self.root[plot] == 0)
        if alike[0]:
            return bool(without.sum() > USUAL_RESTING_SHARE * wet.sum())
        return bool(wet.sum() * BLOCK_DAYS < FEWEST_WET_DAYS or without.sum() > RESTING_SHARE * wet.sum())

    def enough(self, run: _Run) -> float:
        """The evidence from which on a run is a finding."""
        context = self.context[run.plot]
        new = context[min(run.end // BLOCK_HOURS, context.size - 1)] != context[0]
        return CHANGED_EVIDENCE if new else SILENCE_EVIDENCE

    def total(self, run: _Run, expectation: Expectation) -> float:
        """Evidence of a run and its edges."""
        expected = float(self.evidence(run, expectation).sum())
        return expected + sum(self.edges(run)) if expected >= LEAST_EXPECTED else expected

    def judged(self, run: _Run, expectation: Expectation) -> _Silence | None:
        """The run as a finding, if the evidence suffices."""
        if self.total(run, expectation) < self.enough(run) or self.rests(run, expectation):
            return None
        evidence = self.evidence(run, expectation)
        return self._silence(run, expectation, run.blocks, evidence, *self.edges(run), (run.plot,))

    def judged_together(self, runs: list[_Run], expectation: Expectation) -> list[_Silence]:
        """Runs of all plots of a logger as findings, if the evidence of the time that they share suffices.

        The plots are one witness: they would be dry together. What counts is their mean evidence, and that they stop or start
        within the same hour.

        Args:
            runs: one run of each plot; all overlap.
            expectation: of the other plots and the weather alone.
        """
        awake = [run for run in runs if not self.rests(run, expectation)]
        blocks = slice(max(run.blocks.start for run in runs), min(run.blocks.stop for run in runs))
        # What the soil held when the record began, nobody knows.
        if not awake or blocks.start >= blocks.stop or not all(np.isfinite(run.before) for run in awake):
            return []
        plots = tuple(run.plot for run in runs)
        evidence = np.array([self.evidence(run, expectation, blocks, plots) for run in awake]).mean(axis=0)
        if evidence.sum() < LEAST_EXPECTED_TOGETHER:
            return []
        begins = _together([run.first for run in runs], [run.before for run in runs])
        ends = _together([run.end for run in runs], [run.after for run in runs])
        total = float(evidence.sum()) + begins + ends
        if total < max(self.enough(run) for run in awake):
            return []
        found = (self._silence(run, expectation, blocks, evidence, begins, ends, plots) for run in runs)
        return [silence for silence in found if silence is not None]

    def _silence(
        self,
        run: _Run,
        expectation: Expectation,
        blocks: slice,
        evidence: Floats,
        begins: float,
        ends: float,
        plots: tuple[int, ...],
    ) -> _Silence | None:
        """A finding; it begins where water was first to be expected, so that a dry time before it stays a measurement."""
        root = np.nan_to_num(expectation.root[run.plot, blocks])
        wet = np.flatnonzero(root >= LEAST_ROOT)
        first, end = run.first, run.end
        if wet.size and not run.before >= LEAST_ROOT:
            first = max(first, (blocks.start + int(wet[0])) * BLOCK_HOURS)
        if wet.size and not run.after >= LEAST_ROOT:
            end = min(end, (blocks.start + int(wet[-1]) + 1) * BLOCK_HOURS)
        running = np.cumsum(evidence) + begins
        enough = np.flatnonzero(running >= self.enough(run))
        told = (blocks.start + int(enough[0]) + 1) * BLOCK_HOURS if enough.size else run.end
        kept = _Run(run.plot, first, end, run.before, run.after)
        expected = float(np.square(np.maximum(root, 0.0)).sum() * BLOCK_DAYS)
        if expected < LEAST_EXPECTED_MM and len(plots) == 1:
            return None
        total = float(evidence.sum()) + begins + ends
        return _Silence(kept, total, min(max(told, first + 1), run.end), expected, plots)


def _together(hours: list[int], beside: list[float]) -> float:
    """Evidence of several meters that stop, or start, within an hour of one another while water runs, log10."""
    running = sorted(hour for hour, root in zip(hours, beside, strict=True) if root >= WET_ROOT)
    most = max((sum(1 for other in running if 0 <= other - hour <= 1) for hour in running), default=0)
    return min(1.5 * max(most - 1, 0), MOST_SUPPLY)


def _silences(record: Record, site: Site) -> Iterator[Finding]:
    """Silent meters: each alone, and all of a logger together."""
    silences = _Silences(record)
    day = np.asarray(record.first_us / HOUR_US + np.arange(record.fraction.shape[1]), dtype=np.float64) / 24.0
    measured = np.isfinite(silences.root)
    by_weather = weather_root(day, record.rain_mm, record.air_temp_c, silences.root, measured, BLOCK_HOURS)
    found: list[_Silence] = []
    candidates = silences.runs
    for _ in range(2):
        lies = np.zeros_like(measured)
        for silence in found:
            lies[silence.run.plot, silence.run.blocks] = True
        related = relations(silences.root, by_weather, measured & ~lies, silences.context, BLOCK_DAYS)
        expectation = related.combined(np.vstack([lies, np.zeros_like(lies[:1])]))
        if not found:
            candidates = [run for run in silences.runs if silences.total(run, expectation) >= FIRST_EVIDENCE]
        found = _found_silences(silences, candidates, related, expectation, lies, _loggers(site, record))
        if not found:
            return
    for silence in found:
        yield _silence_finding(silence, record, site)


def _found_silences(
    silences: _Silences,
    candidates: list[_Run],
    related: Relations,
    expectation: Expectation,
    lies: Flags,
    loggers: dict[str, list[int]],
) -> list[_Silence]:
    """Runs that are findings beside the sources that are believed: together with all of their logger, or alone."""
    found: dict[_Run, _Silence] = {}
    for members in loggers.values():
        if len(members) < 2:
            continue
        ignored = np.vstack([lies, np.zeros_like(lies[:1])])
        ignored[members] = True
        without = related.combined(ignored)
        for runs in _overlaps([[run for run in silences.runs if run.plot == plot] for plot in members]):
            for run, silence in zip(runs, silences.judged_together(runs, without), strict=False):
                found.setdefault(run, silence)
    for run in candidates:
        alone = silences.judged(run, expectation)
        if alone is not None:
            found.setdefault(run, alone)
    return list(found.values())


def _overlaps(by_plot: list[list[_Run]]) -> Iterator[list[_Run]]:
    """Every combination of one run of each plot that share some time."""
    places = [0] * len(by_plot)
    while all(place < len(runs) for place, runs in zip(places, by_plot, strict=True)):
        runs = [of_plot[place] for place, of_plot in zip(places, by_plot, strict=True)]
        if max(run.first for run in runs) < min(run.end for run in runs):
            yield runs
        places[int(np.argmin([run.end for run in runs]))] += 1


def _loggers(site: Site, record: Record) -> dict[str, list[int]]:
    """Plots, by number, whose meters a logger counts at any time, and all plots under an empty name."""
    plot_of = {meter.meter: meter.plot for meter in site.meters}
    by_logger: dict[str, list[int]] = {"": list(range(len(record.plots)))}
    for logger in site.loggers:
        plots = {plot_of[wire.meter] for wire in site.wiring if wire.logger == logger}
        members = [number for number, plot in enumerate(record.plots) if plot in plots]
        if members and members not in by_logger.values():
            by_logger[logger] = members
    return by_logger


def _silence_finding(silence: _Silence, record: Record, site: Site) -> Finding:
    run = silence.run
    plot, start, end = record.plots[run.plot], record.time(run.first), record.time(run.end)
    meter = _meter(site, plot, start)
    others = ", ".join(record.plots[number] for number in silence.plots if number != run.plot)
    together = f" The meters of {others} fell silent with it." if others else ""
    return Finding(
        plot=plot,
        meter=meter,
        direction=None,
        kind="silence",
        start=start,
        end=end,
        evidence=silence.evidence,
        told=record.time(silence.told),
        factor=None,
        others=others or None,
        finding=f"Meter {meter} of {plot} counted nothing for {_length(run.end - run.first)}, in which about {silence.expected_mm:.1f} mm "
        f"were to be expected from {'the weather' if len(silence.plots) == len(record.plots) else 'the other plots and the weather'}."
        + together,
        check="the logger's supply, its terminals and the cable from the well"
        if others
        else "the rotor and the pulse pick-up, the cable and its terminal; spin the rotor by hand and watch the count",
    )


def _length(hours: int) -> str:
    return f"{hours} hours" if hours < 48 else f"{hours / 24:.1f} days"


def _meter(site: Site, plot: str, moment_us: int) -> str:
    """The meter of a plot at a time, or the nearest in time."""
    meters = [meter for meter in site.meters if meter.plot == plot]
    there = [
        meter
        for meter in meters
        if _microseconds(meter.start) <= moment_us and (meter.end is None or moment_us < _microseconds(meter.end))
    ]
    return (there or sorted(meters, key=lambda meter: abs(_microseconds(meter.start) - moment_us)))[0].meter


# Rows


def strength(evidence: float) -> str:
    """Words for evidence: how many times better the finding explains the record than a sound meter does."""
    return "moderate" if evidence < 6 else "strong" if evidence < 10 else "very strong"


def _within(finding: Finding, first: int, last: int) -> Finding | None:
    """The part of a finding that lies in [first, last); none where there is none."""
    start, end = max(finding.start, first), min(finding.end, last)
    if start >= end:
        return None
    return Finding(**{**finding.__dict__, "start": start, "end": end})


def _rows(found: list[Finding]) -> pd.DataFrame:
    def column(name: str, kind: str) -> pd.Series:
        return pd.Series([getattr(one, name) for one in found], dtype=kind)

    frame = pd.DataFrame(
        {
            **{
                name: column(name, "str") for name in ("plot", "meter", "direction", "kind", "others", "finding", "check")
            },
            **{
                name: pd.to_datetime(column(name, "int64"), unit="us", utc=True).dt.as_unit("us")
                for name in ("start", "end", "told")
            },
            **{name: column(name, "float64") for name in ("evidence", "factor")},
            "strength": pd.Series([strength(one.evidence) for one in found], dtype="str"),
        }
    )
    return frame[list(table("meter_findings").names)]
