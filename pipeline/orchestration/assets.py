"""Assets and their checks: each says which computation runs on which partition, and what its checks found.

Belongs here: turning the list of computations into Dagster's assets, one per table, and asset checks, two per table.
Does not: computing and storing (making.py), judging (checks.py), freshness (freshness.py).

Annotations are evaluated here (no import from __future__), since Dagster looks at the type of `context`.
"""

import inspect
import traceback
from collections.abc import Iterable, Iterator

import duckdb
from dagster import (
    AssetCheckExecutionContext,
    AssetCheckResult,
    AssetChecksDefinition,
    AssetCheckSeverity,
    AssetCheckSpec,
    AssetDep,
    AssetExecutionContext,
    AssetMaterialization,
    AssetsDefinition,
    AssetSpec,
    BackfillPolicy,
    DataVersion,
    Failure,
    MaterializeResult,
    MetadataValue,
    TableColumn,
    TableColumnConstraints,
    TableSchema,
    multi_asset,
    multi_asset_check,
)

from pipeline.lake import fingerprint, is_full, trouble
from pipeline.orchestration.checks import CHECKS, check_tables
from pipeline.orchestration.computations import COMPUTATIONS, Computation
from pipeline.orchestration.making import make_partitions
from pipeline.orchestration.partitions import Partitions, read_keys
from pipeline.orchestration.publishing import LOADS
from pipeline.orchestration.stages import VERSIONS, Stages
from pipeline.orchestration.workbench import Workbench, partition_words
from pipeline.tables import Table, table

WORKBENCH = "workbench"
RAW_FILES = AssetSpec(
    "raw_files",
    description="Text files of the loggers, the weather station, the field book and the laboratory, as they came. Never written.",
    group_name="raw_text",
    kinds={"csv"},
)
MUST_HOLD = "must_hold"
SHOULD_HOLD = "should_hold"


def _column_schema(declared: Table) -> TableSchema:
    return TableSchema(
        columns=[
            TableColumn(
                column.name,
                f"{column.type}, {column.unit}" if column.unit else column.type,
                column.meaning,
                TableColumnConstraints(nullable=column.nullable, unique=declared.key == (column.name,)),
            )
            for column in declared.columns
        ]
    )


def _description(declared: Table, computation: Computation, stages: Stages) -> str:
    """What a row is, and what the stage that makes it says of its method."""
    stage = next((stage for stage in computation.stages if stage.startswith(declared.name)), computation.stages[-1])
    method = inspect.getdoc(getattr(stages, stage)) or ""
    return f"A row is {declared.row}. Unique by {', '.join(declared.key)}.\n\n{method.partition('Args:')[0].strip()}"


def _spec(declared: Table, computation: Computation, partitions: Partitions, stages: Stages) -> AssetSpec:
    deps = [partitions.dependency(computation, need) for need in computation.needs]
    if computation.reads and not computation.needs:
        deps.append(AssetDep(RAW_FILES.key))
    return AssetSpec(
        declared.name,
        deps=deps,
        description=_description(declared, computation, stages),
        group_name=declared.group,
        partitions_def=partitions.of(computation),
        metadata={"dagster/column_schema": _column_schema(declared)},
        code_version=" ".join(f"{stage}-{VERSIONS[stage]}" for stage in computation.stages),
        kinds={"parquet"},
    )


