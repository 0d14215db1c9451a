"""What a stored table is held to: Great Expectations suites made from the declarations.

Belongs here: turning a declaration (and what the registers say, as plain `Facts`) into expectations; running them on one
partition. Great Expectations takes seconds to import and is therefore imported inside the functions that use it.
Does not: which partitions are checked and what a failure stops (orchestration/), what a column means (declared/).

A negative net flow is a measurement: no expectation here has a lower bound on `net_l`, `volume_mm` or `load_kg_ha`.
"""

from __future__ import annotations

import functools
import logging
import re
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, fields
from datetime import datetime
from functools import partial
from itertools import zip_longest
from typing import TYPE_CHECKING, Any, Literal, TypeVar

import duckdb
import pandas as pd
import pyarrow as pa

from pipeline.tables.declaration import Derived, Table
from pipeline.tables.schema import ARROW_TYPES

if TYPE_CHECKING:
    from great_expectations.data_context import EphemeralDataContext

Key = TypeVar("Key")
Elsewhere = Callable[[Callable[[], Any]], Any]
Severity = Literal["error", "warning"]
On = Literal["columns", "count", "rows"]
SUITE_VERSION = 1
"""Raised when the same declaration comes to mean other expectations, so that fresh tables are checked again."""

COLUMNS_IN_ORDER = "has exactly the declared columns, in order"
DECLARED_TYPES = "every column is of its declared type"
BOOLEAN = {"result_format": "BOOLEAN_ONLY"}
EXAMPLES = 3
"""Rows that a failed expectation names."""
QUOTE = "'"


@dataclass(frozen=True)
class MeterFact:
    """A stretch of time (`end` exclusive; none: still so) in which a meter's pulses went to a logger of this interval."""

    meter: str
    start: datetime
    end: datetime | None
    interval_s: float
    top_l_min: float


@dataclass(frozen=True)
class Facts:
    """What the registers say of one partition.

    Attributes:
        words: allowed words by column name, such as the plots of plots.csv.
        meters: the logger's interval in s and the meter's top flow in L/min, by meter and stretch of time; no two stretches of
            one meter overlap.
        rows: rows that the partition must have, by table; tables that are not named may have any number.
    """

    words: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    meters: tuple[MeterFact, ...] = ()
    rows: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True)
class Partition:
    """What is held to expectations.

    Attributes:
        stored: the file as it lies in the lake, neither projected nor cast, so that a wrong column or type is seen.
        table: its declaration.
        facts: what the registers say of it.
    """

    stored: duckdb.DuckDBPyRelation
    table: Table
    facts: Facts


@dataclass(frozen=True)
class Expected:
    """One expectation: the sentence that people read, and what Great Expectations is asked.

    `on` says what it is asked of: the stored file's columns and types, its number of rows, or the rows.
    """

    sentence: str
    kind: str
    arguments: Mapping[str, Any]
    severity: Severity = "error"
    on: On = "rows"


@dataclass(frozen=True)
class Outcome:
    """What came of one expectation."""

    expectation: str
    passed: bool
    severity: Severity
    detail: str


_SPANS = "(epoch_us(interval_end) - epoch_us(interval_start)) / 1000000"


def _no_overlap(owner: str) -> Derived:
    return Derived(
        "overlap_s",
        f"""greatest(0, epoch_us(lag(interval_end) OVER (PARTITION BY {owner} ORDER BY interval_start))
            - epoch_us(interval_start)) / 1000000""",
        "No two intervals overlap.",
        minimum=0,
        maximum=0,
    )


def _no_holes(owner: str) -> Derived:
    return Derived(
        "hours_to_next",
        f"""(epoch_us(lead(hour_start) OVER (PARTITION BY {owner} ORDER BY hour_start)) - epoch_us(hour_start))
            / 3600000000""",
        "Hour follows hour without a hole.",
        minimum=1,
        maximum=1,
    )


_ONE_INTERVAL = Derived(
    "surplus_intervals",
    f"CASE WHEN quality = 'spans_gap' THEN 0 ELSE {_SPANS} / interval_s - 1 END",
    "A row lasts one interval of its logger, unless its quality says that it spans a gap.",
    minimum=0,
    maximum=0,
)

