"""From stored members of loads to a comparison of two plots, or to the reasons why the design cannot carry one.

Belongs here: what treatments.csv says of a comparison, which periods make pairs, the scale, what a design must have.
Does not: the regression (science/paired_plots.py), reading the lake and words (publish/comparison.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.science.paired_plots import Comparison, compare
from pipeline.science.units import depth_mm, kg_per_ha
from pipeline.site import Site

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

MOST_FILLED = 0.5
"""A pair of which more was filled than measured tells of the gap model, which knows the other plots. Common practice, no source."""
FEWEST_CALIBRATION, FEWEST_TREATMENT = 8, 5
"""Common practice, no source; what so few pairs can tell stands in the interval."""
LEAST_R_SQUARED = 0.5
"""Of the calibration line. Common practice, no source."""
LEAST_OVERLAP = 0.5
"""Share of the treatment period's pairs whose control lies within those of the calibration. Common practice, no source."""
FEWEST_INDEPENDENT = 4
"""The two lines take as many. More must not be asked: of short series those would be kept whose autocorrelation is underestimated."""
NOTHING_DRAINED_MM = 0.1
"""Where neither plot drained so much, there is nothing to compare."""


class DesignError(Exception):
    """Two plots cannot be compared so; the message is sentences for a person, one a line."""


@dataclass(frozen=True)
class Design:
    """What is compared.

    Attributes:
        treated, control: plots.
        of: an analyte, or `volume`.
        by: month, event, year.
        since, change, until: the calibration period goes from `since` to before `change`, the treatment period to before `until`, UTC.
        before, afterwards: the treated plot's treatments by treatments.csv; empty where it knows none.
    """

    treated: str
    control: str
    of: str
    by: str
    since: datetime
    change: datetime
    until: datetime
    before: str
    afterwards: str


@dataclass(frozen=True)
class Pairs:
    """Pairs of periods, in order of time.

    Attributes:
        rows: `period`, `start`, `end`, `treated`, `control` (mm or kg/ha), `filled` (the larger share of the two), `after`, `left_out`
            (why it does not count, else none).
        treated_members, control_members: equally likely values, mm or kg/ha, shape (members, pairs).
    """

    rows: pd.DataFrame
    treated_members: Floats
    control_members: Floats

    @property
    def used(self) -> Flags:
        """Which pairs count."""
        return self.rows["left_out"].isna().to_numpy()


@dataclass(frozen=True)
class PlotsCompared:
    """A comparison that the design can carry.

    Attributes:
        logarithmic: whether lines are of natural logarithms of mm or kg/ha.
        found: what the regression says, in these.
    """

    design: Design
    pairs: Pairs
    logarithmic: bool
    found: Comparison


def changes(site: Site, plot: str) -> list[tuple[datetime, str, str]]:
    """When a plot's treatment changed within the record, by treatments.csv: the moment, what was before, what came."""
    first, last = site.record_period()
    rows = sorted((row for row in site.treatments if row.plot == plot), key=lambda row: row.start)
    return [
        (after.start, before.treatment, after.treatment)
        for before, after in pairwise(rows)
        if before.treatment != after.treatment and first < after.start < last
    ]