def build_asset(computation: Computation, partitions: Partitions, stages: Stages) -> AssetsDefinition:
    """The assets of one computation: its tables, described by the stages that make them."""
    declared = [table(name) for name in computation.tables]

    @multi_asset(
        name=f"make_{computation.name}",
        specs=[_spec(one, computation, partitions, stages) for one in declared],
        partitions_def=partitions.of(computation),
        backfill_policy=BackfillPolicy.single_run(),
        required_resource_keys={WORKBENCH},
        description=f"Makes {', '.join(computation.tables)} of each partition that is not fresh.",
    )
    def make(context: AssetExecutionContext) -> Iterator[MaterializeResult]:
        bench: Workbench = context.resources.workbench
        made: dict[str, dict[str, int]] = {one.name: {} for one in declared}
        failures = []
        by_site: dict[str, list[int | None]] = {}
        for site_name, year in read_keys(context.partition_keys):
            if year not in computation.years(bench.sites[site_name]):
                context.log.info(f"{partition_words(site_name, year)} lies outside the record")
                continue
            by_site.setdefault(site_name, []).append(year)
        for site_name, years in by_site.items():
            for year, came in make_partitions(bench, computation, bench.sites[site_name], years):
                if isinstance(came, Exception):
                    context.log.error("".join(traceback.format_exception(came)))
                    failures.append(_failed_to(computation, bench, site_name, year, came))
                    continue
                for name, count in came.items():
                    made[name]["site" if year is None else str(year)] = count
        if failures:
            raise Failure("\n".join(failures), allow_retries=False)
        for one in declared:
            for key in context.partition_keys:
                ((site_name, year),) = read_keys([key])
                if (stored := bench.lake.stored(one, site_name, year)) is not None:
                    says = {"content": stored.content, "made_from": stored.made_from}
                    context.add_asset_metadata(says, asset_key=one.name, partition_key=key)
            yield MaterializeResult(
                asset_key=one.name,
                metadata={
                    "rows": sum(made[one.name].values()),
                    "partitions": MetadataValue.json(made[one.name]),
                },
                data_version=data_version(bench, one, {site for site, _ in read_keys(context.partition_keys)}),
            )

    return make


def data_version(bench: Workbench, declared: Table, sites: Iterable[str]) -> DataVersion:
    """What tells two states of a table apart on Dagster's page: the digest of the rows of all its partitions of these sites.

    One event over several water years has one version for them all, so that it cannot be that of a single partition; each
    partition's own digest stands beside it, as `content`. Rows that come out as they were leave the version as it was.
    """
    contents = {}
    for site in sorted(sites):
        years = [None] if declared.time_column is None else bench.lake.years(declared, site)
        stored = {str(year): bench.lake.stored(declared, site, year) for year in years}
        contents[site] = {year: one.content for year, one in stored.items() if one is not None}
    return DataVersion(fingerprint(contents))


def _failed_to(computation: Computation, bench: Workbench, site_name: str, year: int | None, error: Exception) -> str:
    """Keep what went wrong with a partition, and give it in a sentence."""
    sentence = f"{computation.name} of {partition_words(site_name, year)}: {_sentence(error, bench)}"
    bench.failures[computation.name, site_name, year] = sentence
    return sentence


def _sentence(error: Exception, bench: Workbench) -> str:
    """What to tell a person of an error: its own sentence where it is one of the project's or of the disk's."""
    if type(error).__module__.startswith("pipeline."):
        return str(error)
    if isinstance(error, OSError | duckdb.IOException | duckdb.OutOfMemoryException):
        # DuckDB names no file where it has no room for work that is larger than its memory.
        beside = bench.lake.work if isinstance(error, duckdb.Error) and is_full(error) else None
        if why := trouble(error, beside):
            return f"not computed. {why} What was stored before stands as it was."
    first_line = str(error).strip().partition("\n")[0]
    return (
        f"unexpected {type(error).__name__}: {first_line} (this is a fault of the program; its full report stands in the log of "
        "the run on Dagster's page, see `drainledger serve`)"
    )


