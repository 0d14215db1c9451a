"""What the rows of the registers and site.yaml must agree on with one another.

Belongs here: names that must exist, periods that must not overlap or leave a gap, columns that only one thing may use.
Does not: what a single row must satisfy (registers.py, structure.py).

Rows that could not be read are never held against others: what they name counts as named, and where one of them might close a gap,
no gap is told.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, time, timedelta
from itertools import combinations, groupby, pairwise
from operator import attrgetter
from typing import Any, TypeVar

from pipeline.site.errors import SiteError, listed, or_nearest, quoted
from pipeline.site.reading import Register
from pipeline.site.registers import AccuracyClass, AccuracyPoint, Calibration, Dated, Gauge, Meter, Row, Wiring
from pipeline.site.structure import Logger, LoggerLayout

DatedT = TypeVar("DatedT", bound=Dated)


@dataclass(frozen=True)
class KnownStructure:
    """What could be read of site.yaml, whether or not all of it could.

    `logger_names` is None where the loggers cannot be known; `record` is None where the record's period cannot.
    """

    utc_offset: timedelta = timedelta()
    record: tuple[datetime, datetime | None] | None = None
    logger_names: frozenset[str] | None = None
    loggers: Mapping[str, Logger] = field(default_factory=dict)
    layouts: Mapping[str, LoggerLayout] = field(default_factory=dict)


def disagreements(registers: Mapping[str, Register[Any]], known: KnownStructure) -> Iterator[SiteError]:
    """Everything on which registers and site.yaml disagree."""
    yield from _at_least_one_plot(registers["plots"])
    yield from _unknown_names(registers, known)
    yield from _plots_named_twice(registers["plots"])
    yield from _curves_out_of_order(registers["accuracy"])
    yield from _curves_named_twice(registers["accuracy"], registers["accuracy_classes"])
    yield from _overlaps(registers, known.utc_offset)
    yield from _columns_used_twice(registers, known.utc_offset)
    yield from _directions_apart(registers["wiring"], known)
    yield from _columns_of_stamps(registers, known)
    yield from _calibration_gaps(registers["calibrations"], known.utc_offset)
    if known.record is not None:
        yield from _wired_without_meter(registers, known.record, known.utc_offset)
        yield from _wired_without_calibration(registers, known.record, known.utc_offset)


def _error(row: Row, column: str, found: str, allowed: str, advice: str) -> SiteError:
    return SiteError(row.file, row.line, column, found, allowed, advice)


def _said(moment: datetime, utc_offset: timedelta) -> str:
    """An instant as a person writes it in a register: the site's standard time, the day alone at midnight."""
    local = moment.replace(tzinfo=None) + utc_offset
    return local.date().isoformat() if local.time() == time() else local.isoformat()


def _period(row: Dated, utc_offset: timedelta) -> str:
    return f"from {_said(row.start, utc_offset)} " + ("on" if row.end is None else f"to {_said(row.end, utc_offset)}")


def _at_least_one_plot(plots: Register[Any]) -> Iterator[SiteError]:
    if plots.complete and not plots.cells:
        yield SiteError("plots.csv", 1, "plot", "no plot", "at least one row", "Write a row for each plot")


def _unknown_names(registers: Mapping[str, Register[Any]], known: KnownStructure) -> Iterator[SiteError]:
    plots, meters = registers["plots"].names("plot"), registers["meters"].names("meter")
    points, classes = (registers[name].names("accuracy") for name in ("accuracy", "accuracy_classes"))
    curves = None if points is None or classes is None else points | classes
    loggers = known.logger_names
    references: list[tuple[str, str, str, Iterable[str] | None, str]] = [
        ("treatments", "plot", "plot", plots, "plots.csv"),
        ("meters", "plot", "plot", plots, "plots.csv"),
        ("gauges", "plot", "plot", plots, "plots.csv"),
        ("meters", "accuracy", "error curve", curves, "accuracy.csv or accuracy_classes.csv"),
        ("wiring", "meter", "meter", meters, "meters.csv"),
        ("calibrations", "meter", "meter", meters, "meters.csv"),
        ("wiring", "logger", "logger", loggers, "site.yaml"),
        ("gauges", "logger", "logger", loggers, "site.yaml"),
        ("clocks", "logger", "logger", loggers, "site.yaml"),
    ]
    for register, column, kind, names, where in references:
        for row in registers[register].rows:
            yield from _unknown_name(row, column, kind, getattr(row, column), names, where)
    scopes = {"plot": (plots, "plots.csv"), "meter": (meters, "meters.csv"), "logger": (loggers, "site.yaml")}
    for row in registers["outages"].rows:
        names, where = scopes[row.scope]
        yield from _unknown_name(row, "name", row.scope, row.name, names, where)


