"""Promises of the hours: no holes, known totals kept, intervals, and how estimates stand to hidden truth."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.science.ensemble import ENSEMBLE_MEMBERS
from pipeline.site import Site
from pipeline.stages.hours import fill_hours
from pipeline.stages.meter_errors import measured_half_width_l
from pipeline.tables import table
from tests.field import Plan, simulate
from tests.small_site import small_site

START = datetime(2019, 10, 1, 6, tzinfo=UTC)
"""Midnight of 1 October in the small site's standard time."""
HOUR = timedelta(hours=1)
NO_TOTAL = pd.DataFrame(
    {
        "plot": pd.Series(dtype="str"),
        "start": pd.Series(dtype="datetime64[us, UTC]"),
        "end": pd.Series(dtype="datetime64[us, UTC]"),
        "net_l": pd.Series(dtype="float64"),
    }
)
NO_WEATHER = pd.DataFrame(
    {
        "hour_start": pd.Series(dtype="datetime64[us, UTC]"),
        "rain_mm": pd.Series(dtype="float64"),
        "air_temp_c": pd.Series(dtype="float64"),
    }
)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    return small_site(tmp_path_factory.mktemp("site"))


@pytest.fixture(scope="module")
def short_site(site: Site) -> Site:
    """The small site with a record of eighty days."""
    return site.model_copy(update={"last_day": date(2019, 12, 19)})


# The year without holes

HOURS = 80 * 24


def measured_frame(net: np.ndarray, fraction: np.ndarray, below: float = 0.0, start: datetime = START) -> pd.DataFrame:
    """Hours of north and south; net is of the whole hour, shape (2, hours)."""
    count = net.shape[1]
    metered = np.where(fraction > 0, net * fraction, np.nan)
    return pd.DataFrame(
        {
            "plot": np.repeat(["north", "south"], count),
            "hour_start": np.tile(pd.date_range(start, periods=count, freq="h", unit="us"), 2),
            "net_l": metered.ravel(),
            "forward_l": np.maximum(metered, 0).ravel(),
            "reverse_l": np.maximum(-metered, 0).ravel(),
            "measured_fraction": fraction.ravel(),
            "below_range_fraction": below,
            "meter": np.repeat(["M1", "M2"], count),
            "calibration": np.repeat(["M1 forward 2019-10-01", "M2 forward 2019-10-01"], count),
            "reverse_calibration": np.repeat(["M1 reverse 2019-10-01", "M2 reverse 2019-10-01"], count),
            "error_curve_l": 0.02 * np.abs(metered).ravel(),
            "counting_l": np.where(fraction > 0, 5.0, np.nan).ravel(),
        }
    )


def total(first: float, last: float, litres: float, plot: str = "north") -> pd.DataFrame:
    return pd.DataFrame(
        {
            "plot": [plot],
            "start": [pd.Timestamp(START + first * HOUR)],
            "end": [pd.Timestamp(START + last * HOUR)],
            "net_l": [litres],
        }
    )


def invented(seed: int, hours: int = HOURS) -> np.ndarray:
    """Hourly litres of two like plots, some of it backwards, shape (2, hours)."""
    generator = np.random.Generator(np.random.PCG64(seed))
    pulse = generator.gamma(1, 400, hours) * (generator.random(hours) < 0.02)
    kernel = np.exp(-np.arange(200) / 40)
    common = np.convolve(pulse, kernel)[:hours]
    backward = generator.random(hours) < 0.03
    return np.where(backward, -60.0, common) * np.array([[1.0], [1.8]]) * generator.uniform(0.9, 1.1, (2, hours))


def north(frame: pd.DataFrame) -> pd.DataFrame:
    return frame[frame["plot"] == "north"].reset_index(drop=True)


@st.composite
def records(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray]:
    """Litres and measured fractions with gaps of all lengths and partly metered hours at their edges."""
    net = invented(draw(st.integers(0, 1000)))
    fraction = np.ones_like(net)
    for plot in range(2):
        for _ in range(draw(st.integers(0, 6))):
            first = draw(st.integers(0, HOURS - 1))
            fraction[plot, first : first + draw(st.integers(1, 600))] = 0.0
            fraction[plot, first] = draw(st.sampled_from([0.0, 1 / 6, 0.5, 5 / 6]))
    return net, fraction


