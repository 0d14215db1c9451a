"""Which column of a bench file is which meter and direction.

Belongs here: the evidence that registers give of each meter, putting it beside the runs, what the evidence tells and what it does not.
Does not: the likelihood itself (science/channel_assignment.py), litres per pulse to be relied on (bench_proofs.py).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.science.channel_assignment import (
    FORWARD,
    METER_SCATTER,
    REVERSE,
    Candidates,
    Choice,
    assign,
    column_litres,
    counting_runs,
)
from pipeline.science.error_curve import error_pct
from pipeline.site import Site
from pipeline.stages.bench_files import BenchFile
from pipeline.stages.error_curves import error_curve

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
MeterDirection = tuple[str, str]

DIRECTIONS = {"forward": FORWARD, "reverse": REVERSE}

REFERENCE_SCALE = 0.003
"""How far a reference volume may be off, as a share, before that is surprising (common practice, no source)."""

TIMES_LESS_LIKELY = 10.0
"""A column is told only where every other assignment is at least so many times less likely."""

OTHER_LOGGER = float(np.log(1e-3))
OTHER_DIRECTION_SHARE = 0.03
LIKE_THE_OTHERS, LIKE_NOTHING = 0.5, 3.0
"""Prior odds of a meter that wiring.csv does not put on the file's logger; how far the two directions of a meter may differ where
only one is calibrated, as a share; standard deviation of the logarithm of litres per pulse where neither is: of a meter among
calibrated ones, and where none of the site is calibrated yet."""

USE_OF_CURVE = 0.5
"""Standard deviation of a meter's error as a share of its curve's limit; an error anywhere within the limits has 0.58."""

NO_METER = "no known meter"


@dataclass(frozen=True)
class Bench:
    """A bench file and what its columns were found to be.

    Attributes:
        file: the file.
        names: its logger columns.
        pulses: counts, not-a-number where nothing was recorded, shape (columns, runs).
        active: whether a column counts in a run, and not only by stray pulses, shape (columns, runs).
        volume_l: reference volumes, not-a-number where there is none, shape (runs,).
        flow_l_min: flows; about, by the counts, where there is no reference, shape (runs,).
    """

    file: BenchFile
    names: tuple[str, ...]
    pulses: Floats
    active: Flags
    volume_l: Floats
    flow_l_min: Floats
    _choices: tuple[Choice, ...]
    _candidates: tuple[MeterDirection, ...]

    @property
    def counting(self) -> list[int]:
        """Columns that count at all, by number."""
        return [int(column) for column in np.flatnonzero(self.active.any(axis=1))]

    def possible(self, column: int) -> list[MeterDirection | None]:
        """What a column could be, likeliest first; None stands for no known meter."""
        choice = self._choices[column]
        close = (candidate for candidate, less in choice.others if less < np.log(TIMES_LESS_LIKELY))
        return [self._named(candidate) for candidate in (choice.best, *close)]

    def told(self, column: int) -> MeterDirection | None:
        """Meter and direction of a column, where the evidence tells them."""
        possible = self.possible(column)
        return possible[0] if len(possible) == 1 else None

    def direction(self, column: int) -> str | None:
        """The direction that all share which a column could be."""
        ways = {None if one is None else one[1] for one in self.possible(column)}
        return ways.pop() if len(ways) == 1 else None

    def second_best(self, column: int) -> tuple[MeterDirection | None, float]:
        """The meter that a column is in the second-best assignment, and the logarithm of how many times less likely that is."""
        others = self._choices[column].others
        candidate, less = next((other for other in others if other[0] is not None), others[0])
        return self._named(candidate), less

    def _named(self, candidate: int | None) -> MeterDirection | None:
        return None if candidate is None else self._candidates[candidate]


def words(meter: MeterDirection | None) -> str:
    """Meter and direction as people say them."""
    return NO_METER if meter is None else " ".join(meter)


def examine(file: BenchFile, site: Site) -> Bench:
    """Find out which column is which.

    Evidence is what the runs say beside every calibration that a meter ever had, the direction and the meters in line where the
    file names them, and, as prior odds, the logger that wiring.csv puts a meter on. What wiring.csv says of a single column is
    no evidence: that is what a bench test is to find out.

    Args:
        file: a bench file with at least one run.
        site: meters, error curves, calibrations, wiring.
    """
    pulses = file.pulses.to_numpy(dtype=float).T
    volume = file.runs["reference_l"].to_numpy(dtype=float)
    active = counting_runs(pulses, volume)
    named, candidates = _candidates(site, file)
    volume_or_so = np.where(np.isnan(volume), _usual_volume(pulses, active, candidates), volume)
    flow = volume_or_so / file.runs["seconds"].to_numpy(dtype=float) * 60
    counting = column_litres(
        pulses,
        active,
        volume,
        file.runs["reference_u_l"].to_numpy(dtype=float) / volume,
        np.hypot(METER_SCATTER, USE_OF_CURVE * widest_limit(site, flow)),
    )
    ways = file.runs["direction"]
    direction = None if (ways == "").any() else np.array([DIRECTIONS[way] for way in ways], dtype=np.int64)
    meters = list(dict.fromkeys(meter for meter, _ in named))
    in_line = [[np.nan if here is None else float(meter in here) for here in file.in_line] for meter in meters]
    choices = assign(
        counting,
        candidates,
        direction,
        np.array(in_line, dtype=float),
        REFERENCE_SCALE,
        float(np.log(TIMES_LESS_LIKELY)),
    )
    return Bench(file, tuple(map(str, file.pulses.columns)), pulses, active, volume, flow, choices, tuple(named))


def _usual_volume(pulses: Floats, active: Flags, candidates: Candidates) -> Floats:
    """About how much water a run was, from the counts and the usual litres per pulse of the site's meters, shape (runs,)."""
    usual = float(np.exp(np.nanmedian(candidates.log_litres)))
    volume = np.full(active.shape[1], usual)
    some = active.any(axis=0)
    if some.any():
        volume[some] = usual * np.nanmedian(np.where(active, pulses, np.nan)[:, some], axis=0)
    return volume


