"""Promises of the search for lying meters: what is planted is found, and what only looks like a lie is not."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import duckdb
import numpy as np
import pandas as pd
import pytest

from pipeline.lake import Lake
from pipeline.orchestration.computations import computation_of
from pipeline.publish.findings import findings_note, findings_text
from pipeline.science.antecedent import antecedent_sum
from pipeline.science.meter_evidence import best_segment, edge_evidence, level_step, zero_runs, zeros_evidence
from pipeline.site import Site
from pipeline.stages.count_lies import STUCK_EVIDENCE, count_lies, repeated_counts
from pipeline.stages.meter_findings import findings, meter_findings
from pipeline.stages.meter_record import BLOCK_HOURS, Record, record_of
from pipeline.stages.outages import outages, without_lies
from pipeline.tables import table
from tests.field.lies import Counts, exchanged, scaled, silenced, stuck, turned_round
from tests.small_site import small_site

HOURS = 2 * 365 * 24
LITRES_PER_PULSE = 5.0
DAY = 24
WET_WEEK = slice(100 * DAY, 107 * DAY)
"""In January of the first year; the record begins on 1 October."""
DRY_WEEK = slice(290 * DAY, 297 * DAY)
FIRST_US = int(datetime(2019, 10, 1, 6, tzinfo=UTC).timestamp()) * 1_000_000


def weather(frost: slice | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Rain that drains from October to May and dries away in summer, mm per hour, and air temperature."""
    generator = np.random.default_rng(7)
    day = np.arange(HOURS) / 24
    storm = generator.random(HOURS) < 1 / (4 * 24)
    rain = np.convolve(np.where(storm, generator.exponential(3.0, HOURS), 0.0), np.ones(5))[:HOURS]
    air = 12 - 9 * np.cos(2 * np.pi * (day - 110) / 365.25)
    if frost is not None:
        air[frost] = -8.0
    return rain, air


def sound(plots: int, air: np.ndarray, rain: np.ndarray) -> Counts:
    """Counts of sound meters: what a soil does not hold runs through a linear reservoir for each plot, in whole pulses."""
    generator = np.random.default_rng(11)
    held, passing = 100.0, np.zeros(HOURS)
    for hour in range(HOURS):
        held += rain[hour] - max(air[hour], 0.0) * 0.012 * held / 100.0
        passing[hour] = max(held - 100.0, 0.0)
        held -= passing[hour]
    rows = []
    for plot in range(plots):
        recharge = passing * np.exp(0.1 * generator.standard_normal(HOURS))
        slow = antecedent_sum(recharge, 60.0 + 15 * plot) / (60.0 + 15 * plot)
        litres = np.maximum(slow - 0.004, 0.0) * (1.0 + plot % 2) * 1e4
        rows.append(np.diff(np.floor(np.cumsum(litres) / LITRES_PER_PULSE), prepend=0) * LITRES_PER_PULSE)
    forward = np.array(rows)
    return Counts(forward, np.zeros_like(forward))