def _unknown_name(
    row: Row, column: str, kind: str, name: str | None, names: Iterable[str] | None, where: str
) -> Iterator[SiteError]:
    if name is None or names is None or name in names:
        return
    what = "a meter that stands in no plot" if kind == "meter" else f"no {kind} of the site"
    yield _error(
        row,
        column,
        f"{quoted(name)}, {what}",
        f"the {kind} names of {where} ({listed(sorted(names))})",
        or_nearest(name, names, f"Write the {kind} into {where} first"),
    )


def _plots_named_twice(plots: Register[Any]) -> Iterator[SiteError]:
    first: dict[str, Row] = {}
    for row in plots.rows:
        if row.plot in first:
            found = f"{row.place} naming the plot {quoted(row.plot)} again, after {first[row.plot].place}"
            yield _error(row, "plot", found, "one row per plot", "Delete one of the two rows, or rename one plot")
        first.setdefault(row.plot, row)


def _curves_out_of_order(accuracy: Register[Any]) -> Iterator[SiteError]:
    """Flows increase; two points of one flow are a step, if their errors differ."""
    for name, points in _grouped(accuracy.rows, attrgetter("accuracy")):
        step = False
        for before, point in pairwise(points):
            was_step, step = step, point.flow_l_min == before.flow_l_min
            if point.flow_l_min > before.flow_l_min or (step and not was_step and point.error_pct != before.error_pct):
                continue
            yield _error(
                point,
                "flow_l_min",
                f"{point.flow_l_min:g} in {point.place}, not above {before.flow_l_min:g} in {before.place}",
                f"flows that increase from row to row of the curve {quoted(name)}, or two rows of one flow with different errors: a step",
                "Sort the curve's rows by flow, and keep one row per flow, or two for a step",
            )


def _curves_named_twice(points: Register[AccuracyPoint], classes: Register[AccuracyClass]) -> Iterator[SiteError]:
    first: dict[str, Row] = {row.accuracy: row for row in reversed(points.rows)}
    for row in classes.rows:
        if row.accuracy in first:
            found = f"{row.place} naming the error curve {quoted(row.accuracy)} again, after {first[row.accuracy].place}"
            allowed = "one row per class, and no points of that name in accuracy.csv"
            yield _error(row, "accuracy", found, allowed, "Rename one, or delete what does not hold")
        first.setdefault(row.accuracy, row)


def _grouped(rows: Iterable[Any], key: Callable[[Any], Any]) -> Iterator[tuple[Any, list[Any]]]:
    """Rows by key, in order of key; within a key in file order."""
    for value, group in groupby(sorted(rows, key=key), key=key):
        yield value, list(group)


def _overlapping(rows: Iterable[DatedT]) -> Iterator[tuple[DatedT, DatedT]]:
    """Each row, in order of time, that begins before an earlier one has ended, with the earlier one."""
    latest: DatedT | None = None
    for row in sorted(rows, key=lambda row: (row.start, row.line)):
        if latest is not None and (latest.end is None or row.start < latest.end):
            yield latest, row
        if latest is None or (latest.end is not None and (row.end is None or row.end > latest.end)):
            latest = row


OVERLAPS: tuple[tuple[str, tuple[str, ...], str], ...] = (
    ("treatments", ("plot",), "one treatment of a plot at a time"),
    ("meters", ("meter",), "a meter in one place at a time"),
    ("meters", ("plot",), "one meter in a plot's main at a time"),
    ("wiring", ("meter", "direction"), "one column for a meter and direction at a time"),
    ("gauges", ("gauge",), "one column for a gauge at a time"),
    ("calibrations", ("meter", "direction"), "one calibration of a meter and direction at a time"),
    ("clocks", ("logger",), "one shift of a logger's clock at a time"),
)
"""Register, the columns whose equal values must not overlap in time, and the rule in words."""


