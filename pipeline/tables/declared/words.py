"""Codes, columns and rules that several tables share.

Belongs here: what more than one group of tables declares in the same words.
Does not: tables.
"""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.tables.declaration import Column, Derived

NEGATIVE_IS_REAL = (
    "Negative values are measurements, not errors: when the receiving ditch stands higher than the drain, water runs back "
    "up the main, and the meter counts it as reverse flow. Net flow is forward minus reverse. Keep the sign when you add up."
)

BASIS: Mapping[str, str] = {
    "measured": "metered, within the flow range in which the meter is accurate",
    "measured_below_range": "metered, but at least half of the hour's water ran slower than the meter is accurate",
    "total_known": "a running counter survived the gap: the volume is measured, only its timing is modelled",
    "bridged": "a short hole, drawn straight between the measured flows at its two edges",
    "from_neighbours": "estimated from the other plots' measured flow in the same hour",
    "from_weather": "estimated from antecedent rain and season, no plot being measured",
    "unfilled": "no responsible estimate: the value is empty and the loads above say so",
}

PULSE_QUALITY: Mapping[str, str] = {
    "ok": "counted over its own interval",
    "spans_gap": "difference of a running counter across missing records: the total is measured, its timing is not",
    "conflict": "the files hold different values for this interval; the latest download is used, the others are rejected",
}

DIRECTIONS: Mapping[str, str] = {
    "forward": "the way in which the plot drains",
    "reverse": "back up the main",
}

PLOT = Column("plot", "code", "Field plot, as named in plots.csv.")

ANALYTE = Column("analyte", "code", "What the laboratory measured, as named in site.yaml.")

FILE = Column("file_id", "code", "SHA-256 of the raw file's bytes, 64 hexadecimal digits; its path is in source_files.")

LINE = Column("line", "integer", "Line of the raw file, the first line being 1.", minimum=1)

START = Column("interval_start", "instant", "Start of the interval, inclusive.", "UTC")

END = Column("interval_end", "instant", "End of the interval, exclusive.", "UTC")

MEASURED_FRACTION = Column(
    "measured_fraction", "decimal", "Share of the hour that was metered.", "1", minimum=0.0, maximum=1.0
)

BELOW_RANGE_FRACTION = Column(
    "below_range_fraction",
    "decimal",
    "Share of the hour's metered water (both directions) that ran slower than the meter is accurate.",
    "1",
    minimum=0.0,
    maximum=1.0,
)

CAUSES: Mapping[str, str] = {
    "calibration": "calibration",
    "error_curve": "error curve of a meter",
    "meter": "meter register",
    "wiring": "wiring",
    "clock": "clock of a logger",
    "gauge": "gauge register",
    "outage_register": "outage register",
    "treatment": "treatment register",
    "plot": "plot register",
    "new_file": "new file",
    "corrected_file": "changed file",
    "removed_file": "file that is gone",
    "held_files": "files that are held",
    "laboratory": "field book or laboratory revision",
    "layout": "layout of a logger's files",
    "site": "site.yaml",
    "bench_registers": "registers that bench tests are held against",
    "policy": "policy",
    "method": "method version",
    "missing": "not computed yet",
    "unknown": "origin not known",
}
"""What can have changed a number, in the words that people are told."""

ON_THE_HOUR = Derived(
    "seconds_off_hour",
    "(epoch_us(hour_start) // 1000000) % 900",
    "Hours start on the hour of the site's standard time, whose offset is a whole number of quarter hours.",
    minimum=0,
    maximum=0,
)

LENGTH_POSITIVE = Derived(
    "interval_length_s",
    "epoch_us(interval_end) / 1000000 - epoch_us(interval_start) / 1000000",
    "The interval has a length.",
    minimum=1,
)

ON_GRID = Derived(
    "seconds_off_grid",
    "(epoch_us(interval_start) // 1000000) % interval_s + (epoch_us(interval_end) // 1000000) % interval_s",
    "Interval starts and ends lie on the regular grid of the logger's interval length.",
    minimum=0,
    maximum=0,
    severity="warning",
)

WATER_YEAR = Column(
    "water_year",
    "integer",
    "Water year, named for the calendar year in which it ends.",
    minimum=1900,
    maximum=2200,
)