def designs(
    site: Site, treated: str | None, control: str | None, change: datetime | None, of: str, by: str
) -> list[Design]:
    """Designs that are meant: one, or one for each plot that may be the control.

    What is not given comes from treatments.csv: the plot and the moment of the only change; as controls, plots whose treatment did
    not change meanwhile. A calibration begins with the treated plot's last change before, a treatment ends with the next one.

    Raises:
        DesignError: a plot or moment is not known or not within the record, more than one may be meant, or no plot can be the control.
    """
    plots = [plot.plot for plot in site.plots]
    for plot in filter(None, (treated, control)):
        if plot not in plots:
            raise DesignError(f"There is no plot {plot}. Plots are {', '.join(plots)}.")
    if of != "volume" and of not in site.analytes:
        raise DesignError(f"{of} is no analyte of {site.title}. Give volume or one of {', '.join(site.analytes)}.")
    if treated is None:
        changed = [plot for plot in plots if changes(site, plot)]
        if len(changed) != 1:
            found = f"treatments.csv has a change for {', '.join(changed)}" if changed else "treatments.csv has no change"
            raise DesignError(f"Which plot was treated? Name it; {found}.")
        treated = changed[0]
    if treated == control:
        raise DesignError(f"Plot {treated} cannot be its own control.")
    own = changes(site, treated)
    if change is None:
        if len(own) != 1:
            dates = ", ".join(f"{moment + site.utc_offset:%Y-%m-%d}" for moment, _, _ in own)
            found = (
                f"treatments.csv has changes of {treated} on {dates}" if own else f"treatments.csv has none for {treated}"
            )
            raise DesignError(f"When did the treatment change? Give the day; {found}.")
        change = own[0][0]
    first, last = site.record_period()
    if not first < change < last:
        raise DesignError(
            f"The change on {change + site.utc_offset:%Y-%m-%d} does not lie within the record, which goes from {site.first_day} to "
            f"{last + site.utc_offset:%Y-%m-%d}: there is no period before or after it."
        )
    since = max([first, *(moment for moment, _, _ in own if moment < change)])
    until = min([last, *(moment for moment, _, _ in own if moment > change)])
    before, afterwards = next(((old, new) for moment, old, new in own if moment == change), ("", ""))
    unsteady = {plot: [at for at, _, _ in changes(site, plot) if since < at < until] for plot in plots if plot != treated}
    if control is not None and unsteady[control]:
        dates = ", ".join(f"{moment + site.utc_offset:%Y-%m-%d}" for moment in unsteady[control])
        raise DesignError(
            f"Plot {control} cannot be the control: its own treatment changed on {dates}, between the calibration's begin and the "
            "treatment's end. A control is treated alike throughout."
        )
    controls = [control] if control is not None else [plot for plot, moments in unsteady.items() if not moments]
    if not controls:
        raise DesignError("No other plot kept its treatment throughout: there is no control.")
    return [Design(treated, plot, of, by, since, change, until, before, afterwards) for plot in controls]


def pair_up(members: pd.DataFrame, site: Site, design: Design) -> Pairs:
    """Pairs of months or years of the two plots.

    Args:
        members: rows of `load_members` of both plots, months, of the design's analyte (of any one for volume).
        site: areas, standard time, record.
        design: what is compared.

    Returns:
        All periods that both plots have within the design's two periods. Left out are those that hold the change or reach beyond, of
        which a part is not known, of which more was filled than measured in either plot, and those in which nothing drained.
    """
    area = {plot.plot: plot.area_ha for plot in site.plots}
    own, other = (
        _by_period(members[members["plot"] == plot], design, area[plot]) for plot in (design.treated, design.control)
    )
    return _paired(own, other, _bounds(own.index, site, design), design)


def pair_events(
    hours: pd.DataFrame, concentration: pd.DataFrame, events: pd.DataFrame, site: Site, design: Design
) -> Pairs:
    """Pairs of events: what either plot drained in the time of the control's events.

    The control says what an event is, for both plots: a treatment may lengthen the treated plot's own events, or do away with them.
    Members of these sums are not kept: errors of the loads are told by scatter alone.

    Args:
        hours: rows of `hourly_flow` of both plots.
        concentration: rows of `concentration` of the same hours and the design's analyte; not used for volume.
        events: rows of `events` of the control.
        site: areas.
        design: what is compared.

    Returns:
        As `pair_up`.
    """
    area = {plot.plot: plot.area_ha for plot in site.plots}
    in_order = events.sort_values("start", kind="stable")
    if in_order.empty:
        raise DesignError(f"No event of {design.control} is known.")
    known = hours.assign(mg_l=1.0)
    if design.of != "volume":
        known = hours.merge(concentration[["plot", "hour_start", "mg_l"]], on=["plot", "hour_start"], how="left")
    latest = np.searchsorted(in_order["start"], known["hour_start"], side="right") - 1
    inside = (latest >= 0) & (known["hour_start"] < in_order["end"].iloc[np.maximum(latest, 0)].to_numpy())
    known = known.assign(key=in_order["event"].to_numpy()[np.maximum(latest, 0)])[inside]
    gross = known["net_l"].abs()
    known = known.assign(value=known["net_l"] * known["mg_l"], gross=gross, measured=gross * known["measured_fraction"])
    sides = []
    for plot in (design.treated, design.control):
        grouped = known[known["plot"] == plot].groupby("key", sort=True)
        sums = grouped[["value", "gross", "measured"]].sum()
        scale = depth_mm if design.of == "volume" else kg_per_ha
        value = scale(sums["value"], area[plot])
        sides.append(
            pd.DataFrame(
                {
                    "value": value,
                    "members": pd.Series([np.full(2, each) for each in value], index=sums.index, dtype="object"),
                    "filled": (1 - sums["measured"] / sums["gross"].where(sums["gross"] > 0)).fillna(0.0),
                    "whole": grouped["value"].count() == grouped.size(),
                    "gross_mm": depth_mm(sums["gross"], area[plot]),
                },
                index=sums.index,
            )
        )
    own, other = sides
    return _paired(own, other, in_order.set_index("event")[["start", "end"]], design)


