"""How far filled gaps lie from the hidden truth, and whether their intervals tell it.

Run `python -m tests.bench.gap_recovery`. Fields are invented, their true hourly flow is hidden in gaps of three hours to ninety
days (the whole site, one logger or one plot at a time; 14 to 44 % of each plot's hours), and the stage that fills hours runs on
what is left, for every year. Beside it stand simple methods on the same gaps: a straight line across each gap; a neighbour ratio
(sums over common hours, mean of up to four best correlated plots that are measured in the hour, the plot's mean of the calendar
month where there is none); scaling up by measured days; and the rainfall-drainage model alone, which knows of a hidden hour
nothing but the weather and the flow before the gap. Meters are exact: their errors are another source and another study.

    --fields N         fields of five plots and three years each (20: 300 plot-years); --quick is 4
    --weather real     daily rain and temperature of a real place (tests/field/recorded_weather.py)
    --colder C         air colder by so many degrees: snow
    --soil other       another physics of soil and drains (tests/field/other_soil.py)
    --daily            meters that are read once a day: each hour holds a share of its day
    --blind            no weather record at all

The truth of a plan is kept under the temporary folder, by plan and by the code that invents it.

Belongs here: this study. Does not: assertions; what is printed is judged by people.
"""

from __future__ import annotations

import argparse
import hashlib
import tempfile
import time
import zlib
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

import tests.field
from pipeline.science.blocked_validation import block_folds, long_gap_hours
from pipeline.science.event_rule import event_hours, stretches
from pipeline.science.rain_drainage import edge_corrected, fit_rain_drainage
from pipeline.site import Site, load_site
from pipeline.stages.hours import fill_hours
from pipeline.stages.metered_hours import MeteredHours
from tests.field import Plan, simulate
from tests.field.failures import Outage, draw_outages, thunder
from tests.field.plots import plots_of_loggers
from tests.field.site_folder import write_site_folder

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

SMALL_YEAR_MM = 20.0
"""Errors of a plot-year that drained less than this are given in percent of this."""
MOST_NEIGHBOURS = 4
GAP_CLASSES_H = {"3-12 h": 12, "12-72 h": 72, "3-14 d": 14 * 24, "14-90 d": 10**6}
LEAST_MM = 1e-6
WET_SHARE_OF_YEAR = 0.002
"""Periods whose hidden volume is more than this share of the year's are called wet."""


@dataclass(frozen=True)
class Truth:
    """The true record of a field: litres each way per hour, shape (plots, hours), and what a researcher has beside it."""

    plan: Plan
    site: Site
    plots: list[str]
    area_ha: Floats
    forward_l: Floats
    reverse_l: Floats
    weather: pd.DataFrame

    @property
    def net_l(self) -> Floats:
        return self.forward_l - self.reverse_l


def truth_of(plan: Plan) -> Truth:
    """The truth of a plan, from the temporary folder where it has been invented before."""
    code = b"".join(file.read_bytes() for file in sorted(Path(tests.field.__file__).parent.glob("*.py")))
    digest = hashlib.sha256(code + repr(plan).encode()).hexdigest()[:20]
    folder = Path(tempfile.gettempdir()) / "drainledger-gap-recovery" / digest
    arrays = folder / "truth.npz"
    if not arrays.exists():
        field = simulate(plan)
        write_site_folder(field, folder / "configs")
        weather = field.weather
        np.savez(
            folder / "part.npz",
            forward_l=field.forward_l,
            reverse_l=field.reverse_l,
            hour_start=field.times_hourly.astype("datetime64[us]"),
            rain_mm=weather["rain_mm"],
            air_temp_c=weather["air_temp_c"],
        )
        (folder / "part.npz").replace(arrays)
    site = load_site(folder / "configs")
    with np.load(arrays) as kept:
        weather = pd.DataFrame({name: kept[name] for name in ("hour_start", "rain_mm", "air_temp_c")})
        weather["hour_start"] = weather["hour_start"].dt.tz_localize("UTC")
        plots = [row.plot for row in site.plots]
        area = np.array([row.area_ha for row in site.plots])
        return Truth(plan, site, plots, area, kept["forward_l"], kept["reverse_l"], weather)


