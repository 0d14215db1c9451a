"""The raw files of the field: logger downloads, weather, field book, laboratory, bench.

Belongs here: layouts, download dates, overlaps, damaged lines, compression.
Does not: the registers that describe these files (site_folder.py), anything of the truth but what an instrument shows.

The two loggers write differently on purpose:
  east  semicolons, decimal comma, day.month.year in the site's standard time, stamps at an interval's end, three lines
        before the data
  west  commas, quoted year-month-day in UTC, stamps at an interval's start, a record number, four lines before the data
Downloads overlap now and then, one of each logger stands in the lake twice, and a few lines are cut or garbled.
"""

import gzip
import io
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from tests.field.meters import Counts, on_channel, running_totals
from tests.field.plan import UTC_OFFSET_HOURS, Plan
from tests.field.plots import Logger
from tests.field.proofs import bench_proofs
from tests.field.simulation import Field
from tests.field.weather import Floats

MISSING_WORD = "---"
COMPRESS_ABOVE_BYTES = 120_000
RAIN_PER_TIP_MM = 0.2


def write_file(path: Path, text: str) -> None:
    """Write a text file, compressed where it is large: the same text gives the same bytes."""
    path.parent.mkdir(parents=True, exist_ok=True)
    data = text.encode()
    if len(data) <= COMPRESS_ABOVE_BYTES:
        path.write_bytes(data)
        return
    packed = io.BytesIO()
    with gzip.GzipFile(filename="", mode="wb", compresslevel=6, fileobj=packed, mtime=0) as stream:
        stream.write(data)
    path.with_name(path.name + ".gz").write_bytes(packed.getvalue())


def fixed_point(values: Floats, decimals: int, mark: str) -> pa.Array:
    """Numbers as text with a fixed number of decimals and the given decimal mark."""
    whole = np.round(values * 10**decimals).astype(np.int64)
    distinct, place = np.unique(whole, return_inverse=True)
    words = [f"{value / 10**decimals:.{decimals}f}".replace(".", mark) for value in distinct]
    return pa.array(words).take(pa.array(place))


