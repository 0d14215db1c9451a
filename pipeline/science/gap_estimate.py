"""Members for hours without a measurement.

Belongs here: short holes bridged, longer ones handed to the models, everything put together.
Does not: tables, registers, partly measured hours, known totals (stages/hours.py); which model fills (gap_choice.py); errors and their
draws (gap_errors.py).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.science.ensemble import ENSEMBLE_MEMBERS
from pipeline.science.gap_choice import GapModels
from pipeline.science.gap_errors import Errors, Named, members_of
from pipeline.science.gap_skill import Skill, skill_of
from pipeline.science.residual_process import stretches_of
from pipeline.science.side_by_side import side_by_side
from pipeline.science.signed_root import signed_power, signed_root

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Flags = NDArray[np.bool_]
Indices = NDArray[np.int64]

BRIDGED, UNFILLED = "bridged", "unfilled"
BRIDGE_RAIN_H = 3
"""Hours before a short hole whose rain counts as the hole's."""
BRIDGE_RAIN_WEIGHT = 1.0
"""What a difference of rain counts beside one of the edges, each over its own spread."""
BRIDGE_WIDENING = 1.2
"""Factor on what is laid upon the straight line; found as `gap_errors.HARDER` was."""


@dataclass(frozen=True)
class GapEstimates:
    """What fills hours.

    Attributes:
        basis: how each hour was estimated, "" where none was wanted, shape (plots, hours).
        hours: of each plot, those that have members, ascending.
        members: equally likely flows, L per hour, of each plot, shape (its hours, members).
        skill: how well the models did on left-out blocks.
    """

    basis: NDArray[np.str_]
    hours: list[Indices]
    members: list[Singles]
    skill: list[Skill]


def estimate_gaps(
    flow_l: Floats,
    wanted: Flags,
    day: Floats,
    rain_mm: Floats,
    air_temp_c: Floats,
    level: Floats,
    treatment: Indices,
    bridge_longest_hours: int,
    named: Named,
) -> GapEstimates:
    """Members for the wanted hours of each plot.

    A hole of at most `bridge_longest_hours` between two measured hours is bridged: a straight line, and upon it how flow ran across those
    stretches of the plot's own record whose edges and rain were the most alike. Other hours are estimated by models that compete on
    left-out blocks (gap_models.py): from other plots that are measured in that hour, or from the weather where no plot is measured,
    where common hours are too few or where the weather does better. Errors on the root scale are drawn with their own distribution and
    persistence (normal_scores.py, residual_process.py), tied to the errors at the edges of the gap, and partly the same for all plots;
    they are wider where models that did alike on the record disagree about the gap (disagreement.py).

    Args:
        flow_l: net volume of measured hours, L, not-a-number elsewhere, shape (plots, hours).
        wanted: hours to estimate, none of them measured, shape (plots, hours).
        day: days since a fixed date, with fraction, one step of an hour each, shape (hours,).
        rain_mm: mm per hour, shape (hours,); air_temp_c: degrees Celsius, shape (hours,); not-a-number where missing.
        level: of the water that receives each plot's drainage, any unit, not-a-number where not known, shape (plots, hours).
        treatment: number of the plot's treatment in each hour, shape (plots, hours).
        bridge_longest_hours: longest hole that is bridged, h.
        named: gives the generator for a plot (none: what all plots share), what is drawn, and the hour at which that begins.

    Returns:
        The members; `unfilled` only where a plot has no measured hour at all.
    """
    measured = np.isfinite(flow_l)
    basis = np.full(flow_l.shape, "", dtype="<U15")
    basis[wanted & ~measured.any(axis=1, keepdims=True)] = UNFILLED
    filled = [np.zeros(0, dtype=np.int64)] * len(flow_l)
    members = [np.zeros((0, ENSEMBLE_MEMBERS), dtype=np.float32)] * len(flow_l)
    parts: list[list[tuple[Indices, Singles]]] = [[] for _ in flow_l]
    gaps: list[tuple[int, int, int]] = []
    for plot in np.flatnonzero(measured.any(axis=1)).tolist():
        root = signed_root(flow_l[plot])
        for first, last in stretches_of(~measured[plot]):
            hours = first + np.flatnonzero(wanted[plot, first:last])
            if hours.size == 0:
                continue
            if first > 0 and last < day.size and last - first <= bridge_longest_hours:
                drawn = _bridged(flow_l[plot], root, rain_mm, first, last, named(plot, "bridge", first))
                parts[plot].append((hours, drawn[hours - first].astype(np.float32)))
                basis[plot, hours] = BRIDGED
            else:
                gaps.append((plot, first, last))
    skill: list[Skill] = []
    if gaps:
        models = GapModels(flow_l, day, rain_mm, air_temp_c, level, treatment)
        of_plots = [[gap for gap in gaps if gap[0] == plot] for plot in sorted({gap[0] for gap in gaps})]
        found = side_by_side(lambda of_plot: [s for gap in of_plot for s in models.segments(wanted, *gap)], of_plots)
        segments = [segment for of_plot in found for segment in of_plot]
        errors = Errors.of(models, named)
        skill = _skill(models, errors)
        for segment, of_segment in members_of(segments, errors, flow_l, named):
            parts[segment.plot].append((segment.hours, of_segment))
            basis[segment.plot, segment.hours] = segment.basis
    for plot, of_plot in enumerate(parts):
        if of_plot:
            at = np.concatenate([hours for hours, _ in of_plot])
            order = np.argsort(at, kind="stable")
            filled[plot] = at[order]
            members[plot] = np.concatenate([drawn for _, drawn in of_plot])[order]
    return GapEstimates(basis, filled, members, skill)


