"""What the meter knows of each sample: which water, whether a composite fits its window, which results speak for a plot."""

from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.lake import open_session
from pipeline.site import load_site
from pipeline.stages.sample_flow import drainage_results, receiving_water_results, sample_flow
from pipeline.tables import table
from pipeline.tables.schema import arrow_schema

SITE = load_site(Path(__file__).parents[1] / "configs" / "sedge-hollow")
YEAR = 2021
BEGIN = pd.Timestamp("2021-03-01T06:00Z")
TEN_MINUTES = pd.Timedelta(minutes=10)
NO_OUTAGES = arrow_schema(table("outages")).empty_table().to_pandas()


def flow_of(net_l, start=BEGIN, plot="P1", step=TEN_MINUTES, reverse_l=None) -> pd.DataFrame:
    """Rows of interval_flow: one interval after another; a value that is not a number is an interval without a record."""
    net = np.asarray(net_l, dtype=float)
    back = np.maximum(-net, 0.0) if reverse_l is None else np.asarray(reverse_l, dtype=float)
    first = start + step * np.arange(net.size)
    rows = pd.DataFrame(
        {
            "plot": plot,
            "meter": f"{plot}m",
            "interval_start": pd.DatetimeIndex(first).as_unit("us"),
            "interval_end": pd.DatetimeIndex(first + step).as_unit("us"),
            "forward_l": net + back,
            "reverse_l": back,
            "net_l": net,
            "flow_l_min": net / (step / pd.Timedelta(minutes=1)),
            "calibration": "c",
            "below_range": False,
            "quality": "ok",
        }
    )
    return rows[np.isfinite(net)].reset_index(drop=True)


def sample(**cells) -> dict:
    return {
        "sample": "S1",
        "plot": "P1",
        "kind": "grab",
        "water": "drainage",
        "start": BEGIN,
        "end": cells.get("start", BEGIN),
        "pacing_l": np.nan,
        "pacing_min": np.nan,
        "aliquots": None,
        "aliquots_possible": None,
        **cells,
    }


def composite(hours: float, **cells) -> dict:
    start = cells.get("start", BEGIN)
    return sample(**{"kind": "flow_composite", "end": start + pd.Timedelta(hours=hours), **cells})


def book(*samples: dict) -> pd.DataFrame:
    rows = pd.DataFrame(list(samples))
    return rows.astype(
        {
            "sample": "str",
            "plot": "str",
            "start": "datetime64[us, UTC]",
            "end": "datetime64[us, UTC]",
            "aliquots": "Int64",
            "aliquots_possible": "Int64",
        }
    )


@pytest.fixture(scope="module")
def session():
    with open_session() as opened:
        yield opened


@pytest.fixture
def placed(session):
    """Places samples in a record of flow."""

    def place(flow: pd.DataFrame, *samples: dict, outages=NO_OUTAGES, site=SITE, year=YEAR) -> pd.DataFrame:
        return placed_in(session, flow, *samples, outages=outages, site=site, year=year)

    return place


def placed_in(
    session: duckdb.DuckDBPyConnection, flow, *samples, outages=NO_OUTAGES, site=SITE, year=YEAR
) -> pd.DataFrame:
    return sample_flow(session, book(*samples), session.from_df(flow), outages, site, year)


def only(frame: pd.DataFrame) -> pd.Series:
    assert len(frame) == 1
    return frame.iloc[0]


def minutes(number: float) -> pd.Timestamp:
    return BEGIN + pd.Timedelta(minutes=number)


def test_columns_are_those_of_the_declaration(placed):
    assert tuple(placed(flow_of([10.0] * 6), sample()).columns) == table("sample_flow").names


def test_a_year_holds_the_samples_that_begin_in_it(placed):
    start = pd.Timestamp(SITE.water_year_period(YEAR)[0])
    samples = [
        sample(sample="before", start=start - TEN_MINUTES),
        sample(sample="first", start=start),
        sample(sample="in"),
    ]
    assert set(placed(flow_of([10.0]), *samples)["sample"]) == {"first", "in"}


def test_a_blank_has_no_flow(placed):
    assert len(placed(flow_of([10.0]), sample(plot=None, water="blank"))) == 0