def record(counts: Counts, rain: np.ndarray, air: np.ndarray, missing: slice | None = None) -> Record:
    fraction = np.ones(counts.forward.shape)
    if missing is not None:
        fraction[:, missing] = 0.0
    plots = len(fraction)
    return Record(
        plots=[f"plot {number}" for number in range(plots)],
        area_ha=np.array([1.0 + number % 2 for number in range(plots)]),
        first_us=FIRST_US,
        net_l=np.where(fraction > 0, counts.net, 0.0),
        gross_l=np.where(fraction > 0, counts.forward + counts.reverse, 0.0),
        fraction=fraction,
        rain_mm=rain,
        air_temp_c=air,
        treatment=np.zeros((plots, rain.size), dtype=np.int64),
    )


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    """Four plots on two loggers."""
    plots = [f"plot {number}" for number in range(4)]
    wiring = [
        f"{logger},{column}{way[0]},M{number},{way},interval,,2019-10-01,\n"
        for number, (logger, column) in enumerate((("east", "a"), ("east", "b"), ("west", "a"), ("west", "b")))
        for way in ("forward", "reverse")
    ]
    folder = tmp_path_factory.mktemp("site")
    layout = small_site(folder)
    made = small_site(
        folder,
        plots="plot,title,area_ha\n" + "".join(f"{plot},{plot},{1 + number % 2}\n" for number, plot in enumerate(plots)),
        meters="meter,plot,bore_mm,main_mm,accuracy,top_l_min,from,to\n"
        + "".join(f"M{number},{plot},75,150,standard,400,2019-10-01,\n" for number, plot in enumerate(plots)),
        wiring="logger,column,meter,direction,counts,modulus,from,to\n"
        + "".join(row for row in wiring if row.startswith("east")),
        gauges="gauge,logger,column,quantity,unit,plot,from,to\n",
        calibrations="meter,direction,litres_per_pulse,expanded_uncertainty_pct,from,to,evidence,entered\n"
        + "".join(
            f"M{number},{way},5.0,1.0,2019-10-01,,bench,2019-09-01\n"
            for number in range(4)
            for way in ("forward", "reverse")
        ),
    )
    assert layout
    return made


RAIN, AIR = weather()


def kinds(found: list) -> list[tuple[str, str]]:
    return [(one.plot, one.kind) for one in found]


def found_in(made: Record, site: Site) -> list:
    return findings(made, site)[0]


def hours_of(one) -> tuple[float, float]:
    return tuple((moment - FIRST_US) / 3.6e9 for moment in (one.start, one.end))


def test_sound_meters_raise_no_finding_in_two_years_with_dry_summers(site: Site) -> None:
    counts = sound(4, AIR, RAIN)
    dry = counts.forward[:, DRY_WEEK].sum()
    assert dry == 0.0
    assert found_in(record(counts, RAIN, AIR), site) == []


@pytest.mark.parametrize("with_weather", [True, False])
def test_a_meter_that_is_dead_for_a_wet_week_is_found_with_its_first_and_last_hour(
    site: Site, with_weather: bool
) -> None:
    counts = silenced(sound(4, AIR, RAIN), [1], WET_WEEK.start, WET_WEEK.stop)
    nothing = np.full(HOURS, np.nan)
    (one,) = found_in(record(counts, *((RAIN, AIR) if with_weather else (nothing, nothing))), site)
    assert (one.plot, one.meter, one.kind) == ("plot 1", "M1", "silence")
    start, end = hours_of(one)
    assert abs(start - WET_WEEK.start) <= 1
    assert abs(end - WET_WEEK.stop) <= 1


def test_a_single_plot_is_judged_by_the_weather_alone(site: Site) -> None:
    dead = slice(90 * DAY, 130 * DAY)
    counts = silenced(sound(1, AIR, RAIN), [0], dead.start, dead.stop)
    assert kinds(found_in(record(counts, RAIN, AIR), site)) == [("plot 0", "silence")]


def test_a_dead_meter_is_found_across_missing_records(site: Site) -> None:
    counts = silenced(sound(4, AIR, RAIN), [2], WET_WEEK.start, WET_WEEK.stop)
    gap = slice(WET_WEEK.start + 2 * DAY, WET_WEEK.start + 3 * DAY)
    (one,) = found_in(record(counts, RAIN, AIR, gap), site)
    assert one.plot == "plot 2"
    assert hours_of(one)[1] - hours_of(one)[0] >= 6 * DAY


def test_zeros_in_a_frozen_week_are_no_lie(site: Site) -> None:
    rain, air = weather(frost=slice(WET_WEEK.start - DAY, WET_WEEK.stop))
    counts = silenced(sound(4, AIR, rain), [1], WET_WEEK.start, WET_WEEK.stop)
    assert found_in(record(counts, rain, air), site) == []


def test_a_week_of_backwater_is_no_lie(site: Site) -> None:
    counts = sound(4, AIR, RAIN)
    back = counts.copy()
    back.reverse[1, WET_WEEK] = counts.forward[1, WET_WEEK] + 20.0 + 5.0 * (np.arange(7 * DAY) % 3)
    assert back.net[1, WET_WEEK].max() < 0
    assert found_in(record(back, RAIN, AIR), site) == []


