"""Paired plots: a shift is what regression says, its interval holds, and a design that cannot carry a comparison is refused."""

import dataclasses
from datetime import UTC, date, datetime
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy.linalg import null_space
from scipy.stats import t as student

from pipeline.publish.comparison import effect, sentence, total_effect
from pipeline.publish.comparison_picture import comparison_picture
from pipeline.science.paired_plots import CARRIED, Shift, compare, shift_at
from pipeline.site import load_site
from pipeline.stages.paired_plots import (
    Design,
    DesignError,
    PlotsCompared,
    best_control,
    changes,
    compared,
    designs,
    pair_events,
    pair_up,
)

SITE = load_site(Path(__file__).parents[1] / "configs" / "sedge-hollow")
CHANGE = SITE.midnight(date(2020, 11, 14))
FIRST, LAST = SITE.record_period()
MONTHS = [f"{month:%Y-%m}" for month in pd.period_range("2019-10", "2022-09", freq="M")]
LATE = np.array([month > "2020-11" for month in MONTHS])
DESIGN = Design("P2", "P1", "nitrate_n", "month", FIRST, CHANGE, LAST, "free drainage", "controlled drainage")
WINTER = 1.5 + np.sin(np.arange(len(MONTHS)) * 2 * np.pi / 12)
"""kg/ha of the control in each month."""
AREA_HA = {plot.plot: plot.area_ha for plot in SITE.plots}


def pairs_of_lines(seed=0, before=20, after=25, shift=-0.4, turn=0.0):
    """Treated, control, and which are after; slope 0.8."""
    generator = np.random.default_rng(seed)
    late = np.arange(before + after) >= before
    x = generator.normal(2, 1, late.size)
    return 1 + 0.8 * x + late * (shift + turn * x) + 0.3 * generator.normal(size=late.size), x, late


def members_of(plot, values, relative=0.0, filled=0.0, periods=MONTHS, **columns) -> pd.DataFrame:
    """Rows of `load_members` of one plot, kg/ha in each period; members err by a factor that is one error in all periods."""
    milligrams = np.asarray(values, dtype=float) * 1e6 * AREA_HA[plot]
    litres = milligrams / 10
    factor = 1 + np.outer(np.broadcast_to(relative, len(periods)), np.linspace(-1.7, 1.7, 200))
    frame = pd.DataFrame(
        {
            "plot": plot, "kind": "month", "period": periods, "water_year": 2020, "hours": 700.0, "flow_hours": 700.0,
            "load_hours": 700.0, "net_l": litres, "load_mg": milligrams, "gross_l": np.abs(litres) + 1e-9,
            "measured_l": (1 - np.asarray(filled)) * (np.abs(litres) + 1e-9),
            "members_l": list(litres[:, np.newaxis] * factor), "members_mg": list(milligrams[:, np.newaxis] * factor),
        }
    )  # fmt: skip
    return frame.assign(**columns)


def pairs(treated=None, control=WINTER, design=DESIGN, **columns):
    """Pairs of P2 on P1; the treated has 0.9 of the control, and 30 % less than that after the change, give or take 5 %."""
    scatter = 1 + 0.05 * np.resize([1, -1, 0.5, -0.5, -1, 1], len(MONTHS))
    own = 0.9 * control * np.where(LATE, 0.7, 1.0) * scatter if treated is None else treated
    both = pd.concat([members_of("P2", own, **columns), members_of("P1", control)])
    return pair_up(both, SITE, design)


def carried_over(generator, r, count):
    """Residuals of unit variance that carry over from pair to pair."""
    made = generator.normal(size=count)
    for pair in range(1, count):
        made[pair] = r * made[pair - 1] + np.sqrt(1 - r**2) * made[pair]
    return made