# Which water it is


def test_a_grab_from_a_running_drain_is_drainage(placed):
    row = only(placed(flow_of([20.0] * 12), sample(start=minutes(65))))
    assert (row["water"], row["flow_l_min"], row["backward_share"], row["metered_fraction"]) == (
        "drainage",
        2.0,
        0.0,
        1.0,
    )


def test_a_grab_while_water_runs_backwards_is_water_of_the_ditch(placed):
    row = only(placed(flow_of([20.0] * 6 + [-5.0] * 6), sample(start=minutes(65))))
    assert (row["water"], row["flow_l_min"]) == ("receiving", -0.5)
    assert "water of the ditch" in row["remark"]


def test_the_interval_that_begins_with_a_grab_tells_its_direction(placed):
    flow = flow_of([20.0] * 6 + [-5.0] * 6)
    samples = [
        sample(sample="last", start=minutes(60) - pd.Timedelta(seconds=1)),
        sample(sample="first", start=minutes(60)),
    ]
    assert placed(flow, *samples).set_index("sample")["water"].to_dict() == {"last": "drainage", "first": "receiving"}


def test_between_two_reverse_pulses_the_hour_tells_the_direction(placed):
    # So slow that an interval in three counts a pulse.
    flow = flow_of([30.0] * 6 + [0.0, 0.0, -8.0] * 6)
    assert only(placed(flow, sample(start=minutes(125))))["water"] == "receiving"


def test_the_direction_does_not_hang_on_how_much_runs(placed):
    small, large = (flow_of([100.0] * 6 + [-amount] * 6) for amount in (1e-3, 1e3))
    samples = sample(start=minutes(65))
    assert only(placed(small, samples))["water"] == only(placed(large, samples))["water"] == "receiving"


def test_water_that_runs_out_again_may_still_be_of_the_ditch(placed):
    # 30 L ran back; after three intervals of 10 L they have run out again.
    flow = flow_of([20.0] * 6 + [-10.0] * 3 + [10.0] * 6)
    samples = [sample(sample=f"S{number}", start=minutes(90 + 10 * number + 5)) for number in range(4)]
    assert placed(flow, *samples)["water"].tolist() == ["mixed", "mixed", "drainage", "drainage"]


def test_after_an_hour_without_a_record_nothing_is_known_of_what_ran_back(placed):
    flow = flow_of([20.0] * 6 + [-10.0] * 3 + [np.nan] * 7 + [10.0] * 6)
    assert only(placed(flow, sample(start=minutes(165))))["water"] == "drainage"


def test_a_record_that_begins_with_backward_flow_has_it_backed_up(placed):
    flow = flow_of([-10.0] * 3 + [10.0] * 6)
    samples = [sample(sample="S1", start=minutes(35)), sample(sample="S2", start=minutes(65))]
    assert placed(flow, *samples)["water"].tolist() == ["mixed", "drainage"]


def test_a_grab_where_nothing_ran_is_of_standing_water(placed):
    assert only(placed(flow_of([20.0] * 2 + [0.0] * 12), sample(start=minutes(85))))["water"] == "standing"


def test_a_grab_without_a_record_is_taken_for_drainage_of_unknown_flow(placed):
    row = only(placed(flow_of([20.0] * 6 + [np.nan] * 12), sample(start=minutes(125))))
    assert (row["water"], row["metered_fraction"]) == ("unknown", 0.0)
    assert pd.isna(row["flow_l_min"])
    assert pd.isna(row["backward_share"])


def test_a_record_inside_an_outage_tells_nothing(placed):
    out = pd.DataFrame([{"plot": "P1", "start": minutes(30), "end": minutes(90)}])
    outages = NO_OUTAGES.reindex(range(1)).assign(**out.iloc[0])
    outages = outages.astype({"start": "datetime64[us, UTC]", "end": "datetime64[us, UTC]"})
    assert only(placed(flow_of([-20.0] * 12), sample(start=minutes(65)), outages=outages))["water"] == "unknown"


def test_another_plots_flow_tells_nothing(placed):
    assert only(placed(flow_of([-20.0] * 12, plot="P2"), sample(start=minutes(65))))["water"] == "unknown"