def hidden_hours(truth: Truth) -> Flags:
    """Hours without a record, shape (plots, hours): site, loggers, single plots, until each plot lacks its share."""
    plan = truth.plan
    generator = np.random.default_rng([plan.seed, zlib.crc32(b"hidden hours")])
    storm = thunder(truth.weather["rain_mm"].to_numpy(), truth.weather["air_temp_c"].to_numpy())
    out = np.zeros(plan.hours, dtype=bool)
    drawn: list[Outage] = draw_outages(plan, generator, storm, out, generator.uniform(0.03, 0.12), "site", "")
    hidden = np.zeros((len(truth.plots), plan.hours), dtype=bool)
    for logger, members in plots_of_loggers(plan).items():
        dark = out.copy()
        drawn += draw_outages(plan, generator, storm, dark, dark.mean() + generator.uniform(0.02, 0.08), "logger", logger)
        for plot in members:
            hidden[plot] = dark
            draw_outages(plan, generator, storm, hidden[plot], generator.uniform(0.14, 0.44), "meter", "")
    return hidden


def metered(truth: Truth, hidden: Flags) -> MeteredHours:
    """The hours as the stage before would give them: all of an hour or nothing of it was metered."""
    plots, hours = hidden.shape
    shown = ~hidden.ravel()
    meter = {row.plot: row.meter for row in truth.site.meters}
    calibration = {(row.meter, row.direction): row.name for row in truth.site.calibrations}
    frame = pd.DataFrame(
        {
            "plot": np.repeat(np.array(truth.plots, dtype=object), hours),
            "hour_start": np.tile(truth.weather["hour_start"], plots),
            "net_l": np.where(shown, truth.net_l.ravel(), np.nan),
            "forward_l": np.where(shown, truth.forward_l.ravel(), np.nan),
            "reverse_l": np.where(shown, truth.reverse_l.ravel(), np.nan),
            "measured_fraction": shown.astype(float),
            "below_range_fraction": 0.0,
        }
    )
    frame["meter"] = frame["plot"].map(meter).where(shown)
    for name, direction in (("calibration", "forward"), ("reverse_calibration", "reverse")):
        frame[name] = frame["meter"].map({meter: row for (meter, way), row in calibration.items() if way == direction})
    frame["error_curve_l"] = frame["counting_l"] = np.where(shown, 0.0, np.nan)
    totals = pd.DataFrame(
        {
            "plot": pd.Series(dtype="str"),
            "start": pd.Series(dtype="datetime64[us, UTC]"),
            "end": pd.Series(dtype="datetime64[us, UTC]"),
            "net_l": pd.Series(dtype="float64"),
        }
    )
    return MeteredHours(frame.astype({"plot": "str"}), totals)


@dataclass(frozen=True)
class Filled:
    """What a stage gave for the hours of one year, shape (plots, hours of year); `members` (plots, hours, m) or none."""

    net_l: Floats
    lower: Floats
    upper: Floats
    basis: NDArray[np.str_]
    members: NDArray[np.float32] | None


def by_stage(measured: MeteredHours, weather: pd.DataFrame, site: Site, year: int, wanted: Flags) -> Filled:
    """The project's own stage, through its public function."""
    result = fill_hours(measured.hours, measured.known_totals, weather, site, year)
    rows = getattr(result, "hours", result).sort_values(["plot", "hour_start"])
    shape = wanted.shape
    volume, lower, upper, basis = (
        rows[name].to_numpy().reshape(shape) for name in ("net_l", "net_l_p05", "net_l_p95", "basis")
    )
    ensemble = getattr(result, "members", None)
    members = None
    if ensemble is not None:
        # Members are given for hours that are not wholly measured, in the same order.
        ensemble = ensemble.sort_values(["plot", "hour_start"])
        given = np.stack(ensemble["net_l"].to_numpy())
        members = np.repeat(volume.astype(np.float32)[..., np.newaxis], given.shape[1], axis=2)
        place = rows.reset_index(drop=True).reset_index(names="row").merge(ensemble[["plot", "hour_start"]], "inner")
        members.reshape(-1, given.shape[1])[place["row"]] = given
    return Filled(volume.astype(float), lower.astype(float), upper.astype(float), basis.astype(str), members)


def by_line(net_l: Floats, hidden: Flags) -> Floats:
    """A straight line across each gap, level at the record's ends."""
    hour = np.arange(net_l.shape[1])
    return np.stack([np.interp(hour, hour[~out], net[~out]) for net, out in zip(net_l, hidden, strict=True)])