DOMAIN: Mapping[str, tuple[Derived, ...]] = {
    "pulse_counts": (_ONE_INTERVAL, _no_overlap("plot, meter")),
    "gauge_readings": (_no_overlap("gauge"),),
    "interval_flow": (_ONE_INTERVAL, _no_overlap("plot")),
    "metered_hours": (_no_holes("plot"),),
    "hourly_flow": (_no_holes("plot"),),
    "concentration": (_no_holes("plot, analyte"),),
}
"""Expectations that need more than one row, or the registers, and therefore stand beside the declarations."""


def _derived(table: Table) -> tuple[Derived, ...]:
    """Every value that is worked out beside the stored columns, numbers that are none among them."""
    decimals = [column.name for column in table.columns if column.type == "decimal"]
    finite = (
        Derived(
            "not_finite",
            " + ".join(
                f'CASE WHEN isfinite("{name}") THEN 0 ELSE ("{name}" IS NOT NULL)::INTEGER END' for name in decimals
            ),
            "No number is infinite or undefined.",
            minimum=0,
            maximum=0,
        ),
    )
    return (*table.derived, *DOMAIN.get(table.name, ()), *(finite if decimals else ()))


def _needs_meter_facts(table: Table) -> bool:
    return any(re.search(r"\b(interval_s|top_l_min)\b", derived.sql) for derived in _derived(table))


def expectations(table: Table, facts: Facts) -> tuple[Expected, ...]:
    """Everything that one partition of a table is held to, in the order of the declaration."""
    return (*_of_columns(), *_of_rows(table, facts))


def _of_columns() -> Iterator[Expected]:
    yield Expected(
        COLUMNS_IN_ORDER,
        "expect_column_pair_values_to_be_equal",
        {"column_A": "declared", "column_B": "stored"},
        on="columns",
    )
    yield Expected(
        DECLARED_TYPES,
        "expect_column_pair_values_to_be_equal",
        {"column_A": "declared_type", "column_B": "stored_type"},
        on="columns",
    )


def _columns_to_check(stored: duckdb.DuckDBPyRelation, table: Table) -> pd.DataFrame:
    """A row per place in the table: the declared and the stored column's name, and their types by name."""
    found = stored.limit(0).to_arrow_table().schema
    types = {field.name: _type_name(field.type) for field in found}
    places = list(zip_longest(table.columns, found.names))
    return pd.DataFrame(
        {
            "declared": [column.name if column else "" for column, _ in places],
            "stored": [name or "" for _, name in places],
            "declared_type": [_type_name(ARROW_TYPES[column.type]) if column else "" for column, _ in places],
            "stored_type": [types.get(column.name, "absent") if column else "" for column, _ in places],
        }
    )


def _type_name(kind: pa.DataType) -> str:
    """A type in words; what the elements of a list are called is left out, since writers call them differently."""
    return f"list<{kind.value_type}>" if pa.types.is_list(kind) else str(kind)


def _of_rows(table: Table, facts: Facts) -> Iterator[Expected]:
    if not table.may_be_empty:
        yield Expected("has rows", "expect_column_values_to_be_between", {"column": "rows", "min_value": 1}, on="count")
    if table.name in facts.rows:
        rows = facts.rows[table.name]
        yield Expected(
            f"has {table.row} for every one of the record: {rows:,} rows",
            "expect_column_pair_values_to_be_equal",
            {"column_A": "rows", "column_B": "rows_of_the_record"},
            on="count",
        )
    yield Expected(
        f"no two rows share {', '.join(table.key)}",
        "expect_compound_columns_to_be_unique" if len(table.key) > 1 else "expect_column_values_to_be_unique",
        {"column_list": list(table.key)} if len(table.key) > 1 else {"column": table.key[0]},
    )
    for column in table.columns:
        softened: Severity = "warning" if column.warn_only else "error"
        if not column.nullable:
            yield Expected(
                f"{column.name} is never empty", "expect_column_values_to_not_be_null", {"column": column.name}
            )
        if column.minimum is not None or column.maximum is not None:
            yield _within(column.name, column.minimum, column.maximum, softened)
        if column.codes is not None:
            yield _one_of(column.name, tuple(column.codes), "a declared code", softened)
        elif column.name in facts.words:
            yield _one_of(column.name, facts.words[column.name], "named in the site folder", softened)
    if _needs_meter_facts(table):
        yield Expected(
            "every row's meter is wired at that time", "expect_column_values_to_not_be_null", {"column": "interval_s"}
        )
    for derived in _derived(table):
        yield _within(derived.name, derived.minimum, derived.maximum, derived.severity, derived.meaning)