def test_the_field_book_is_believed_where_it_says_ditch(placed):
    assert only(placed(flow_of([20.0] * 12), sample(start=minutes(65), water="receiving")))["water"] == "receiving"


# Composites: volumes of windows


def test_a_window_has_the_volume_that_was_metered_in_it(placed):
    # Three hours of 10 L in ten minutes, of which a window takes one and a half, shared out by time at its edges.
    row = only(placed(flow_of([10.0] * 18), composite(1.5, start=minutes(15))))
    assert (row["forward_l"], row["reverse_l"], row["metered_fraction"]) == (pytest.approx(90.0), 0.0, 1.0)
    assert row["flow_l_min"] == pytest.approx(1.0)


volumes = st.lists(st.floats(-50, 50, allow_nan=False).map(lambda v: round(v, 3)), min_size=6, max_size=30)


@settings(max_examples=25, deadline=None)
@given(volumes, st.integers(0, 59), st.integers(1, 200))
def test_windows_that_follow_one_another_add_up(session, net, start, length):
    flow = flow_of(net)
    halves = [composite(length / 60, sample="A", start=minutes(start)),
              composite(length / 60, sample="B", start=minutes(start + length)),
              composite(2 * length / 60, sample="whole", start=minutes(start))]  # fmt: skip
    rows = placed_in(session, flow, *halves).set_index("sample").fillna({"forward_l": 0.0, "reverse_l": 0.0})
    for volume in ("forward_l", "reverse_l"):
        assert rows[volume]["A"] + rows[volume]["B"] == pytest.approx(rows[volume]["whole"], abs=1e-4)


@settings(max_examples=25, deadline=None)
@given(volumes)
def test_what_ran_back_and_out_again_is_what_the_running_maximum_leaves(session, net):
    # Independent: numpy's running maximum of the net volume that has run out, in whole microlitres as litres of three decimals.
    rows = placed_in(session, flow_of(net), composite(len(net) / 6))
    out = np.cumsum(net)
    new = max(np.maximum.accumulate(np.append(0.0, out))[-1], 0.0)
    ran = np.maximum(net, 0.0).sum()
    share = only(rows)["backward_share"]
    if ran > 0:
        assert share == pytest.approx(1 - new / ran, abs=1e-6)
    else:
        assert share == float(np.any(np.asarray(net) < 0))


def test_a_total_that_a_running_counter_knows_counts_in_a_window_that_holds_it_whole(placed):
    flow = flow_of([10.0] * 6)
    total = flow_of([600.0], start=minutes(60), step=pd.Timedelta(hours=3)).assign(quality="spans_gap")
    whole = composite(4, sample="whole")
    half = composite(2, sample="half")
    rows = placed(pd.concat([flow, total], ignore_index=True), whole, half).set_index("sample")
    assert (rows["forward_l"]["whole"], rows["metered_fraction"]["whole"]) == (pytest.approx(660.0), 1.0)
    assert (rows["forward_l"]["half"], rows["metered_fraction"]["half"]) == (pytest.approx(60.0), 0.5)


@pytest.mark.parametrize(
    ("back", "water"), [(0.0, "drainage"), (5.0, "drainage"), (15.0, "mixed"), (49.0, "mixed"), (60.0, "receiving")]
)
def test_a_flow_composite_is_what_most_of_its_volume_is(placed, back, water):
    # First water runs back, then 100 L run out, of which as much is water that returns.
    assert only(placed(flow_of([-back] + [20.0] * 5), composite(1)))["water"] == water


def test_a_time_composite_is_judged_by_time(placed):
    # Six of twelve intervals ran back, though little: two more until that ran out again.
    flow = flow_of([50.0] * 4 + [-1.0] * 6 + [3.0] * 2)
    row = only(placed(flow, composite(2, kind="time_composite")))
    assert (row["backward_share"], row["water"]) == (pytest.approx(7 / 12), "receiving")


# Composites: aliquots against pacing