@pytest.mark.parametrize("turn", [0.0, 0.3])
def test_covariance_analysis_is_that_of_statsmodels_for_each_autocorrelation(turn):
    y, x, late = pairs_of_lines(turn=turn)
    frame = pd.DataFrame({"y": y, "x": x, "late": late.astype(float), "off": x - x[late].mean()})
    made = compare(y, x, late)
    apart = np.abs(np.subtract.outer(np.arange(x.size), np.arange(x.size)))
    for place in (0, 10, -1):
        carried = CARRIED[place] ** apart
        full, centred, parallel = (
            smf.gls(f"y ~ {terms}", frame, sigma=carried).fit() for terms in ("x * late", "off * late", "x + late")
        )
        for mine, fit, name in (
            (made.intercept_change, full, "late"),
            (made.slope_change, full, "x:late"),
            (made.shift, centred, "late"),
            (made.common_slope_shift, parallel, "late"),
        ):
            assert mine.centre[place] == pytest.approx(fit.params[name])
            assert mine.spread[place] == pytest.approx(fit.bse[name])
            assert mine.degrees_of_freedom == fit.df_resid


def test_autocorrelations_count_by_the_restricted_likelihood():
    # Written out by the normal density of contrasts that lines leave alone (Harville 1974, Biometrika 61), its scale integrated out
    # over 1 / variance: with n - p of them, of covariance v C, the determinant of C to -1/2 times their quadratic form to -(n - p)/2.
    y, x, late = pairs_of_lines(before=8, after=7)
    design = np.column_stack([np.ones(15), x, late, late * x])
    contrasts = null_space(design.T).T
    apart = np.abs(np.subtract.outer(np.arange(15), np.arange(15)))
    log_likelihood = []
    for r in CARRIED:
        covariance = contrasts @ r**apart @ contrasts.T
        left = contrasts @ y
        squares = left @ np.linalg.solve(covariance, left)
        log_likelihood.append(-np.linalg.slogdet(covariance)[1] / 2 - 11 / 2 * np.log(squares))
    # Times the reference prior of an autocorrelation.
    likelihood = np.exp(np.array(log_likelihood) - max(log_likelihood)) / np.sqrt(1 - CARRIED**2)
    assert compare(y, x, late).shift.weight == pytest.approx(likelihood / likelihood.sum(), abs=1e-9)


def test_one_autocorrelation_gives_student_s_interval_and_probability():
    one = Shift(np.array([0.5]), np.array([0.2]), np.array([1.0]), 10)
    assert one.interval(0.9) == pytest.approx(student.interval(0.9, 10, 0.5, 0.2))
    assert one.p_value == pytest.approx(2 * student.sf(2.5, 10))


def test_the_shift_is_the_distance_of_the_lines_at_the_mean_control_after_the_change():
    y, x, late = pairs_of_lines(turn=0.3)
    made = compare(y, x, late)
    assert shift_at(made, x[late].mean()) == pytest.approx(made.shift.value)
    slope, intercept = np.polyfit(x[~late], y[~late], 1)
    assert made.shift.value == pytest.approx(
        (y[late] - intercept - slope * x[late]).mean(), abs=made.shift.standard_error / 3
    )


@pytest.mark.parametrize(
    ("carries_over", "months", "least"), [(0.0, 12, 0.87), (0.5, 8, 0.86), (0.5, 24, 0.86), (0.7, 12, 0.84)]
)
def test_nine_intervals_of_ten_hold_the_true_shift_though_periods_are_short(carries_over, months, least):
    # An estimated r and a widening by (1 + r) / (1 - r) held it in 78 to 88 of 100, and were up to three times as wide. What carries
    # over as much as the last of these leaves four independent pairs of 24: of many runs 88 in 100 held it.
    generator = np.random.default_rng(8)
    runs, late = 400, np.arange(2 * months) >= months
    held = 0
    for _ in range(runs):
        x, error = (carried_over(generator, carries_over, late.size) for _ in range(2))
        low, high = compare(0.8 * x + 0.3 * error - 0.4 * late, x, late).shift.interval()
        held += low <= -0.4 <= high
    # 400 runs tell a share of 0.9 to within 0.015 (one standard deviation); an r that is never less than nothing makes intervals a
    # little wide where it is nothing.
    assert least <= held / runs <= 0.97