def _within(
    column: str, minimum: float | None, maximum: float | None, severity: Severity, meaning: str | None = None
) -> Expected:
    if minimum == maximum:
        bounds = f"{minimum:g}"
    elif minimum is None:
        bounds = f"at most {maximum:g}"
    elif maximum is None:
        bounds = f"at least {minimum:g}"
    else:
        bounds = f"from {minimum:g} to {maximum:g}"
    return Expected(
        f"{column} is {bounds}" + (f": {meaning}" if meaning else ""),
        "expect_column_values_to_be_between",
        {"column": column, "min_value": minimum, "max_value": maximum},
        severity,
    )


def _one_of(column: str, words: Sequence[str], kind: str, severity: Severity) -> Expected:
    return Expected(
        f"{column} is {kind}",
        "expect_column_values_to_be_in_set",
        {"column": column, "value_set": sorted(words)},
        severity,
    )


def check_partitions(
    session: duckdb.DuckDBPyConnection,
    parts: Mapping[Key, Partition],
    elsewhere: Elsewhere = lambda call: call(),
) -> dict[Key, list[Outcome]]:
    """Hold stored partitions to their expectations.

    Args:
        session: the session to which they belong; derived values are worked out in it.
        parts: by any key.
        elsewhere: gives what comes of a call to Great Expectations, made in a process that has imported it, where there is one.

    Returns:
        By key one outcome per expectation, in the order of `expectations`.
    """
    # Great Expectations takes a quarter of a second for a suite however few the rows are, and a second for a few hundred thousand.
    # So DuckDB counts first how many expectations each row breaks; that none does is asked of the counts of all partitions, and
    # the suite itself of each in which some row breaks something or cannot be counted.
    counts = {key: _faults(session, part.stored, part.table, part.facts) for key, part in parts.items()}
    counted = {key: frame for key, frame in counts.items() if frame is not None}
    faulty = elsewhere(partial(_with_faults, counted))
    return {
        key: _all_held(part.table, part.facts, int(counted[key]["rows"].sum()))
        if key in counted and key not in faulty
        else _outcomes(session, part, elsewhere)
        for key, part in parts.items()
    }


def _faults(
    session: duckdb.DuckDBPyConnection, stored: duckdb.DuckDBPyRelation, table: Table, facts: Facts
) -> pd.DataFrame | None:
    """How many rows of a partition break how many expectations, columns faults and rows; none where it cannot be counted."""
    columns = _columns_to_check(stored, table)
    if (columns["declared"] != columns["stored"]).any() or (columns["declared_type"] != columns["stored_type"]).any():
        return None
    asked = expectations(table, facts)
    broken = " + ".join(f"({_breaks(expected)})::INTEGER" for expected in asked if expected.on == "rows") or "0"
    with _meter_facts_of(session, table, facts):
        inner = _selecting(_source(table), _wanted(table), _lists(stored))
        query = (
            f"SELECT faults, count(*) AS rows FROM (SELECT {broken} AS faults FROM ({inner})) GROUP BY ALL ORDER BY ALL"
        )
        try:
            # A view, since a query upon a relation is planned when it is made and again when it is run: half of the time of a small table.
            stored.create_view("rows_to_check", replace=True)
            found = pd.DataFrame(session.execute(query).fetchall(), columns=["faults", "rows"])
        except duckdb.Error:
            return None
        finally:
            session.execute("DROP VIEW IF EXISTS rows_to_check")
    of_count = _count_frame(table, facts, int(found["rows"].sum()))
    wrong = sum(not _holds_of_count(expected, of_count) for expected in asked if expected.on == "count")
    # An empty partition is one group of no rows, so that there is something to ask.
    return found if len(found) and not wrong else pd.DataFrame({"faults": [wrong], "rows": [int(found["rows"].sum())]})


def _breaks(expected: Expected) -> str:
    """SQL that is true in a row that breaks an expectation, false in all others."""
    said = expected.arguments
    name = f'"{said.get("column", "")}"'
    match expected.kind:
        case "expect_column_values_to_not_be_null":
            return f"{name} IS NULL"
        case "expect_column_values_to_be_between":
            bounds = [(">=", said["min_value"]), ("<=", said["max_value"])]
            within = " AND ".join(f"{name} {sign} {bound!r}" for sign, bound in bounds if bound is not None)
            return f"NOT coalesce({within}, true)"
        case "expect_column_values_to_be_in_set":
            words = ", ".join(f"'{word.replace(QUOTE, 2 * QUOTE)}'" for word in said["value_set"])
            return f"{name} IS NOT NULL AND NOT coalesce({name} IN ({words}), false)" if words else f"{name} IS NOT NULL"
        case "expect_compound_columns_to_be_unique" | "expect_column_values_to_be_unique":
            key = ", ".join(f'"{column}"' for column in said.get("column_list", [said.get("column")]))
            return f"count(*) OVER (PARTITION BY {key}) > 1"
    raise ValueError(f"no way to count what breaks {expected.kind}")


