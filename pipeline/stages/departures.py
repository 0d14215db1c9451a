"""Meters whose water departs from what was to be expected: by a factor, by its sign, or because it is another plot's.

Belongs here: exchanged directions, exchanged columns, steps; each correction is made before the next is looked for.
Does not: the expectation (science/flow_expectation.py), the scans (science/meter_evidence.py), silence (stages/silences.py).
"""

from __future__ import annotations

from itertools import combinations

import numpy as np

from pipeline.science.flow_expectation import Expectation, Relations, relations
from pipeline.science.meter_evidence import Step, best_segment, level_step, log_density, turned_gain
from pipeline.site import Site
from pipeline.stages.meter_record import BLOCK_DAYS, BLOCK_HOURS, Finding, Flags, Floats, Record, length, meter_of

TURNED_EVIDENCE = 5.0
EXCHANGED_EVIDENCE = 10.0
STEP_EVIDENCE = 4.0
"""Evidence from which each is a finding. Set on a few invented fields with the aim of at most one false alarm in 20
site-years, all kinds together; tests/bench/meter_findings.py measures it."""
LEAST_STEP = 0.15
"""Smallest step, of the natural logarithm of the flow, that is told."""
LEAST_BACKWARD_BLOCKS = 6
BACKWARD_ROOT = 0.3
WET_ROOT = 0.45
"""Root of mm per day above which flow tells a ratio."""
BIN_BLOCKS = 20
"""Blocks of a bin, ten days, by whose means a step is looked for."""
MOST_PERSISTENCE = 0.85
MOST_LOG_RATIO = 3.0
MOST_STEPS = 4
YIELD_SPREAD = 0.35
"""Standard deviation of the natural logarithm of what plots of one site drain in years, mm (common practice, no source)."""
LIKELIEST_GAIN = 4.0
"""Most that one block may say for exchanged columns, natural logarithm of a likelihood ratio."""


def departures(record: Record, by_weather: Floats, believed: Flags, site: Site) -> tuple[list[Finding], Expectation]:
    """Findings of these three kinds, and the expectation beside the corrected record.

    Args:
        record: what the meters said.
        by_weather: root of flow that the weather gives, shape (plots, blocks).
        believed: blocks that are measured and no silence, shape (plots, blocks).
        site: meters and wiring.
    """
    search = _Search(record, by_weather, believed, site)
    found = [*search.turned(), *search.exchanged(), *search.steps()]
    return found, search.last