@pytest.mark.parametrize(("common", "own"), [(0.2, 0.0), (0.0, 0.2), (0.2, 0.2)])
def test_intervals_hold_where_loads_err_alike_in_one_period_or_from_pair_to_pair(common, own):
    generator = np.random.default_rng(9)
    late, runs, held = np.arange(48) >= 24, 400, 0
    for _ in range(runs):
        x = generator.normal(size=48)
        load = 0.8 * x + 0.2 * generator.normal(size=48) - 0.4 * late
        reported = load + common * generator.normal() * late + own * generator.normal(size=48)
        members = reported + common * generator.normal(size=(200, 1)) * late + own * generator.normal(size=(200, 48))
        low, high = compare(reported, x, late, members, np.broadcast_to(x, members.shape)).shift.interval()
        held += low <= -0.4 <= high
    assert 0.85 <= held / runs <= 0.95


def test_an_error_that_both_periods_share_moves_no_shift_of_logarithms():
    y, x, late = pairs_of_lines()
    members = y + np.linspace(-1, 1, 200)[:, np.newaxis]
    assert compare(y, x, late, members, np.broadcast_to(x, members.shape)).loads_error == pytest.approx(0, abs=1e-6)


def test_a_share_less_is_found_where_a_share_less_is_there():
    result = compared(DESIGN, pairs())
    share, low, high = effect(result)
    assert result.logarithmic
    assert low < -0.3 < high
    assert share == pytest.approx(-0.3, abs=0.02)
    months = LATE.sum()
    expected = 0.9 * WINTER[LATE].sum()
    assert total_effect(result)[0] == pytest.approx(-0.3 * expected, rel=0.1)
    assert f"over the {months} months" in sentence(result, SITE)
    assert "30 % less nitrate_n than its pairing with P1" in sentence(result, SITE)


def test_an_error_of_loads_after_the_change_alone_is_an_error_of_the_shift():
    result = compared(DESIGN, pairs(relative=0.1 * LATE))
    # Members have a standard deviation of 0.986 times 10 %.
    assert result.found.loads_error == pytest.approx(0.1, rel=0.05)


def test_members_below_nothing_do_not_break_logarithms():
    result = compared(DESIGN, pairs(relative=0.8 * LATE))
    assert np.isfinite(result.found.shift.interval()).all()


def test_no_change_is_called_no_change():
    scatter = 1 + 0.2 * np.resize([1, -1, 0.5, -0.5, -1, 1], len(MONTHS))
    assert sentence(compared(DESIGN, pairs(0.9 * WINTER * scatter)), SITE).startswith("No change can be told.")


def test_negative_loads_are_compared_as_they_are_and_kept():
    control = WINTER.copy()
    control[[3, 20]] = -0.04
    own = 0.9 * control * np.where(LATE, 0.7, 1.0) * (1 + 0.05 * np.resize([1, -1, 0.5, -0.5, -1, 1], len(MONTHS)))
    result = compared(DESIGN, pairs(own, control))
    assert not result.logarithmic
    assert result.pairs.used.sum() == len(MONTHS) - 1
    with pytest.raises(DesignError, match="2 months have nothing or a negative value"):
        compared(DESIGN, pairs(own, control), "log")


def test_the_month_of_the_change_belongs_to_neither_period():
    rows = pairs().rows.set_index("period")
    assert rows.loc["2020-11", "left_out"] == "holds the change"
    assert not rows.loc["2020-10", "after"]
    assert rows.loc["2020-12", "after"]