def limit(site: Site, meter: str, flow_l_min: Floats) -> Floats:
    """Limit of a meter's error at given flows, as a share: the widest of the curves that meters.csv ever gave it."""
    limits = []
    for curve in dict.fromkeys(row.accuracy for row in site.meters if row.meter == meter):
        limits.append(error_pct(flow_l_min, *error_curve(site, curve)) / 100)
    return np.max(limits, axis=0)


def widest_limit(site: Site, flow_l_min: Floats) -> Floats:
    """The widest limit of any meter's error at given flows, as a share."""
    return np.max([limit(site, meter, flow_l_min) for meter in {row.meter for row in site.meters}], axis=0)


def _candidates(site: Site, file: BenchFile) -> tuple[list[MeterDirection], Candidates]:
    """Every meter and direction, with its litres per pulse by every calibration that it ever had."""
    meters = list(dict.fromkeys(row.meter for row in site.meters))
    named = [(meter, direction) for meter in meters for direction in DIRECTIONS]
    every = [np.log(row.litres_per_pulse) for row in site.calibrations]
    usual, unlike = (float(np.median(every)), LIKE_THE_OTHERS) if every else (0.0, LIKE_NOTHING)
    litres, spread = [], []
    for meter, direction in named:
        of_meter = [row for row in site.calibrations if row.meter == meter]
        own = [row for row in of_meter if row.direction == direction]
        wider = 0.0 if own else OTHER_DIRECTION_SHARE
        rows = own or of_meter
        litres.append([float(np.log(row.litres_per_pulse)) for row in rows] or [usual])
        spread.append([np.hypot(row.expanded_uncertainty_pct / 200, wider) for row in rows] or [unlike])
    here = {row.meter for row in site.wiring if row.logger == file.logger}
    here |= {meter for present in file.in_line if present for meter in present}
    here = here or set(meters)
    most = max(map(len, litres))
    return named, Candidates(
        meter=np.array([meters.index(meter) for meter, _ in named]),
        direction=np.array([DIRECTIONS[direction] for _, direction in named]),
        log_litres=np.array([row + [np.nan] * (most - len(row)) for row in litres]),
        standard_uncertainty=np.array([row + [np.nan] * (most - len(row)) for row in spread]),
        log_prior=np.array([0.0 if meter in here else OTHER_LOGGER for meter, _ in named]),
    )
