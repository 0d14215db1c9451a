"""How far loads lie from the hidden truth when concentrations are known from samples only, and whether their intervals tell it.

Run `python -m tests.bench.concentration_recovery`. Fields are invented; grabs every so many days and flow-paced event composites are
taken of their true hourly concentration, with a laboratory's errors of single results (2 %) and of batches (1 %), and the stage that
estimates concentrations runs on them, for every year. Beside it stands linear interpolation with continuous flow on the same results.

    --fields N         fields of five plots and three years each (20: 300 plot-years); --first S is the first seed
    --every D ...      days between grabs (3 7 14 28)
    --truth KIND       field: the invented field's own nitrate (tests/field/nitrate.py); dilution, flushing, none: a power law of flow
                       with exponent -0.25, 0.25 or 0 that differs from plot to plot, a season, and deviations of days and weeks
    --grabs-only       no composites
    --gaps             flow hidden in gaps as in tests/bench/gap_recovery.py and filled by the project's stage; without it the flow is known
    --soil other, --weather real
    --parts            of years and events with gaps, how far metered and hidden hours err, and hidden ones had the concentration
                       been known; and how far lines err whose flow a neighbour ratio fills (else theirs is the project's own)

Events are those of the filled record, as the loads by event have them. To choose events by the true flow would be to choose those which
a gap underestimates; `--parts` shows them too.

    --published        in place of all that: errors of linear interpolation alone, from exact grabs every so many days begun at several
                       days. The published finding is that nitrate sampled every 2.7 to 17.5 days gives the annual load within 10 %,
                       and that linear interpolation with continuous flow is slightly low (Williams and others 2015, Journal of Hydrology)

What a field gave is kept under the temporary folder, by plan, options and the code that it rests on, so that a study can be made in
parts; filled flows are kept apart from scores, since they rest on less.

Belongs here: this study. Does not: assertions; what is printed is judged by people.
"""

from __future__ import annotations

import argparse
import functools
import hashlib
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.signal import lfilter

import pipeline
import tests.field
from pipeline.science.event_rule import event_hours
from pipeline.science.interpolation import lines_between, statements
from pipeline.science.returned_water import returned_shares
from pipeline.site import load_site
from pipeline.stages.concentration import concentration_members
from tests.bench import gap_recovery
from tests.field import Plan, simulate
from tests.field.laboratory import event_composites
from tests.field.plots import invent_plots
from tests.field.site_folder import write_site_folder

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

EXPONENT = {"dilution": -0.25, "flushing": 0.25, "none": 0.0}
OWN_ERROR, BATCH_ERROR, BATCH_DAYS = 0.02, 0.01, 28
RUNNING_L = 24.0
"""A grab is taken where the hour drains more than this."""
ALWAYS_H = 1e6
PUBLISHED_DAYS = (2.7, 7.0, 14.0, 17.5, 28.0)
PHASES = 4
STANDING_EVENTS = 0.002
"""Events of a smaller share of the year's load are left out."""


@dataclass(frozen=True)
class Truth:
    """A field's true hours, shape (plots, hours)."""

    flow: gap_recovery.Truth
    nitrate: Floats
    hours_utc: pd.DatetimeIndex

    @property
    def net_l(self) -> Floats:
        return self.flow.net_l


def _digest(*parts: object) -> str:
    return hashlib.sha256(repr(parts).encode()).hexdigest()[:20]


def _digest_of(files: list[Path]) -> str:
    return hashlib.sha256(b"".join(file.read_bytes() for file in files)).hexdigest()


OWN_CODE = _digest_of([Path(__file__), Path(gap_recovery.__file__)])
FIELD_CODE = _digest_of(sorted(Path(tests.field.__file__).parent.glob("*.py")))
"""As they were when they were loaded, whatever is written meanwhile."""


ROOMS = [["pipeline", "science"], ["pipeline", "stages"], ["pipeline", "site"]]


@functools.cache
def _code_under(module: str) -> str:
    """Digest of all that makes numbers of what a module imports, and of itself."""
    told = f"import sys, {module}; print(*sorted(name for name in sys.modules if name.split('.')[:2] in {ROOMS}))"
    names = subprocess.run([sys.executable, "-c", told], check=True, capture_output=True, text=True).stdout.split()
    files = [Path(pipeline.__file__).parents[1].joinpath(*name.split(".")).with_suffix(".py") for name in names]
    return _digest_of([file for file in files if file.exists()])