def test_a_loggers_supply_that_fails_in_wet_weeks_is_found_for_all_its_plots(site: Site) -> None:
    dead = slice(95 * DAY, 135 * DAY)
    counts = silenced(sound(4, AIR, RAIN), [0, 1, 2, 3], dead.start, dead.stop)
    found = found_in(record(counts, RAIN, AIR), site)
    assert kinds(found) == [(f"plot {number}", "silence") for number in range(4)]
    assert all("supply" in one.check for one in found)


def test_a_supply_that_fails_for_six_wet_days_is_found_by_the_hour_in_which_all_meters_stop(site: Site) -> None:
    dead = slice(WET_WEEK.start, WET_WEEK.start + 6 * DAY)
    counts = silenced(sound(4, AIR, RAIN), [0, 1, 2, 3], dead.start, dead.stop)
    assert kinds(found_in(record(counts, RAIN, AIR), site)) == [(f"plot {number}", "silence") for number in range(4)]


def test_all_meters_that_stop_at_once_in_frost_are_no_lie(site: Site) -> None:
    rain, air = weather(frost=slice(WET_WEEK.start - DAY, WET_WEEK.start + DAY))
    counts = silenced(sound(4, AIR, rain), [0, 1, 2, 3], WET_WEEK.start, WET_WEEK.start + 6 * DAY)
    assert found_in(record(counts, rain, air), site) == []


def test_a_loggers_supply_that_fails_in_a_dry_week_is_not_found(site: Site) -> None:
    counts = silenced(sound(4, AIR, RAIN), [0, 1, 2, 3], DRY_WEEK.start, DRY_WEEK.stop)
    assert found_in(record(counts, RAIN, AIR), site) == []


def test_zeros_by_habit_under_a_new_treatment_are_believed(site: Site) -> None:
    counts = sound(4, AIR, RAIN)
    for first, end in ((100, 107), (115, 155), (165, 185)):
        counts = silenced(counts, [1], first * DAY, end * DAY)
    as_before, changed = (record(counts, RAIN, AIR) for _ in range(2))
    changed.treatment[1, 95 * DAY :] = 1
    assert ("plot 1", "silence") in kinds(found_in(as_before, site))
    assert found_in(changed, site) == []


def test_evidence_of_zeros_grows_with_what_was_expected() -> None:
    low, high = (
        zeros_evidence(np.full(4, root), np.full(4, 0.2), 0.5, 0.0, 0.2, np.zeros(4, bool)).sum() for root in (0.6, 1.2)
    )
    assert high > low > 0


def test_a_zero_where_none_was_expected_is_no_evidence() -> None:
    assert zeros_evidence(np.full(4, 0.1), np.full(4, 0.2), 0.5, 0.0, 0.2, np.zeros(4, bool)).sum() == 0


def test_zeros_that_go_on_below_an_even_expectation_add_less_than_the_first() -> None:
    evidence = zeros_evidence(np.full(20, 1.0), np.full(20, 0.2), 0.9, 0.0, 0.2, np.zeros(20, bool))
    assert evidence[1:].sum() < evidence[0]


def test_an_abrupt_stop_is_evidence_only_where_others_stopped_slowly() -> None:
    assert edge_evidence(1.0, np.full(30, 0.1)) > 1.0
    assert edge_evidence(1.0, np.full(30, 1.0)) < 0.1
    assert edge_evidence(0.1, np.full(30, 0.0)) == 0


def test_a_flow_that_was_running_back_ends_without_being_an_abrupt_stop(site: Site) -> None:
    counts = sound(4, AIR, RAIN)
    stops = WET_WEEK.start
    counts.reverse[1, stops - 1] = 4000.0
    made = record(counts, RAIN, AIR)
    assert counts.forward[1, stops - 1] > 0
    assert made.hour_root(1, stops - 1) == 0.0
    assert made.hour_root(2, stops - 1) > 0.3


