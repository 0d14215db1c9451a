"""Two plots compared, as a person reads it: what was found in one sentence, the regression, what was left out.

Belongs here: which stored rows are looked at, layout, rounding, wording.
Does not: the design (stages/paired_plots.py), the regression (science/paired_plots.py), the picture (comparison_picture.py).
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

import numpy as np
from rich.box import SIMPLE_HEAD
from rich.console import RenderableType
from rich.table import Table as TextTable
from rich.text import Text

from pipeline.lake import Lake
from pipeline.science.paired_plots import Shift, shift_at
from pipeline.site import Site
from pipeline.stages.paired_plots import (
    DesignError,
    PlotsCompared,
    best_control,
    compared,
    designs,
    pair_events,
    pair_up,
)
from pipeline.tables import table

CERTAIN = 0.05
"""Probability under which a difference of slopes is called one."""


def compare_plots(
    lake: Lake,
    site: Site,
    treated: str | None,
    control: str | None,
    change: datetime | None,
    of: str,
    by: str,
    scale: str = "auto",
) -> PlotsCompared:
    """Compare two plots on what is stored.

    Args:
        lake: holds `load_members`; for events `events`, `hourly_flow` and `concentration`.
        site: the experiment.
        treated, control, change: none: by treatments.csv.
        of: an analyte, or `volume`.
        by: month, event, year.
        scale: auto, log, plain.

    Raises:
        DesignError: nothing is stored, or the design cannot carry the comparison; says why.
    """
    meant = designs(site, treated, control, change, of, by)
    stored = table("load_members")
    years = lake.years(stored, site.site)
    if not years:
        raise DesignError(
            f"{lake.tables} does not hold the loads of {site.title} yet. Run `drainledger run --site {site.folder} "
            f"--lake {lake.root}` first."
        )
    if by == "event":
        hours, concentration, events = (
            lake.frame(table(name), site.site, years) for name in ("hourly_flow", "concentration", "events")
        )
        concentration = concentration[concentration["analyte"] == of]
        pairs = [
            pair_events(
                hours[hours["plot"].isin((design.treated, design.control))],
                concentration,
                events[events["plot"] == design.control],
                site,
                design,
            )
            for design in meant
        ]
    else:
        members = lake.frame(stored, site.site, years)
        members = members[members["analyte"] == (site.analytes[0] if of == "volume" else of)]
        pairs = [pair_up(members, site, design) for design in meant]
    design, chosen = best_control(list(zip(meant, pairs, strict=True)))
    return compared(design, chosen, scale)


def unit_of(result: PlotsCompared) -> str:
    """Unit of a pair's values."""
    return "mm" if result.design.of == "volume" else "kg/ha"


def effect(result: PlotsCompared) -> tuple[float, float, float]:
    """By how much the treated plot moved, as a share of what was expected of it, and its 90 % interval."""
    low, high = result.found.shift.interval()
    bounds = np.array([result.found.shift.value, low, high])
    if result.logarithmic:
        share = np.expm1(bounds)
    else:
        rows = result.pairs.rows[result.pairs.used]
        expected = rows.loc[rows["after"], "treated"].mean() - result.found.shift.value
        share = bounds / expected if expected > 0 else np.full(3, np.nan)
    return float(share[0]), float(share[1]), float(share[2])


def total_effect(result: PlotsCompared) -> tuple[float, float, float]:
    """The same over all pairs of the treatment period, in mm or kg/ha, with its 90 % interval."""
    rows = result.pairs.rows[result.pairs.used]
    late = rows[rows["after"]]
    bounds = np.array([result.found.shift.value, *result.found.shift.interval()])
    whole = -late["treated"].sum() * np.expm1(-bounds) if result.logarithmic else bounds * len(late)
    return float(whole[0]), float(whole[1]), float(whole[2])


def sentence(result: PlotsCompared, site: Site) -> str:
    """What was found, in plain words."""
    design, found = result.design, result.found
    did, what = ("drained", "water") if design.of == "volume" else ("lost", design.of)
    day = f"{design.change + site.utc_offset:%Y-%m-%d}"
    became = f", when {design.before} became {design.afterwards}," if design.afterwards else ""
    share, low, high = effect(result)
    total = total_effect(result)
    count = int((result.pairs.used & result.pairs.rows["after"].to_numpy()).sum())
    unit = unit_of(result)
    changed = _more_or_less(share) if np.isfinite(share) else f"{_signed(found.shift.value)} {unit} per {design.by}"
    within = (
        f"{_more_or_less(low)} to {_more_or_less(high)}"
        if np.isfinite(share)
        else " to ".join(f"{_signed(bound)} {unit}" for bound in found.shift.interval())
    )
    head = (
        f"From {day} on{became} {design.treated} {did} {changed} {what} than its pairing with {design.control} leads one to expect "
        f"(90 % interval {within}; p = {_p(found.shift)})"
    )
    over = (
        f"{abs(total[0]):.1f} {unit} {'less' if total[0] < 0 else 'more'} over the {count} {design.by}s compared "
        f"({_signed(total[1])} to {_signed(total[2])})"
    )
    bounds = found.shift.interval()
    if bounds[0] < 0 < bounds[1]:
        return f"No change can be told. {head}: {over}. The interval holds no change at all."
    return f"{head}: {over}."