def test_pairs_that_tell_nothing_are_left_out_with_their_reason():
    control = WINTER.copy()
    control[5] = 0.0
    own = 0.9 * control
    filled = np.where(np.arange(len(MONTHS)) == 7, 0.6, 0.1)
    hours = np.where(np.arange(len(MONTHS)) == 8, 500.0, 700.0)
    rows = pairs(own, control, filled=filled, load_hours=hours).rows
    assert rows["left_out"].iloc[[5, 7, 8]].to_list() == [
        "nothing drained",
        "more filled than measured",
        "not known in full",
    ]
    assert rows["left_out"].notna().sum() == 4


EVENTS = pd.DataFrame(
    {"event": ["2020-001", "2021-001"], "start": pd.to_datetime(["2020-03-01", "2021-01-05"], utc=True),
     "end": pd.to_datetime(["2020-03-01T04:00", "2021-01-05T03:00"], utc=True)}
)  # fmt: skip


def event_pairs(of="volume", **columns) -> pd.DataFrame:
    """Pairs of the control's two events: it drains 10 mm an hour in them and 1 mm at other times, the treated 4 mm at all times; 5 mg/L."""
    start = pd.date_range("2020-02-29", "2021-01-06", freq="h", tz="UTC")
    event = np.logical_or.reduce([(start >= row.start) & (start < row.end) for row in EVENTS.itertuples()])
    depth = {"P1": np.where(event, 10.0, 1.0), "P2": np.full(start.size, 4.0)}
    hours = pd.concat(
        [pd.DataFrame({"plot": plot, "hour_start": start, "net_l": depth[plot] * 1e4 * AREA_HA[plot], "measured_fraction": 1.0})
         for plot in depth]
    )  # fmt: skip
    concentration = hours[["plot", "hour_start"]].assign(mg_l=5.0)
    design = dataclasses.replace(DESIGN, of=of, by="event")
    return pair_events(hours.assign(**columns), concentration, EVENTS, SITE, design).rows


def test_an_event_is_the_time_of_the_control_s_event_in_both_plots():
    rows = event_pairs()
    assert rows["period"].to_list() == ["2020-001", "2021-001"]
    assert rows["after"].to_list() == [False, True]
    assert rows["control"].to_list() == pytest.approx([40, 30])
    assert rows["treated"].to_list() == pytest.approx([16, 12])


def test_a_load_of_an_event_is_hourly_volume_times_concentration():
    # 1 mm of 5 mg/L is 0.05 kg/ha.
    assert event_pairs("nitrate_n")["treated"].to_list() == pytest.approx([0.8, 0.6])


def test_an_event_that_was_filled_or_is_not_known_in_full_is_left_out():
    assert event_pairs(measured_fraction=0.4)["left_out"].to_list() == ["more filled than measured"] * 2
    assert event_pairs(net_l=np.nan)["left_out"].to_list() == ["not known in full"] * 2


def test_a_year_is_the_sum_of_its_months():
    design = Design("P2", "P1", "nitrate_n", "year", FIRST, CHANGE, LAST, "", "")
    years = np.array([int(month[:4]) + (month[5:] > "09") for month in MONTHS])
    both = pd.concat([members_of(plot, WINTER).assign(water_year=years) for plot in ("P1", "P2")])
    rows = pair_up(both, SITE, design).rows
    assert rows["period"].to_list() == ["2020", "2021", "2022"]
    assert rows["treated"].iloc[0] == pytest.approx(WINTER[:12].sum())
    assert rows["left_out"].fillna("").to_list() == ["", "holds the change", ""]