def test_a_count_ends_a_run_of_zeros_and_a_missing_hour_does_not() -> None:
    zero = np.array([1, 1, 0, 1, 1, 1, 1], bool)
    known = np.array([1, 1, 1, 1, 0, 1, 1], bool)
    assert zero_runs(zero & known, known, 2) == [(0, 2), (3, 7)]


# Departures: directions, columns, steps


@pytest.mark.parametrize("end", [HOURS, 330 * DAY])
def test_exchanged_directions_are_found_from_their_day_on(site: Site, end: int) -> None:
    first = 90 * DAY
    found = found_in(record(turned_round(sound(4, AIR, RAIN), 2, first, end), RAIN, AIR), site)
    assert kinds(found) == [("plot 2", "direction_swapped")]
    assert abs(hours_of(found[0])[0] - first) <= 7 * DAY


def test_directions_that_were_always_exchanged_are_found(site: Site) -> None:
    found = found_in(record(turned_round(sound(4, AIR, RAIN), 2, 0, HOURS), RAIN, AIR), site)
    assert kinds(found) == [("plot 2", "direction_swapped")]
    assert hours_of(found[0]) == (0, HOURS)


@pytest.mark.parametrize("factor", [0.5, 2.0, 10.0])
def test_a_step_is_found_with_its_factor_near_its_day(site: Site, factor: float) -> None:
    first = 115 * DAY
    found = found_in(record(scaled(sound(4, AIR, RAIN), 1, first, HOURS, factor), RAIN, AIR), site)
    assert kinds(found) == [("plot 1", "step")]
    assert found[0].factor == pytest.approx(1 / factor, rel=0.1)
    assert abs(hours_of(found[0])[0] - first) <= 10 * DAY