quick = settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@quick
@given(records())
def test_no_plot_hour_of_the_year_is_missing_or_doubled(short_site: Site, record: tuple[np.ndarray, np.ndarray]) -> None:
    filled = fill_hours(measured_frame(*record), NO_TOTAL, NO_WEATHER, short_site, 2020).hours
    expected = pd.MultiIndex.from_product([["north", "south"], pd.date_range(START, periods=HOURS, freq="h", unit="us")])
    assert pd.MultiIndex.from_frame(filled[["plot", "hour_start"]]).equals(expected.set_names(["plot", "hour_start"]))
    assert (filled["net_l"].isna() == (filled["basis"] == "unfilled")).all()


@quick
@given(records())
def test_measured_hours_stay_as_they_were_metered(short_site: Site, record: tuple[np.ndarray, np.ndarray]) -> None:
    net, fraction = record
    filled = fill_hours(measured_frame(net, fraction), NO_TOTAL, NO_WEATHER, short_site, 2020).hours
    whole = fraction.ravel() == 1.0
    assert np.allclose(filled["net_l"].to_numpy()[whole], net.ravel()[whole], rtol=1e-12)
    assert set(filled["basis"][whole]) <= {"measured", "measured_below_range"}
    assert (np.sign(filled["net_l"].to_numpy()[whole]) == np.sign(net.ravel()[whole])).all()


@quick
@given(records())
def test_every_hour_lies_within_its_own_interval(short_site: Site, record: tuple[np.ndarray, np.ndarray]) -> None:
    filled = fill_hours(measured_frame(*record), NO_TOTAL, NO_WEATHER, short_site, 2020).hours.dropna()
    assert (filled["net_l_p05"] <= filled["net_l"]).all()
    assert (filled["net_l"] <= filled["net_l_p95"]).all()


@quick
@given(
    records(),
    st.integers(100, 1500),
    st.floats(1.1, 300),
    st.floats(-1e4, 1e5),
)
def test_a_total_across_a_gap_is_kept_exactly(
    short_site: Site, record: tuple[np.ndarray, np.ndarray], first: int, length: float, litres: float
) -> None:
    net, fraction = record
    # Six parts of an hour, as ten-minute records have them.
    length = round(length * 6) / 6
    last = first + 1 / 3 + length
    metered = np.clip(np.arange(HOURS + 1), first + 1 / 3, last)
    fraction[0] = np.where(np.diff(metered) > 0, 0.0, fraction[0])
    fraction[0, first] = 1 / 3
    fraction[0, int(np.floor(last))] = 1 - (last - np.floor(last))
    inside = slice(first, int(np.ceil(last)))
    filled = fill_hours(
        measured_frame(net, fraction), total(first + 1 / 3, last, litres), NO_WEATHER, short_site, 2020
    ).hours
    hours = north(filled)["net_l"].to_numpy()
    size = np.abs(hours[inside]).sum() + abs(litres)
    assert (hours[inside] - (net * fraction)[0, inside]).sum() == pytest.approx(litres, abs=1e-9 * size + 1e-9)


def test_every_member_adds_up_to_a_known_total(short_site: Site) -> None:
    net, fraction = invented(13), np.ones((2, HOURS))
    fraction[0, 500:560] = 0.0
    filled = fill_hours(measured_frame(net, fraction), total(500, 560, 4321.0), NO_WEATHER, short_site, 2020)
    members = np.stack(filled.members["net_l"].to_numpy())
    assert members.shape == (60, ENSEMBLE_MEMBERS)
    assert np.allclose(members.sum(axis=0, dtype=float), 4321.0, rtol=1e-5)