def _holds_of_count(expected: Expected, of_count: pd.DataFrame) -> bool:
    """Whether what is expected of a number of rows holds."""
    (row,) = of_count.to_dict("records")
    if "column" in expected.arguments:
        return bool(row[expected.arguments["column"]] >= expected.arguments["min_value"])
    return bool(row[expected.arguments["column_A"]] == row[expected.arguments["column_B"]])


def _with_faults(counts: Mapping[Key, pd.DataFrame]) -> set[Key]:
    """The partitions in which Great Expectations finds a row that breaks anything."""
    if not counts:
        return set()
    asked = Expected(
        "no row breaks an expectation", "expect_column_values_to_be_in_set", {"column": "faults", "value_set": [0]}
    )
    (result,) = _ask(pd.concat(counts.values(), ignore_index=True), [asked], {"result_format": "COMPLETE"}).values()
    if result.success:
        return set()
    of_row = [key for key, frame in counts.items() for _ in range(len(frame))]
    # Where it does not say which rows they are, all are looked at.
    rows = result.result.get("unexpected_index_list")
    return {of_row[row] for row in rows} if rows else set(of_row)


def _all_held(table: Table, facts: Facts, rows: int) -> list[Outcome]:
    """Outcomes of a partition in which everything holds."""
    return [Outcome(e.sentence, True, e.severity, _said_where_held(e, rows)) for e in expectations(table, facts)]


def _outcomes(session: duckdb.DuckDBPyConnection, part: Partition, elsewhere: Elsewhere) -> list[Outcome]:
    """Outcomes of one partition by asking Great Expectations of each expectation."""
    stored, table, facts = part.stored, part.table, part.facts
    every = expectations(table, facts)
    rows, unknown = _rows_to_check(session, stored, table, facts)
    frames: dict[On, pd.DataFrame] = {
        "columns": _columns_to_check(stored, table),
        "count": _count_frame(table, facts, len(rows)),
        "rows": rows,
    }
    outcomes: dict[str, Outcome] = {}
    for on, frame in frames.items():
        of_kind = [expected for expected in every if expected.on == on]
        absent = {expected.sentence: _missing(expected, frame) for expected in of_kind}
        asked = [expected for expected in of_kind if absent[expected.sentence] is None]
        results = elsewhere(partial(_validate, frame, asked, [name for name in table.key if name in frame]))
        for expected in of_kind:
            lacking = absent[expected.sentence]
            if lacking is not None:
                passed, detail = False, unknown.get(lacking, f"there is no column {lacking}")
            else:
                passed, detail = results[expected.sentence]
            outcomes[expected.sentence] = Outcome(expected.sentence, passed, expected.severity, detail)
    return [outcomes[expected.sentence] for expected in every]


def _count_frame(table: Table, facts: Facts, rows: int) -> pd.DataFrame:
    return pd.DataFrame({"rows": [rows], "rows_of_the_record": [facts.rows.get(table.name, rows)]})


def _missing(expected: Expected, frame: pd.DataFrame) -> str | None:
    """The first column that the expectation asks for and the frame lacks."""
    named = (
        [expected.arguments["column"]] if "column" in expected.arguments else expected.arguments.get("column_list", [])
    )
    return next((name for name in named if name not in frame), None)


def _source(table: Table) -> str:
    """A query for the stored rows, and what the registers say of each row's meter where that is asked."""
    if not _needs_meter_facts(table):
        return "SELECT rows_to_check.* FROM rows_to_check"
    return """
        SELECT rows_to_check.*,
            CASE WHEN "end" IS NULL OR interval_start < "end" THEN interval_s END AS interval_s,
            CASE WHEN "end" IS NULL OR interval_start < "end" THEN top_l_min END AS top_l_min
        FROM rows_to_check ASOF LEFT JOIN (SELECT meter AS fact_meter, start AS fact_start, * EXCLUDE (meter, start)
            FROM meter_facts) ON meter = fact_meter AND interval_start >= fact_start
        """


