"""Published states, what moved since, and what the checks found.

Belongs here: declarations of these tables, and codes that only they use.
Does not: anything that acts on a declaration.
"""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.tables.declaration import Column, Table
from pipeline.tables.declared.words import ANALYTE, PLOT, WATER_YEAR

HOW_CHANGED: Mapping[str, str] = {
    "direct": "something changed that this plot's own numbers of this water year are made from",
    "filled_from_neighbour": "only hours that were not metered moved: what fills them learns from another plot, which changed",
    "filled_from_other_year": "only hours that were not metered moved: what fills them learns from other water years, which changed",
    "concentration_only": "the water did not move: the concentration leans on flow or samples of another time or plot, which changed",
    "interval_only": "load and volume are the same: only what is said of their uncertainty moved",
    "indirect": "nothing changed that its own numbers are made from; it moved by way of other plots or water years",
    "unknown": "what it was made from before is not known",
}


TABLES: tuple[Table, ...] = (
    Table(
        name="revisions",
        row="one published state of the loads",
        group="history",
        columns=(
            Column("revision", "integer", "Number of the published state, the first being 1.", minimum=1),
            Column("made_at", "instant", "When it was published.", "UTC"),
            Column("fingerprint", "text", "Digest of the published loads: two states with the same loads have the same."),
            Column("reason", "text", "Why it was published, in the words of whoever did."),
            Column("first_water_year", "integer", "First water year.", minimum=1900, maximum=2200),
            Column("last_water_year", "integer", "Last water year.", minimum=1900, maximum=2200),
            Column("annual_loads", "integer", "Annual loads in it, empty ones included.", minimum=0),
            Column("raw_files", "integer", "Raw files that it was made from.", minimum=0),
            Column("program_commit", "text", "Commit of the program, where it ran from a repository.", nullable=True),
            Column("program_changed", "flag", "Whether the program differed from that commit.", nullable=True),
            Column(
                "registers_commit", "text", "Commit of the site folder, where it lies in a repository.", nullable=True
            ),
            Column("registers_changed", "flag", "Whether the site folder differed from that commit.", nullable=True),
            Column("versions", "text", "Versions of the program, of Python and of the libraries that decide numbers."),
        ),
        key=("revision",),
        sort=("revision",),
    ),
    Table(
        name="load_changes",
        row="one load that moved from a published state to a later one, or to the tables as they are now",
        group="history",
        columns=(
            Column("from_revision", "integer", "The published state before.", minimum=1),
            Column("to_revision", "integer", "The published state after; 0: the tables as they are now.", minimum=0),
            Column(
                "kind",
                "code",
                "Which loads table.",
                codes={"annual": "loads_annual", "monthly": "loads_monthly", "event": "loads_event"},
            ),
            PLOT,
            ANALYTE,
            WATER_YEAR,
            Column("period", "text", "The water year, the month (YYYY-MM) or the event."),
            Column("before", "decimal", "load_kg_ha before. Empty: none then.", "kg/ha", nullable=True),
            Column("after", "decimal", "load_kg_ha after. Empty: none now.", "kg/ha", nullable=True),
            Column("change", "decimal", "After minus before.", "kg/ha", nullable=True),
            Column("change_pct", "decimal", "Change over the absolute value of before.", "%", nullable=True),
            Column("before_p05", "decimal", "5th percentile before.", "kg/ha", nullable=True),
            Column("before_p95", "decimal", "95th percentile before.", "kg/ha", nullable=True),
            Column("after_p05", "decimal", "5th percentile after.", "kg/ha", nullable=True),
            Column("after_p95", "decimal", "95th percentile after.", "kg/ha", nullable=True),
            Column("volume_before_mm", "decimal", "volume_mm before.", "mm", nullable=True),
            Column("volume_after_mm", "decimal", "volume_mm after.", "mm", nullable=True),
            Column("volume_change_mm", "decimal", "After minus before.", "mm", nullable=True),
            Column(
                "volume_change_measured_mm",
                "decimal",
                "The part of it that stands on metered hours (basis measured and "
                "measured_below_range). Empty for events.",
                "mm",
                nullable=True,
            ),
            Column(
                "volume_change_filled_mm",
                "decimal",
                "The part of it that stands on all other hours. Empty for events.",
                "mm",
                nullable=True,
            ),
            Column("cause", "text", "Kinds of what changed and touches this load, parted by semicolons."),
            Column("how", "code", "How the change came to this load.", codes=HOW_CHANGED),
            Column("detail", "text", "What changed, in sentences."),
        ),
        key=("from_revision", "to_revision", "kind", "plot", "analyte", "water_year", "period"),
        sort=("from_revision", "to_revision", "kind", "plot", "analyte", "water_year", "period"),
    ),
    Table(
        name="checks",
        row="one expectation on one table and partition",
        group="checks",
        columns=(
            Column("table", "code", "The table."),
            Column("partition", "code", "The water year, or 'site' for a table kept once per site."),
            Column("expectation", "text", "What is expected."),
            Column("passed", "flag", "Whether the table keeps to it."),
            Column(
                "severity",
                "code",
                "What a failure means.",
                codes={
                    "error": "nothing downstream is computed until it is resolved",
                    "warning": "look at it; the numbers below are computed",
                },
            ),
            Column("detail", "text", "What was found, in a sentence."),
        ),
        key=("table", "partition", "expectation"),
        sort=("table", "partition", "expectation"),
    ),
)