def stamp_column(plan: Plan, logger: str) -> pa.Array:
    """The time stamp of every interval as the logger writes it."""
    step = np.timedelta64(plan.interval_minutes, "m")
    start = plan.start_local.astype("datetime64[m]") + np.arange(plan.intervals) * step
    if logger == "east":
        shown = start + step
        day = np.array([f"{d:%d.%m.%Y} " for d in pd.date_range(plan.first_day, periods=plan.hours // 24 + 1)])
        clock = np.array([f"{m // 60:02d}:{m % 60:02d}" for m in range(24 * 60)])
    else:
        shown = start - np.timedelta64(UTC_OFFSET_HOURS, "h")
        day = np.array([f'"{d:%Y-%m-%d} ' for d in pd.date_range(plan.first_day, periods=plan.hours // 24 + 1)])
        clock = np.array([f'{m // 60:02d}:{m % 60:02d}:00"' for m in range(24 * 60)])
    minutes = (shown - plan.start_local.astype("datetime64[m]")).astype(int)
    days = pa.array(day).take(pa.array(minutes // 1440))
    clocks = pa.array(clock).take(pa.array(minutes % 1440))
    return pc.binary_join_element_wise(days, clocks, "")


def count_cells(field: Field, logger: Logger, name: str) -> pa.Array:
    """What a count column shows: interval counts or running totals of the meters wired to it, zero where none is."""
    plan = field.plan
    shown: Counts = np.zeros(plan.intervals, dtype=np.int64)
    unreadable = np.zeros(plan.intervals, dtype=bool)
    for meter in field.meters:
        wired = on_channel(plan, meter, name) if meter.logger == logger.logger else None
        if wired is None:
            continue
        direction, stretch = wired
        forward = direction == "forward"
        counted = (field.forward_pulses if forward else field.reverse_pulses)[meter.plot]
        dead = field.failures.dead[meter.plot]
        if meter.modulus is not None:
            counted = running_totals(counted, dead, meter.first_counts[0 if forward else 1], meter.modulus)
        shown[stretch] = counted[stretch]
        unreadable[stretch] = (dead | field.failures.missing_words[meter.plot])[stretch]
    return pc.if_else(pa.array(unreadable), MISSING_WORD, pa.array(shown).cast(pa.string()))


def supply_voltage(field: Field, logger: Logger) -> Floats:
    """Battery voltage: charged by day, lower in winter, sinking in the hours before the logger goes dark."""
    plan = field.plan
    generator = plan.stream(f"supply {logger.logger}")
    hour = (np.arange(plan.intervals) + 0.5) / plan.intervals_per_hour
    season = np.cos(2 * np.pi * (hour / 24 + 92) / 365.25)
    charge = np.maximum(np.cos(2 * np.pi * (hour % 24 - 14) / 24), 0.0)
    volts = 12.55 - 0.15 * season + (0.7 - 0.15 * season) * charge
    volts += 0.02 * generator.standard_normal(plan.intervals)
    dark = field.failures.dark[logger.logger]
    begins = np.flatnonzero(~dark[:-1] & dark[1:]) + 1
    ahead = np.arange(1, 3 * plan.intervals_per_hour + 1)
    sinking = np.maximum(begins[:, None] - ahead, 0)
    volts[sinking] -= 1.6 * np.exp(-ahead / plan.intervals_per_hour)
    return np.round(volts, 2)


def level_reading(field: Field) -> Floats:
    """Ditch level in m as the pressure sensor shows it."""
    plan = field.plan
    middle = np.arange(plan.hours) + 0.5
    at = (np.arange(plan.intervals) + 0.5) / plan.intervals_per_hour
    level = np.interp(at, middle, field.water.ditch_m[plan.spin_up_hours :])
    return np.round(level + 0.003 * plan.stream("ditch sensor").standard_normal(plan.intervals), 3)


def logger_lines(field: Field, logger: Logger) -> list[str]:
    """The line of every interval, as if nothing had kept the logger from writing it."""
    mark, delimiter = (",", ";") if logger.logger == "east" else (".", ",")
    cells = [stamp_column(field.plan, logger.logger)]
    if logger.logger == "west":
        cells.append(pa.array(np.arange(1, field.plan.intervals + 1)).cast(pa.string()))
    cells += [count_cells(field, logger, name) for name in logger.count_columns]
    cells.append(fixed_point(supply_voltage(field, logger), 2, mark))
    if logger.level_column:
        cells.append(fixed_point(level_reading(field), 3, mark))
    lines: list[str] = pc.binary_join_element_wise(*cells, delimiter).to_pylist()
    for interval in field.failures.garbled_lines[logger.logger].tolist():
        line = lines[interval].replace('"', "")
        lines[interval] = f"{line[:6]}##?{line[-9:]}"
    return lines


def header_lines(field: Field, logger: Logger, downloaded: date) -> list[str]:
    """The lines before the data."""
    gauges = [logger.voltage_column] + ([logger.level_column] if logger.level_column else [])
    units = ["V"] + (["m"] if logger.level_column else [])
    counts = list(logger.count_columns)
    if logger.logger == "east":
        return [
            f"{field.plan.site} {logger.logger};downloaded {downloaded:%d.%m.%Y}",
            ";".join(["when", *counts, *gauges]),
            ";".join(["", *["pulses"] * len(counts), *units]),
        ]

    def quoted(words: Iterable[str]) -> str:
        return ",".join(f'"{word}"' for word in words)

    return [
        quoted([field.plan.site, logger.logger, "collected", f"{downloaded:%Y-%m-%d}"]),
        quoted(["clock", "UTC"]),
        quoted(["TIMESTAMP", "RECORD", *counts, *gauges]),
        quoted(["TS", "RN", *["pulses"] * len(counts), *units]),
    ]


@dataclass(frozen=True)
class Download:
    """One download: the intervals [start, end) that it holds, and what is wrong with the file.

    Attributes:
        cut: whether the last line was cut off; the next download begins with that line.
        junk_after: intervals after whose line a line of noise stands.
        twice: whether the same download was saved a second time.
    """

    day: date
    start: int
    end: int
    cut: bool
    junk_after: frozenset[int]
    twice: bool


def plan_downloads(field: Field, logger: Logger) -> list[Download]:
    """Downloads every five to thirteen weeks; every third reaches back into the one before."""
    plan = field.plan
    generator = plan.stream(f"downloads {logger.logger}")
    days = np.cumsum(generator.integers(35, 92, 12 * plan.years))
    ends = [int(d) for d in days[days < plan.hours // 24 - 10]] + [plan.hours // 24]
    written = np.flatnonzero(~field.failures.dark[logger.logger])
    per_day = 24 * plan.intervals_per_hour
    clumsy = {1 + int(n) for n in generator.choice(max(len(ends) - 2, 1), 2)} if plan.outages else set()
    noisy = set(generator.choice(written, 3).tolist()) if plan.outages else set()
    downloads = []
    start = 0
    for number, day in enumerate(ends):
        end = day * per_day if number == len(ends) - 1 else day * per_day - int(generator.integers(per_day // 2))
        cut = number in clumsy and number < len(ends) - 1
        downloads.append(
            Download(
                day=(plan.start_local + np.timedelta64(day, "D")).astype("datetime64[D]").item(),
                start=start,
                end=end,
                cut=cut,
                junk_after=frozenset(noisy),
                twice=number == len(ends) // 2,
            )
        )
        overlap = int(generator.integers(per_day // 4, 20 * per_day)) if number % 3 == 1 else 0
        last_written = int(written[np.searchsorted(written, end) - 1])
        start = max(min(end - overlap, last_written if cut else end), 0)
    return downloads


def write_logger(field: Field, logger: Logger, folder: Path) -> None:
    """All downloads of one logger."""
    lines = logger_lines(field, logger)
    dark = field.failures.dark[logger.logger]
    for download in plan_downloads(field, logger):
        body: list[str] = []
        kept = np.flatnonzero(~dark[download.start : download.end]) + download.start
        for first, last in runs(kept, download.junk_after):
            body += lines[first : last + 1]
            if last in download.junk_after:
                body.append(f"??? {last % 251:02X} {last % 239:02X} ???")
        text = "\n".join(header_lines(field, logger, download.day) + body)
        text = text[: -len(body[-1]) // 3] if download.cut and body else text + "\n"
        name = f"{logger.logger}_{download.day:%Y-%m-%d}"
        write_file(folder / f"{name}.csv", text)
        if download.twice:
            write_file(folder / f"{name}_again.csv", text)


def runs(kept: NDArray[np.int64], split_after: frozenset[int]) -> list[tuple[int, int]]:
    """First and last of each unbroken run of rising integers, broken also after the given ones."""
    if not kept.size:
        return []
    breaks = (np.diff(kept) > 1) | np.isin(kept[:-1], sorted(split_after))
    first = kept[np.concatenate([[True], breaks])]
    last = kept[np.concatenate([breaks, [True]])]
    return list(zip(first.tolist(), last.tolist(), strict=True))


def weather_table(field: Field) -> pd.DataFrame:
    """The weather station's record: stamps at the hour's end, rain in whole tips, a few stretches missing."""
    plan = field.plan
    end = plan.hours_local + np.timedelta64(1, "h")
    tips = np.diff(np.floor(np.cumsum(field.weather["rain_mm"].to_numpy()) / RAIN_PER_TIP_MM + 1e-9), prepend=0)
    lost = np.zeros(plan.hours, dtype=bool)
    if plan.outages:
        generator = plan.stream("weather station")
        for start in generator.integers(0, plan.hours, plan.years):
            lost[start : start + int(generator.integers(5, 60))] = True
    return pd.DataFrame(
        {
            "time": np.datetime_as_string(end, unit="m"),
            "rain_mm": np.where(lost, "", fixed_point(tips * RAIN_PER_TIP_MM, 1, ".").to_pylist()),
            "air_temp_c": np.where(lost, "", fixed_point(field.weather["air_temp_c"].to_numpy(), 1, ".").to_pylist()),
        }
    )


def csv_text(table: pd.DataFrame) -> str:
    return table.to_csv(index=False, lineterminator="\n")


def write_by_water_year(plan: Plan, table: pd.DataFrame, days: pd.Series, folder: Path, name: str) -> None:
    """One file per water year of the record; what is dated later goes into the last."""
    when = pd.to_datetime(days)
    year = np.minimum(when.dt.year + (when.dt.month >= 10), plan.first_year + plan.years)
    for water_year, rows in table.groupby(np.asarray(year)):
        write_file(folder / f"{name}_{water_year}.csv", csv_text(rows))


def write_raw_files(field: Field, folder: Path) -> None:
    """All raw files of the site into its folder below raw/."""
    plan = field.plan
    for logger in field.loggers:
        write_logger(field, logger, folder / "logger")
        own = [meter for meter in field.meters if meter.logger == logger.logger]
        for proved, proof in bench_proofs(plan, logger, own).items():
            write_file(folder / "bench" / f"{logger.logger}_{proved}.csv", csv_text(proof))
    weather = weather_table(field)
    hour_start = pd.Series(plan.hours_local)
    write_by_water_year(plan, weather, hour_start, folder / "weather", "station")
    write_by_water_year(plan, field.samples, field.samples["from"], folder / "samples", "field_book")
    write_by_water_year(plan, field.lab, field.lab["analysed"], folder / "lab", "results")