@pytest.mark.parametrize(
    ("aliquots", "pacing"),
    [
        (60, "matches"),
        (53, "matches"),
        (67, "matches"),
        (52, "fewer"),
        (29, "half_filled"),
        (68, "more"),
        (0, "half_filled"),
    ],
)
def test_aliquots_are_held_against_the_metered_volume(placed, aliquots, pacing):
    # 12 hours of 10 L in ten minutes: 720 L, at 12 L an aliquot 60; a tenth and one aliquot are 7.
    row = only(placed(flow_of([10.0] * 72), composite(12, pacing_l=12.0, aliquots=aliquots)))
    assert row["aliquots_expected"] == pytest.approx(60.0)
    assert row["pacing"] == pacing


def test_what_does_not_fit_is_told_in_words(placed):
    row = only(placed(flow_of([10.0] * 72), composite(12, pacing_l=12.0, aliquots=20)))
    assert "took 20 aliquots; the metered volume asks for 60.0" in row["remark"]


def test_a_site_may_be_stricter(placed):
    policies = SITE.policies.model_copy(update={"composite_tolerance_pct": 0.0})
    site = SITE.model_copy(update={"policies": policies})
    assert only(placed(flow_of([10.0] * 72), composite(12, pacing_l=12.0, aliquots=58), site=site))["pacing"] == "fewer"


def test_the_sampler_hears_forward_pulses_only(placed):
    flow = flow_of([10.0] * 36 + [-10.0] * 36)
    row = only(placed(flow, composite(12, pacing_l=12.0, aliquots=30)))
    assert (row["aliquots_expected"], row["pacing"]) == (pytest.approx(30.0), "matches")


@pytest.mark.parametrize("aliquots", [24, None])
def test_an_overrun_composite_stands_until_it_was_full(placed, aliquots):
    # 24 aliquots of 12 L are 288 L: at 1 L/min full after 288 minutes.
    row = only(placed(flow_of([10.0] * 72), composite(12, pacing_l=12.0, aliquots=aliquots, aliquots_possible=24)))
    assert row["pacing"] == "overrun"
    assert row["stands_until"] == minutes(288)
    assert "full before the window's end" in row["remark"]


def test_an_overrun_composite_is_full_when_the_flow_says_so_and_not_the_clock(placed):
    # 60 L in the first hour, nothing for ten, 300 L in the last: 120 L are reached a fifth into the last hour.
    flow = flow_of([10.0] * 6 + [0.0] * 60 + [50.0] * 6)
    row = only(placed(flow, composite(12, pacing_l=12.0, aliquots=10, aliquots_possible=10)))
    assert row["stands_until"] == minutes(660 + 12)


def test_a_container_that_the_window_just_fills_is_not_overrun(placed):
    row = only(placed(flow_of([10.0] * 72), composite(12, pacing_l=12.0, aliquots=60, aliquots_possible=60)))
    assert (row["pacing"], row["stands_until"]) == ("matches", minutes(720))


def test_a_time_composite_asks_for_its_length_by_its_pacing(placed):
    row = only(placed(flow_of([10.0]), composite(12, kind="time_composite", pacing_min=30.0, aliquots=24)))
    assert (row["aliquots_expected"], row["pacing"]) == (24.0, "matches")


def test_an_overrun_time_composite_stands_until_it_was_full(placed):
    cells = {"kind": "time_composite", "pacing_min": 30.0, "aliquots": 10, "aliquots_possible": 10}
    row = only(placed(flow_of([10.0]), composite(12, **cells)))
    assert (row["pacing"], row["stands_until"]) == ("overrun", minutes(300))


@pytest.mark.parametrize(("aliquots", "pacing"), [(20, "half_filled"), (60, "not_checked"), (90, "not_checked")])
def test_of_a_window_metered_in_part_only_too_few_aliquots_are_told(placed, aliquots, pacing):
    # The metered 10 of 12 hours alone ask for 50.
    flow = flow_of([10.0] * 60)
    row = only(placed(flow, composite(12, pacing_l=12.0, aliquots=aliquots)))
    assert row["pacing"] == pacing
    assert "Only 83% of the window was metered" in row["remark"]


@pytest.mark.parametrize("cells", [{}, {"pacing_l": 12.0}, {"aliquots": 60}])
def test_without_pacing_or_aliquots_nothing_is_checked(placed, cells):
    assert only(placed(flow_of([10.0] * 72), composite(12, **cells)))["pacing"] == "not_checked"