def build_checks(computation: Computation, partitions: Partitions) -> AssetChecksDefinition:
    """Two checks for each table of a computation: what must hold stops what lies downstream, what should hold does not."""

    @multi_asset_check(
        name=f"check_{computation.name}",
        specs=[spec for name in computation.tables for spec in _check_specs(name)],
        can_subset=True,
        required_resource_keys={WORKBENCH},
        description=f"Holds each partition of {', '.join(computation.tables)} to its expectations.",
    )
    def hold(context: AssetCheckExecutionContext) -> Iterator[AssetCheckResult]:
        bench: Workbench = context.resources.workbench
        op = context.op_execution_context
        if op.has_partition_key or op.has_partition_key_range:
            chosen = read_keys(op.partition_keys)
        else:
            chosen = [(name, year) for name, site in partitions.sites.items() for year in computation.years(site)]
        asked = {(key.asset_key.to_user_string(), key.name) for key in context.selected_asset_check_keys}
        names = [name for name in computation.tables if any(of_table == name for of_table, _ in asked)]
        for (name, check_name), sentences in _failed(bench, computation, names, chosen).items():
            if (name, check_name) in asked:
                yield _result(name, check_name, sentences)
        for site_name in sorted({site_name for site_name, _ in chosen}):
            op.log_event(AssetMaterialization(CHECKS.name, partition=site_name))

    return hold


def _check_specs(name: str) -> Iterator[AssetCheckSpec]:
    yield AssetCheckSpec(
        MUST_HOLD,
        asset=name,
        blocking=True,
        description="Expectations of severity error, made from the table's declaration and the registers.",
    )
    yield AssetCheckSpec(
        SHOULD_HOLD,
        asset=name,
        description="Expectations of severity warning: look at what fails; the tables below are computed.",
    )


def _failed(
    bench: Workbench, computation: Computation, names: list[str], partitions: list[tuple[str, int | None]]
) -> dict[tuple[str, str], list[str]]:
    """The sentences of what fails, by table and check, over all chosen partitions of some of its tables that lie in the lake."""
    failed: dict[tuple[str, str], list[str]] = {(name, check): [] for name in names for check in (MUST_HOLD, SHOULD_HOLD)}
    chosen: dict[str, list[int | None]] = {}
    for site_name, year in partitions:
        chosen.setdefault(site_name, []).append(year)
    for site_name, years in chosen.items():
        try:
            verdicts = check_tables(bench, bench.sites[site_name], names, years)
        except Exception as error:
            # Which of the years it was does not show; what went wrong names the file where there is one.
            raise Failure(_failed_to(computation, bench, site_name, years[0], error), allow_retries=False) from error
        for (name, year), verdict in verdicts.items():
            where = partition_words(site_name, year)
            failed[name, MUST_HOLD] += [f"{where}: {sentence}" for sentence in verdict.broken]
            failed[name, SHOULD_HOLD] += [f"{where}: {sentence}" for sentence in verdict.doubtful]
    return failed


def _result(name: str, check_name: str, sentences: list[str]) -> AssetCheckResult:
    return AssetCheckResult(
        asset_key=name,
        check_name=check_name,
        passed=not sentences,
        severity=AssetCheckSeverity.ERROR if check_name == MUST_HOLD else AssetCheckSeverity.WARN,
        metadata={"failed": MetadataValue.md("\n".join(f"- {sentence}" for sentence in sentences))} if sentences else {},
    )


def history_assets(partitions: Partitions) -> list[AssetSpec]:
    """Published states and what moved since: written at the end of a run of the command line."""
    return [
        AssetSpec(
            name,
            deps=list(deps),
            description=f"A row is {table(name).row}. Written by `drainledger publish` and at the end of `drainledger run`.",
            group_name=table(name).group,
            partitions_def=partitions.by_site,
            metadata={"dagster/column_schema": _column_schema(table(name))},
            kinds={"parquet"},
        )
        for name, deps in (("revisions", ()), ("load_changes", ("revisions", *LOADS)))
    ]


def checks_asset(partitions: Partitions) -> AssetSpec:
    """The `checks` table, which every check writes to."""
    return AssetSpec(
        CHECKS.name,
        deps=[table for computation in COMPUTATIONS for table in computation.tables],
        description=f"A row is {CHECKS.row}. Written by the checks of all tables.",
        group_name=CHECKS.group,
        partitions_def=partitions.by_site,
        metadata={"dagster/column_schema": _column_schema(CHECKS)},
        kinds={"parquet"},
    )