def by_neighbours(net_l: Floats, hidden: Flags, month: NDArray[np.int64]) -> Floats:
    """Ratio of sums over common hours, from up to four best correlated neighbours that are measured in the hour.

    Where there is none, the plot's mean flow of the calendar month.
    """
    estimate = np.empty(net_l.shape)
    for plot, out in enumerate(hidden):
        shown = [net_l[plot, ~out & (month == number)] for number in range(12)]
        # A month that was never measured has the mean of all.
        mean = np.array([of_month.mean() if of_month.size else net_l[plot, ~out].mean() for of_month in shown])
        estimate[plot] = mean[month]
        total, count = np.zeros(out.size), np.zeros(out.size)
        common = [~out & ~hidden[other] for other in range(len(hidden))]
        alike = [np.corrcoef(net_l[plot, both], net_l[other, both])[0, 1] for other, both in enumerate(common)]
        for other in np.argsort(-np.array(alike), kind="stable"):
            if other == plot:
                continue
            ratio = net_l[plot, common[other]].sum() / net_l[other, common[other]].sum()
            usable = ~hidden[other] & (count < MOST_NEIGHBOURS)
            total[usable] += ratio * net_l[other, usable]
            count[usable] += 1
        known = out & (count > 0)
        estimate[plot, known] = total[known] / count[known]
    return estimate


def by_weather(shown_l: Floats, truth: Truth, weather: pd.DataFrame) -> Floats:
    """The rainfall-drainage model alone: all that it knows of a hidden hour is the weather and the flow before the gap."""
    hours = truth.weather["hour_start"].dt.tz_convert(None).to_numpy("datetime64[h]")
    sky = weather.set_index("hour_start").reindex(truth.weather["hour_start"])
    names = sorted({row.treatment for row in truth.site.treatments})
    treatment = np.zeros(shown_l.shape, dtype=np.int64)
    for row in truth.site.treatments:
        during = truth.weather["hour_start"] >= row.start
        if row.end is not None:
            during &= truth.weather["hour_start"] < row.end
        treatment[truth.plots.index(row.plot), during] = 1 + names.index(row.treatment)
    model = fit_rain_drainage(
        shown_l,
        hours.astype(np.int64) / 24.0,
        sky["rain_mm"].to_numpy(dtype=float),
        sky["air_temp_c"].to_numpy(dtype=float),
        block_folds(hours.size, long_gap_hours(np.isnan(shown_l).any(axis=0))),
        treatment,
    )
    return edge_corrected(model, shown_l)


class Scores:
    """Errors and intervals gathered over plot-years; volumes in L, shares of the year's true volume."""

    def __init__(self) -> None:
        self.annual: dict[str, list[float]] = defaultdict(list)
        self.dark: dict[str, list[float]] = defaultdict(list)
        self.lit: dict[str, list[float]] = defaultdict(list)
        self.periods: dict[str, list[tuple[float, float, float, float, float, float, bool]]] = defaultdict(list)
        self.hidden_share: list[float] = []
        self.dark_share: list[float] = []
        self.seconds: list[float] = []
        self.unfilled = 0

    def period(
        self, kind: str, truth: float, mean: float, lower: float, upper: float, whole: float, year_l: float
    ) -> None:
        """One period: the true, estimated, lowest and highest volume of its hidden hours, and the true volume of all of it."""
        self.periods[kind].append(
            (truth, mean, lower, upper, whole, year_l, abs(truth) > WET_SHARE_OF_YEAR * abs(year_l))
        )