def unlike_counts() -> Counts:
    """Plots that drain unlike from week to week."""
    generator = np.random.default_rng(5)
    unlike = np.zeros((4, HOURS // DAY))
    for day in range(1, unlike.shape[1]):
        unlike[:, day] = 0.9 * unlike[:, day - 1] + 0.12 * np.sqrt(1 - 0.9**2) * generator.standard_normal(4)
    counts = sound(4, AIR, RAIN)
    litres = np.cumsum(counts.forward * np.repeat(np.exp(unlike), DAY, axis=1), axis=1)
    return Counts(np.diff(np.floor(litres / LITRES_PER_PULSE), axis=1, prepend=0) * LITRES_PER_PULSE, counts.reverse)


def test_a_step_is_found_where_plots_drain_unlike_from_week_to_week(site: Site) -> None:
    """Relations that are learned across the step lie between both levels, and what plots differ by hides the rest."""
    found = found_in(record(scaled(unlike_counts(), 1, 450 * DAY, HOURS, 0.5), RAIN, AIR), site)
    assert kinds(found) == [("plot 1", "step")]
    assert found[0].factor == pytest.approx(2.0, rel=0.2)


def test_a_step_is_found_beside_a_plot_whose_treatment_changed_at_another_time(site: Site) -> None:
    """Halves of the record under each set of treatments would both hold flow from before the step and from after it."""
    made = record(scaled(unlike_counts(), 1, 215 * DAY, HOURS, 0.5), RAIN, AIR)
    made.treatment[3, 150 * DAY :] = 1
    assert kinds(found_in(made, site)) == [("plot 1", "step")]


def test_exchanged_columns_are_found_for_both_plots(site: Site) -> None:
    first = 450 * DAY
    found = found_in(record(exchanged(sound(4, AIR, RAIN), 0, 1, first, HOURS), RAIN, AIR), site)
    assert kinds(found) == [("plot 0", "columns_swapped"), ("plot 1", "columns_swapped")]
    assert [one.others for one in found] == ["plot 1", "plot 0"]


def test_a_change_of_treatment_is_no_step(site: Site) -> None:
    first = 115 * DAY
    made = record(scaled(sound(4, AIR, RAIN), 1, first, HOURS, 0.6), RAIN, AIR)
    made.treatment[1, first:] = 1
    assert found_in(made, site) == []


def test_the_best_segment_is_the_stretch_of_largest_sum() -> None:
    gain = np.array([-1.0, 2.0, -0.5, 3.0, -4.0, 1.0])
    sums = {(a, b): gain[a:b].sum() for a in range(6) for b in range(a + 1, 7)}
    first, end, most = best_segment(gain)
    assert (first, end) == max(sums, key=lambda place: sums[place])
    assert most == pytest.approx(max(sums.values()))
    assert best_segment(-np.ones(4)) == (0, 0, 0.0)


def test_a_level_step_is_found_in_its_place_and_noise_alone_is_weak_evidence() -> None:
    noise = 0.1 * np.random.default_rng(3).standard_normal(40)
    stepped = level_step(noise + np.where(np.arange(40) >= 25, 0.7, 0.0), np.full(40, 0.01))
    alone = level_step(noise, np.full(40, 0.01))
    assert stepped is not None
    assert alone is not None
    assert (stepped.place, stepped.change) == (25, pytest.approx(0.7, abs=0.1))
    assert stepped.evidence > 4.0 > 2.0 > alone.evidence


# Counts


def intervals(litres: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    start = np.arange(litres.size) * 600_000_000
    return litres, start, start + 600_000_000


def test_a_count_that_never_repeats_but_once_for_long_is_strong_evidence() -> None:
    generator = np.random.default_rng(5)
    litres = 5.0 * generator.integers(80, 120, 2000).astype(float)
    litres[700:800] = 500.0
    ((first, last, evidence),) = repeated_counts(*intervals(litres))
    assert (first, last) == (700, 799)
    assert evidence > 50


def test_few_pulses_that_repeat_themselves_all_the_time_are_weak_evidence() -> None:
    litres = np.repeat(5.0 * (1 + np.arange(200) % 2), 15).astype(float)
    assert max(evidence for *_, evidence in repeated_counts(*intervals(litres))) < STUCK_EVIDENCE


def test_zeros_and_counts_across_missing_records_are_no_repetition() -> None:
    litres, start, end = intervals(np.array([0.0] * 50 + [5.0] * 5 + [5.0] * 5))
    start, end = start + (np.arange(60) >= 55) * 10**9, end + (np.arange(60) >= 55) * 10**9
    assert repeated_counts(litres, start, end) == []


def counts_found(counts: Counts, site: Site) -> list[tuple[str, str]]:
    """Lies that single hours tell, beside what was to be expected."""
    made = record(counts, RAIN, AIR)
    start = pd.Timestamp("2019-10-01T06:00Z") + pd.to_timedelta(np.arange(HOURS), unit="h")
    frame = pd.concat(
        pd.DataFrame(
            {
                "plot": plot,
                "meter": f"M{number}",
                "interval_start": start,
                "interval_end": start + pd.Timedelta(hours=1),
                "forward_l": counts.forward[number],
                "reverse_l": counts.reverse[number],
                "net_l": counts.net[number],
                "quality": "ok",
            }
        )
        for number, plot in enumerate(made.plots)
    ).astype({"plot": "str", "meter": "str", "quality": "str"})
    with duckdb.connect() as session:
        session.execute("SET TimeZone = 'UTC'")
        return kinds(count_lies(session, session.from_df(frame), made, findings(made, site)[1], site))


def with_full_main(counts: Counts, most: float) -> Counts:
    forward = counts.forward.copy()
    forward[1] = np.minimum(forward[1], most)
    return Counts(forward, counts.reverse)


def test_a_main_that_runs_full_for_a_day_while_other_plots_rise_and_fall_is_no_stuck_counter(site: Site) -> None:
    counts = sound(4, AIR, RAIN)
    most = LITRES_PER_PULSE * round(float(np.quantile(counts.forward[1], 0.99)) / LITRES_PER_PULSE)
    full = np.flatnonzero(np.diff(np.flatnonzero(counts.forward[1] < most)) > DAY)
    assert full.size
    assert counts_found(with_full_main(counts, most), site) == []


def test_a_counter_that_is_stuck_at_the_flow_of_a_full_main_is_found_when_the_others_have_fallen(site: Site) -> None:
    counts = sound(4, AIR, RAIN)
    most = LITRES_PER_PULSE * round(float(np.quantile(counts.forward[1], 0.99)) / LITRES_PER_PULSE)
    full = with_full_main(counts, most)
    first = 1 + int(np.flatnonzero(full.forward[1] == most)[0])
    lying = stuck(full, 1, first, first + 20 * DAY)
    assert counts_found(lying, site) == [("plot 1", "stuck_counter")]


def lying_flow(litres: float, hours: int = 240) -> pd.DataFrame:
    """Ten-minute rows of a plot whose flow recedes, with one hour at another rate."""
    start = pd.Timestamp("2020-01-10", tz="UTC") + pd.to_timedelta(10 * np.arange(hours * 6), unit="min")
    forward = np.round(1000 * np.exp(-np.arange(hours * 6) / 800))
    forward[600:606] = litres
    return pd.DataFrame(
        {
            "plot": "north",
            "meter": "M1",
            "interval_start": start,
            "interval_end": start + pd.Timedelta(minutes=10),
            "forward_l": forward,
            "reverse_l": 0.0,
            "net_l": forward,
            "quality": "ok",
        }
    ).astype({"plot": "str", "meter": "str", "quality": "str"})


def rates_found(folder: Path, litres: float, slope: str = "") -> list[tuple[str, str]]:
    meters = (
        "meter,plot,bore_mm,main_mm,accuracy,top_l_min,slope,from,to\n"
        f"M1,north,75,150,standard,400,{slope},2019-10-01,\nM2,south,75,150,standard,400,,2019-10-01,\n"
    )
    small = small_site(folder, policies="{gap_window_years: 0}", meters=meters)
    hours = metered_frame().assign(reverse_l=0.0)
    none = pd.DataFrame({"hour_start": hours["hour_start"][:0], "rain_mm": [], "air_temp_c": []})
    with duckdb.connect() as session:
        session.execute("SET TimeZone = 'UTC'")
        found = meter_findings(session, session.from_df(lying_flow(litres)), hours, none, small, 2020)
    return list(zip(found["kind"], found["start"].dt.strftime("%d %H:%M"), strict=True))


def test_a_rate_above_the_top_flow_is_found_and_one_at_it_is_not(tmp_path: Path) -> None:
    assert rates_found(tmp_path, 6000.0) == [("impossible_rate", "14 04:00")]
    assert rates_found(tmp_path, 4000.0) == []


def test_a_rate_above_what_the_main_carries_is_found_where_its_slope_is_known(tmp_path: Path) -> None:
    # Manning for 150 mm at 0.0002 and n = 0.015: 0.01767 m2 * 0.0375^(2/3) m * 0.01414 / 0.015 = 1.87 L/s, 112 L/min.
    assert rates_found(tmp_path, 3000.0, slope="0.0002") == [("impossible_rate", "14 04:00")]
    assert rates_found(tmp_path, 3000.0) == []


# What a finding does to the hours


def flow_frame(hours: int = 48) -> pd.DataFrame:
    start = pd.Timestamp("2020-01-01", tz="UTC") + pd.to_timedelta(np.arange(hours), unit="h")
    return pd.DataFrame(
        {
            "plot": "north",
            "interval_start": start,
            "interval_end": start + pd.Timedelta(hours=1),
            "net_l": 1.0,
            "quality": "ok",
        }
    ).astype({"plot": "str", "quality": "str"})


def finding_rows(start: str, end: str, kind: str = "silence") -> pd.DataFrame:
    names = table("meter_findings").names
    row = dict.fromkeys(names) | {"plot": "north", "meter": "M1", "kind": kind}
    row |= {"start": pd.Timestamp(start, tz="UTC"), "end": pd.Timestamp(end, tz="UTC")}
    return pd.DataFrame([row])


def outages_of(folder: Path, found: pd.DataFrame, policies: str = "{}", **registers: str) -> list[tuple[str, str, float]]:
    small = small_site(folder, policies=policies, **registers)
    with duckdb.connect() as session:
        session.execute("SET TimeZone = 'UTC'")
        flow = session.from_df(flow_frame())
        rows = outages(session, flow, found, small, datetime(2020, 1, 1, tzinfo=UTC), datetime(2020, 1, 3, tzinfo=UTC))
    rows = rows[rows["plot"] == "north"]
    return [(row["source"], row["cause"].split(":")[0], row["hours"]) for row in rows.to_dict("records")]


@pytest.mark.parametrize(("kind", "cause"), [("silence", "silence"), ("stuck_counter", "stuck counter")])
def test_a_silent_or_stuck_meter_is_a_detected_outage_that_names_it(tmp_path: Path, kind: str, cause: str) -> None:
    assert outages_of(tmp_path, finding_rows("2020-01-01T06:00", "2020-01-01T16:00", kind)) == [("detected", cause, 10.0)]


@pytest.mark.parametrize("kind", ["step", "direction_swapped", "columns_swapped", "impossible_rate"])
def test_other_findings_are_no_outage(tmp_path: Path, kind: str) -> None:
    assert outages_of(tmp_path, finding_rows("2020-01-01T06:00", "2020-01-01T16:00", kind)) == []


def test_under_the_policy_report_a_silent_meter_is_no_outage(tmp_path: Path) -> None:
    found = finding_rows("2020-01-01T06:00", "2020-01-01T16:00")
    assert outages_of(tmp_path, found, policies="{detected_outages: report}") == []


def test_a_declared_outage_goes_before_a_detected_one(tmp_path: Path) -> None:
    declared = "scope,name,from,to,cause,note\nplot,north,2020-01-01T04:00Z,2020-01-01T08:00Z,lightning,\n"
    found = finding_rows("2020-01-01T06:00", "2020-01-01T16:00")
    assert outages_of(tmp_path, found, outages=declared) == [
        ("declared", "lightning", 4.0),
        ("detected", "silence", 8.0),
    ]


def metered_frame(hours: int = 6) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "plot": "north",
            "hour_start": pd.Timestamp("2020-01-01", tz="UTC") + pd.to_timedelta(np.arange(hours), unit="h"),
            "meter": "M1",
            "net_l": 0.0,
            "forward_l": 0.0,
            "measured_fraction": 1.0,
            "below_range_fraction": 0.5,
        }
    )


def outage_rows(start: str, end: str, cause: str, source: str = "detected") -> pd.DataFrame:
    times = {"start": pd.Timestamp(start, tz="UTC"), "end": pd.Timestamp(end, tz="UTC")}
    return pd.DataFrame([{"plot": "north", **times, "cause": cause, "source": source}])


def totals_frame() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "plot": ["north", "north", "south"],
            "start": pd.to_datetime(["2020-01-01T00:00Z", "2020-01-01T04:00Z", "2020-01-01T01:00Z"]),
            "end": pd.to_datetime(["2020-01-01T02:00Z", "2020-01-01T06:00Z", "2020-01-01T03:00Z"]),
            "net_l": 1.0,
        }
    )