def _paired(own: pd.DataFrame, other: pd.DataFrame, bounds: pd.DataFrame, design: Design) -> Pairs:
    """Pairs of what either plot has by period, with what is left out."""
    rows = own.add_suffix("_own").join(other.add_suffix("_other"), how="inner")
    rows = rows.join(bounds, how="inner").sort_values("start", kind="stable")
    rows = rows[(rows["end"] > design.since) & (rows["start"] < design.until)]
    filled = rows[["filled_own", "filled_other"]].max(axis=1)
    whole = rows["whole_own"] & rows["whole_other"]
    dry = rows[["gross_mm_own", "gross_mm_other"]].max(axis=1) < NOTHING_DRAINED_MM
    across = (rows["start"] < design.change) & (rows["end"] > design.change)
    beyond = (rows["start"] < design.since) | (rows["end"] > design.until)
    why = np.select(
        [across, beyond, ~whole, dry, filled > MOST_FILLED],
        [
            "holds the change",
            "reaches beyond",
            "not known in full",
            "nothing drained",
            "more filled than measured",
        ],
        "",
    )
    shown = pd.DataFrame(
        {
            "period": rows.index,
            "start": rows["start"].to_numpy(),
            "end": rows["end"].to_numpy(),
            "treated": rows["value_own"].to_numpy(dtype=float),
            "control": rows["value_other"].to_numpy(dtype=float),
            "filled": filled.to_numpy(dtype=float),
            "after": (rows["start"] >= design.change).to_numpy(),
            "left_out": pd.Series(why, dtype="object").replace("", None).to_numpy(),
        }
    )
    stacked = [
        np.stack(rows[name].to_list()).T if len(rows) else np.empty((0, 0)) for name in ("members_own", "members_other")
    ]
    return Pairs(shown, *stacked)


def _by_period(rows: pd.DataFrame, design: Design, area_ha: float) -> pd.DataFrame:
    """By period: value, its members, share filled, whether known in full, gross depth."""
    rows = rows[rows["kind"] == "month"]
    period = rows["water_year"].astype("str") if design.by == "year" else rows["period"]
    volume = design.of == "volume"
    name, scale = ("l", depth_mm) if volume else ("mg", kg_per_ha)
    grouped = rows.assign(key=period).groupby("key", sort=True)
    sums = grouped[["net_l", "load_mg", "gross_l", "measured_l", "hours", "flow_hours", "load_hours"]].sum()
    members = [np.stack(drawn.to_list()).sum(axis=0, dtype=np.float64) for _, drawn in grouped[f"members_{name}"]]
    reported = scale(sums["net_l" if volume else "load_mg"], area_ha)
    drawn = [scale(each, area_ha) for each in members]
    # Members lie about the reported value, off which chance alone has set their mean.
    about = [each + (value - each.mean()) for each, value in zip(drawn, reported.tolist(), strict=True)]
    gross = sums["gross_l"].where(sums["gross_l"] > 0)
    return pd.DataFrame(
        {
            "value": reported,
            "members": pd.Series(about, index=sums.index, dtype="object"),
            "filled": (1 - sums["measured_l"] / gross).fillna(0.0),
            "whole": sums["flow_hours" if volume else "load_hours"] >= sums["hours"],
            "gross_mm": depth_mm(sums["gross_l"], area_ha),
        },
        index=sums.index,
    )


def _bounds(periods: pd.Index, site: Site, design: Design) -> pd.DataFrame:
    """`start` and `end` of months or years, UTC, as far as the record goes."""
    if design.by == "year":
        bounds = [site.water_year_period(int(period)) for period in periods]
    else:
        days = [pd.Timestamp(f"{period}-01").date() for period in periods]
        nexts = [(pd.Timestamp(day) + pd.DateOffset(months=1)).date() for day in days]
        bounds = [(site.midnight(day), site.midnight(after)) for day, after in zip(days, nexts, strict=True)]
    first, last = site.record_period()
    cut = [(max(start, first), min(end, last)) for start, end in bounds]
    frame = pd.DataFrame(cut, columns=["start", "end"], index=periods)
    return frame.apply(pd.to_datetime, utc=True)