def score_year(
    scores: Scores, truth: Truth, hidden: Flags, estimates: dict[str, Floats], filled: Filled, hours: slice
) -> None:
    """Add a year of every plot."""
    net = truth.net_l[:, hours]
    out = hidden[:, hours]
    dark = out.all(axis=0)
    month = truth.plan.hours_local[hours].astype("datetime64[M]").astype(int)
    policies = truth.site.policies
    for plot in range(len(net)):
        missing = out[plot]
        year_l = net[plot].sum()
        unit = max(abs(year_l), SMALL_YEAR_MM * truth.area_ha[plot] * 1e4)
        scores.hidden_share.append(missing.mean())
        scores.dark_share.append(dark.mean())
        in_dark, in_light = missing & dark, missing & ~dark
        for name, estimate in estimates.items():
            error = estimate[plot, hours] - net[plot]
            scores.annual[name].append(error[missing].sum() / unit)
            scores.dark[name].append(error[in_dark].sum() / unit)
            scores.lit[name].append(error[in_light].sum() / unit)
        day = missing.reshape(-1, 24).any(axis=1)
        whole_days = net[plot].reshape(-1, 24).sum(axis=1)[~day]
        scores.annual["scaling up"].append((whole_days.mean() * day.size - year_l) / unit if whole_days.size else np.nan)
        scores.unfilled += int(np.isnan(filled.net_l[plot]).sum())

        def add(kind: str, where: Flags | slice, plot: int = plot, missing: Flags = missing, unit: float = unit) -> None:
            inside = np.zeros(missing.size, dtype=bool)
            inside[where] = True
            inside_hidden = inside & missing
            if not inside_hidden.any():
                return
            assert filled.members is not None
            sums = filled.members[plot, inside_hidden].sum(axis=0, dtype=float)
            lower, upper = np.quantile(sums, [0.05, 0.95])
            scores.period(kind, net[plot, inside_hidden].sum(), sums.mean(), lower, upper, net[plot, inside].sum(), unit)

        rows = np.flatnonzero(missing)
        for situation, hour_rows in (("hour, neighbours", rows[~dark[rows]]), ("hour, dark", rows[dark[rows]])):
            # Hours are many: one in a few is enough to see a share.
            for hour in hour_rows[:: max(1, hour_rows.size // 200)]:
                at = (plot, hour)
                scores.period(
                    situation, net[at], filled.net_l[at], filled.lower[at], filled.upper[at], net[at], unit / 8766
                )
        if filled.members is None:
            continue
        add("year", missing)
        add("year, dark hours", in_dark)
        add("year, other hours", in_light)
        for number in np.unique(month):
            add("month", month == number)
        threshold = policies.event_threshold_mm_per_day * truth.area_ha[plot] * 1e4 / 24
        first, last = event_hours(net[plot], threshold, policies.event_recession_share, policies.event_separation_hours)
        for start, end in zip(first, last, strict=True):
            add("event", slice(start, end))
        for start, end in zip(*stretches(missing), strict=True):
            name = next(name for name, most in GAP_CLASSES_H.items() if end - start <= most)
            add(f"gap {name}, {'dark' if dark[start:end].mean() > 0.5 else 'neighbours'}", slice(start, end))


def study(plan: Plan, daily: bool, blind: bool, scores: Scores) -> None:
    """One field: hide, fill, compare."""
    truth = truth_of(plan)
    if daily:
        even = {
            name: np.repeat(getattr(truth, name).reshape(len(truth.plots), -1, 24).mean(axis=2), 24, axis=1)
            for name in ("forward_l", "reverse_l")
        }
        truth = Truth(plan, truth.site, truth.plots, truth.area_ha, **even, weather=truth.weather)
    hidden = hidden_hours(truth)
    if daily:
        hidden = np.repeat(hidden.reshape(len(hidden), -1, 24).any(axis=2), 24, axis=1)
    measured = metered(truth, hidden)
    weather = truth.weather.iloc[:0] if blind else truth.weather
    shown = np.where(hidden, np.nan, truth.net_l)
    month = plan.hours_local.astype("datetime64[M]").astype(int) % 12
    estimates = {
        "straight line": by_line(shown, hidden),
        "neighbour ratio": by_neighbours(shown, hidden, month),
        "weather alone": by_weather(shown, truth, weather),
    }
    year_of_hour = np.array([int(m) for m in (plan.hours_local.astype("datetime64[M]").astype(int) + 3) // 12 + 1970])
    ours = np.empty(hidden.shape)
    for year in np.unique(year_of_hour):
        hours = slice(
            int(np.argmax(year_of_hour == year)), int(year_of_hour.size - np.argmax(year_of_hour[::-1] == year))
        )
        began = time.perf_counter()
        filled = by_stage(
            measured, weather, truth.site, truth.site.water_years()[year - year_of_hour[0]], hidden[:, hours]
        )
        scores.seconds.append((time.perf_counter() - began) / len(hidden))
        ours[:, hours] = filled.net_l
        score_year(scores, truth, hidden, estimates | {"drainledger": ours}, filled, hours)


def report(scores: Scores) -> None:
    """Print what was found; errors in percent of the plot-year's true volume."""

    def rmse(values: list[float]) -> float:
        return float(np.sqrt(np.nanmean(np.square(values))))

    print(
        f"{len(scores.hidden_share)} plot-years; hidden {100 * np.mean(scores.hidden_share):.1f} % of hours "
        f"({100 * np.quantile(scores.hidden_share, 0.05):.0f} to {100 * np.quantile(scores.hidden_share, 0.95):.0f} % in a year), "
        f"all plots dark in {100 * np.mean(scores.dark_share):.1f} %; unfilled {scores.unfilled} hours; "
        f"{np.mean(scores.seconds):.2f} s a plot-year"
    )
    print(
        f"\n{'error, % of the year':24}{'bias':>8}{'RMSE':>8}{'/ ratio':>9}{'dark: bias':>12}{'RMSE':>8}{'/ ratio':>9}",
        end="",
    )
    print(f"{'other: bias':>13}{'RMSE':>8}{'/ ratio':>9}")
    for name in ("drainledger", "neighbour ratio", "weather alone", "straight line", "scaling up"):
        print(f"{name:24}", end="")
        for values, width in ((scores.annual, 8), (scores.dark, 12), (scores.lit, 13)):
            if name not in values:
                continue
            error = rmse(values[name])
            print(f"{100 * np.nanmean(values[name]):{width}.2f}{100 * error:8.2f}", end="")
            print(f"{error / rmse(values['neighbour ratio']):9.2f}", end="")
        print()
    print(
        f"\n{'90 % intervals':30}{'periods':>9}{'cover %':>9}{'width %':>9}{'RMSE %':>9}{'wet':>8}{'cover %':>9}", end=""
    )
    print(f"{'below %':>9}{'above %':>9}")
    for kind in sorted(scores.periods, key=_period_order):
        rows = np.array(scores.periods[kind], dtype=float)
        true, mean, lower, upper, whole, _, wet = rows.T
        slack = 1e-6 * np.maximum(np.abs(true), 1.0)
        inside = (true >= lower - slack) & (true <= upper + slack)
        moist = wet > 0
        volume = np.abs(whole).mean()
        print(
            f"{kind:30}{inside.size:9}{100 * inside.mean():9.1f}{100 * (upper - lower).mean() / volume:9.1f}"
            f"{100 * np.sqrt(np.nanmean((mean - true) ** 2)) / volume:9.1f}{moist.sum():8}",
            end="",
        )
        if moist.any():
            print(
                f"{100 * inside[moist].mean():9.1f}{100 * (true < lower - slack)[moist].mean():9.1f}"
                f"{100 * (true > upper + slack)[moist].mean():9.1f}",
                end="",
            )
        print()
    print(
        "width and RMSE in percent of the periods' mean volume; wet: hidden volume over 0.2 % of the year's (of its mean hour's)"
    )


def _period_order(kind: str) -> tuple[int, int, str]:
    order = ("year", "month", "event", "gap", "hour")
    return (
        order.index(kind.replace(",", " ").split()[0]),
        list(GAP_CLASSES_H).index(kind[4:].split(",")[0]) if kind.startswith("gap") else 0,
        kind,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--fields", type=int, default=20)
    parser.add_argument("--first", type=int, default=1, help="seed of the first field")
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--weather", choices=["invented", "real"], default="invented")
    parser.add_argument("--colder", type=float, default=0.0)
    parser.add_argument("--soil", choices=["default", "other"], default="default")
    parser.add_argument("--daily", action="store_true")
    parser.add_argument("--blind", action="store_true")
    chosen = parser.parse_args()
    scores = Scores()
    for seed in range(chosen.first, chosen.first + (4 if chosen.quick else chosen.fields)):
        plan = Plan(
            seed=seed,
            first_year=2012 if chosen.weather == "real" else 2019,
            interval_minutes=60,
            outages=False,
            pulses=False,
            weather="recorded" if chosen.weather == "real" else "invented",
            colder_c=chosen.colder,
            soil="spread_capacity" if chosen.soil == "other" else "one_store",
        )
        study(plan, chosen.daily, chosen.blind, scores)
    report(scores)


if __name__ == "__main__":
    main()
