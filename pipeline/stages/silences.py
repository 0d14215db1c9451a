"""Meters that counted nothing while water ran.

Belongs here: runs of zeros, each alone and all of a logger's plots together, judged beside an expectation.
Does not: the expectation (science/flow_expectation.py), the evidence of a zero (science/meter_evidence.py).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from pipeline.science.flow_expectation import Expectation, Relations, relations
from pipeline.science.meter_evidence import edge_evidence, zero_runs, zeros_evidence
from pipeline.site import Site
from pipeline.stages.meter_record import BLOCK_DAYS, BLOCK_HOURS, Finding, Flags, Floats, Record, length, meter_of

SILENCE_EVIDENCE = 5.0
"""Evidence from which a run of zeros is a finding. Set on a few invented fields with the aim of at most one false alarm in 20
site-years; tests/bench/meter_findings.py measures it."""
CHANGED_EVIDENCE = 10.0
"""The same for a plot whose treatment began within the record."""
FIRST_EVIDENCE = 2.0
"""Evidence that a finding must have beside all sources, before other findings are taken out of them: plots that are alike are silent
together."""
LEAST_EXPECTED = 1.0
"""Evidence that the expectation itself must give: an abrupt stop alone is no lie."""
LEAST_EXPECTED_MM = 1.0
"""Depth that was to be expected at least: what matters less is not told."""
WEATHER_WORTH = 0.5
"""Share of its evidence at which the weather's expectation counts where it stands alone: a model of soil errs alike for weeks."""
LEAST_ROOT = 0.2
"""Root of mm per day below which flow is as good as none."""
SHORTEST_SILENCE_HOURS = 24
RESTING_SHARE = 0.02
"""Share of wet blocks without flow, under a treatment that began within the record, from which a plot is said to rest by habit."""
USUAL_RESTING_SHARE = 0.2
"""The same of other plots: a drain under a raised outlet, whose treatment is not known."""
FEWEST_WET_DAYS = 60.0
"""Wet days that a treatment which began within the record must have been seen before its plot's zeros are judged."""
WET_ROOT = 0.5
"""Root of mm per day above which a block is called wet."""
MOST_SUPPLY = 4.0
"""Most evidence of several meters that stop within the same hour, log10."""
MOST_START = 1.5
"""The same of those that start: rain starts all drains of a site at once."""


@dataclass(frozen=True)
class _Run:
    """A run of zeros of one plot: first hour and the one after the last, and the root of flow beside both, 0 in frost."""

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
            _Run(plot, first, end, self._beside(plot, first - 1), self._beside(plot, end))
            for plot in range(len(record.plots))
            for first, end in zero_runs(known[plot] & (record.gross_l[plot] == 0), known[plot], SHORTEST_SILENCE_HOURS)
        ]
        self.context = record.context
        # A treatment that began within the record is another drain, of which little is known.
        self.changed = (self.context != self.context[:, :1]).any(axis=1)

    def _beside(self, plot: int, hour: int) -> float:
        """Root of the flow of an hour; none in frost, which stops all drains of a site at once."""
        root = self.record.hour_root(plot, hour)
        return 0.0 if np.isfinite(root) and self.frozen[hour // BLOCK_HOURS] else root

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
        # Plots that are known longest are the judges.
        enough = min((self.enough(run) for run in awake), default=SILENCE_EVIDENCE)
        awake = [run for run in awake if self.enough(run) == enough]
        blocks = slice(max(run.blocks.start for run in runs), min(run.blocks.stop for run in runs))
        # What the soil held when the record began, nobody knows.
        if not awake or blocks.start >= blocks.stop or not all(np.isfinite(run.before) for run in awake):
            return []
        plots = tuple(run.plot for run in runs)
        evidence = np.array([self.evidence(run, expectation, blocks, plots) for run in awake]).mean(axis=0)
        if evidence.sum() < LEAST_EXPECTED:
            return []
        begins = _together([run.first for run in runs], [run.before for run in runs], MOST_SUPPLY)
        ends = _together([run.end for run in runs], [run.after for run in runs], MOST_START)
        total = float(evidence.sum()) + begins + ends
        if total < enough:
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


def _together(hours: list[int], beside: list[float], at_most: float) -> float:
    """Evidence of several meters that stop, or start, within an hour of one another while water runs, log10."""
    running = sorted(hour for hour, root in zip(hours, beside, strict=True) if root >= WET_ROOT)
    most = max((sum(1 for other in running if 0 <= other - hour <= 1) for hour in running), default=0)
    return min(1.5 * max(most - 1, 0), at_most)


def silences(record: Record, by_weather: Floats, site: Site) -> list[Finding]:
    """Silent meters: each alone, and all of a logger together.

    Args:
        record: what the meters said.
        by_weather: root of flow that the weather gives, shape (plots, blocks).
        site: loggers, wiring and meters.
    """
    runs = _Silences(record)
    measured = np.isfinite(runs.root)
    found: list[_Silence] = []
    candidates = runs.runs
    for _ in range(2):
        lies = np.zeros_like(measured)
        for silence in found:
            lies[silence.run.plot, silence.run.blocks] = True
        related = relations(runs.root, by_weather, measured & ~lies, runs.context, BLOCK_DAYS)
        expectation = related.combined(np.vstack([lies, np.zeros_like(lies[:1])]))
        if not found:
            candidates = [run for run in runs.runs if runs.total(run, expectation) >= FIRST_EVIDENCE]
        found = _found_silences(runs, candidates, related, expectation, lies, _loggers(site, record))
        if not found:
            return []
    return [_silence_finding(silence, record, site) for silence in found]


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
        without = related.combined(ignored, tuple(members))
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
    for logger in sorted({wire.logger for wire in site.wiring}):
        plots = {plot_of[wire.meter] for wire in site.wiring if wire.logger == logger}
        members = [number for number, plot in enumerate(record.plots) if plot in plots]
        if members and members not in by_logger.values():
            by_logger[logger] = members
    return by_logger


def _silence_finding(silence: _Silence, record: Record, site: Site) -> Finding:
    run = silence.run
    plot, start, end = record.plots[run.plot], record.time(run.first), record.time(run.end)
    meter = meter_of(site, plot, start)
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
        finding=f"Meter {meter} of {plot} counted nothing for {length(run.end - run.first)}, in which about {silence.expected_mm:.1f} mm "
        f"were to be expected from {'the weather' if len(silence.plots) == len(record.plots) else 'the other plots and the weather'}."
        + together,
        check="the logger's supply, its terminals and the cable from the well"
        if others
        else "the rotor and the pulse pick-up, the cable and its terminal; spin the rotor by hand and watch the count",
    )