def test_an_estimated_hour_is_the_mean_of_its_members_within_their_percentiles(short_site: Site) -> None:
    fraction = np.ones((2, HOURS))
    fraction[0, 300:303] = fraction[0, 700:900] = fraction[:, 1200:1300] = 0.0
    filled = fill_hours(measured_frame(invented(17), fraction), NO_TOTAL, NO_WEATHER, short_site, 2020)
    rows = filled.members.merge(filled.hours, on=["plot", "hour_start"], suffixes=("_members", ""), validate="one_to_one")
    members = np.stack(rows["net_l_members"].to_numpy()).astype(float)
    assert len(rows) == 3 + 200 + 2 * 100
    assert np.allclose(members.mean(axis=1), rows["net_l"], rtol=1e-6, atol=1e-6)
    assert np.allclose(np.quantile(members, 0.05, axis=1), rows["net_l_p05"], rtol=1e-5, atol=1e-4)


def test_members_are_the_same_whatever_happens_to_another_plot_in_other_months(short_site: Site) -> None:
    # What is drawn depends on the gap's own name; the models may learn a little more, so that members are alike and not the same.
    net = invented(18)
    fraction = np.ones((2, HOURS))
    fraction[0, 700:800] = 0.0
    other = fraction.copy()
    other[1, 1700:1710] = 0.0
    drawn = []
    for each in (fraction, other):
        members = fill_hours(measured_frame(net, each), NO_TOTAL, NO_WEATHER, short_site, 2020).members
        drawn.append(np.stack(members.loc[members["plot"] == "north", "net_l"].to_numpy()).sum(axis=0))
    assert np.corrcoef(*drawn)[0, 1] > 0.99


def test_two_totals_that_meet_within_an_hour_are_both_kept(short_site: Site) -> None:
    net, fraction = invented(10), np.ones((2, HOURS))
    fraction[0, 500:540] = 0.0
    both = pd.concat([total(500, 520 + 1 / 3, 3000.0), total(520 + 1 / 3, 540, 50_000.0)], ignore_index=True)
    filled = north(fill_hours(measured_frame(net, fraction), both, NO_WEATHER, short_site, 2020).hours)
    assert filled["net_l"][500:540].sum() == pytest.approx(53_000.0, rel=1e-9)
    assert (filled["basis"][500:540] == "total_known").all()


def test_an_hour_metered_for_half_its_time_stands_for_the_whole(short_site: Site) -> None:
    net, fraction = invented(3), np.ones((2, HOURS))
    fraction[0, 500], fraction[0, 600] = 0.5, 1 / 3
    filled = north(fill_hours(measured_frame(net, fraction), NO_TOTAL, NO_WEATHER, short_site, 2020).hours)
    assert filled["basis"][500].startswith("measured")
    assert filled["net_l"][500] == pytest.approx(net[0, 500])
    assert filled["basis"][600] == "bridged"
    fraction[0, 600] = 0.0
    whole = north(fill_hours(measured_frame(net, fraction), NO_TOTAL, NO_WEATHER, short_site, 2020).hours)["net_l"][600]
    assert filled["net_l"][600] == pytest.approx(net[0, 600] / 3 + 2 / 3 * whole, rel=1e-6)
    assert filled["measured_fraction"][600] == pytest.approx(1 / 3)


def test_an_hour_most_of_whose_water_ran_too_slowly_says_so(short_site: Site) -> None:
    frame = measured_frame(invented(4), np.ones((2, HOURS)))
    frame.loc[frame.index[:3], "below_range_fraction"] = [0.49, 0.5, 1.0]
    filled = fill_hours(frame, NO_TOTAL, NO_WEATHER, short_site, 2020).hours
    assert filled["basis"][:3].tolist() == ["measured", "measured_below_range", "measured_below_range"]


def test_a_total_known_across_a_gap_says_so(short_site: Site) -> None:
    net, fraction = invented(5), np.ones((2, HOURS))
    fraction[0, 500:560] = 0.0
    filled = north(fill_hours(measured_frame(net, fraction), total(500, 540, 9000.0), NO_WEATHER, short_site, 2020).hours)
    assert (filled["basis"][500:540] == "total_known").all()
    assert (filled["basis"][540:560] == "from_neighbours").all()