def _overlaps(registers: Mapping[str, Register[Any]], utc_offset: timedelta) -> Iterator[SiteError]:
    told: set[tuple[str, str]] = set()
    for register, columns, rule in OVERLAPS:
        for key, rows in _grouped(registers[register].rows, attrgetter(*columns)):
            for first, second in _overlapping(rows):
                if (first.place, second.place) not in told:
                    told.add((first.place, second.place))
                    yield _overlap(
                        first, second, f"{columns[0]} {key if isinstance(key, str) else ' '.join(key)}", rule, utc_offset
                    )


def _overlap(first: Dated, second: Dated, what: str, rule: str, utc_offset: timedelta) -> SiteError:
    return _error(
        second,
        "from",
        f"two rows for {what} that overlap in time: {first.place} ({_period(first, utc_offset)}) and "
        f"{second.place} ({_period(second, utc_offset)})",
        rule,
        f"End the first row where the second begins (to = {_said(second.start, utc_offset)}), or correct the names",
    )


def _columns_used_twice(registers: Mapping[str, Register[Any]], utc_offset: timedelta) -> Iterator[SiteError]:
    """Columns of a logger that two rows use at once: two wires, two gauges, or a wire and a gauge."""
    users = [*registers["wiring"].rows, *registers["gauges"].rows]
    for (logger, column), rows in _grouped(users, attrgetter("logger", "column")):
        for first, second in _overlapping(rows):
            if _what_is_read(first) == _what_is_read(second):
                continue  # told as two columns of one meter and direction, or of one gauge
            yield _error(
                second,
                "column",
                f"the column {quoted(column)} of the logger {quoted(logger)} used twice at once: "
                f"{first.place} ({_period(first, utc_offset)}) and {second.place} ({_period(second, utc_offset)})",
                "one meter and direction, or one gauge, per column at a time",
                "Correct the column of one row, or end the first row where the second begins",
            )


def _what_is_read(row: Wiring | Gauge) -> tuple[str, ...]:
    return (row.meter, row.direction) if isinstance(row, Wiring) else (row.gauge,)


def _directions_apart(wiring: Register[Wiring], known: KnownStructure) -> Iterator[SiteError]:
    """Meters whose two directions are on two loggers at once: an interval's count comes from one line of one file."""
    utc_offset = known.utc_offset
    rows_of_loggers = [row for row in wiring.rows if known.logger_names is None or row.logger in known.logger_names]
    for meter, rows in _grouped(rows_of_loggers, attrgetter("meter")):
        for first, second in combinations(rows, 2):
            apart = first.direction != second.direction and first.logger != second.logger
            if apart and any(_overlapping((first, second))):
                yield _error(
                    second,
                    "logger",
                    f"the directions of the meter {quoted(meter)} on two loggers at once: "
                    f"{first.place} ({first.logger}, {_period(first, utc_offset)}) and "
                    f"{second.place} ({second.logger}, {_period(second, utc_offset)})",
                    "both directions of a meter on one logger at a time",
                    "Correct the logger of one of the two rows, or their times",
                )


def _columns_of_stamps(registers: Mapping[str, Register[Any]], known: KnownStructure) -> Iterator[SiteError]:
    for row in (*registers["wiring"].rows, *registers["gauges"].rows):
        logger = known.loggers.get(row.logger)
        layout = known.layouts.get(logger.layout) if logger else None
        if logger is None or layout is None:
            continue
        stamps = layout.timestamp.column
        if row.column in ([stamps] if isinstance(stamps, str) else stamps):
            yield _error(
                row,
                "column",
                f"{quoted(row.column)}, which holds the time stamps by site.yaml (logger_layouts.{logger.layout})",
                "a column of readings",
                "Write the name of the column that the counts or readings stand in",
            )


def _calibration_gaps(calibrations: Register[Calibration], utc_offset: timedelta) -> Iterator[SiteError]:
    for (meter, direction), rows in _grouped(calibrations.rows, attrgetter("meter", "direction")):
        if _may_say_more(calibrations, meter):
            continue
        latest = None
        for row in sorted(rows, key=lambda row: (row.start, row.line)):
            if latest is not None and latest.end is not None and row.start > latest.end:
                yield _error(
                    row,
                    "from",
                    f"no calibration of {meter} {direction} between {_said(latest.end, utc_offset)} ({latest.place}) and "
                    f"{_said(row.start, utc_offset)} ({row.place})",
                    "calibrations without a gap between them",
                    "Let the earlier one last until the later one begins, or write a row for the time between",
                )
            if latest is None or (latest.end is not None and (row.end is None or row.end > latest.end)):
                latest = row