def test_a_full_container_without_a_pacing_is_told(placed):
    row = only(placed(flow_of([10.0] * 72), composite(12, aliquots=24, aliquots_possible=24)))
    assert "it is not known since when" in row["remark"]


def test_a_flow_composite_of_a_dry_window_is_told(placed):
    assert "Nothing drained in the window" in only(placed(flow_of([0.0] * 72), composite(12)))["remark"]


def test_a_grab_has_no_pacing(placed):
    row = only(placed(flow_of([10.0] * 12), sample(start=minutes(65))))
    assert pd.isna(row["pacing"])
    assert row["stands_until"] == minutes(65)


# Windows that overlap


def test_composites_that_share_time_name_one_another(placed):
    samples = [
        composite(12, sample="A"),
        composite(12, sample="B", start=minutes(700)),
        composite(1, sample="C", start=minutes(720)),
    ]
    rows = placed(flow_of([10.0]), *samples).set_index("sample")
    assert rows["overlaps"].fillna("").to_dict() == {"A": "B", "B": "A, C", "C": "B"}
    assert "shares time with that of A, C" in rows["remark"]["B"]


@pytest.mark.parametrize("other", [{"plot": "P2"}, {"start": minutes(720)}, {"kind": "grab", "end": BEGIN}])
def test_other_plots_touching_windows_and_moments_do_not_overlap(placed, other):
    rows = placed(flow_of([10.0]), composite(12, sample="A"), composite(12, **{"sample": "B", **other}))
    assert rows["overlaps"].isna().all()


# Which results speak for a plot


def results_of(*samples: dict) -> pd.DataFrame:
    rows = book(*samples).drop(columns=["pacing_l", "pacing_min", "aliquots", "aliquots_possible"])
    return rows.assign(
        analyte="nitrate_n", mg_l=8.0, censored=False, detection_limit_mg_l=0.2, uncertainty_mg_l=0.2
    )  # fmt: skip


def test_results_of_water_of_the_ditch_do_not_speak_for_the_plot(placed):
    samples = [
        sample(sample="out", start=minutes(5)),
        sample(sample="back", start=minutes(65)),
        sample(sample="ditch", start=minutes(5), water="receiving", plot=None),
        sample(sample="next year", start=BEGIN + pd.Timedelta(days=300)),
    ]
    flow = placed(flow_of([20.0] * 6 + [-20.0] * 6), *samples)
    assert drainage_results(results_of(*samples), flow)["sample"].tolist() == ["out", "next year"]


def test_the_window_of_an_overrun_composite_ends_where_it_was_full(placed):
    cells = composite(12, pacing_l=12.0, aliquots=24, aliquots_possible=24)
    kept = drainage_results(results_of(cells), placed(flow_of([10.0] * 72), cells))
    assert only(kept)["end"] == minutes(288)


def test_results_of_water_of_the_ditch_are_kept_with_their_evidence(placed):
    samples = [
        sample(sample="back", start=minutes(65)),
        sample(sample="ditch", start=minutes(5), water="receiving", plot=None),
        sample(sample="out", start=minutes(5)),
        sample(sample="another year", start=BEGIN + pd.Timedelta(days=300), water="receiving"),
    ]
    flow = placed(flow_of([20.0] * 6 + [-20.0] * 6), *samples)
    kept = receiving_water_results(results_of(*samples), flow, SITE, YEAR)
    assert kept.set_index("sample")["evidence"].to_dict() == {"ditch": "field_book", "back": "backward_flow"}
    assert tuple(kept.columns) == table("receiving_water_results").names


def test_every_result_speaks_for_a_plot_or_for_the_ditch(placed):
    samples = [sample(sample=f"S{number}", start=minutes(10 * number + 5)) for number in range(12)]
    flow = placed(flow_of([20.0, -30.0, 5.0] * 4), *samples)
    results = results_of(*samples)
    speaking, ditch = drainage_results(results, flow), receiving_water_results(results, flow, SITE, YEAR)
    assert sorted([*speaking["sample"], *ditch["sample"]]) == sorted(results["sample"])