def test_a_plot_without_any_record_is_unfilled(short_site: Site) -> None:
    fraction = np.ones((2, HOURS))
    fraction[1] = 0.0
    filled = fill_hours(measured_frame(invented(6), fraction), NO_TOTAL, NO_WEATHER, short_site, 2020).hours
    south = filled[filled["plot"] == "south"]
    assert (south["basis"] == "unfilled").all()
    assert south[["net_l", "net_l_p05", "net_l_p95"]].isna().all(axis=None)


def test_the_receiving_waters_level_tells_of_backward_flow_when_all_plots_are_dark(short_site: Site) -> None:
    # Water runs back in the hours in which the ditch stands high, and the rain knows nothing of that.
    generator = np.random.Generator(np.random.PCG64(19))
    level = np.convolve(generator.normal(0, 1, HOURS + 60), np.ones(60) / 8, "valid")[:HOURS]
    high = level > np.quantile(level, 0.85)
    net = np.where(high, -80.0 * (level - np.quantile(level, 0.8)), 60.0) * np.array([[1.0], [1.7]])
    fraction = np.ones((2, HOURS))
    dark = slice(1000, 1500)
    fraction[:, dark] = 0.0
    gauges = pd.DataFrame(
        {
            "gauge": "ditch",
            "quantity": "water_level",
            "plot": None,
            "interval_start": pd.date_range(START, periods=HOURS, freq="h", unit="us"),
            "interval_end": pd.date_range(START + HOUR, periods=HOURS, freq="h", unit="us"),
            "value": level,
        }
    )
    given = (measured_frame(net, fraction), NO_TOTAL, NO_WEATHER, short_site, 2020)
    told, untold = (north(fill_hours(*given, each).hours)["net_l"][dark].to_numpy() for each in (gauges, None))
    assert told[high[dark]].sum() == pytest.approx(net[0, dark][high[dark]].sum(), rel=0.2)
    error = [np.sqrt(np.mean((each - net[0, dark]) ** 2)) for each in (told, untold)]
    assert error[0] < 0.3 * error[1]


def with_policies(site: Site, **policies: int) -> Site:
    return site.model_copy(update={"policies": site.policies.model_copy(update=policies)})


def test_a_gap_longer_than_the_weather_may_fill_stays_unfilled_and_a_shorter_one_does_not(short_site: Site) -> None:
    fraction = np.ones((2, HOURS))
    fraction[:, 200 : 200 + 10 * 24] = fraction[:, 1000 : 1000 + 10 * 24 + 1] = 0.0
    site = with_policies(short_site, weather_longest_days=10)
    filled = fill_hours(measured_frame(invented(14), fraction), NO_TOTAL, NO_WEATHER, site, 2020)
    hours = north(filled.hours)
    assert (hours["basis"][200:440] == "from_weather").all()
    assert (hours["basis"][1000:1241] == "unfilled").all()
    assert hours["net_l"][1000:1241].isna().all()
    assert not filled.members["hour_start"].between(hours["hour_start"][1000], hours["hour_start"][1240]).any()


def test_neighbours_fill_no_longer_than_their_policy_lets_them(short_site: Site) -> None:
    fraction = np.ones((2, HOURS))
    fraction[0, 200 : 200 + 5 * 24 + 1] = fraction[0, 1000 : 1000 + 5 * 24] = 0.0
    site = with_policies(short_site, neighbours_longest_days=5)
    basis = north(fill_hours(measured_frame(invented(15), fraction), NO_TOTAL, NO_WEATHER, site, 2020).hours)["basis"]
    assert (basis[200:321] == "unfilled").all()
    assert (basis[1000:1120] == "from_neighbours").all()


def test_what_a_counter_tells_is_filled_however_long_the_gap(short_site: Site) -> None:
    fraction = np.ones((2, HOURS))
    fraction[:, 200:600] = 0.0
    site = with_policies(short_site, weather_longest_days=10)
    filled = fill_hours(measured_frame(invented(16), fraction), total(200, 300, 7000.0), NO_WEATHER, site, 2020)
    hours = north(filled.hours)
    assert (hours["basis"][200:300] == "total_known").all()
    assert hours["net_l"][200:300].sum() == pytest.approx(7000.0, rel=1e-6)
    assert (hours["basis"][300:600] == "unfilled").all()