def comparison_text(result: PlotsCompared, site: Site) -> Iterator[RenderableType]:
    """Everything that is said of a comparison."""
    design, found, rows = result.design, result.found, result.pairs.rows
    what = "drainage, mm" if design.of == "volume" else f"load of {design.of}, kg/ha"
    yield Text(
        f"{site.title}: {design.treated} (treated) paired with {design.control} (control), {what}, by {design.by}",
        style="bold",
    )
    yield Text("")
    yield Text(sentence(result, site), style="bold")
    yield Text("")
    yield _lines(result, site)
    yield Text("")
    for said in _remarks(result):
        yield Text(said)
    left = rows[~result.pairs.used]["left_out"].value_counts()
    if len(left):
        listed = ", ".join(f"{count} {reason}" for reason, count in left.items())
        yield Text(f"Left out of {len(rows)} {design.by}s: {listed}.")
    yield Text(
        "Other causes that came at the same time, at one plot only, would look the same. Source of the method: Clausen and Spooner "
        f"1993, EPA 841-F-93-009. Residual standard deviation {found.residual:.3g}"
        f"{' (natural logarithm)' if result.logarithmic else ' ' + unit_of(result)}."
    )


def _lines(result: PlotsCompared, site: Site) -> TextTable:
    found, rows = result.found, result.pairs.rows[result.pairs.used]
    shown = TextTable(box=SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0))
    of = "ln of treated on ln of control" if result.logarithmic else "treated on control"
    shown.add_column(of)
    for heading in ("pairs", "intercept", "slope"):
        shown.add_column(heading, justify="right")
    for name, line, late in (("calibration", found.calibration, False), ("treatment", found.treatment, True)):
        shown.add_row(name, str(int((rows["after"] == late).sum())), f"{line.intercept:.3f}", f"{line.slope:.3f}")
    for name, difference in (
        ("difference of intercepts", found.intercept_change),
        ("difference of slopes", found.slope_change),
    ):
        number = f"{difference.value:+.3f} (p = {_p(difference)})"
        shown.add_row(name, "", number if "intercepts" in name else "", number if "slopes" in name else "")
    return shown


def _remarks(result: PlotsCompared) -> Iterator[str]:
    found, rows = result.found, result.pairs.rows[result.pairs.used]
    if result.logarithmic:
        yield "All values are positive, so that lines are of logarithms: the shift is a share of what was expected."
    else:
        yield "Lines are of the values as they are: some are nothing or negative, or it was asked so."
    yield (
        f"In the calibration period the control explains {100 * found.r_squared:.0f} % of the variance. The shift is read at the mean "
        "control of the treatment period."
    )
    if found.slope_change.p_value < CERTAIN:
        late = rows.loc[rows["after"], "control"].quantile([0.25, 0.75])
        at = np.log(late) if result.logarithmic else late
        moved = [shift_at(found, value) for value in at]
        said = [
            _more_or_less(float(np.expm1(each))) if result.logarithmic else f"{_signed(each)} {unit_of(result)}"
            for each in moved
        ]
        yield (
            f"The slopes differ: the change depends on how much there was. Where the control had {late.iloc[0]:.2g} {unit_of(result)} it "
            f"is {said[0]}, where it had {late.iloc[1]:.2g} it is {said[1]}."
        )
    if found.autocorrelation > 0:
        yield (
            f"What one pair is off carries over to the next (autocorrelation {found.autocorrelation:.2f}): {len(rows)} pairs tell as much "
            f"as {found.effective_pairs:.0f} independent ones, and intervals are as wide as that asks for."
        )
    if result.design.by == "event":
        yield "An event is the time of the control's event in both plots. Errors that several events share are not in the interval."
        return
    share = found.loads_error**2 / found.shift.standard_error**2 if found.shift.standard_error > 0 else 0.0
    yield (
        f"Uncertainty of the loads themselves that scatter does not show makes {100 * share:.0f} % of the shift's variance; what errs "
        "from pair to pair is in the scatter."
    )


def _more_or_less(share: float) -> str:
    return f"{100 * abs(share):.0f} % {'less' if share < 0 else 'more'}"


def _signed(value: float) -> str:
    return f"{value:+.1f}".replace("-", "−")


def _p(shift: Shift) -> str:
    return f"{shift.p_value:.3f}" if shift.p_value >= 0.001 else "less than 0.001"
