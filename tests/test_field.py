"""The invented field keeps its promises: mass, instruments, failures, files.

Belongs here: tests of tests/field against closed forms, reference libraries and its own stated promises.
Does not: tests of the program that reads what the field writes.
"""

import ast
import gzip
import io
import itertools
import re
import zlib
from dataclasses import replace
from pathlib import Path

import molmass
import numpy as np
import pandas as pd
import pint
import pytest
import vega_datasets
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import spearmanr

from tests.field import Field, Plan, simulate, write_field
from tests.field.laboratory import PER_MG_L_AS_N, event_composites
from tests.field.meters import error_limit_share, realised_error_share, running_totals
from tests.field.plots import invent_meters, invent_plots
from tests.field.simulation import WATER_BALANCE
from tests.field.water import both_ways, column, groundwater_balance, linear_reservoir
from tests.field.weather import invent_weather

REPOSITORY = Path(__file__).resolve().parents[1]
COMMITTED_RAW = REPOSITORY / "sample_lake" / "raw" / "sedge-hollow"
COMMITTED_REGISTERS = REPOSITORY / "configs" / "sedge-hollow"
SMALL = Plan(years=1, plots=3)
EXACT = Plan(years=1, plots=2, outages=False, pulses=False, sampling="hourly")


@pytest.fixture(scope="module")
def demo() -> Field:
    return simulate(Plan())


@pytest.fixture(scope="module")
def small() -> Field:
    return simulate(SMALL)