def test_a_known_total_fills_even_a_plot_without_any_record(short_site: Site) -> None:
    fraction = np.ones((2, HOURS))
    fraction[1] = 0.0
    known = total(10, 20, 500.0, plot="south")
    filled = fill_hours(measured_frame(invented(6), fraction), known, NO_WEATHER, short_site, 2020).hours
    south = filled[filled["plot"] == "south"].reset_index(drop=True)
    assert south["net_l"][10:20].tolist() == pytest.approx([50.0] * 10)
    assert (south["basis"][10:20] == "total_known").all()


def test_measured_hours_carry_the_errors_of_their_meter_completed_to_the_hour(short_site: Site) -> None:
    net, fraction = invented(11), np.ones((2, HOURS))
    fraction[0, 500] = 0.5
    frame = measured_frame(net, fraction)
    filled = fill_hours(frame, NO_TOTAL, NO_WEATHER, short_site, 2020).hours
    half_width = measured_half_width_l(frame, short_site) / fraction.ravel()
    assert np.allclose(filled["net_l_p95"] - filled["net_l"], half_width)
    assert np.allclose(filled["net_l"] - filled["net_l_p05"], half_width)


def test_a_total_that_two_years_share_is_divided_and_not_doubled(site: Site) -> None:
    count = 731 * 24
    net, fraction = invented(7, count), np.ones((2, count))
    turn = 366 * 24
    fraction[0, turn - 100 : turn + 80] = 0.0
    hours, known = measured_frame(net, fraction), total(turn - 100, turn + 80, 40_000.0)
    parts = [north(fill_hours(hours, known, NO_WEATHER, site, year).hours)["net_l"] for year in (2020, 2021)]
    in_2020, in_2021 = parts[0][turn - 100 :].sum(), parts[1][:80].sum()
    assert in_2020 + in_2021 == pytest.approx(40_000.0, rel=1e-9)
    assert min(in_2020, in_2021) > 0


def test_a_total_across_three_years_is_kept_though_no_year_but_the_middle_one_sees_it_whole(site: Site) -> None:
    count, first, last = 1096 * 24, 360 * 24, 740 * 24
    longer = site.model_copy(update={"last_day": date(2022, 9, 30)})
    net, fraction = invented(12, count), np.ones((2, count))
    fraction[0, first:last] = 0.0
    hours, known = measured_frame(net, fraction), total(first, last, 90_000.0)
    # Each year reads the years beside it, and no others.
    turn = [0, 366 * 24, 731 * 24, count]
    kept = 0.0
    for number, year in enumerate((2020, 2021, 2022)):
        window = slice(turn[max(number - 1, 0)], turn[min(number + 2, 3)])
        near = hours.groupby("plot").nth(window)
        filled = north(fill_hours(near, known, NO_WEATHER, longer, year).hours)["net_l"].to_numpy()
        inside = np.arange(turn[number], turn[number + 1])
        kept += filled[(inside >= first) & (inside < last)].sum()
    assert kept == pytest.approx(90_000.0, rel=1e-9)


def test_what_lies_outside_the_window_changes_nothing(site: Site) -> None:
    alone = site.model_copy(update={"policies": site.policies.model_copy(update={"gap_window_years": 0})})
    count = 731 * 24
    net, fraction = invented(8, count), np.ones((2, count))
    fraction[0, 2000:2500] = 0.0
    changed = net.copy()
    changed[:, 366 * 24 :] *= 3.0
    weather = pd.DataFrame(
        {
            "hour_start": pd.date_range(START, periods=count, freq="h", unit="us"),
            "rain_mm": np.where(np.arange(count) % 90 == 0, 8.0, 0.0),
            "air_temp_c": 12.0,
        }
    )
    wetter = weather.assign(rain_mm=weather["rain_mm"].where(weather.index < 366 * 24, 5.0))
    before = fill_hours(measured_frame(net, fraction), NO_TOTAL, weather, alone, 2020).hours
    after = fill_hours(measured_frame(changed, fraction), NO_TOTAL, wetter, alone, 2020).hours
    pd.testing.assert_frame_equal(before, after)