def _skill(models: GapModels, errors: Errors) -> list[Skill]:
    """How the models did on blocks that they had not seen; intervals were tried for each plot's model that has seen most."""
    found = []
    for key, model in models.combinations.items():
        plot, used, length = key
        intervals = errors.tried[key].scores(errors.widening[models.basis(used), length]) if key in errors.tried else {}
        found += skill_of(plot, used, length, models.candidates[plot, used], model, models.flow_l[plot], intervals)
    return found


def _bridged(
    flow_l: Floats, root: Floats, rain_mm: Floats, first: int, last: int, generator: np.random.Generator
) -> Floats:
    """Members across a short hole, shape (its hours, members).

    A straight line of flow, and upon it, on the root scale, how flow departed from such lines across as many stretches of the record as
    there are members, those whose two edges and whose rain were the most alike: a line between two low edges misses the peak of a
    shower that fell between them.
    """
    length = last - first
    share = np.arange(1, length + 1) / (length + 1)
    line = (1 - share) * flow_l[first - 1] + share * flow_l[last]
    known = np.concatenate([[0], np.cumsum(np.isfinite(flow_l))])
    start = np.arange(flow_l.size - length - 1)
    start = start[known[start + length + 2] - known[start] == length + 2]
    if start.size == 0:
        return np.repeat(line[:, np.newaxis], ENSEMBLE_MEMBERS, axis=1)
    unlike = (np.abs(root[start] - root[first - 1]) + np.abs(root[start + length + 1] - root[last])) / (
        np.nanstd(root) + 1e-12
    )
    # Rain of the hours before is still on its way; unknown rain counts as none, here as in the stretches.
    fallen = np.concatenate([[0.0], np.cumsum(np.nan_to_num(rain_mm))])
    wetness = np.sqrt(fallen[length:] - fallen[np.maximum(np.arange(fallen.size - length) - BRIDGE_RAIN_H, 0)])
    unlike += BRIDGE_RAIN_WEIGHT * np.abs(wetness[start + 1] - wetness[first]) / (wetness.std() + 1e-12)
    most = min(ENSEMBLE_MEMBERS, start.size)
    alike = np.sort(start[np.argpartition(unlike, most - 1)[:most]])
    tried = (1 - share)[:, np.newaxis] * flow_l[alike] + share[:, np.newaxis] * flow_l[alike + length + 1]
    departure = root[alike + np.arange(1, length + 1)[:, np.newaxis]] - signed_root(tried)
    # About the median: of a dry drain most do not depart at all, and go on not to.
    usual = np.median(departure, axis=1, keepdims=True)
    departure = usual + BRIDGE_WIDENING * (departure - usual)
    chosen = generator.permutation(np.resize(np.arange(most), ENSEMBLE_MEMBERS))
    return signed_power(signed_root(line)[:, np.newaxis] + departure[:, chosen])