def _kept(name: str) -> Path:
    folder = Path(tempfile.gettempdir()) / "drainledger-concentration-recovery" / name
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def truth_of(plan: Plan) -> Truth:
    """The truth of a plan, from the temporary folder where it has been invented before."""
    folder = _kept(_digest(FIELD_CODE, plan))
    arrays = folder / "truth.npz"
    if not arrays.exists():
        field = simulate(plan)
        write_site_folder(field, folder / "configs")
        part = folder / "part.npz"
        np.savez(
            part,
            forward_l=field.forward_l,
            reverse_l=field.reverse_l,
            nitrate=field.nitrate_mg_l,
            hour_start=field.times_hourly.astype("datetime64[us]"),
            rain_mm=field.weather["rain_mm"],
            air_temp_c=field.weather["air_temp_c"],
        )
        part.replace(arrays)
    site = load_site(folder / "configs")
    with np.load(arrays) as kept:
        weather = pd.DataFrame({name: kept[name] for name in ("hour_start", "rain_mm", "air_temp_c")})
        weather["hour_start"] = weather["hour_start"].dt.tz_localize("UTC")
        plots = [row.plot for row in site.plots]
        area = np.array([row.area_ha for row in site.plots])
        flow = gap_recovery.Truth(plan, site, plots, area, kept["forward_l"], kept["reverse_l"], weather)
        return Truth(flow, kept["nitrate"], pd.DatetimeIndex(weather["hour_start"]))


def _wandering(generator: np.random.Generator, shape: tuple[int, int], hours: float, sd: float) -> Floats:
    carried = np.exp(-1 / hours)
    new = generator.standard_normal(shape) * sd
    new[:, 1:] *= np.sqrt(1 - carried**2)
    return np.asarray(lfilter([1.0], [1.0, -carried], new, axis=1))


def power_law(truth: Truth, kind: str) -> Floats:
    """Another truth: level, power law, season, deviations of ten days and of twelve hours, shape (plots, hours).

    Water that runs back carries what left last: a power law of no flow would give it the concentration of a trickle.
    """
    net = np.maximum(truth.net_l, 0.0)
    generator = np.random.default_rng([truth.flow.plan.seed, 77])
    plots, hours = net.shape
    ratio = net / net.mean(axis=1, keepdims=True)
    exponent = EXPONENT[kind] + generator.normal(0, 0.05, (plots, 1))
    angle = 2 * np.pi * np.arange(hours) / 8766 + generator.uniform(0, 2 * np.pi)
    level = np.log(generator.uniform(5, 15, (plots, 1)))
    season = 0.25 * np.cos(angle) * generator.uniform(0.7, 1.3, (plots, 1))
    # A trickle has the concentration of a tenth of the mean flow.
    log = level + exponent * np.log(ratio + 0.1) + season
    log += _wandering(generator, (plots, hours), 240.0, 0.15) + _wandering(generator, (plots, hours), 12.0, 0.08)
    nitrate = np.exp(log)
    for of_plot, litres in zip(nitrate, truth.net_l, strict=True):
        back, shares = returned_shares(litres)
        of_plot[back] = shares @ of_plot + (1 - shares.sum(axis=1)) * of_plot[back]
    return nitrate


def grabs(truth: Truth, nitrate: Floats, days: float, generator: np.random.Generator) -> pd.DataFrame:
    """Grabs of every plot at the same interval, in the forenoon if that is whole days, where water runs."""
    plan, net = truth.flow.plan, truth.net_l
    moment = np.arange(generator.uniform(0, days) * 24, plan.hours, days * 24)
    if days == int(days):
        moment = np.floor(moment / 24) * 24 + 9
    moment = moment[moment < plan.hours - 1]
    hour = moment.astype(int)
    rows = []
    for plot, name in enumerate(truth.flow.plots):
        runs = net[plot, hour] > RUNNING_L
        start = plan.start_local + (hour[runs] * 60 + 20).astype("timedelta64[m]")
        rows.append(
            pd.DataFrame({"plot": name, "kind": "grab", "start": start, "end": start, "mg_l": nitrate[plot, hour[runs]]})
        )
    return pd.concat(rows, ignore_index=True)