def test_hours_have_the_declared_columns_and_words(short_site: Site) -> None:
    fraction = np.ones((2, HOURS))
    fraction[0, 100:103] = fraction[0, 500:600] = fraction[:, 900:1000] = 0.0
    filled = fill_hours(measured_frame(invented(9), fraction), NO_TOTAL, NO_WEATHER, short_site, 2020).hours
    declared = table("hourly_flow")
    assert tuple(filled.columns) == declared.names
    assert set(filled["basis"]) <= set(declared.column("basis").codes or ())
    assert filled["hour_start"].dtype == "datetime64[us, UTC]"


# Hidden truth


@pytest.fixture(scope="module")
def filled_truth(site: Site) -> pd.DataFrame:
    """Hours of a field with known truth, metered without error and with its own gaps, and the truth beside them."""
    field = simulate(Plan(seed=71, years=2))
    names = [plot.plot for plot in field.plots]
    here = site.model_copy(
        update={
            "plots": tuple(site.plots[0].model_copy(update={"plot": p.plot, "area_ha": p.area_ha}) for p in field.plots),
            "treatments": (),
        }
    )
    plots, hours = field.net_l.shape
    seen = 1.0 - field.missing.reshape(plots, hours, -1).mean(axis=2)
    start = pd.to_datetime(field.times_hourly, utc=True).as_unit("us")
    net = np.where(seen > 0, seen * field.net_l, np.nan)
    measured = pd.DataFrame(
        {
            "plot": np.repeat(names, hours),
            "hour_start": np.tile(start, plots),
            "net_l": net.ravel(),
            "forward_l": np.maximum(net, 0).ravel(),
            "reverse_l": np.maximum(-net, 0).ravel(),
            "measured_fraction": seen.ravel(),
            "below_range_fraction": 0.0,
            "meter": "none",
            "calibration": "none",
            "reverse_calibration": "none",
            "error_curve_l": 0.0,
            "counting_l": 0.0,
        }
    )
    weather = field.weather.assign(hour_start=start)
    filled = pd.concat(
        [fill_hours(measured, NO_TOTAL, weather, here, year).hours.assign(water_year=year) for year in here.water_years()]
    )
    truth = pd.DataFrame({"plot": measured["plot"], "hour_start": measured["hour_start"], "truth_l": field.net_l.ravel()})
    return filled.merge(truth, on=["plot", "hour_start"], validate="one_to_one")


def test_the_filled_year_is_near_the_hidden_truth(filled_truth: pd.DataFrame) -> None:
    # A fifth to two fifths of the hours are missing. A tenth of the year's water is what a careful reader would still believe
    # (common practice, no source); most plot-years must be well inside.
    by_year = filled_truth.groupby(["plot", "water_year"])[["net_l", "truth_l"]].sum()
    error = (by_year["net_l"] / by_year["truth_l"] - 1).abs()
    assert error.median() < 0.05
    assert (error < 0.1).mean() >= 0.8


def test_filling_is_nearer_to_the_truth_than_scaling_up_by_measured_days(filled_truth: pd.DataFrame) -> None:
    rows = filled_truth.assign(metered_l=filled_truth["truth_l"].where(filled_truth["basis"] == "measured"))
    by_year = rows.groupby(["plot", "water_year"])
    truth = by_year["truth_l"].sum()
    scaled_up = by_year["metered_l"].mean() * by_year.size()
    error, naive = by_year["net_l"].sum() / truth - 1, scaled_up / truth - 1
    assert np.sqrt((error**2).mean()) < 0.5 * np.sqrt((naive**2).mean())


def test_intervals_hold_the_hidden_truth_about_nine_times_in_ten(filled_truth: pd.DataFrame) -> None:
    # Errors of a gap hang together, so that the few gaps of one field leave the share uncertain by some 5 points.
    gaps = filled_truth[filled_truth["basis"].isin(["from_neighbours", "from_weather"])]
    held = (gaps["net_l_p05"] <= gaps["truth_l"] + 1e-6) & (gaps["truth_l"] <= gaps["net_l_p95"] + 1e-6)
    assert 0.8 <= held.mean() <= 0.97