def _wanted(table: Table) -> dict[str, str]:
    """SQL of the derived values, by name."""
    return {derived.name: derived.sql for derived in _derived(table)}


def _lists(stored: duckdb.DuckDBPyRelation) -> list[str]:
    return [name for name, kind in zip(stored.columns, stored.types, strict=True) if kind.id == "list"]


@contextmanager
def _meter_facts_of(session: duckdb.DuckDBPyConnection, table: Table, facts: Facts) -> Iterator[None]:
    """While this is open, the session knows `meter_facts` where a table's derived values ask for them."""
    if not _needs_meter_facts(table):
        yield
        return
    session.register("meter_facts", _meter_facts(facts.meters))
    try:
        yield
    finally:
        session.unregister("meter_facts")


def _rows_to_check(
    session: duckdb.DuckDBPyConnection, stored: duckdb.DuckDBPyRelation, table: Table, facts: Facts
) -> tuple[pd.DataFrame, dict[str, str]]:
    """The rows with their derived values; and, for what could not be worked out, why."""
    source, wanted, lists = _source(table), _wanted(table), _lists(stored)
    unknown: dict[str, str] = {}
    with _meter_facts_of(session, table, facts):
        try:
            frame = _fetch(stored, _selecting(source, wanted, lists))
        except duckdb.Error:
            source, wanted, unknown = _workable(stored, source, wanted)
            frame = _fetch(stored, _selecting(source, wanted, lists))
    return frame, unknown


def _fetch(stored: duckdb.DuckDBPyRelation, query: str) -> pd.DataFrame:
    """The result of a query over `rows_to_check`."""
    found = stored.query("rows_to_check", query)
    assert found is not None
    return found.to_arrow_table().to_pandas()


def _selecting(source: str, wanted: Mapping[str, str], lists: Sequence[str] = ()) -> str:
    """A query for stored and derived values; of the members of an ensemble only how many they are."""
    derived = "".join(f', ({sql}) AS "{name}"' for name, sql in wanted.items())
    counted = ", ".join(f'len("{name}") AS "{name}"' for name in lists)
    stored = f"* REPLACE ({counted})" if counted else "*"
    return f"SELECT {stored}{derived} FROM ({source})"


def _workable(
    stored: duckdb.DuckDBPyRelation, source: str, wanted: Mapping[str, str]
) -> tuple[str, dict[str, str], dict[str, str]]:
    """The part of a query that a damaged table still allows, and a sentence for each value that it does not."""
    unknown: dict[str, str] = {}
    try:
        _fetch(stored, f"FROM ({source}) LIMIT 1")
    except duckdb.Error as error:
        unknown["interval_s"] = f"cannot be worked out from the stored columns: {_first_line(error)}"
        source = "SELECT * FROM rows_to_check"
    workable = {}
    for name, sql in wanted.items():
        try:
            _fetch(stored, f"FROM ({_selecting(source, {name: sql})}) LIMIT 1")
            workable[name] = sql
        except duckdb.Error as error:
            unknown[name] = f"cannot be worked out from the stored columns: {_first_line(error)}"
    return source, workable, unknown


def _first_line(error: Exception) -> str:
    return str(error).strip().splitlines()[0]


def _meter_facts(meters: Sequence[MeterFact]) -> pd.DataFrame:
    instant = "datetime64[us, UTC]"
    columns = [column.name for column in fields(MeterFact)]
    return pd.DataFrame([asdict(fact) for fact in meters], columns=columns).astype(
        {"meter": "str", "start": instant, "end": instant, "interval_s": "float64", "top_l_min": "float64"}
    )


@functools.cache
def _context() -> EphemeralDataContext:
    """A Great Expectations context in memory: no project folder, no analytics, no progress bars."""
    logging.getLogger("great_expectations").setLevel(logging.ERROR)
    import great_expectations as gx
    from great_expectations.data_context.types.base import ProgressBarsConfig

    context = gx.get_context(mode="ephemeral")
    context.variables.progress_bars = ProgressBarsConfig(globally=False)
    context.data_sources.add_pandas("lake").add_dataframe_asset("partition").add_batch_definition_whole_dataframe("whole")
    return context