def results_of(truth: Truth, nitrate: Floats, days: float, composites: bool, hidden: Flags) -> pd.DataFrame:
    """Rows of `sample_results`, with a laboratory's errors."""
    plan = truth.flow.plan
    generator = np.random.default_rng([plan.seed, int(days * 10), 5])
    parts = [grabs(truth, nitrate, days, generator)]
    if composites:
        taken = event_composites(plan, invent_plots(plan), truth.flow.forward_l, nitrate, hidden)
        parts.append(taken[["plot", "kind", "start", "end", "mg_l"]])
    rows = pd.concat(parts, ignore_index=True)
    local = rows["start"].to_numpy("datetime64[s]")
    batch = ((local - plan.start_local) // np.timedelta64(BATCH_DAYS, "D")).astype(int)
    shared = 1 + BATCH_ERROR * generator.standard_normal(batch.max() + 1)
    own = 1 + OWN_ERROR * generator.standard_normal(len(rows))
    measured = rows["mg_l"] * shared[batch] * own
    offset = np.timedelta64(int(truth.flow.site.utc_offset.total_seconds()), "s")
    return rows.assign(
        sample=[f"S{number:06d}" for number in range(len(rows))],
        start=pd.DatetimeIndex(local - offset).tz_localize("UTC").as_unit("us"),
        end=pd.DatetimeIndex(rows["end"].to_numpy("datetime64[s]") - offset).tz_localize("UTC").as_unit("us"),
        analyte="nitrate_n",
        mg_l=measured,
        censored=False,
        above_range=False,
        detection_limit_mg_l=0.05,
        batch=[f"B{number:03d}" for number in batch],
        uncertainty_mg_l=OWN_ERROR * measured,
        batch_uncertainty_pct=100 * BATCH_ERROR,
    )


def by_lines(results: pd.DataFrame, begin: pd.Timestamp, hours: int) -> Floats:
    """Hourly concentration by straight lines between results; a composite stands in its window."""
    start, end = (np.asarray((results[name] - begin) / pd.Timedelta(hours=1), dtype=float) for name in ("start", "end"))
    said = statements(start, end, results["mg_l"], np.zeros(len(results)))
    return np.asarray(lines_between(said, said.value, ALWAYS_H).at(np.arange(hours) + 0.5))


def by_ratio(net_l: Floats, hidden: Flags, month: NDArray[np.int64]) -> Floats:
    """Flow whose hidden hours are filled by the neighbour ratio of tests/bench/gap_recovery.py, L, shape (plots, hours)."""
    shown = np.where(hidden, np.nan, net_l)
    return np.where(hidden, gap_recovery.by_neighbours(shown, hidden, month), net_l)


@dataclass(frozen=True)
class FilledYear:
    """A year's hours as they are known: litres, shape (plots, hours of year), and members of those that are hidden."""

    net_l: Floats
    hidden: Flags
    hidden_members: NDArray[np.float32]

    def rows(self, plots: list[str], hours_utc: pd.DatetimeIndex) -> pd.DataFrame:
        """As rows of `flow_members`."""
        plot, hour = np.nonzero(self.hidden)
        named = {"plot": np.array(plots)[plot], "hour_start": hours_utc[hour]}
        return pd.DataFrame(named | {"net_l": pd.Series(list(self.hidden_members), dtype="object")})

    def members(self, plot: int) -> Floats:
        """Histories of a plot's flow, shape (members, hours of year)."""
        made = np.repeat(self.net_l[plot][np.newaxis], self.hidden_members.shape[1], axis=0)
        begin, count = self.hidden[:plot].sum(), self.hidden[plot].sum()
        made[:, self.hidden[plot]] = self.hidden_members[begin : begin + count].T
        return made


def filled_years(truth: Truth, hidden: Flags, bounds: list[tuple[int, int, int]]) -> list[FilledYear]:
    """Every year filled by the project's stage, from the temporary folder where it has been filled before."""
    kept = (
        _kept("flows") / f"{_digest(truth.flow.plan, hidden.sum(), FIELD_CODE, _code_under('pipeline.stages.hours'))}.pkl"
    )
    if not kept.exists():
        measured = gap_recovery.metered(truth.flow, hidden)
        made = []
        for year, begin, end in bounds:
            out = hidden[:, begin:end]
            filled = gap_recovery.by_stage(measured, truth.flow.weather, truth.flow.site, year, out)
            assert filled.members is not None
            made.append((filled.net_l, out, filled.members[out]))
        pd.to_pickle(made, kept)
    return [FilledYear(*parts) for parts in pd.read_pickle(kept)]


def _interval(sums: Floats, reported: float) -> tuple[float, float]:
    low, high = np.quantile(sums, [0.05, 0.95]) + reported - sums.mean()
    return float(low), float(high)


def of_field(plan: Plan, days: float, kind: str, composites: bool, gaps: bool) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Plot-years and events: truth, estimate, bounds, linear interpolation; kg."""
    options = (plan, days, kind, composites, gaps)
    code = _code_under("pipeline.stages.concentration"), gaps and _code_under("pipeline.stages.hours")
    kept = _kept("scores") / f"{_digest(options, code, FIELD_CODE, OWN_CODE)}.pkl"
    if kept.exists():
        return pd.read_pickle(kept)  # type: ignore[no-any-return]
    truth = truth_of(plan)
    nitrate = truth.nitrate if kind == "field" else power_law(truth, kind)
    hidden = gap_recovery.hidden_hours(truth.flow) if gaps else np.zeros(nitrate.shape, dtype=bool)
    results = results_of(truth, nitrate, days, composites, hidden)
    site = truth.flow.site
    years = site.water_years()
    first = [int(truth.hours_utc.searchsorted(pd.Timestamp(site.water_year_period(year)[0]))) for year in years]
    bounds = list(zip(years, first, [*first[1:], plan.hours], strict=True))
    net = truth.net_l
    filled = filled_years(truth, hidden, bounds) if gaps else []
    if gaps:
        net = np.concatenate([each.net_l for each in filled], axis=1)
    hours = pd.DataFrame(
        {
            "plot": np.repeat(truth.flow.plots, plan.hours),
            "hour_start": np.tile(truth.hours_utc, len(truth.flow.plots)),
            "net_l": net.ravel(),
        }
    )
    month = plan.hours_local.astype("datetime64[M]").astype(int) % 12
    # What lines are without this project: the flow of hidden hours is the neighbours' in the ratio of sums.
    simple = by_ratio(truth.net_l, hidden, month) if gaps else net
    lines = {
        plot: by_lines(results[results["plot"] == plot], truth.hours_utc[0], plan.hours) for plot in truth.flow.plots
    }
    annual, events = [], []
    for number_of_year, (year, begin, end) in enumerate(bounds):
        near = (hours["hour_start"] >= truth.hours_utc[max(begin - 8784, 0)]) & (
            hours["hour_start"] <= truth.hours_utc[min(end + 8784, plan.hours) - 1]
        )
        began = time.process_time()
        drawn_flow = filled[number_of_year].rows(truth.flow.plots, truth.hours_utc[begin:end]) if gaps else None
        ensembles = list(concentration_members(results, hours[near], site, year, None, drawn_flow))
        seconds = (time.process_time() - began) / len(ensembles)
        for number, ensemble in enumerate(ensembles):
            flow, true_l, true_mg_l = net[number, begin:end], truth.net_l[number, begin:end], nitrate[number, begin:end]
            true = true_l * true_mg_l
            drawn = ensemble.members.astype(float)
            flows = filled[number_of_year].members(number) if gaps else flow
            histories = drawn * flows
            reported = ensemble.mg_l * flow
            line = lines[ensemble.plot][begin:end] * flow
            alone = float((lines[ensemble.plot] * simple[number])[begin:end].sum())
            key = {"seed": plan.seed, "plot": ensemble.plot, "year": year}

            def scored(hours_of: slice, true=true, reported=reported, line=line, histories=histories):  # type: ignore[no-untyped-def]
                low, high = _interval(histories[:, hours_of].sum(axis=1), reported[hours_of].sum())
                return {
                    "true": true[hours_of].sum(),
                    "estimate": reported[hours_of].sum(),
                    "low": low,
                    "high": high,
                    "line": line[hours_of].sum(),
                }

            whole = scored(slice(0, flow.size))
            parts = {}
            if gaps:
                # Hours that were metered err by their concentration alone; hidden ones by both, or had the concentration been known.
                out = hidden[number, begin:end]
                for name, sums, said, was in (
                    ("seen", histories[:, ~out], reported[~out], true[~out]),
                    ("hidden", histories[:, out], reported[out], true[out]),
                    ("flow", (flows * true_mg_l)[:, out], (flow * true_mg_l)[out], true[out]),
                ):
                    low, high = _interval(sums.sum(axis=1), said.sum())
                    parts |= {
                        f"{name}_true": was.sum(),
                        f"{name}_estimate": said.sum(),
                        f"{name}_low": low,
                        f"{name}_high": high,
                    }
            annual.append(key | whole | parts | {"line_alone": alone, "seconds": seconds})
            policies = site.policies
            threshold = policies.event_threshold_mm_per_day * truth.flow.area_ha[number] * 1e4 / 24
            separate = policies.event_recession_share, policies.event_separation_hours
            for record, series, standing in (("filled", flow, "estimate"), ("true", true_l, "true")):
                for start, stop in zip(*event_hours(series, threshold, *separate), strict=True):
                    score = scored(slice(int(start), int(stop)))
                    if score[standing] > STANDING_EVENTS * whole[standing]:
                        hid = hidden[number, begin + start : begin + stop].mean()
                        events.append(key | score | {"hidden": hid, "record": record})
    made = pd.DataFrame(annual), pd.DataFrame(events)
    pd.to_pickle(made, kept)
    return made


def report(days: float, annual: pd.DataFrame, events: pd.DataFrame) -> None:
    """A line for years and one for events as the filled record has them."""
    _line(days, "year", annual)
    _line(days, "event", events[events["record"] == "filled"], "estimate")


def report_parts(days: float, annual: pd.DataFrame, events: pd.DataFrame) -> None:
    """Years' metered and hidden hours, in percent of the year's load, and events by the share of their hours that was hidden."""
    for name, meaning in (("seen", "seen hours"), ("hidden", "hidden hours"), ("flow", "flow alone")):
        # All that is not looked at is as it truly was.
        rest = annual["true"] - annual[f"{name}_true"]
        moved = {each: rest + annual[f"{name}_{each}"] for each in ("estimate", "low", "high")}
        _line(days, meaning, annual.assign(**moved))
    _line(days, "lines' own flow", annual.assign(line=annual["line_alone"]))
    of_record = events[events["record"] == "filled"]
    for meaning, rows in (
        ("seen events", of_record[of_record["hidden"] == 0]),
        ("partly hidden", of_record[(of_record["hidden"] > 0) & (of_record["hidden"] < 1)]),
        ("hidden events", of_record[of_record["hidden"] == 1]),
    ):
        _line(days, meaning, rows, "estimate")
    _line(days, "true events", events[events["record"] == "true"])


def _line(days: float, name: str, rows: pd.DataFrame, unit: str = "true") -> None:
    """Errors in percent of the truth, or of what is reported."""
    error = (rows["estimate"] - rows["true"]) / rows[unit]
    line = (rows["line"] - rows["true"]) / rows[unit]
    inside = (rows["low"] <= rows["true"]) & (rows["true"] <= rows["high"])
    rmse, line_rmse = (np.sqrt((each**2).mean()) for each in (error, line))
    width = ((rows["high"] - rows["low"]) / rows[unit]).mean()
    print(
        f"{days:5g} {name:15}{len(rows):6}{100 * error.mean():8.2f}{100 * rmse:8.2f}{100 * line.mean():9.2f}{100 * line_rmse:8.2f}"
        f"{rmse / line_rmse:8.2f}{100 * inside.mean():9.1f}{100 * (rows['true'] < rows['low']).mean():7.1f}"
        f"{100 * (rows['true'] > rows['high']).mean():7.1f}{100 * width:8.1f}{100 * (error.abs() <= 0.1).mean():9.0f}"
        f"{100 * (line.abs() <= 0.1).mean():9.0f}",
        flush=True,
    )


def published(plans: list[Plan], kind: str) -> None:
    """Errors of annual loads by linear interpolation with continuous flow from exact grabs."""
    print(" days  plot-years  mean %   sd %    5 %   95 %  in 10 %   slope of log concentration on log flow", flush=True)
    errors: dict[float, list[float]] = {days: [] for days in PUBLISHED_DAYS}
    slopes = []
    for plan in plans:
        truth = truth_of(plan)
        nitrate = truth.nitrate if kind == "field" else power_law(truth, kind)
        years = (plan.hours_local.astype("datetime64[M]").astype(int) + 3) // 12
        begins = np.flatnonzero(np.diff(years, prepend=-1))
        net = truth.net_l
        load = np.add.reduceat(net * nitrate, begins, axis=1)
        for plot in range(len(net)):
            runs = net[plot] > RUNNING_L
            slopes.append(np.polyfit(np.log(net[plot, runs]), np.log(nitrate[plot, runs]), 1)[0])
        for days, found in errors.items():
            for phase in range(PHASES):
                taken = grabs(truth, nitrate, days, np.random.default_rng([plan.seed, phase, int(days * 10)]))
                taken = taken.assign(**{name: taken[name].dt.tz_localize("UTC") for name in ("start", "end")})
                begin = pd.Timestamp(plan.start_local).tz_localize("UTC")
                line = np.stack([by_lines(taken[taken["plot"] == name], begin, plan.hours) for name in truth.flow.plots])
                found += list((np.add.reduceat(net * line, begins, axis=1) / load - 1).ravel())
    for days, found in errors.items():
        error = np.array(found)
        low, high = np.quantile(error, [0.05, 0.95])
        print(
            f"{days:5g}{error.size:12}{100 * error.mean():8.2f}{100 * error.std():7.2f}{100 * low:7.1f}{100 * high:7.1f}"
            f"{100 * (np.abs(error) <= 0.1).mean():9.0f}   {np.mean(slopes):.2f}"
        )


def main() -> None:
    """Study and report."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--fields", type=int, default=20)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--every", type=float, nargs="+", default=[3.0, 7.0, 14.0, 28.0])
    parser.add_argument("--truth", choices=["field", *EXPONENT], default="field")
    parser.add_argument("--grabs-only", action="store_true")
    parser.add_argument("--gaps", action="store_true")
    parser.add_argument("--weather", choices=["invented", "real"], default="invented")
    parser.add_argument("--soil", choices=["default", "other"], default="default")
    parser.add_argument("--parts", action="store_true")
    parser.add_argument("--published", action="store_true")
    chosen = parser.parse_args()
    plans = [
        Plan(
            seed=seed,
            first_year=2012 if chosen.weather == "real" else 2019,
            interval_minutes=60,
            outages=False,
            pulses=False,
            weather="recorded" if chosen.weather == "real" else "invented",
            soil="spread_capacity" if chosen.soil == "other" else "one_store",
        )
        for seed in range(chosen.first, chosen.first + chosen.fields)
    ]
    if chosen.parts and not chosen.gaps:
        parser.error("--parts asks for --gaps")
    if chosen.published:
        published(plans, chosen.truth)
        return
    print(
        " days                number  bias %  RMSE %  lines: %  RMSE %   ratio  cover %  below  above  width %  in 10 %  lines: %",
        flush=True,
    )
    seconds = []
    for days in chosen.every:
        parts = [of_field(plan, days, chosen.truth, not chosen.grabs_only, chosen.gaps) for plan in plans]
        annual, events = (pd.concat([part[place] for part in parts], ignore_index=True) for place in (0, 1))
        report(days, annual, events)
        if chosen.parts:
            report_parts(days, annual, events)
        seconds.append(annual["seconds"].mean())
    print(
        f"{np.mean(seconds):.2f} s of one core a plot-year; in 10 %: loads within 10 % of the truth, by the model and by lines"
    )


if __name__ == "__main__":
    main()