def _may_say_more(register: Register[Any], meter: str) -> bool:
    """Whether the file has, about a meter, more than its usable rows say."""
    return not register.complete or any(cells["meter"] in ("", meter) for cells in register.unusable)


Period = tuple[datetime, datetime | None]


def _uncovered(needed: Period, rows: Iterable[Dated]) -> Iterator[Period]:
    """The stretches of a period that no row covers."""
    begin, end = needed
    for row in sorted(rows, key=lambda row: row.start):
        if row.end is not None and row.end <= begin:
            continue
        if end is not None and row.start >= end:
            break
        if row.start > begin:
            yield begin, row.start
        if row.end is None:
            return
        begin = row.end
    if end is None or begin < end:
        yield begin, end


def _both(first: Dated, record: Period) -> Period | None:
    """The part of a row's time that lies within the record."""
    start = max(first.start, record[0])
    ends = [end for end in (first.end, record[1]) if end is not None]
    end = min(ends) if ends else None
    return None if end is not None and start >= end else (start, end)


def _said_period(period: Period, utc_offset: timedelta) -> str:
    begin, end = period
    return f"from {_said(begin, utc_offset)} " + ("on" if end is None else f"to {_said(end, utc_offset)}")


def _wired_without_meter(
    registers: Mapping[str, Register[Any]], record: Period, utc_offset: timedelta
) -> Iterator[SiteError]:
    """Wires to a meter at a time when it stands in no plot: what they count would belong nowhere."""
    meters: Register[Meter] = registers["meters"]
    places = dict(_grouped(meters.rows, attrgetter("meter")))
    for wire in registers["wiring"].rows:
        needed = _both(wire, record)
        if needed is None or _may_say_more(meters, wire.meter) or wire.meter not in places:
            continue
        for stretch in _uncovered(needed, places[wire.meter]):
            nearest = _nearest(places[wire.meter], stretch)
            yield _error(
                wire,
                "from",
                f"{wire.place} wired {_period(wire, utc_offset)}, but the meter {wire.meter} is in no plot "
                f"{_said_period(stretch, utc_offset)}: {nearest.place} says {_period(nearest, utc_offset)}",
                "wiring within the time in which the meter is in a plot",
                "Correct from or to in one of the two rows, or write into meters.csv where the meter was",
            )


def _wired_without_calibration(
    registers: Mapping[str, Register[Any]], record: Period, utc_offset: timedelta
) -> Iterator[SiteError]:
    """Wires to a meter and direction before its first or after its last calibration; gaps between are told by themselves."""
    calibrations: Register[Calibration] = registers["calibrations"]
    known = dict(_grouped(calibrations.rows, attrgetter("meter", "direction")))
    for wire in registers["wiring"].rows:
        needed = _both(wire, record)
        if needed is None or _may_say_more(calibrations, wire.meter):
            continue
        rows = known.get((wire.meter, wire.direction), [])
        between = (min(row.start for row in rows), _latest_end(rows)) if rows else None
        for stretch in _uncovered(needed, rows):
            if between and stretch[0] >= between[0] and (between[1] is None or (stretch[1] or stretch[0]) < between[1]):
                continue
            what = (
                f"{wire.meter} {wire.direction} wired in {wire.place} ({_period(wire, utc_offset)}) without calibration"
            )
            if rows:
                nearest = _nearest(rows, stretch)
                what += f" {_said_period(stretch, utc_offset)}: {nearest.place} says {_period(nearest, utc_offset)}"
            else:
                what += ": calibrations.csv has none for it"
            yield _error(
                wire,
                "meter",
                what,
                "wiring within the time that calibrations cover",
                "Write a calibration for that time into calibrations.csv, or correct from or to in one of the rows",
            )


def _latest_end(rows: Iterable[Dated]) -> datetime | None:
    ends = [row.end for row in rows]
    return None if None in ends else max(end for end in ends if end is not None)


def _nearest(rows: Iterable[DatedT], stretch: Period) -> DatedT:
    """The row that ends where a stretch begins, or begins where it ends, or else the first."""
    ordered = sorted(rows, key=lambda row: row.start)
    touching = [row for row in ordered if row.end == stretch[0] or row.start == stretch[1]]
    return (touching or ordered)[0]