def _validate(frame: pd.DataFrame, asked: Sequence[Expected], key: Sequence[str]) -> dict[str, tuple[bool, str]]:
    """Ask Great Expectations; gives by sentence whether it holds, and what was found."""
    results = _ask(frame, asked, BOOLEAN)
    failed = [expected for expected in asked if not results[expected.sentence].success]
    # Which rows broke an expectation takes as long to find out as whether one did: only what failed is asked again.
    details = _ask(frame, failed, {"result_format": "SUMMARY", "partial_unexpected_count": EXAMPLES})
    found = {e.sentence: (False, _found(e, details[e.sentence], frame, key)) for e in failed}
    held = {e.sentence: (True, _said_where_held(e, len(frame) if e.on == "rows" else _rows_of(frame))) for e in asked}
    return held | found


def _rows_of(frame: pd.DataFrame) -> int:
    """The number of rows that a frame of counts tells, 0 for any other."""
    return int(frame["rows"].iloc[0]) if "rows" in frame else 0


def _said_where_held(expected: Expected, rows: int) -> str:
    """What is said of an expectation that holds for a partition of some rows."""
    said: dict[On, str] = {
        "columns": "as declared",
        "count": f"has {rows:,} rows",
        "rows": f"holds for all {rows:,} rows",
    }
    return said[expected.on]


def _ask(frame: pd.DataFrame, asked: Sequence[Expected], result_format: Mapping[str, Any]) -> dict[str, Any]:
    """One result of Great Expectations per sentence."""
    if not asked:
        return {}
    from great_expectations.core import ExpectationSuite
    from great_expectations.expectations.expectation_configuration import ExpectationConfiguration
    from great_expectations.expectations.metadata_types import FailureSeverity

    suite = ExpectationSuite(
        name="partition",
        expectations=[
            ExpectationConfiguration(
                type=expected.kind,
                kwargs=dict(expected.arguments),
                severity=FailureSeverity.CRITICAL if expected.severity == "error" else FailureSeverity.WARNING,
                meta={"sentence": expected.sentence},
            )
            for expected in asked
        ],
    )
    asset = _context().data_sources.get("lake").get_asset("partition")
    batch = asset.get_batch_definition("whole").get_batch({"dataframe": frame})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        validation = batch.validate(suite, result_format=dict(result_format))
    return {result.expectation_config.meta["sentence"]: result for result in validation.results}


def _found(expected: Expected, result: Any, frame: pd.DataFrame, key: Sequence[str]) -> str:
    """What was found where an expectation failed, in a sentence, with the first rows that broke it."""
    values = result.result
    if expected.sentence == COLUMNS_IN_ORDER:
        declared, found = ([name for name in frame[side] if name] for side in ("declared", "stored"))
        missing = ", ".join(name for name in declared if name not in found)
        surplus = ", ".join(name for name in found if name not in declared)
        parts = [f"missing: {missing}"] * bool(missing) + [f"not declared: {surplus}"] * bool(surplus)
        return "; ".join(parts) or f"the order is {', '.join(found)}"
    if expected.sentence == DECLARED_TYPES:
        wrong = frame[frame["declared_type"] != frame["stored_type"]]
        return "; ".join(f"{row.declared} is {row.stored_type}, not {row.declared_type}" for row in wrong.itertuples())
    if expected.on == "count":
        return f"found {frame['rows'].iloc[0]:,} rows"
    if "unexpected_count" in values:
        return (
            f"{values['unexpected_count']:,} of {len(frame):,} rows break this: {_examples(expected, values, frame, key)}"
        )
    return "could not be examined: " + "; ".join(str(info) for info in (result.exception_info or {}).values())


def _examples(expected: Expected, values: Mapping[str, Any], frame: pd.DataFrame, key: Sequence[str]) -> str:
    rows = values.get("partial_unexpected_index_list") or []
    column = expected.arguments.get("column")
    shown = []
    for index in rows[:EXAMPLES]:
        row = frame.loc[index]
        where = ", ".join(f"{name} {_plain(row[name])}" for name in key)
        shown.append(f"{where}: {_plain(row[column])}" if column is not None else where)
    if not shown:
        shown = [str(value) for value in values.get("partial_unexpected_list", [])[:EXAMPLES]]
    more = values["unexpected_count"] - len(shown)
    return "; ".join(shown) + (f"; and {more:,} more" if more > 0 else "")


def _plain(value: Any) -> str:
    if value is None or (not isinstance(value, str) and pd.isna(value)):
        return "empty"
    if isinstance(value, pd.Timestamp):
        return value.strftime("%Y-%m-%dT%H:%M:%SZ")
    return f"{value:g}" if isinstance(value, float) else str(value)