def test_hours_in_a_detected_silence_count_as_not_metered_and_others_stay() -> None:
    lie = outage_rows("2020-01-01T01:00", "2020-01-01T03:30", "silence: meter M1 counted nothing while water ran")
    hours, totals = without_lies(metered_frame(), totals_frame(), lie)
    assert hours["measured_fraction"].tolist() == [1.0, 0.0, 0.0, 0.0, 1.0, 1.0]
    assert hours["net_l"].isna().tolist() == [False, True, True, True, False, False]
    assert hours["meter"].notna().tolist() == [True, False, False, False, True, True]
    assert totals["start"].dt.hour.tolist() == [4, 1]


@pytest.mark.parametrize(("cause", "source"), [("missing records", "detected"), ("silence: so declared", "declared")])
def test_hours_of_other_outages_stay_as_metered(cause: str, source: str) -> None:
    metered, totals = metered_frame(), totals_frame()
    left = without_lies(metered, totals, outage_rows("2020-01-01T01:00", "2020-01-01T03:00", cause, source))
    pd.testing.assert_frame_equal(left[0], metered)
    pd.testing.assert_frame_equal(left[1], totals)


def test_what_fills_hours_is_given_hours_without_lies(tmp_path: Path) -> None:
    small = small_site(tmp_path)
    given: list[pd.DataFrame] = []

    class Bench:
        class stages:  # noqa: N801
            @staticmethod
            def fill_hours(hours: pd.DataFrame, *_: object) -> pd.DataFrame:
                given.append(hours)
                return SimpleNamespace(hours=hours, members=None, skill=None)

        def frame(self, name: str, *_: object) -> pd.DataFrame | None:
            lie = outage_rows("2020-01-01T01:00", "2020-01-01T03:00", "silence: meter M1 counted nothing while water ran")
            return {"metered_hours": metered_frame(), "known_totals": totals_frame(), "outages": lie}.get(name)

        def weather(self, *_: object) -> None:
            return None

    computation = computation_of("hourly_flow")
    computation.make(Bench(), small, 2020)  # type: ignore[arg-type]
    assert given[0]["measured_fraction"].tolist() == [1.0, 0.0, 0.0, 1.0, 1.0, 1.0]
    assert {"outages"} <= {need.table for need in computation.needs}