class _Search:
    """The record as it is corrected on the way."""

    def __init__(self, record: Record, by_weather: Floats, believed: Flags, site: Site) -> None:
        self.record, self.by_weather, self.site = record, by_weather, site
        self.root = np.where(believed, record.root(), np.nan)
        self.learned = np.isfinite(self.root)
        self.last: Expectation
        self.kept: list[Relations] = []

    def related(self, root: Floats, half: int | None = None) -> Relations:
        """What each source says of each plot."""
        return relations(root, self.by_weather, self.learned, self.record.context, BLOCK_DAYS, half)

    def expectation(self, root: Floats) -> Expectation:
        """What all sources together say."""
        return self.related(root).combined(self._ignored())

    def _views(self) -> list[Relations]:
        """Relations learned from the whole record, and from the first and the second half of its flow.

        One that was learned across a change lies between what was before and after, and hides it; one of the halves does not know it.
        They are kept until the record is corrected.
        """
        if not self.kept:
            self.kept = [self.related(self.root, half) for half in (None, 0, 1)]
        return self.kept

    def _correct(self, plots: list[int], blocks: slice, root: Floats) -> None:
        """Put right what some plots said; what was learned from it is forgotten."""
        self.root[plots, blocks] = root
        self.kept = []

    def _lasting(self, plot: int, expected: Expectation) -> float:
        """Persistence of a plot's departures; a lie lasts too, and must not excuse itself."""
        return min(float(expected.persistence[plot]), MOST_PERSISTENCE)

    def _ignored(self, plots: tuple[int, ...] = ()) -> Flags:
        """Some plots as sources that are not believed, shape (sources, blocks)."""
        ignored = np.zeros((len(self.root) + 1, self.root.shape[1]), dtype=np.bool_)
        ignored[list(plots)] = True
        return ignored

    # Forward and reverse exchanged

    def turned(self) -> list[Finding]:
        """Meters whose forward and reverse counts are exchanged for a time or always."""
        backward = np.count_nonzero(self.root < -BACKWARD_ROOT, axis=1)
        if not (backward >= LEAST_BACKWARD_BLOCKS).any():
            return []
        # Sizes tell what to expect, whatever the sign; the sign is what is asked.
        expected = self.expectation(np.abs(self.root))
        found = []
        for plot in np.flatnonzero(backward >= LEAST_BACKWARD_BLOCKS).tolist():
            gain = turned_gain(self.root[plot], expected.root[plot], expected.spread[plot])
            gain *= 1.0 - self._lasting(plot, expected)
            first, end, most = best_segment(gain)
            evidence = most / np.log(10) - 1.0
            if evidence < TURNED_EVIDENCE:
                continue
            first, end = self._to_edges(plot, first, end)
            told = self._told(gain[first:end], first, TURNED_EVIDENCE + 1.0)
            name = self.record.plots[plot]
            found.append(
                self._finding(
                    plot,
                    "direction_swapped",
                    first,
                    end,
                    evidence,
                    told,
                    f"Forward and reverse of {{meter}} of {name} are exchanged for {length((end - first) * BLOCK_HOURS)}: its flow has the "
                    "size that was to be expected, and the other sign, storm by storm.",
                    "which way the arrow on the meter points, and which of its two wires is on which terminal; then wiring.csv",
                )
            )
            self._correct([plot], slice(first, end), -self.root[[plot], first:end])
        return found

    # Columns of two meters exchanged

    def exchanged(self) -> list[Finding]:
        """Pairs of meters each of which fits the other's plot."""
        found = []
        for one, other in combinations(range(len(self.root)), 2):
            pairs = [pair for related in self._views() if (pair := self._exchange(one, other, related)) is not None]
            if not pairs:
                continue
            first, end, evidence, told = max(pairs, key=lambda pair: pair[2])
            for plot, partner in ((one, other), (other, one)):
                name, beside = self.record.plots[plot], self.record.plots[partner]
                found.append(
                    self._finding(
                        plot,
                        "columns_swapped",
                        first,
                        end,
                        evidence,
                        told,
                        f"The counts of {{meter}} of {name} fit plot {beside} better, and those of {beside} fit {name}, for "
                        f"{length((end - first) * BLOCK_HOURS)}, or else in the rest of the record.",
                        f"which cable of {name} and {beside} is on which terminal: spin one rotor and see which column counts; then "
                        "wiring.csv",
                        others=beside,
                    )
                )
            self._correct([one, other], slice(first, end), self._as_other(one, other)[:, first:end])
        return found

    def _as_other(self, one: int, other: int) -> Floats:
        """Roots of a pair if each had the other's litres, shape (2, blocks)."""
        ratio = np.sqrt(self.record.area_ha[other] / self.record.area_ha[one])
        return np.stack([self.root[other] * ratio, self.root[one] / ratio])

    def _exchange(self, one: int, other: int, related: Relations) -> tuple[int, int, float, int] | None:
        """The stretch in which a pair fits better exchanged: first block, the one after the last, evidence, when it sufficed."""
        pair = [one, other]
        swapped = self._as_other(one, other)
        if np.isfinite(swapped).all(axis=0).sum() * BLOCK_DAYS < 20:
            return None
        always = self._exchanged_always(one, other)
        if always is not None:
            return always
        if len(self.root) == 2 and not np.isfinite(self.by_weather).any():
            return None
        expected = related.combined(self._ignored((one, other)), (one, other))
        gain = np.zeros(self.root.shape[1])
        for place, plot in enumerate(pair):
            centre, spread = expected.root[plot], expected.spread[plot]
            both = np.isfinite(swapped[place]) & np.isfinite(self.root[plot]) & (np.abs(centre) >= WET_ROOT)
            better = log_density(swapped[place], centre, spread) - log_density(self.root[plot], centre, spread)
            gain += np.where(both, better, 0.0) * (1.0 - self._lasting(plot, expected))
        first, end, most = best_segment(np.clip(gain, -LIKELIEST_GAIN, LIKELIEST_GAIN))
        evidence = most / np.log(10) - 1.5
        if evidence < EXCHANGED_EVIDENCE:
            return None
        # Each of the two must be better off.
        for place, plot in enumerate(pair):
            inside = slice(first, end)
            wet = np.abs(expected.root[plot, inside]) >= WET_ROOT
            off = np.abs(self.root[plot, inside] - expected.root[plot, inside])[wet]
            off_swapped = np.abs(swapped[place, inside] - expected.root[plot, inside])[wet]
            if not np.nanmedian(off_swapped) < 0.6 * np.nanmedian(off):
                return None
        told = self._told(gain[first:end], first, EXCHANGED_EVIDENCE + 1.5)
        return first, end, evidence, told

    def _exchanged_always(self, one: int, other: int) -> tuple[int, int, float, int] | None:
        """Whether two plots of unequal area drain alike only when exchanged, all through the record."""
        if len(self.root) < 4 or not np.isfinite(self.root).any(axis=1).all():
            return None
        depth = np.nanmean(np.where(np.isfinite(self.root), np.sign(self.root) * np.square(self.root), np.nan), axis=1)
        beside = np.delete(depth, [one, other])
        if not (depth > 0.01).all():
            return None
        usual = float(np.median(np.log(beside)))
        ratio = float(np.log(self.record.area_ha[other] / self.record.area_ha[one]))
        departure = np.log(depth[[one, other]]) - usual
        swapped = np.array([departure[1] + ratio, departure[0] - ratio])
        evidence = float((np.square(departure) - np.square(swapped)).sum() / (2 * YIELD_SPREAD**2) / np.log(10))
        evidence -= float(np.log10(len(self.root) ** 2))
        if evidence < EXCHANGED_EVIDENCE or not (np.abs(swapped) < 0.5 * np.abs(departure)).all():
            return None
        known = np.flatnonzero(np.isfinite(self.root[[one, other]]).any(axis=0))
        return int(known[0]), int(known[-1]) + 1, evidence, int(known[-1]) + 1

    # Steps

    def steps(self) -> list[Finding]:
        """Changes of a plot's ratio to its expectation, the strongest first, each corrected before the next is looked for."""
        found = []
        for _ in range(MOST_STEPS):
            views = [related.combined(self._ignored()) for related in self._views()]
            self.last = views[0]
            candidates = [
                (step.evidence, plot, step, starts, expected)
                for expected in views
                for plot in range(len(self.root))
                for step, starts in self._step(plot, expected)
            ]
            if not candidates:
                break
            evidence, plot, step, starts, expected = max(candidates, key=lambda row: row[0])
            if evidence < STEP_EVIDENCE or abs(step.change) < LEAST_STEP:
                break
            block = self._refined(plot, expected, starts, step)
            found.append(self._step_finding(plot, expected, block, step))
            self._correct([plot], slice(block, None), self.root[[plot], block:] * np.exp(-0.5 * step.change))
        return found

    def _log_ratio(self, plot: int, expected: Expectation) -> tuple[Floats, Floats]:
        """Logarithm of measured over expected flow and its variance, not-a-number where it tells nothing, shape (blocks,) each."""
        root, centre = self.root[plot], expected.root[plot]
        wet = (centre >= WET_ROOT) & (root > 0.1)
        ratio = np.full(root.size, np.nan)
        ratio[wet] = np.clip(2.0 * np.log(root[wet] / centre[wet]), -MOST_LOG_RATIO, MOST_LOG_RATIO)
        return ratio, np.square(2.0 * expected.spread[plot] / np.maximum(centre, WET_ROOT))

    def _step(self, plot: int, expected: Expectation) -> list[tuple[Step, list[int]]]:
        """The step of a plot, and the first block of each bin."""
        ratio, variance = self._log_ratio(plot, expected)
        wet = np.flatnonzero(np.isfinite(ratio))
        if wet.size < 2 * BIN_BLOCKS:
            return []
        # A bin holds as many wet blocks as it may, and none of two treatments.
        context = self.record.context[plot, wet]
        starts, count = [0], 1
        for place in range(1, wet.size):
            far = wet[place] - wet[starts[-1]] >= 3 * BIN_BLOCKS
            if count >= BIN_BLOCKS or far or context[place] != context[place - 1]:
                starts.append(place)
                count = 0
            count += 1
        sizes = np.diff([*starts, wet.size])
        level = np.add.reduceat(ratio[wet], starts) / sizes
        lasting = self._lasting(plot, expected)
        worth = np.maximum(sizes * (1.0 - lasting) / (1.0 + lasting), 1.0)
        step = level_step(level, np.add.reduceat(variance[wet], starts) / sizes / worth)
        if step is None:
            return []
        return [(step, [int(wet[start]) for start in starts])]

    def _refined(self, plot: int, expected: Expectation, starts: list[int], step: Step) -> int:
        """The block in which a step begins: where the ratios on both sides fit their levels best."""
        ratio, _ = self._log_ratio(plot, expected)
        first = starts[max(step.place - 2, 0)]
        last = starts[min(step.place + 2, len(starts) - 1)]
        wet = first + np.flatnonzero(np.isfinite(ratio[first : last + 1]))
        middle = float(np.nanmedian(ratio[: starts[step.place]])) + step.change / 2
        # Sum of distances to the middle between both levels, with the sign of the step.
        lead = np.cumsum(np.clip(np.sign(step.change) * (ratio[wet] - middle), -abs(step.change), abs(step.change)))
        best = int(np.argmin(lead))
        return int(wet[min(best + 1, wet.size - 1)])

    def _step_finding(self, plot: int, expected: Expectation, block: int, step: Step) -> Finding:
        name = self.record.plots[plot]
        factor = float(np.exp(-step.change))
        ratio, variance = self._log_ratio(plot, expected)
        after = block + np.flatnonzero(np.isfinite(ratio[block:]))
        lasting = self._lasting(plot, expected)
        gain = step.change**2 / (2 * variance[after]) * (1.0 - lasting) / (1.0 + lasting)
        enough = np.flatnonzero(np.cumsum(gain) / np.log(10) >= STEP_EVIDENCE)
        told = int(after[enough[0]]) + 1 if enough.size else block + FIRST_TOLD_BLOCKS
        more = "more" if step.change > 0 else "less"
        times = np.exp(abs(step.change))
        known = np.flatnonzero(np.isfinite(self.root[plot]))
        return self._finding(
            plot,
            "step",
            block,
            int(known[-1]) + 1,
            step.evidence,
            min(told, self.root.shape[1]),
            f"From this day on {{meter}} of {name} shows {times:.2f} times {more} water than before, beside the others and the weather.",
            "whether meter, rotor or pulse setting was changed then (calibrations.csv, field notes), and the litres per pulse on a bench"
            + (f"; a pulse of {_litres_words(factor)} would explain it" if _litres_words(factor) else ""),
            factor=factor,
        )

    # Both

    def _to_edges(self, plot: int, first: int, end: int) -> tuple[int, int]:
        """A stretch widened to the record's ends where nothing measured speaks against it."""
        known = np.flatnonzero(np.isfinite(self.root[plot]) & (np.abs(self.root[plot]) > BACKWARD_ROOT))
        if not (known < first).any():
            first = 0
        if not (known >= end).any():
            end = self.root.shape[1]
        return first, end

    def _told(self, gain: Floats, first: int, enough: float) -> int:
        """The block from which on the evidence sufficed."""
        reached = np.flatnonzero(np.cumsum(gain) / np.log(10) >= enough)
        return first + (int(reached[0]) + 1 if reached.size else gain.size)

    def _finding(
        self,
        plot: int,
        kind: str,
        first: int,
        end: int,
        evidence: float,
        told: int,
        finding: str,
        check: str,
        others: str | None = None,
        factor: float | None = None,
    ) -> Finding:
        start = self.record.time(first * BLOCK_HOURS)
        name = self.record.plots[plot]
        meter = meter_of(self.site, name, start)
        return Finding(
            plot=name,
            meter=meter,
            direction=None,
            kind=kind,
            start=start,
            end=self.record.time(end * BLOCK_HOURS),
            evidence=float(evidence),
            told=self.record.time(told * BLOCK_HOURS),
            factor=factor,
            others=others,
            finding=finding.format(meter=f"meter {meter}"),
            check=check,
        )


FIRST_TOLD_BLOCKS = 4 * BIN_BLOCKS


def _litres_words(factor: float) -> str:
    """A usual exchange of the setting that a factor is near to; an empty text where it is none."""
    for usual, words in ((10.0, "ten times as many litres"), (2.0, "twice as many litres"), (0.5, "half as many litres")):
        if abs(np.log(factor / usual)) < 0.1:
            return words
    return "a tenth as many litres" if abs(np.log(factor / 0.1)) < 0.1 else ""