@pytest.fixture(scope="module")
def written_demo(demo: Field, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with lake/ and configs/ as the command writes them."""
    folder = tmp_path_factory.mktemp("demo")
    write_field(demo, folder / "lake", folder / "configs")
    return folder


@pytest.fixture(scope="module")
def exact() -> Field:
    return simulate(EXACT)


@pytest.fixture(scope="module")
def written_exact(exact: Field, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("exact")
    write_field(exact, folder / "lake", folder / "configs")
    return folder


def content(file: Path) -> bytes:
    data = file.read_bytes()
    return gzip.decompress(data) if file.suffix == ".gz" else data


def contents(folder: Path) -> dict[str, bytes]:
    return {str(file.relative_to(folder)): content(file) for file in folder.rglob("*") if file.is_file()}


# ---------------------------------------------------------------- water


def test_every_plots_water_balance_closes(demo: Field) -> None:
    water = demo.water
    stored = water.soil_mm + water.percolating_mm + water.groundwater_mm
    gone = water.evaporation_mm + water.runoff_mm + water.deep_seepage_mm + water.drain_mm
    np.testing.assert_allclose((water.input_mm - gone)[:, 1:], np.diff(stored, axis=1), rtol=0, atol=1e-9)


@pytest.mark.parametrize("weather", [{}, {"colder_c": 8.0}, {"weather": "recorded", "first_year": 2013}])
def test_every_plots_water_balance_closes_with_another_soil(weather: dict[str, object]) -> None:
    plan = Plan(years=1, plots=2, soil="spread_capacity", **weather)  # type: ignore[arg-type]
    water = WATER_BALANCE[plan.soil](plan, invent_plots(plan), invent_weather(plan))
    stored = water.soil_mm + water.percolating_mm + water.groundwater_mm
    gone = water.evaporation_mm + water.runoff_mm + water.deep_seepage_mm + water.drain_mm
    np.testing.assert_allclose((water.input_mm - gone)[:, 1:], np.diff(stored, axis=1), rtol=0, atol=1e-9)


def test_recorded_weather_keeps_the_days_of_the_record() -> None:
    record = vega_datasets.data.seattle_weather().set_index("date").loc["2013-05-04":"2014-09-30"]
    weather = invent_weather(Plan(weather="recorded", first_year=2013, years=1))
    np.testing.assert_allclose(weather.rain_mm.reshape(-1, 24).sum(axis=1), record["precipitation"], atol=0.02)
    warmest = weather.air_temp_c.reshape(-1, 24).max(axis=1)
    assert np.abs(warmest - record["temp_max"]).mean() < 0.5


def test_colder_air_keeps_snow_for_longer() -> None:
    lying, longer = (invent_weather(Plan(years=1, colder_c=colder)).snowpack_mm for colder in (0.0, 8.0))
    assert (longer > 1).sum() > 2 * (lying > 1).sum()


def test_rain_becomes_melt_or_stays_in_the_snowpack(demo: Field) -> None:
    weather = demo.full_weather
    reached = np.cumsum(weather.water_input_mm) + weather.snowpack_mm
    np.testing.assert_allclose(reached, np.cumsum(weather.rain_mm), atol=1e-6)


def test_litres_at_the_outlet_are_the_drains_millimetres(demo: Field) -> None:
    # 1 mm on 1 ha, by pint.
    units = pint.UnitRegistry()
    litres = units.Quantity(1, "mm * hectare").to("litre").magnitude
    drained = demo.water.drain_mm[:, demo.plan.spin_up_hours :] * column(demo.plots, "area_ha")[:, None] * litres
    np.testing.assert_allclose(demo.net_l, drained, atol=1e-3)


def test_net_is_forward_minus_reverse_in_every_hour(demo: Field) -> None:
    net = (demo.forward_l - demo.reverse_l).reshape(*demo.net_l.shape, -1).sum(axis=2)
    np.testing.assert_allclose(demo.net_l, net, atol=1e-9)


def test_a_water_table_without_input_recedes_as_a_linear_reservoir() -> None:
    # q(t) = q0 exp(-t/k): recession of a linear reservoir, any hydrology text. The hourly step follows it to (1/2k) a time constant.
    hours = 400
    plots = [
        replace(plot, quickening_mm=1e12, deep_seepage_per_hour=0.0, recession_hours=2000.0)
        for plot in invent_plots(SMALL)
    ]
    recharge = np.zeros((hours, len(plots)))
    recharge[0] = 40.0
    nothing = np.zeros_like(recharge)
    storage, drain, seepage, _, _ = groundwater_balance(recharge, nothing, nothing, nothing.astype(bool), plots)
    # What leaves sideways goes with the same storage: the two rates add.
    rate = (drain[1:] + seepage[1:]) / storage[:-1]
    recession = drain[1:, 0] / drain[1, 0]
    expected = np.exp(-np.arange(hours - 1) * rate[0, 0])
    np.testing.assert_allclose(recession, expected, rtol=0.02)


def test_a_linear_reservoir_gives_back_what_went_in() -> None:
    inflow = np.random.default_rng(1).gamma(0.1, 3.0, 500)
    outflow, stored = linear_reservoir(inflow, 17.0)
    np.testing.assert_allclose(np.cumsum(inflow) - np.cumsum(outflow), stored, atol=1e-8)


def test_drain_flow_recedes_over_days(demo: Field) -> None:
    # Time constants of one to ten days after the peak: common practice for pattern-drained fields, no source.
    water = demo.water
    hours = 48
    for plot in range(len(demo.plots)):
        quiet = linear_reservoir(water.input_mm[plot], 24.0)[0] < 0.004
        quiet &= (water.submergence_m[plot] == 0) & ~water.raised[plot]
        flow = water.drain_mm[plot]
        started = np.flatnonzero(quiet[:-hours] & quiet[hours:] & (flow[:-hours] > 0.03) & (flow[hours:] > 0.004))
        days = hours / 24 / np.log(flow[started] / flow[started + hours])
        assert started.size > 50
        assert 1.0 < np.median(days) < 10.0


def test_annual_drainage_is_that_of_a_humid_cropped_field(demo: Field) -> None:
    loads = demo.true_loads()
    assert loads["volume_mm"].between(150, 400).all()


def test_plots_are_alike_but_not_equal(demo: Field) -> None:
    together = np.corrcoef(demo.net_l)[np.triu_indices(len(demo.plots), 1)]
    assert (together > 0.6).all()
    assert (together < 0.995).all()


def test_controlled_drainage_lowers_the_flow_only_from_its_date(demo: Field) -> None:
    treated = [i for i, plot in enumerate(demo.plots) if plot.controlled_from]
    free = [i for i, plot in enumerate(demo.plots) if not plot.controlled_from]
    assert len(treated) == 2
    mm = demo.net_l / column(demo.plots, "area_ha")[:, None] / 10_000
    later = demo.plan.hours_local >= np.datetime64(demo.plots[treated[0]].controlled_from, "s")
    ratio_before = mm[treated][:, ~later].sum() / mm[free][:, ~later].sum()
    ratio_after = mm[treated][:, later].sum() / mm[free][:, later].sum()
    assert ratio_after < 0.95 * ratio_before


# ---------------------------------------------------------------- backward water


def test_some_days_run_backwards_at_every_plot(demo: Field) -> None:
    daily = demo.net_l.reshape(len(demo.plots), -1, 24).sum(axis=2)
    assert ((daily < -100).sum(axis=1) >= 2).all()


def test_some_intervals_run_both_ways_at_every_plot(demo: Field) -> None:
    both = (demo.forward_pulses > 0) & (demo.reverse_pulses > 0)
    assert (both.sum(axis=1) >= 20).all()


def test_water_runs_backwards_only_where_the_ditch_stands_above_the_outlet(demo: Field) -> None:
    submerged = demo.water.submergence_m[:, demo.plan.spin_up_hours :] > 0
    backward_l = demo.reverse_l.reshape(*demo.net_l.shape, -1).sum(axis=2)
    assert (backward_l[~submerged] < 1e-3).all()


@given(
    net=st.floats(-50, 50),
    swing=st.floats(0, 80),
)
@settings(deadline=None, max_examples=60)
def test_both_ways_is_the_integral_of_a_swinging_flow(net: float, swing: float) -> None:
    forward, reverse = both_ways(np.array([net]), np.array([swing]))
    # Turning points of the sign, so that the quadrature sees no kink.
    angle = np.arcsin(np.clip(-net / swing, -1, 1)) if swing > 0 else 0.0
    turns = sorted({angle % (2 * np.pi), (np.pi - angle) % (2 * np.pi)})
    positive, _ = quad(lambda t: max(net + swing * np.sin(t), 0.0), 0, 2 * np.pi, points=turns, limit=200)
    assert forward[0] == pytest.approx(positive / (2 * np.pi), abs=1e-6)
    assert forward[0] - reverse[0] == pytest.approx(net, abs=1e-9)


# ---------------------------------------------------------------- nitrate and truth


def test_nitrate_stays_in_the_range_of_drained_maize(demo: Field) -> None:
    # Flow-weighted means of 5 to 25 mg/L as N: common practice, no source.
    loads = demo.true_loads()
    flow_weighted = loads["load_kg_ha"] / loads["volume_mm"] * 100
    assert flow_weighted.between(5, 25).all()


def test_nitrate_dilutes_at_peaks(demo: Field) -> None:
    for plot in range(len(demo.plots)):
        net, nitrate = demo.net_l[plot], demo.nitrate_mg_l[plot]
        # Within each stretch of five days the season stands still: ranks of flow and of concentration go apart.
        fives = net.size // 120
        wet = net[: fives * 120].reshape(fives, 120)
        mg_l = nitrate[: fives * 120].reshape(fives, 120)
        stormy = (wet.min(axis=1) > 0) & (wet.max(axis=1) > 5 * wet.min(axis=1))
        ranks = [spearmanr(q, c).statistic for q, c in zip(wet[stormy], mg_l[stormy], strict=True)]
        assert len(ranks) >= 8
        assert np.median(ranks) < -0.2


def test_nitrate_is_higher_in_late_spring_than_in_winter(demo: Field) -> None:
    month = demo.plan.hours_local.astype("datetime64[M]").astype(int) % 12 + 1
    late_spring = demo.nitrate_mg_l[:, (month >= 5) & (month <= 6)].mean(axis=1)
    winter = demo.nitrate_mg_l[:, (month == 12) | (month <= 2)].mean(axis=1)
    assert (late_spring > 1.1 * winter).all()


def test_a_constant_concentration_gives_volume_times_concentration(small: Field) -> None:
    # 1 mm at 1 mg/L is 0.01 kg/ha: 10 000 L/ha times 1 mg/L.
    ten = replace(small, nitrate_mg_l=np.full_like(small.nitrate_mg_l, 10.0))
    loads = ten.true_loads()
    np.testing.assert_allclose(loads["load_kg_ha"], loads["volume_mm"] * 0.1, rtol=1e-12)


def test_true_loads_cover_every_plot_and_water_year(demo: Field) -> None:
    loads = demo.true_loads()
    assert sorted(set(loads["water_year"])) == [2020, 2021, 2022]
    assert len(loads) == 15
    area_m2 = column(demo.plots, "area_ha") * 10_000
    np.testing.assert_allclose(
        loads.groupby("plot")["volume_mm"].sum().to_numpy(), demo.net_l.sum(axis=1) / area_m2, rtol=1e-12
    )


# ---------------------------------------------------------------- meters


def test_pulses_sum_to_the_metered_volume_within_one_pulse_at_any_time(demo: Field) -> None:
    for meter in demo.meters:
        if len(meter.calibrations) > 2:
            continue  # A recalibrated meter has two sizes of pulse; the next test has it.
        litres_per_pulse = {c.direction: c.true_litres_per_pulse for c in meter.calibrations}
        for direction, metered, counted in (
            ("forward", demo.metered_forward_l, demo.forward_pulses),
            ("reverse", demo.metered_reverse_l, demo.reverse_pulses),
        ):
            behind = np.cumsum(metered[meter.plot]) - np.cumsum(counted[meter.plot]) * litres_per_pulse[direction]
            assert behind.min() > -1e-3
            assert behind.max() < litres_per_pulse[direction]


def test_a_recalibrated_meter_loses_no_water_on_the_day_of_change(demo: Field) -> None:
    (meter,) = [m for m in demo.meters if len(m.calibrations) > 2]
    old, new = sorted((c for c in meter.calibrations if c.direction == "forward"), key=lambda c: c.first_day)
    change = demo.plan.interval_of(new.first_day)
    counted = demo.forward_pulses[meter.plot]
    litres = counted[:change].sum() * old.true_litres_per_pulse + counted[change:].sum() * new.true_litres_per_pulse
    # One part of a pulse is carried over the change, one is left at the end.
    largest = max(old.true_litres_per_pulse, new.true_litres_per_pulse)
    assert abs(demo.metered_forward_l[meter.plot].sum() - litres) < 2 * largest


def test_a_75_mm_meter_errs_by_at_most_five_per_cent_from_4_2_litres_a_minute_up() -> None:
    # Common practice, no source: a 75 mm (3 inch) full-pipe meter leaves ±5 % near 4.2 L/min.
    flow = np.linspace(4.2, 600, 3000)
    assert (error_limit_share(flow, 75) <= 0.05 + 1e-12).all()
    assert error_limit_share(np.array([4.1]), 75)[0] > 0.05


@given(flow=st.floats(0.0, 700.0), which=st.integers(0, 4), seed=st.integers(0, 50))
@settings(deadline=None, max_examples=100)
def test_no_meter_errs_beyond_its_error_curve(flow: float, which: int, seed: int) -> None:
    plan = Plan(seed=seed)
    meter = invent_meters(plan, invent_plots(plan))[which]
    at = np.array([flow])
    assert abs(realised_error_share(at, meter)[0]) <= error_limit_share(at, meter.bore_mm)[0] + 1e-9


@pytest.mark.parametrize("seed", range(8))
def test_true_litres_per_pulse_lie_within_the_stated_uncertainty(seed: int) -> None:
    plan = Plan(seed=seed)
    for meter in invent_meters(plan, invent_plots(plan)):
        for calibration in meter.calibrations:
            deviation_pct = abs(calibration.true_litres_per_pulse / calibration.litres_per_pulse - 1) * 100
            assert 0 < deviation_pct <= calibration.expanded_uncertainty_pct


def test_no_flow_exceeds_the_top_of_its_meter(demo: Field) -> None:
    registers = pd.read_csv(COMMITTED_REGISTERS / "meters.csv").set_index("meter")
    for meter in demo.meters:
        fastest = max(demo.forward_l[meter.plot].max(), demo.reverse_l[meter.plot].max()) / demo.plan.interval_minutes
        assert fastest < registers.loc[meter.meter, "top_l_min"]


@given(
    counted=st.lists(st.integers(0, 900), min_size=2, max_size=60),
    modulus=st.sampled_from([1000, 4096, 65_536, 10**6]),
    first=st.integers(0, 999),
)
def test_differences_of_running_totals_are_the_pulses(counted: list[int], modulus: int, first: int) -> None:
    alive = np.zeros(len(counted), dtype=bool)
    totals = running_totals(np.array(counted), alive, first, modulus)
    # Rollover by Python's unbounded integers.
    exact, total = [], first
    for pulses in counted:
        total += pulses
        exact.append(total % modulus)
    assert totals.tolist() == exact


def test_a_replaced_meters_running_total_begins_at_zero() -> None:
    counted = np.array([5, 6, 7, 8, 9, 10, 11])
    dead = np.array([False, False, True, True, False, False, False])
    assert running_totals(counted, dead, 100, 1000).tolist()[4:] == [9, 19, 30]


def test_running_totals_roll_over_within_the_demo(demo: Field) -> None:
    rolled = 0
    for meter in (m for m in demo.meters if m.modulus is not None):
        dead = demo.failures.dead[meter.plot]
        totals = running_totals(demo.forward_pulses[meter.plot], dead, meter.first_counts[0], meter.modulus)
        rolled += ((np.diff(totals) < 0) & ~dead[:-1] & ~dead[1:]).sum()
    assert rolled >= 3


# ---------------------------------------------------------------- failures


@pytest.mark.parametrize("plan", [Plan(), SMALL, Plan(seed=7, years=1, plots=2), Plan(seed=8, years=2, plots=4)])
def test_between_14_and_44_per_cent_of_days_are_missing_at_every_plot(plan: Plan) -> None:
    field = simulate(plan)
    missing_days = field.missing.reshape(plan.plots, plan.hours // 24, -1).mean(axis=2) > 0.5
    share = missing_days.mean(axis=1)
    assert (share >= 0.14).all()
    assert (share <= 0.44).all()


def test_outages_take_one_meter_one_logger_or_the_whole_site(demo: Field) -> None:
    assert {outage.scope for outage in demo.failures.outages} == {"meter", "logger", "site"}


def test_outages_last_from_hours_to_months(demo: Field) -> None:
    days = [(o.end - o.start) / (24 * demo.plan.intervals_per_hour) for o in demo.failures.outages]
    assert min(days) < 0.25
    assert max(days) > 45


def test_some_outages_are_declared_and_some_are_not(demo: Field) -> None:
    declared = [outage.declared for outage in demo.failures.outages]
    assert 0.2 < np.mean(declared) < 0.8


def test_a_plan_without_outages_misses_nothing(exact: Field) -> None:
    assert not exact.missing.any()


# ---------------------------------------------------------------- laboratory


def test_units_of_the_laboratory_follow_from_molar_masses() -> None:
    # The molmass package's isotopic abundances give N 14.0067 and NO3 62.0049 g/mol.
    nitrogen, nitrate = molmass.Formula("N").mass, molmass.Formula("NO3").mass
    assert PER_MG_L_AS_N["mg/L as NO3"] == pytest.approx(nitrate / nitrogen, rel=1e-4)
    assert PER_MG_L_AS_N["umol/L"] == pytest.approx(1000 / nitrogen, rel=1e-4)


def test_a_composite_holds_the_flow_weighted_mean_of_its_window(demo: Field) -> None:
    composites = event_composites(demo.plan, demo.plots, demo.forward_l, demo.nitrate_mg_l, demo.missing)
    hourly = demo.forward_l.reshape(*demo.net_l.shape, -1).sum(axis=2)
    index = {plot.plot: number for number, plot in enumerate(demo.plots)}
    off_pct = []
    for row in composites.itertuples():
        begin, end = (
            int((np.datetime64(t, "s") - demo.plan.start_local) / np.timedelta64(1, "h")) for t in (row.start, row.end)
        )
        weight, mg_l = hourly[index[row.plot], begin:end], demo.nitrate_mg_l[index[row.plot], begin:end]
        off_pct.append(100 * (row.mg_l / np.average(mg_l, weights=weight) - 1))
    assert len(off_pct) > 50
    # Few aliquots make single bottles rough; together they must not lean to a side.
    assert np.abs(np.mean(off_pct)) < 1.0
    assert np.max(np.abs(off_pct)) < 15.0


def test_results_come_in_every_role_unit_and_qualifier(demo: Field) -> None:
    lab = demo.lab
    assert set(lab["role"]) == {"result", "field_duplicate", "lab_duplicate", "field_blank", "lab_blank"}
    assert set(lab["unit"]) == {"mg/L as N", "mg/L as NO3", "umol/L"}
    assert set(lab.loc[lab["role"] == "result", "qualifier"]) == {"", "<"}


def test_a_censored_result_gives_its_limit_as_value(demo: Field) -> None:
    below = demo.lab[demo.lab["qualifier"] == "<"]
    assert len(below) > 0
    assert (below["value"].astype(float) == below["detection_limit"].astype(float)).all()


def test_every_result_but_a_laboratory_blank_has_its_bottle_in_the_field_book(demo: Field) -> None:
    lab = demo.lab
    in_book = lab["sample"].isin(demo.samples["sample"])
    assert (in_book == (lab["role"] != "lab_blank")).all()
    assert demo.samples["sample"].is_unique


def test_results_lie_near_the_true_concentration(demo: Field) -> None:
    # A laboratory good to about 2 % a result and 1 % a batch (1 standard deviation): within 10 % is more than four of them.
    grabs = demo.samples[(demo.samples["kind"] == "grab") & (demo.samples["plot"] != "")]
    results = demo.lab[(demo.lab["role"] == "result") & (demo.lab["qualifier"] == "")].merge(grabs, on="sample")
    hour = ((pd.to_datetime(results["from"]) - pd.Timestamp(demo.plan.first_day)) // pd.Timedelta("1h")).to_numpy()
    plot = results["plot"].map({p.plot: i for i, p in enumerate(demo.plots)}).to_numpy()
    as_n = results["value"].astype(float) / results["unit"].map(PER_MG_L_AS_N)
    off = as_n.to_numpy() / demo.nitrate_mg_l[plot, hour] - 1
    assert np.abs(off).max() < 0.10
    assert np.abs(off.mean()) < 0.01


# ---------------------------------------------------------------- files


def readings(folder: Path, logger: str) -> pd.DataFrame:
    """Good lines of all downloads of a logger by interval start (UTC), the same interval once; counts stay text."""
    frames = []
    for file in sorted((folder / "logger").glob(f"{logger}_*")):
        text = content(file).decode()
        if logger == "east":
            skip, names, pattern = 3, 1, r"\d\d\.\d\d\.\d{4} \d\d:\d\d;.*"
        else:
            skip, names, pattern = 4, 2, r'"\d{4}-\d\d-\d\d \d\d:\d\d:00",.*'
        lines = text.split("\n")
        delimiter = ";" if logger == "east" else ","
        width = lines[names].count(delimiter)
        good = [line for line in lines[skip:] if re.fullmatch(pattern, line) and line.count(delimiter) == width]
        table = io.StringIO("\n".join([lines[names], *good]))
        frames.append(pd.read_csv(table, sep=delimiter, dtype=str, keep_default_na=False))
    table = pd.concat(frames)
    if logger == "east":
        end_local = pd.to_datetime(table["when"], format="%d.%m.%Y %H:%M")
        table["start"] = end_local - pd.Timedelta(minutes=10) + pd.Timedelta(hours=6)
    else:
        table["start"] = pd.to_datetime(table["TIMESTAMP"])
    table = table.drop_duplicates()
    assert table["start"].is_unique, "overlapping downloads must agree"
    return table.set_index("start").sort_index()


def interval_starts(field: Field) -> pd.DatetimeIndex:
    return pd.date_range(
        pd.Timestamp(field.plan.first_day) + pd.Timedelta(hours=6), periods=field.plan.intervals, freq="10min"
    )


def test_the_same_plan_writes_the_same_bytes(tmp_path: Path) -> None:
    for name in ("one", "other"):
        write_field(simulate(SMALL), tmp_path / name, tmp_path / name)
    one, other = (
        {str(f.relative_to(tmp_path / name)): f.read_bytes() for f in (tmp_path / name).rglob("*") if f.is_file()}
        for name in ("one", "other")
    )
    assert one == other


def test_another_seed_invents_another_field(small: Field) -> None:
    other = simulate(Plan(seed=SMALL.seed + 1, years=1, plots=3))
    assert not np.array_equal(small.net_l, other.net_l)


def test_what_is_committed_is_what_the_command_writes(written_demo: Path) -> None:
    assert contents(written_demo / "lake" / "raw" / "sedge-hollow") == contents(COMMITTED_RAW)
    assert contents(written_demo / "configs" / "sedge-hollow") == contents(COMMITTED_REGISTERS)


@pytest.mark.skipif(
    zlib.crc32(zlib.compress(b"".join(b"%d;" % (n * n % 977) for n in range(20_000)), 6)) != 202468811,
    reason="another deflate than the one that packed the committed files: it packs the same content into other bytes",
)
def test_committed_compressed_files_are_what_the_command_writes_to_the_byte(written_demo: Path) -> None:
    for file in COMMITTED_RAW.rglob("*.gz"):
        again = written_demo / "lake" / "raw" / "sedge-hollow" / file.relative_to(COMMITTED_RAW)
        assert again.read_bytes() == file.read_bytes(), file.name


def test_committed_raw_files_stay_under_ten_megabytes() -> None:
    size = sum(file.stat().st_size for file in COMMITTED_RAW.rglob("*") if file.is_file())
    assert 0 < size <= 10_000_000


def test_compressed_files_carry_no_time_and_no_name(written_demo: Path) -> None:
    # RFC 1952: bytes 4 to 7 are the time, bit 3 of byte 3 says that a name follows.
    packed = [file.read_bytes() for file in written_demo.rglob("*.gz")]
    assert packed
    for data in packed:
        assert data[4:8] == b"\0\0\0\0"
        assert data[3] == 0


def test_the_truth_is_not_in_the_files(demo: Field) -> None:
    everything = "\n".join(
        data.decode() for folder in (COMMITTED_RAW, COMMITTED_REGISTERS) for data in contents(folder).values()
    )
    for meter in demo.meters:
        for calibration in meter.calibrations:
            assert str(calibration.true_litres_per_pulse) not in everything
    assert set(COMMITTED_RAW.iterdir()) == {COMMITTED_RAW / n for n in ("logger", "weather", "samples", "lab", "bench")}


def test_the_field_imports_nothing_of_the_program() -> None:
    modules = list((REPOSITORY / "tests" / "field").glob("*.py"))
    assert modules
    for module in modules:
        for node in ast.walk(ast.parse(module.read_text())):
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            names += [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            assert not [name for name in names if name.split(".")[0] == "pipeline"], module.name


@pytest.mark.parametrize("logger", ["east", "west"])
def test_files_hold_exactly_the_lines_the_logger_wrote(demo: Field, written_demo: Path, logger: str) -> None:
    table = readings(written_demo / "lake" / "raw" / "sedge-hollow", logger)
    written = ~demo.failures.dark[logger]
    written[demo.failures.garbled_lines[logger]] = False
    assert table.index.equals(interval_starts(demo)[written])


def test_interval_counts_in_the_files_are_the_pulses_and_dead_meters_say_so(demo: Field, written_demo: Path) -> None:
    checked = 0
    for meter in (m for m in demo.meters if m.counts == "interval"):
        table = readings(written_demo / "lake" / "raw" / "sedge-hollow", meter.logger)
        shown = pd.concat(
            [
                table.loc[lambda t, day=channel.first_day: t.index >= pd.Timestamp(day) + pd.Timedelta(hours=6)][
                    [channel.forward, channel.reverse]
                ].set_axis(["forward", "reverse"], axis=1)
                for channel in reversed(meter.channels)
            ]
        )
        shown = shown[~shown.index.duplicated()].reindex(interval_starts(demo), fill_value="---")
        expected_missing = demo.missing[meter.plot]
        for direction, pulses in (("forward", demo.forward_pulses), ("reverse", demo.reverse_pulses)):
            text = shown[direction].to_numpy()
            assert ((text == "---") == expected_missing).all()
            assert (text[~expected_missing].astype(int) == pulses[meter.plot][~expected_missing]).all()
            checked += 1
    assert checked == 6


def test_a_running_total_counts_on_while_the_logger_is_dark(demo: Field, written_demo: Path) -> None:
    meter = next(m for m in demo.meters if m.logger == "west" and m.modulus is not None)
    table = readings(written_demo / "lake" / "raw" / "sedge-hollow", "west")
    shown = table[meter.channels[0].forward].reindex(interval_starts(demo), fill_value="---").to_numpy()
    dead = demo.failures.dead[meter.plot]
    survived = [
        o
        for o in demo.failures.outages
        if o.scope == "logger"
        and o.name == "west"
        and not dead[o.start - 1 : o.end + 1].any()
        and shown[o.start - 1] != "---"
        and shown[o.end] != "---"
    ]
    assert len(survived) >= 3
    for outage in survived:
        gained = (int(shown[outage.end]) - int(shown[outage.start - 1])) % meter.modulus
        through = demo.forward_pulses[meter.plot][outage.start : outage.end + 1].sum()
        assert gained == through % meter.modulus


def test_some_downloads_overlap_and_one_of_each_logger_is_there_twice() -> None:
    for logger in ("east", "west"):
        files = sorted((COMMITTED_RAW / "logger").glob(f"{logger}_*"))
        data = [content(file) for file in files]
        assert len(data) - len(set(data)) == 1
        lines = [set(d.decode().split("\n")[4:]) - {""} for d in dict.fromkeys(data)]
        assert sum(bool(one & other) for one, other in itertools.pairwise(lines)) >= 3


def test_some_lines_are_garbled_and_some_are_cut() -> None:
    for logger, delimiter in (("east", ";"), ("west", ",")):
        files = [content(f).decode() for f in (COMMITTED_RAW / "logger").glob(f"{logger}_*")]
        assert sum(text.count("##?") + text.count("???") for text in files) >= 8
        cut = [text for text in files if not text.endswith("\n")]
        assert cut
        for text in cut:
            before, last = text.split("\n")[-2:]
            assert last.count(delimiter) < before.count(delimiter)


def test_weather_file_sums_to_the_rain_within_one_tip_where_nothing_is_missing(exact: Field, written_exact: Path) -> None:
    files = sorted((written_exact / "lake" / "raw" / "sedge-hollow" / "weather").iterdir())
    station = pd.concat([pd.read_csv(io.BytesIO(content(f))) for f in files])
    assert len(station) == exact.plan.hours
    assert 0 <= exact.weather["rain_mm"].sum() - station["rain_mm"].sum() < 0.2
    # Stamps mark the hour's end.
    assert station["time"].iloc[0] == "2019-10-01T01:00"


def test_exact_files_give_the_true_loads_within_one_per_mille(exact: Field, written_exact: Path) -> None:
    raw = written_exact / "lake" / "raw" / "sedge-hollow"
    registers = written_exact / "configs" / "sedge-hollow"
    calibrations = pd.read_csv(registers / "calibrations.csv").set_index(["meter", "direction"])["litres_per_pulse"]
    lab = pd.concat([pd.read_csv(io.BytesIO(content(f))) for f in sorted((raw / "lab").iterdir())])
    book = pd.concat([pd.read_csv(io.BytesIO(content(f))) for f in sorted((raw / "samples").iterdir())])
    results = lab.merge(book, on="sample").sort_values(["plot", "from"])
    truth = exact.true_loads().set_index("plot")
    for meter in exact.meters:
        table = readings(raw, meter.logger)
        assert len(table) == exact.plan.intervals
        net = np.zeros(exact.plan.intervals)
        for direction, name, sign in (
            ("forward", meter.channels[0].forward, 1),
            ("reverse", meter.channels[0].reverse, -1),
        ):
            pulses = table[name].astype(np.int64).to_numpy()
            if meter.modulus is not None:
                first = meter.first_counts[0 if sign == 1 else 1]
                pulses = np.diff(pulses, prepend=first) % meter.modulus
            litres_per_pulse = calibrations[meter.meter, direction]
            litres_per_pulse = litres_per_pulse if np.isscalar(litres_per_pulse) else litres_per_pulse.iloc[0]
            net += sign * pulses * litres_per_pulse
        plot = exact.plots[meter.plot]
        mg_l = results.loc[results["plot"] == plot.plot, "value"].to_numpy()
        load = (net.reshape(-1, 6).sum(axis=1) * mg_l).sum() / 1e6 / plot.area_ha
        assert load == pytest.approx(truth.loc[plot.plot, "load_kg_ha"], rel=1e-3)


def test_bench_proofs_agree_with_the_register_within_their_uncertainties(demo: Field, written_demo: Path) -> None:
    # Sum of references over sum of pulses, runs at 60 L/min and more: register within 1.6 %, meter's curve within 1 %, counting.
    bench = written_demo / "lake" / "raw" / "sedge-hollow" / "bench"
    for meter in demo.meters:
        first = min(c.first_day for c in meter.calibrations)
        proof = pd.read_csv(bench / f"{meter.logger}_2019-09-25.csv")
        fast = proof[proof["reference_l"] / proof["seconds"] * 60 > 50]
        for direction in ("forward", "reverse"):
            pulses = fast[getattr(meter.channels[0], direction)]
            register = next(c for c in meter.calibrations if c.direction == direction and c.first_day == first)
            ran = pulses > 0
            litres = fast.loc[ran, "reference_l"].sum() / pulses[ran].sum()
            assert litres == pytest.approx(register.litres_per_pulse, rel=0.03)


# ---------------------------------------------------------------- plans


@pytest.mark.parametrize(
    "wrong",
    [
        {"years": 0},
        {"plots": 0},
        {"interval_minutes": 7},
        {"sampling": "monthly"},
        {"spin_up_days": -1},
        {"weather": "fine"},
        {"soil": "rock"},
    ],
)
def test_an_impossible_plan_is_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"plan needs|must"):
        Plan(**wrong)  # type: ignore[arg-type]


def test_recorded_weather_outside_the_record_is_refused() -> None:
    with pytest.raises(ValueError, match="recorded weather reaches"):
        simulate(Plan(weather="recorded"))


@pytest.mark.parametrize(
    "plan",
    [
        Plan(years=1, plots=1),
        Plan(years=1, plots=2, interval_minutes=60),
        Plan(years=1, plots=7, interval_minutes=5, spin_up_days=30),
    ],
)
def test_other_sizes_can_be_written(plan: Plan, tmp_path: Path) -> None:
    field = simulate(plan)
    site_folder = write_field(field, tmp_path / "lake", tmp_path / "configs")
    assert len(pd.read_csv(site_folder / "plots.csv")) == plan.plots
    assert field.forward_l.shape == (plan.plots, plan.intervals)