def test_hours_of_a_frame_stand_in_their_place_in_the_record(tmp_path: Path) -> None:
    small = small_site(tmp_path, policies="{gap_window_years: 0}")
    frame = metered_frame().assign(forward_l=7.0, reverse_l=2.0)
    none = pd.DataFrame({"hour_start": frame["hour_start"][:0], "rain_mm": [], "air_temp_c": []})
    made = record_of(frame, none, small, 2020)
    hour = (frame["hour_start"].iloc[0] - pd.Timestamp("2019-10-01T06:00Z")) // pd.Timedelta(hours=1)
    assert made.plots == ["north", "south"]
    assert made.net_l[0, hour : hour + 6].tolist() == [5.0] * 6
    assert made.gross_l.sum() == 6 * 9.0
    assert made.fraction.sum() == 6
    assert made.fraction.shape[1] % BLOCK_HOURS == 0


# What people read


def stored(folder: Path, rows: pd.DataFrame, policies: str = "{}") -> tuple[Lake, Site]:
    small, lake = small_site(folder, policies=policies), Lake(folder / "lake")
    lake.write_frame(table("meter_findings"), rows, "made by hand", small.site, 2020)
    return lake, small


def whole_finding() -> pd.DataFrame:
    told = {"evidence": 7.25, "strength": "strong", "finding": "Meter M1 of north counted nothing.", "check": "the rotor"}
    found = finding_rows("2020-01-01T06:00", "2020-01-01T16:00").assign(**told)
    return found.assign(told=found["end"])


@pytest.mark.parametrize(("policy", "words"), [("gap", "filled like any gap"), ("report", "stand as they were counted")])
def test_findings_are_told_with_time_strength_check_and_what_becomes_of_the_hours(
    tmp_path: Path, policy: str, words: str
) -> None:
    _, told, hours = findings_text(*stored(tmp_path, whole_finding(), f"{{detected_outages: {policy}}}"))
    # The small site's standard time is six hours behind UTC.
    for part in ("2020-01-01 00:00 to 2020-01-01 10:00", "strong", "10^7.2", "counted nothing", "Check the rotor"):
        assert part in told
    assert words in hours


def test_a_run_ends_with_how_many_meters_are_doubted_and_says_nothing_where_none_is(tmp_path: Path) -> None:
    assert "1 silent meter." in findings_note(*stored(tmp_path / "one", whole_finding()))
    assert findings_note(*stored(tmp_path / "none", whole_finding()[:0])) == ""