@pytest.mark.parametrize(
    ("made", "words"),
    [
        (lambda: pairs(filled=np.where(LATE, 0.1, 0.7)), "There is no calibration period: 0 usable months.*13 \\(more filled"),
        (lambda: pairs(filled=np.where(np.arange(36) > 16, 0.7, 0.1)), "treatment period is too short: 3 usable months"),
        (lambda: pairs(control=WINTER + 5 * LATE), "lie within what P1 had before"),
        (lambda: pairs(0.5 + np.resize([0.1, 0.9, 0.4, 0.7, 0.2], 36)), "do not go together"),
        (lambda: pairs(WINTER * np.exp(0.05 * np.sin(np.arange(36) / 4))), "carries over to the\\s+next"),
        (lambda: pairs(control=np.ones(36), treated=WINTER), "one and the same value"),
    ],
)  # fmt: skip
def test_a_design_that_cannot_carry_a_comparison_is_refused_with_its_reason(made, words):
    with pytest.raises(DesignError, match=words):
        compared(DESIGN, made())


def test_what_is_not_named_comes_from_the_register():
    meant = designs(SITE, "P2", None, None, "nitrate_n", "month")
    assert {design.control for design in meant} == {"P1", "P3", "P5"}
    assert {(design.change, design.since, design.until) for design in meant} == {(CHANGE, FIRST, LAST)}
    assert (meant[0].before, meant[0].afterwards) == ("free drainage", "controlled drainage")


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ((None, None, None), "Which plot was treated\\? Name it; treatments.csv has a change for P2, P4"),
        (("P3", "P1", None), "When did the treatment change\\? Give the day; treatments.csv has none for P3"),
        (("P2", "P4", None), "Plot P4 cannot be the control: its own treatment changed on 2020-11-14"),
        (("P2", "P2", None), "its own control"),
        (("P9", None, None), "There is no plot P9"),
        (("P2", "P1", datetime(2018, 1, 1, tzinfo=UTC)), "does not lie within the record"),
    ],
)
def test_a_design_that_is_not_one_is_refused_before_anything_is_read(asked, words):
    with pytest.raises(DesignError, match=words):
        designs(SITE, *asked, "nitrate_n", "month")


def test_a_calibration_begins_with_the_change_before():
    site = SITE.model_copy(
        update={
            "treatments": (
                *(row for row in SITE.treatments if row.plot != "P2"),
                *(
                    SITE.treatments[0].model_copy(update={"plot": "P2", "treatment": name, "start": start, "end": None})
                    for name, start in (("a", FIRST), ("b", SITE.midnight(date(2020, 3, 1))), ("c", CHANGE))
                ),
            )
        }
    )
    assert len(changes(site, "P2")) == 2
    (design,) = designs(site, "P2", "P1", CHANGE, "volume", "month")
    assert design.since == SITE.midnight(date(2020, 3, 1))


def test_the_control_is_chosen_by_the_calibration_alone():
    # Goes badly with the treated before the change, and so well with its high values after it that all pairs together go better.
    control = np.where(LATE, 20 * WINTER, np.resize([1.0, 2.0, 1.5, 0.5, 2.2], 36))
    bad = pairs(np.where(LATE, 18 * WINTER, 0.9 * WINTER), control)
    other = dataclasses.replace(DESIGN, control="P3")
    assert best_control([(other, bad), (DESIGN, pairs())])[0].control == "P1"


@pytest.fixture(scope="module")
def result() -> PlotsCompared:
    return compared(DESIGN, pairs())


def test_the_picture_tells_what_was_found_to_those_who_do_not_see_it(result):
    svg = ElementTree.fromstring(comparison_picture(result, SITE))
    (description,) = svg.iter("{http://www.w3.org/2000/svg}desc")
    assert description.text == sentence(result, SITE)


def test_the_picture_has_a_mark_for_every_pair_and_other_marks_after_the_change(result):
    svg = ElementTree.fromstring(comparison_picture(result, SITE))
    counted = {name: len(list(svg.iter(f"{{http://www.w3.org/2000/svg}}{name}"))) for name in ("circle", "rect")}
    # One mark each is the key's; one rectangle is the ground.
    assert counted == {"circle": (~LATE).sum() - 1 + 1, "rect": LATE.sum() + 2}