def best_control(candidates: Sequence[tuple[Design, Pairs]]) -> tuple[Design, Pairs]:
    """The design whose control goes best with the treated plot in the calibration period; what came after is not looked at."""

    def r_squared(candidate: tuple[Design, Pairs]) -> float:
        pairs = candidate[1]
        rows = pairs.rows[pairs.used & ~pairs.rows["after"]]
        if len(rows) < FEWEST_CALIBRATION or rows["control"].nunique() < 2 or rows["treated"].nunique() < 2:
            return len(rows) / FEWEST_CALIBRATION - 2.0
        return float(np.corrcoef(rows["control"], rows["treated"])[0, 1])

    return max(candidates, key=r_squared)


def compared(design: Design, pairs: Pairs, scale: str = "auto") -> PlotsCompared:
    """The comparison, if the design can carry it.

    Lines are of logarithms where every value is positive: loads are skewed, and a treatment takes away a share. Where one is nothing
    or negative (dry, or water that ran back), they are of the values as they are, so that no pair is dropped for its size.

    Args:
        design: what is compared.
        pairs: as from `pair_up`.
        scale: `auto`, or `log` or `plain` to have it so.

    Raises:
        DesignError: the design cannot carry it; says all that is wrong.
    """
    rows = pairs.rows[pairs.used]
    late = rows["after"].to_numpy(dtype=bool)
    y, x = rows["treated"].to_numpy(dtype=float), rows["control"].to_numpy(dtype=float)
    of = f"{design.by}s"
    wrong = []
    for name, which, here, fewest in (
        ("calibration", "before the change", ~late, FEWEST_CALIBRATION),
        ("treatment", "after it", late, FEWEST_TREATMENT),
    ):
        if here.sum() < fewest:
            lost = pairs.rows[~pairs.used & (pairs.rows["after"] == (name == "treatment"))]["left_out"].value_counts()
            why = f" Left out: {', '.join(f'{count} ({reason})' for reason, count in lost.items())}." if len(lost) else ""
            absent = f"There is no {name} period" if here.sum() == 0 else f"The {name} period is too short"
            wrong.append(
                f"{absent}: {here.sum()} usable {of} {which}, and at least {fewest} are needed to tell a change from chance.{why}"
            )
    if not wrong and min(np.ptp(x[late]), np.ptp(x[~late])) == 0:
        wrong.append(f"Plot {design.control} has one and the same value throughout: it tells nothing.")
    positive = bool((y > 0).all() and (x > 0).all())
    if scale == "log" and not positive:
        wrong.append(
            f"{int(((y <= 0) | (x <= 0)).sum())} {of} have nothing or a negative value, of which there is no logarithm."
        )
    if wrong:
        raise DesignError("\n".join(wrong))
    logarithmic = positive and scale != "plain"
    y_members, x_members = pairs.treated_members[:, pairs.used], pairs.control_members[:, pairs.used]
    if logarithmic:
        # A member that errors carry below a tenth of the reported load counts as that: it has no logarithm, or a wild one.
        y_members, x_members = (
            np.log(np.maximum(drawn, value / 10)) for drawn, value in ((y_members, y), (x_members, x))
        )
        y, x = np.log(y), np.log(x)
    found = compare(y, x, late, y_members, x_members)
    if found.effective_pairs < FEWEST_INDEPENDENT:
        wrong.append(
            f"What one of the {of} is off carries over to the next so much (autocorrelation {found.autocorrelation:.2f}) that {x.size} "
            f"pairs tell as much as {found.effective_pairs:.0f} independent ones; {FEWEST_INDEPENDENT} are needed."
        )
    inside = (x[late] >= x[~late].min()) & (x[late] <= x[~late].max())
    if inside.mean() < LEAST_OVERLAP:
        wrong.append(
            f"Of the {late.sum()} {of} after the change {inside.sum()} lie within what {design.control} had before it: for the others "
            "nothing tells what to expect, since the line would be drawn beyond its points."
        )
    if found.r_squared < LEAST_R_SQUARED or found.calibration.slope <= 0:
        wrong.append(
            f"The two plots do not go together: in the calibration period {design.control} explains "
            f"{100 * max(found.r_squared, 0):.0f} % of the variance of {design.treated}"
            + (", and with the wrong sign" if found.calibration.slope <= 0 else "")
            + f"; at least {100 * LEAST_R_SQUARED:.0f} % are asked for."
        )
    if wrong:
        raise DesignError("\n".join(wrong))
    return PlotsCompared(design, pairs, logarithmic, found)
