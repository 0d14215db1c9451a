"""Every table of the lake, declared once.

Belongs here: the declarations, and wording that several of them share.
Does not: anything that acts on a declaration.
"""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.tables.declaration import Column, Derived, Table

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

FINDING_KINDS: Mapping[str, str] = {
    "silence": "the meter counted nothing while the other plots or the weather say that water ran",
    "stuck_counter": "the meter repeated one count while flow was to change",
    "impossible_rate": "the meter showed more than its top flow, or than its main carries when full",
    "step": "from a day on the meter showed another share of what was to be expected",
    "direction_swapped": "forward and reverse counts are exchanged",
    "columns_swapped": "the counts of two meters are exchanged",
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

CONCENTRATION_BASIS: Mapping[str, str] = {
    "sampled": "within the window of a composite sample, or at a grab's hour",
    "interpolated": "between results no further apart than interpolation_longest_days, or as near to the only one: regression on flow, "
    "season and treatment, drawn onto the results around",
    "modelled": "no result is near: the same regression, of the plot's own results and those of the site's other plots",
    "site_model": "no result is near and the plot has few in three years: the regression mostly of the site's other plots",
    "no_results": "the plot has no usable result of the analyte within a year on each side: the value is empty",
}

_PLOT = Column("plot", "code", "Field plot, as named in plots.csv.")
_ANALYTE = Column("analyte", "code", "What the laboratory measured, as named in site.yaml.")
_FILE = Column("file_id", "code", "SHA-256 of the raw file's bytes, 64 hexadecimal digits; its path is in source_files.")
_BENCH_FILE = Column("path", "text", "Bench file below raw/<site>/.")
_PROVED = Column("proved", "day", "Day of the bench test, where that is known.", nullable=True)
_LINE = Column("line", "integer", "Line of the raw file, the first line being 1.", minimum=1)
_START = Column("interval_start", "instant", "Start of the interval, inclusive.", "UTC")
_END = Column("interval_end", "instant", "End of the interval, exclusive.", "UTC")


_MEASURED_FRACTION = Column(
    "measured_fraction", "decimal", "Share of the hour that was metered.", "1", minimum=0.0, maximum=1.0
)
_BELOW_RANGE_FRACTION = Column(
    "below_range_fraction",
    "decimal",
    "Share of the hour's metered water (both directions) that ran slower than the meter is accurate.",
    "1",
    minimum=0.0,
    maximum=1.0,
)

WHY_EMPTY: Mapping[str, str] = {
    "unfilled_hours": "the flow of some of its hours could not be filled: volume and load are empty",
    "no_results": "no usable result of the analyte is near: the load is empty",
    "unfilled_hours_and_no_results": "both: volume and load are empty",
}

LOAD_METHODS: Mapping[str, str] = {
    "linear_interpolation": "hourly flow times a straight line between results",
    "flow_weighted_mean": "flow-weighted mean of the results times the net volume",
    "ratio_estimator": "Beale's ratio estimator with bias correction, in strata of flow",
    "rating_curve": "ln concentration on ln flow, with smearing",
    "time_weighted_mean": "time-weighted mean of the results times the net volume",
    "composite_by_volume": "mean of the composites, weighted by the volume of their windows, times the net volume",
}

UNCERTAINTY_SOURCES: Mapping[str, str] = {
    "calibration": "litres per pulse, one error for all water of the time in which a calibration was in force",
    "error_curve": "the meter within its error curve, one error a meter, in hours in which it is accurate",
    "below_range": "the same error in hours whose water ran slower than the meter is accurate",
    "counting": "parts of a pulse that are not counted yet when an hour ends",
    "gap_filling": "the estimate of hours that were not metered",
    "sampling": "what the concentration was between samples",
    "laboratory": "errors of laboratory results",
    "backward_water": "which water it was that ran back, in hours in which more ran back than drained",
}

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

HOW_CHANGED: Mapping[str, str] = {
    "direct": "something changed that this plot's own numbers of this water year are made from",
    "filled_from_neighbour": "only hours that were not metered moved: what fills them learns from another plot, which changed",
    "filled_from_other_year": "only hours that were not metered moved: what fills them learns from other water years, which changed",
    "concentration_only": "the water did not move: the concentration leans on flow or samples of another time or plot, which changed",
    "interval_only": "load and volume are the same: only what is said of their uncertainty moved",
    "indirect": "nothing changed that its own numbers are made from; it moved by way of other plots or water years",
    "unknown": "what it was made from before is not known",
}

_ON_THE_HOUR = Derived(
    "seconds_off_hour",
    "(epoch_us(hour_start) // 1000000) % 900",
    "Hours start on the hour of the site's standard time, whose offset is a whole number of quarter hours.",
    minimum=0,
    maximum=0,
)

_NET_IS_DIFFERENCE = Derived(
    "net_minus_difference_l",
    "net_l - (forward_l - reverse_l)",
    "Net is forward minus reverse.",
    minimum=-1e-6,
    maximum=1e-6,
)

_LENGTH_POSITIVE = Derived(
    "interval_length_s",
    "epoch_us(interval_end) / 1000000 - epoch_us(interval_start) / 1000000",
    "The interval has a length.",
    minimum=1,
)

_SHARE_OF_TOP_FLOW = (
    "greatest(forward_l, reverse_l) / ((epoch_us(interval_end) - epoch_us(interval_start)) / 6e7) / top_l_min"
)

_ON_GRID = Derived(
    "seconds_off_grid",
    "(epoch_us(interval_start) // 1000000) % interval_s + (epoch_us(interval_end) // 1000000) % interval_s",
    "Interval starts and ends lie on the regular grid of the logger's interval length.",
    minimum=0,
    maximum=0,
    severity="warning",
)


def _period_loads(
    period: tuple[Column, ...],
    kind: str,
    row: str,
    time_column: str,
    key: tuple[str, ...] = (),
    others: tuple[Column, ...] = (),
    plots: tuple[Column, ...] = (_PLOT,),
) -> Table:
    """A loads table. `period` tells its periods apart, unless `key` names fewer columns; `others` stand at the end."""
    key = (*(column.name for column in plots), _ANALYTE.name, *(key or (column.name for column in period)))
    return Table(
        name=f"loads_{kind}",
        row=row,
        group="loads",
        columns=(
            *plots,
            _ANALYTE,
            *period,
            Column("hours", "integer", "Hours of the period within the record.", "h", minimum=0),
            Column(
                "volume_mm",
                "decimal",
                "Net drainage as depth over the plot. Empty where an hour of it is unfilled. " + NEGATIVE_IS_REAL,
                "mm",
                nullable=True,
            ),
            Column("volume_mm_p05", "decimal", "5th percentile of volume_mm.", "mm", nullable=True),
            Column("volume_mm_p95", "decimal", "95th percentile of volume_mm.", "mm", nullable=True),
            Column(
                "load_kg_ha",
                "decimal",
                "Mass of the analyte that left the plot, per hectare (nitrate as nitrogen). Water that ran back in "
                "carries back what it carried out, so a backwater day can be negative. Empty where flow or concentration "
                "is not known.",
                "kg/ha",
                nullable=True,
            ),
            Column("load_kg_ha_p05", "decimal", "5th percentile of load_kg_ha.", "kg/ha", nullable=True),
            Column("load_kg_ha_p95", "decimal", "95th percentile of load_kg_ha.", "kg/ha", nullable=True),
            Column("why_empty", "code", "Why the load, or volume and load, are empty.", nullable=True, codes=WHY_EMPTY),
            Column(
                "volume_known_mm",
                "decimal",
                "Net drainage of the hours whose flow is known: a partial sum where volume_mm is empty, the same number where it is "
                "not. Empty where no hour is known.",
                "mm",
                nullable=True,
            ),
            Column(
                "load_known_kg_ha",
                "decimal",
                "Load of the hours whose flow and concentration are known: a partial sum where load_kg_ha is empty, the same number "
                "where it is not. Empty where no hour is known.",
                "kg/ha",
                nullable=True,
            ),
            Column(
                "flow_weighted_mg_l",
                "decimal",
                "Load divided by net volume: the flow-weighted mean concentration. Empty where the net volume is not "
                "positive.",
                "mg/L",
                nullable=True,
            ),
            Column(
                "share_measured",
                "decimal",
                "Share of the water (absolute hourly volumes) that was metered. Empty where nothing flowed.",
                "1",
                nullable=True,
                minimum=0.0,
                maximum=1.0,
            ),
            Column(
                "share_filled",
                "decimal",
                "Share of the water that was estimated; share_measured + share_filled = 1.",
                "1",
                nullable=True,
                minimum=0.0,
                maximum=1.0,
            ),
            Column(
                "share_below_range",
                "decimal",
                "Share of the water that was metered, but slower than the meter is accurate.",
                "1",
                nullable=True,
                minimum=0.0,
                maximum=1.0,
            ),
            Column(
                "share_extrapolated",
                "decimal",
                "Share of the water that ran at a flow outside all flows sampled, so that its concentration is an extrapolation. "
                "Empty where nothing flowed or no concentration is known.",
                "1",
                nullable=True,
                minimum=0.0,
                maximum=1.0,
            ),
            Column(
                "missing_days_pct",
                "decimal",
                "Share of the period's hours without a complete metered record, in days per hundred days.",
                "%",
                minimum=0.0,
                maximum=100.0,
            ),
            Column("unfilled_hours", "integer", "Hours left without any estimate.", "h", minimum=0),
            *others,
        ),
        key=key,
        sort=key,
        time_column=time_column,
        derived=(
            Derived(
                "empty_or_said",
                "case when (load_kg_ha is null) = (why_empty is not null) then 0 else 1 end",
                "An empty load says why it is empty, and only an empty load.",
                minimum=0,
                maximum=0,
            ),
            Derived(
                "known_minus_whole",
                "greatest(abs(volume_known_mm - volume_mm), abs(load_known_kg_ha - load_kg_ha))",
                "What is known is the whole where the whole is known.",
                maximum=1e-9,
            ),
            Derived(
                "interval_order_volume",
                "least(volume_mm - volume_mm_p05, volume_mm_p95 - volume_mm)",
                "The reported volume lies within its own interval.",
                minimum=-1e-9,
            ),
            Derived(
                "interval_order_load",
                "least(load_kg_ha - load_kg_ha_p05, load_kg_ha_p95 - load_kg_ha)",
                "The reported load lies within its own interval.",
                minimum=-1e-9,
            ),
            Derived(
                "shares_sum",
                "share_measured + share_filled",
                "Measured and filled shares make up the whole.",
                minimum=1 - 1e-9,
                maximum=1 + 1e-9,
            ),
        ),
    )


BENCH_REFERENCE: Mapping[str, str] = {
    "volume": "a measured volume, such as a tank's",
    "weighed": "a weighed volume: mass, density of water at its temperature, buoyancy of air",
    "mixed": "some runs by volume, some weighed",
    "series": "the other meters in line, by their litres per pulse in calibrations.csv",
    "none": "nothing that the water could be held against",
}

_WATER_YEAR = Column(
    "water_year",
    "integer",
    "Water year, named for the calendar year in which it ends.",
    minimum=1900,
    maximum=2200,
)

SAMPLE_KINDS: Mapping[str, str] = {
    "grab": "a moment's water",
    "discrete": "one bottle of an automatic sampler, filled at one moment",
    "flow_composite": "equal volumes taken per volume of flow: the flow-weighted mean of its window",
    "time_composite": "equal volumes taken per time: the time-weighted mean of its window",
}

PRESERVATION: Mapping[str, str] = {
    "none": "neither cooled nor otherwise preserved",
    "chilled": "kept at 6 °C or less",
    "acidified": "acidified to a pH under 2, and chilled",
    "frozen": "frozen",
}

QUALITY_CONTROL_ROLES: Mapping[str, str] = {
    "field_duplicate": "a second bottle from the same water",
    "lab_duplicate": "a second analysis of the same bottle",
    "field_blank": "clean water through the whole handling",
    "lab_blank": "clean water through the analysis",
    "matrix_spike": "the bottle's water with a known amount added",
    "control_sample": "a standard of known concentration, from the laboratory",
}

_SAMPLED_PLOT = Column(
    "plot",
    "code",
    "Field plot, as named in plots.csv; empty for a blank, and for water of a ditch that serves them all.",
    nullable=True,
)
_SAMPLE_START = Column("start", "instant", "Moment of a grab or a discrete bottle, start of a composite's window.", "UTC")
_SAMPLE_END = Column("end", "instant", "End of a composite's window; a moment again.", "UTC")


def _pair_columns(role: str, words: str) -> tuple[Column, ...]:
    return (
        Column(
            f"{role}_pairs", "integer", f"Pairs of {words}, both measured and well above the detection limit.", minimum=0
        ),
        Column(
            f"{role}_deviation_pct",
            "decimal",
            f"Relative standard deviation of one result that the {words} show.",
            "%",
            nullable=True,
            minimum=0.0,
        ),
        Column(
            f"{role}_largest_pct", "decimal", "Largest relative difference of a pair.", "%", nullable=True, minimum=0.0
        ),
    )


_BACKWARD = (
    Column(
        "volume_backward_mm",
        "decimal",
        "The part of volume_mm (or of volume_known_mm) from hours in which more water ran back than drained: 0 or negative.",
        "mm",
        nullable=True,
        maximum=0.0,
    ),
    Column(
        "load_backward_kg_ha",
        "decimal",
        "The part of load_kg_ha (or of load_known_kg_ha) from those hours: what the water that ran back took out of the sum.",
        "kg/ha",
        nullable=True,
        maximum=0.0,
    ),
    Column(
        "load_as_left_kg_ha",
        "decimal",
        "What load_kg_ha is if water that ran back carries what left last. Empty where that is not told.",
        "kg/ha",
        nullable=True,
    ),
    Column(
        "load_receiving_water_kg_ha",
        "decimal",
        "What load_kg_ha is if water that ran back is receiving water. Empty where no result tells what that holds.",
        "kg/ha",
        nullable=True,
    ),
)
_YEAR_OF_END = Column(
    "water_year", "integer", "Water year in which the period, or the record before it, ends.", minimum=1900, maximum=2200
)
_LAST_DAY = Column(
    "last_day", "day", "Last day of the period, by site.yaml; empty: it ends with the record.", nullable=True
)

TABLES: tuple[Table, ...] = (
    Table(
        name="source_files",
        row="one raw file as read",
        group="raw_text",
        columns=(
            _FILE,
            Column("path", "text", "Path below raw/<site>/. The same bytes under two names are two rows."),
            Column(
                "kind",
                "code",
                "What the file holds.",
                codes={"logger": "readings of a logger", "weather": "rain and air temperature"},
            ),
            Column("logger", "code", "Logger that wrote the file, or 'weather files'."),
            Column("layout", "code", "Layout of site.yaml by which the file was read, or 'weather files'."),
            Column("bytes", "integer", "Size of the file as it is stored.", "B", minimum=0),
            Column("lines", "integer", "Lines in the file.", minimum=0),
            Column(
                "header_lines",
                "integer",
                "Lines before the data, and lines of a head that is repeated in the file.",
                minimum=0,
            ),
            Column("blank_lines", "integer", "Blank or comment lines among the data.", minimum=0),
            Column("reading_lines", "integer", "Lines that hold usable readings.", minimum=0),
            Column(
                "rejected_lines",
                "integer",
                "Lines that could not be used; each is in rejected_lines.",
                minimum=0,
            ),
            Column("first_time", "instant", "Start of the first interval read.", "UTC", nullable=True),
            Column("last_time", "instant", "End of the last interval read.", "UTC", nullable=True),
            Column("note", "text", "What is unusual about the file, in sentences.", nullable=True),
        ),
        key=("path",),
        sort=("path",),
        derived=(
            Derived(
                "lines_unaccounted",
                "lines - header_lines - blank_lines - reading_lines - rejected_lines",
                "Every line of the file is header, blank, reading or rejected.",
                minimum=0,
                maximum=0,
            ),
        ),
    ),
    Table(
        name="rejected_lines",
        row="one line that could not be used",
        group="raw_text",
        columns=(
            _FILE,
            Column("path", "text", "Path below raw/<site>/."),
            _LINE,
            Column("reason", "text", "Why the line was not used, in a sentence."),
            Column("text", "text", "The line as it stands in the file, up to 2,000 characters."),
        ),
        key=("path", "line"),
        sort=("path", "line"),
    ),
    Table(
        name="unread_values",
        row="one value that could not be used, in a line whose other values are used",
        group="raw_text",
        columns=(
            _FILE,
            Column("path", "text", "Path below raw/<site>/."),
            _LINE,
            Column("column", "text", "Column of the file."),
            Column("reason", "text", "Why the value was not used, in a sentence."),
            Column("text", "text", "The line as it stands in the file, up to 2,000 characters."),
        ),
        key=("path", "line", "column"),
        sort=("path", "line", "column"),
    ),
    Table(
        name="pulse_counts",
        row="one meter, one interval",
        group="pulse_counts",
        columns=(
            _PLOT,
            Column("meter", "code", "Meter, as named in meters.csv."),
            _START,
            _END,
            Column(
                "forward_pulses",
                "integer",
                "Pulses counted in the direction of drainage. Empty where the channel gave none of its own.",
                "pulses",
                nullable=True,
                minimum=0,
            ),
            Column(
                "reverse_pulses",
                "integer",
                "Pulses counted against the direction of drainage; zero where no reverse channel is wired.",
                "pulses",
                nullable=True,
                minimum=0,
            ),
            Column("quality", "code", "How the count came about.", codes=PULSE_QUALITY),
            _FILE,
            _LINE,
        ),
        key=("plot", "meter", "interval_start"),
        sort=("plot", "meter", "interval_start"),
        time_column="interval_start",
        derived=(_LENGTH_POSITIVE, _ON_GRID),
    ),
    Table(
        name="gauge_readings",
        row="one gauge, one interval",
        group="raw_text",
        columns=(
            Column("gauge", "code", "Gauge, as named in gauges.csv."),
            Column(
                "quantity",
                "code",
                "What the gauge measures; its unit is the one that gauges.csv declares.",
                codes={
                    "supply_voltage": "supply voltage of the logger",
                    "water_level": "level of the receiving water or of a well",
                    "water_temperature": "temperature of the water",
                    "air_temperature": "temperature of the air",
                    "rain": "depth of rain in the interval",
                },
            ),
            Column("plot", "code", "Plot that the gauge belongs to, if any.", nullable=True),
            _START,
            _END,
            Column("value", "decimal", "The reading, in the gauge's unit."),
            _FILE,
            _LINE,
        ),
        key=("gauge", "interval_start"),
        sort=("gauge", "interval_start"),
        time_column="interval_start",
        derived=(_LENGTH_POSITIVE,),
    ),
    Table(
        name="weather_hours",
        row="one hour of the weather record",
        group="weather_hours",
        columns=(
            Column("hour_start", "instant", "Start of the hour.", "UTC"),
            Column(
                "rain_mm",
                "decimal",
                "Rain of the hour, from readings of any interval shared out by time. Empty where no reading says it.",
                "mm",
                nullable=True,
                minimum=0.0,
            ),
            Column("air_temp_c", "decimal", "Mean temperature of the air.", "°C", nullable=True),
        ),
        key=("hour_start",),
        sort=("hour_start",),
        time_column="hour_start",
    ),
    Table(
        name="interval_flow",
        row="one plot, one interval, in litres",
        group="interval_flow",
        columns=(
            _PLOT,
            Column("meter", "code", "Meter, as named in meters.csv."),
            _START,
            _END,
            Column("forward_l", "decimal", "Volume that drained.", "L", nullable=True, minimum=0.0),
            Column("reverse_l", "decimal", "Volume that ran back.", "L", nullable=True, minimum=0.0),
            Column("net_l", "decimal", "Forward minus reverse volume. " + NEGATIVE_IS_REAL, "L", nullable=True),
            Column(
                "flow_l_min",
                "decimal",
                "Net volume per minute, averaged over the interval.",
                "L/min",
                nullable=True,
            ),
            Column(
                "calibration",
                "code",
                "Calibration of the forward pulses that was in effect: meter, direction, first day.",
            ),
            Column(
                "reverse_calibration",
                "code",
                "Calibration of the reverse pulses that was in effect; empty where there was none.",
                nullable=True,
            ),
            Column(
                "below_range",
                "flag",
                "Water ran, but slower than the meter's error curve stays within the site's tolerance.",
            ),
            Column("quality", "code", "How the count came about.", codes=PULSE_QUALITY),
        ),
        key=("plot", "interval_start"),
        sort=("plot", "interval_start"),
        time_column="interval_start",
        derived=(
            _LENGTH_POSITIVE,
            _ON_GRID,
            _NET_IS_DIFFERENCE,
            Derived(
                "share_of_top_flow",
                _SHARE_OF_TOP_FLOW,
                "The rate stays under the meter's top flow of meters.csv.",
                minimum=0.0,
                maximum=1.0,
                severity="warning",
            ),
            Derived(
                "possible_share_of_top_flow",
                _SHARE_OF_TOP_FLOW,
                "The rate is one that a pipe can carry: no more than twice the meter's top flow.",
                minimum=0.0,
                maximum=2.0,
            ),
        ),
    ),
    Table(
        name="metered_hours",
        row="one plot-hour as metered, no holes",
        group="metered_hours",
        columns=(
            _PLOT,
            Column("hour_start", "instant", "Start of the hour.", "UTC"),
            Column("meter", "code", "Meter that metered most of the hour's water. Empty where none did.", nullable=True),
            Column("calibration", "code", "Calibration of its forward pulses, as in interval_flow.", nullable=True),
            Column("reverse_calibration", "code", "Calibration of its reverse pulses.", nullable=True),
            Column("forward_l", "decimal", "Volume that drained, of the metered part.", "L", nullable=True, minimum=0.0),
            Column("reverse_l", "decimal", "Volume that ran back, of the metered part.", "L", nullable=True, minimum=0.0),
            Column(
                "net_l",
                "decimal",
                "Forward minus reverse volume, of the metered part of the hour. " + NEGATIVE_IS_REAL,
                "L",
                nullable=True,
            ),
            _MEASURED_FRACTION,
            _BELOW_RANGE_FRACTION,
            Column(
                "error_curve_l",
                "decimal",
                "Limit of the error that the meter's error curve allows on the metered water of both directions, at the rates at "
                "which it ran; at most all of it.",
                "L",
                nullable=True,
                minimum=0.0,
            ),
            Column(
                "counting_l",
                "decimal",
                "Litres of one pulse; of the larger one where the meter counted both ways.",
                "L",
                nullable=True,
                minimum=0.0,
            ),
        ),
        key=("plot", "hour_start"),
        sort=("plot", "hour_start"),
        time_column="hour_start",
        derived=(
            _ON_THE_HOUR,
            _NET_IS_DIFFERENCE,
            Derived(
                "error_beyond_water_l",
                "error_curve_l - (forward_l + reverse_l)",
                "The error curve's error is at most all of the water.",
                maximum=1e-4,
            ),
            Derived(
                "metered_or_said",
                "case when (net_l is null) = (measured_fraction = 0) then 0 else 1 end",
                "An hour without a metered volume says that nothing of it was metered, and only such an hour.",
                minimum=0,
                maximum=0,
            ),
        ),
    ),
    Table(
        name="known_totals",
        row="one stretch of which a running counter tells only the total",
        group="metered_hours",
        columns=(
            _PLOT,
            Column("start", "instant", "First instant of the stretch.", "UTC"),
            Column("end", "instant", "First instant after it; it may lie in a later water year.", "UTC"),
            Column("net_l", "decimal", "Net volume of the stretch. " + NEGATIVE_IS_REAL, "L"),
        ),
        key=("plot", "start"),
        sort=("plot", "start"),
        time_column="start",
        derived=(
            Derived(
                "stretch_length_h",
                '(epoch_us("end") - epoch_us("start")) / 3.6e9',
                "The stretch is longer than an hour.",
                minimum=1.0,
            ),
        ),
    ),
    Table(
        name="meter_findings",
        row="one stretch in which the record speaks against a meter",
        group="meter_findings",
        columns=(
            _PLOT,
            Column("meter", "code", "The meter, as meters.csv names it."),
            Column(
                "direction", "code", "Direction of the counts, where it is one of them.", nullable=True, codes=DIRECTIONS
            ),
            Column("kind", "code", "What the meter is found to have done.", codes=FINDING_KINDS),
            Column("start", "instant", "First instant of the stretch within this water year.", "UTC"),
            Column("end", "instant", "First instant after it, within this water year.", "UTC"),
            Column(
                "evidence",
                "decimal",
                "How many times better the finding explains the record than a sound meter does, as a power of ten: log10 of the "
                "likelihood ratio, of the whole stretch. Each kind has a value from which on it is a finding, set with the aim of at "
                "most one false alarm in 20 years of a site.",
                minimum=0.0,
            ),
            Column(
                "strength",
                "code",
                "Evidence in a word.",
                codes={"moderate": "below 6", "strong": "6 to 10", "very strong": "10 and more"},
            ),
            Column(
                "told",
                "instant",
                "From when on the evidence sufficed, had somebody looked; it may lie outside this water year.",
                "UTC",
            ),
            Column(
                "factor",
                "decimal",
                "By which the meter's water must be multiplied to fit what was to be expected, where the finding is a step.",
                nullable=True,
                minimum=0.0,
            ),
            Column("others", "text", "Other plots that the finding is about.", nullable=True),
            Column("finding", "text", "What was found, in a sentence."),
            Column("check", "text", "What to check in the field."),
        ),
        key=("plot", "kind", "start"),
        sort=("plot", "start", "kind"),
        time_column="start",
        derived=(
            Derived(
                "finding_length_s",
                'epoch_us("end") / 1000000 - epoch_us("start") / 1000000',
                "The stretch has a length.",
                minimum=1,
            ),
        ),
    ),
    Table(
        name="outages",
        row="one stretch without a usable record",
        group="outages",
        columns=(
            _PLOT,
            Column("start", "instant", "First instant without a record.", "UTC"),
            Column("end", "instant", "First instant with a record again.", "UTC"),
            Column("hours", "decimal", "Length of the stretch within this water year.", "h", minimum=0.0),
            Column(
                "cause",
                "text",
                "Cause as declared in outages.csv, 'missing records', or what the meter is found to have done.",
            ),
            Column(
                "source",
                "code",
                "How the stretch is known.",
                codes={
                    "declared": "entered in outages.csv; records inside it are not used",
                    "detected": "found in the record",
                },
            ),
        ),
        key=("plot", "start"),
        sort=("plot", "start"),
        time_column="start",
        derived=(
            Derived(
                "outage_length_s",
                'epoch_us("end") / 1000000 - epoch_us("start") / 1000000',
                "The outage has a length.",
                minimum=1,
            ),
        ),
    ),
    Table(
        name="hourly_flow",
        row="one plot-hour, no holes",
        group="hourly_flow",
        columns=(
            _PLOT,
            Column("hour_start", "instant", "Start of the hour.", "UTC"),
            Column("net_l", "decimal", "Net volume of the hour. " + NEGATIVE_IS_REAL, "L", nullable=True),
            Column("net_l_p05", "decimal", "5th percentile of net_l.", "L", nullable=True),
            Column("net_l_p95", "decimal", "95th percentile of net_l.", "L", nullable=True),
            Column("basis", "code", "Where the number comes from.", codes=BASIS),
            _MEASURED_FRACTION,
            _BELOW_RANGE_FRACTION,
        ),
        key=("plot", "hour_start"),
        sort=("plot", "hour_start"),
        time_column="hour_start",
        derived=(
            _ON_THE_HOUR,
            Derived(
                "interval_order",
                "least(net_l - net_l_p05, net_l_p95 - net_l)",
                "The value lies within its own interval.",
                minimum=-1e-9,
            ),
            Derived(
                "filled_or_said",
                "case when (net_l is null) = (basis = 'unfilled') then 0 else 1 end",
                "An hour without a value says that it is unfilled, and only such an hour.",
                minimum=0,
                maximum=0,
            ),
        ),
    ),
    Table(
        name="flow_members",
        row="one plot-hour that was not measured and could be filled",
        group="hourly_flow",
        columns=(
            _PLOT,
            Column("hour_start", "instant", "Start of the hour.", "UTC"),
            Column(
                "net_l",
                "members",
                "Equally likely net volumes of the hour; the same place in the lists of other hours and plots is the same history. "
                "Errors of meters and calibrations are not in them. " + NEGATIVE_IS_REAL,
                "L",
            ),
        ),
        key=("plot", "hour_start"),
        sort=("plot", "hour_start"),
        time_column="hour_start",
        derived=(
            _ON_THE_HOUR,
            Derived(
                "members_of_the_hour",
                "len(net_l)",
                "Every hour has as many members as every other ensemble.",
                minimum=200,
                maximum=200,
            ),
        ),
    ),
    Table(
        name="gap_skill",
        row="one score of one model on blocks of the record that it had not seen",
        group="hourly_flow",
        columns=(
            _PLOT,
            _WATER_YEAR,
            Column("situation", "text", "Plots from which the model learned, or weather where there was none."),
            Column("gap_hours", "integer", "Length of the blocks over whose volumes it was scored.", "h", minimum=1),
            Column("model", "text", "Which model; the combination is what fills gaps of this length."),
            Column(
                "metric",
                "code",
                "Which score.",
                codes={
                    "weight": "weight of the model in the combination",
                    "bias": "mean error of the blocks' volumes over their mean volume",
                    "gap_volume_error": "root mean square error of the blocks' volumes over their mean volume",
                    "nash_sutcliffe": "efficiency of the hours by Nash and Sutcliffe: 1 is perfect, 0 as good as the mean",
                    "kling_gupta": "efficiency of the hours by Kling, Gupta and others: 1 is perfect",
                    "coverage_90": "share of blocks whose volume lay within the 90 % interval",
                    "width_90": "mean width of these intervals over the blocks' mean volume",
                },
            ),
            Column("value", "decimal", "The score.", "1"),
        ),
        key=("plot", "situation", "gap_hours", "model", "metric"),
        sort=("plot", "situation", "gap_hours", "model", "metric"),
        time_column="water_year",
    ),
    Table(
        name="events",
        row="one drainage event",
        group="events",
        columns=(
            _PLOT,
            Column(
                "event",
                "code",
                "Name of the event, shared by all plots that took part: water year and number in order of start.",
            ),
            Column("start", "instant", "Start of the plot's first hour in the event.", "UTC"),
            Column("end", "instant", "End of the plot's last hour in the event.", "UTC"),
            Column("volume_mm", "decimal", "Net drainage of the event. " + NEGATIVE_IS_REAL, "mm", nullable=True),
            Column("peak_l_min", "decimal", "Highest hourly mean flow.", "L/min", nullable=True),
            Column(
                "rain_mm",
                "decimal",
                "Rain from 24 hours before the start to the end; empty without a weather record.",
                "mm",
                nullable=True,
                minimum=0.0,
            ),
            Column(
                "measured_fraction",
                "decimal",
                "Share of the event's hours that was metered.",
                "1",
                minimum=0.0,
                maximum=1.0,
            ),
        ),
        key=("plot", "event"),
        sort=("plot", "start"),
        time_column="start",
        derived=(
            Derived(
                "event_length_h",
                '(epoch_us("end") - epoch_us("start")) / 3.6e9',
                "An event lasts at least an hour.",
                minimum=1.0,
            ),
        ),
    ),
    Table(
        name="samples",
        row="one bottle of the field books",
        group="sample_results",
        columns=(
            Column("sample", "text", "Sample, as named on the bottle."),
            _SAMPLED_PLOT,
            Column("kind", "code", "How the water was taken.", codes=SAMPLE_KINDS),
            Column(
                "water",
                "code",
                "Which water it is, by the field book alone; sample_flow says what the meter knows.",
                codes={
                    "drainage": "of the plot's drain",
                    "receiving": "of the ditch that receives the drainage",
                    "blank": "clean water: no plot is named",
                },
            ),
            _SAMPLE_START,
            _SAMPLE_END,
            Column("bottle", "text", "Bottle, as the field book numbers it.", nullable=True),
            Column("duplicate_of", "text", "Sample of whose water this is a second bottle.", nullable=True),
            Column("pacing_l", "decimal", "Flow for which a sampler takes one aliquot.", "L", nullable=True, minimum=0.0),
            Column(
                "pacing_min", "decimal", "Time for which a sampler takes one aliquot.", "min", nullable=True, minimum=0.0
            ),
            Column("aliquots", "integer", "Aliquots that the sampler took.", nullable=True, minimum=0),
            Column("aliquots_possible", "integer", "Aliquots that the container holds.", nullable=True, minimum=1),
            Column("preserved", "code", "How the bottle was kept.", nullable=True, codes=PRESERVATION),
            Column("filtered", "instant", "When the bottle was filtered.", "UTC", nullable=True),
            Column("note", "text", "Note of the field book.", nullable=True),
            Column("path", "text", "Field book below raw/<site>/."),
            _LINE,
        ),
        key=("sample",),
        sort=("start", "sample"),
    ),
    Table(
        name="sample_results",
        row="one usable lab result",
        group="sample_results",
        columns=(
            _SAMPLED_PLOT,
            Column("sample", "text", "Sample, as named on the bottle."),
            Column("kind", "code", "How the water was taken.", codes=SAMPLE_KINDS),
            Column(
                "water",
                "code",
                "Which water it is, by the field book alone. A sample taken while water ran backwards stands here as drainage: "
                "sample_flow tells, and receiving_water_results holds it.",
                codes={"drainage": "of the plot's drain", "receiving": "of the ditch that receives the drainage"},
            ),
            _SAMPLE_START,
            _SAMPLE_END,
            _ANALYTE,
            Column(
                "mg_l",
                "decimal",
                "Concentration (nitrate as nitrogen, phosphorus as phosphorus). For a censored result: half the detection limit, a "
                "placeholder. For one above the range of the analysis: the least that it can be.",
                "mg/L",
                minimum=0.0,
            ),
            Column("censored", "flag", "The laboratory reports 'less than the detection limit'."),
            Column("above_range", "flag", "The laboratory reports 'more than this': above the range of the analysis."),
            Column(
                "estimated",
                "flag",
                "The laboratory calls the value an estimate, or it lies below its own detection limit.",
            ),
            Column("qualifiers", "text", "Marks of the laboratory, as it wrote them.", nullable=True),
            Column(
                "detection_limit_mg_l",
                "decimal",
                "Detection limit of the result.",
                "mg/L",
                nullable=True,
                minimum=0.0,
            ),
            Column(
                "results",
                "integer",
                "Laboratory results averaged into this one (repeat analyses).",
                minimum=1,
            ),
            Column(
                "relative_difference_pct",
                "decimal",
                "Spread of repeat analyses: range in per cent of their mean. Empty for a single analysis.",
                "%",
                nullable=True,
                minimum=0.0,
            ),
            Column("batch", "text", "Batch of the laboratory; the last one of several analyses.", nullable=True),
            Column(
                "analysed", "instant", "When it was analysed; the last one of several analyses.", "UTC", nullable=True
            ),
            Column(
                "uncertainty_mg_l",
                "decimal",
                "Standard uncertainty of the result by itself, independent of other results: what duplicates show, and a "
                "part of the detection limit. Empty for a censored result and one above the range.",
                "mg/L",
                nullable=True,
                minimum=0.0,
            ),
            Column(
                "batch_uncertainty_pct",
                "decimal",
                "Standard uncertainty, in per cent of the result, of the error that all results of its batch share.",
                "%",
                minimum=0.0,
            ),
            Column(
                "holding_h",
                "decimal",
                "Time from the end of sampling to the analysis; where only the day is known, the least possible.",
                "h",
                nullable=True,
                minimum=0.0,
            ),
            Column("holding_limit_h", "decimal", "Longest that it should have been.", "h", nullable=True, minimum=0.0),
            Column(
                "holding",
                "code",
                "Whether the bottle was analysed in time, as it was preserved.",
                codes={
                    "within": "analysed within the holding time",
                    "exceeded": "analysed after the holding time",
                    "unsuitable": "preserved otherwise than the holding time of the analyte asks for",
                    "unknown": "preservation or time of analysis is not entered",
                },
            ),
        ),
        key=("sample", "analyte"),
        sort=("plot", "analyte", "start", "sample"),
        derived=(
            Derived(
                "plotless_drainage",
                "case when plot is null and water <> 'receiving' then 1 else 0 end",
                "Only water of the ditch may belong to no plot.",
                minimum=0,
                maximum=0,
            ),
            Derived(
                "holding_exceeded",
                "case when holding in ('exceeded', 'unsuitable') then 1 else 0 end",
                "Every bottle was preserved as its analyte asks for and analysed within its holding time.",
                minimum=0,
                maximum=0,
                severity="warning",
            ),
        ),
    ),
    Table(
        name="quality_control",
        row="one lab result that tells about the method, not about a plot",
        group="sample_results",
        columns=(
            Column("sample", "text", "Sample, as named on the bottle."),
            _ANALYTE,
            Column(
                "role",
                "code",
                "What the result is for.",
                codes=QUALITY_CONTROL_ROLES,
            ),
            Column("batch", "text", "Batch of the laboratory.", nullable=True),
            Column("mg_l", "decimal", "Concentration (nitrate as nitrogen).", "mg/L", minimum=0.0),
            Column("censored", "flag", "Less than the detection limit."),
            Column(
                "detection_limit_mg_l",
                "decimal",
                "Detection limit of the result.",
                "mg/L",
                nullable=True,
                minimum=0.0,
            ),
            Column("paired_with", "text", "Sample with whose result it is compared.", nullable=True),
            Column("paired_mg_l", "decimal", "That result.", "mg/L", nullable=True, minimum=0.0),
            Column(
                "relative_difference_pct",
                "decimal",
                "Difference of a duplicate from the result it repeats, in per cent of their mean.",
                "%",
                nullable=True,
                minimum=0.0,
            ),
            Column(
                "added_mg_l",
                "decimal",
                "Concentration added to a spike; concentration that a control sample has.",
                "mg/L",
                nullable=True,
                minimum=0.0,
            ),
            Column("recovery_pct", "decimal", "Share of the added amount that was found.", "%", nullable=True),
            Column("path", "text", "File below raw/<site>/."),
            _LINE,
        ),
        key=("path", "line"),
        sort=("path", "line"),
    ),
    Table(
        name="laboratory_batches",
        row="one batch of the laboratory, one analyte",
        group="sample_results",
        columns=(
            Column("batch", "text", "Batch of the laboratory; (none) for lines that name none."),
            _ANALYTE,
            Column("first_analysed", "instant", "First analysis.", "UTC", nullable=True),
            Column("last_analysed", "instant", "Last analysis.", "UTC", nullable=True),
            Column("results", "integer", "Results of plots.", minimum=0),
            Column("censored", "integer", "Results of plots below their detection limit.", minimum=0),
            Column(
                "detection_limit_lowest_mg_l",
                "decimal",
                "Lowest detection limit of its results.",
                "mg/L",
                nullable=True,
                minimum=0.0,
            ),
            Column(
                "detection_limit_highest_mg_l",
                "decimal",
                "Highest detection limit of its results; another one than the lowest where bottles were diluted.",
                "mg/L",
                nullable=True,
                minimum=0.0,
            ),
            *_pair_columns("lab_duplicate", "laboratory duplicates"),
            *_pair_columns("field_duplicate", "field duplicates"),
            Column("blanks", "integer", "Field and laboratory blanks.", minimum=0),
            Column(
                "blank_mean_mg_l",
                "decimal",
                "Mean of the blanks, those below the detection limit at half of it.",
                "mg/L",
                nullable=True,
                minimum=0.0,
            ),
            Column("blanks_above_limit", "integer", "Blanks in which the analyte was found.", minimum=0),
            Column("blank_highest_mg_l", "decimal", "Most that was found in one.", "mg/L", nullable=True, minimum=0.0),
            Column("spikes", "integer", "Spikes whose recovery is known.", minimum=0),
            Column("spike_recovery_pct", "decimal", "Mean recovery of the spikes.", "%", nullable=True),
            Column("controls", "integer", "Control samples whose recovery is known.", minimum=0),
            Column("control_recovery_pct", "decimal", "Mean recovery of the control samples.", "%", nullable=True),
            Column(
                "random_uncertainty_pct",
                "decimal",
                "Relative standard uncertainty of one result well above the detection limit, independent of the other results.",
                "%",
                minimum=0.0,
            ),
            Column(
                "uncertainty_from",
                "code",
                "What tells it.",
                codes={
                    "field_duplicates": "field duplicates, of this batch or of all",
                    "lab_duplicates": "laboratory duplicates, of this batch or of all",
                    "policy": "the site's laboratory_uncertainty_pct: there are too few duplicates",
                },
            ),
            Column(
                "batch_uncertainty_pct",
                "decimal",
                "Relative standard uncertainty of the error that the batch's results share, from control samples or spikes; 0 "
                "where there are too few.",
                "%",
                minimum=0.0,
            ),
            Column("warnings", "integer", "Limits of quality control that the batch does not keep to.", minimum=0),
            Column("remark", "text", "Which, in words.", nullable=True),
        ),
        key=("batch", "analyte"),
        sort=("analyte", "batch"),
        derived=(
            Derived(
                "batch_warnings",
                "warnings",
                "Every batch keeps to the limits of quality control: duplicates, blanks, spikes, control samples.",
                minimum=0,
                maximum=0,
                severity="warning",
            ),
        ),
    ),
    Table(
        name="rejected_results",
        row="one line of a sample or lab file that could not be used",
        group="sample_results",
        columns=(
            Column("path", "text", "File below raw/<site>/."),
            _LINE,
            Column("reason", "text", "Why the line was not used, in a sentence."),
            Column("text", "text", "The line as it stands in the file."),
        ),
        key=("path", "line"),
        sort=("path", "line"),
    ),
    Table(
        name="result_remarks",
        row="one thing that is doubtful about a line of a sample or lab file that is used",
        group="sample_results",
        columns=(
            Column("path", "text", "File below raw/<site>/."),
            _LINE,
            Column("column", "text", "Column that it is about."),
            Column("remark", "text", "What is doubtful, in a sentence."),
            Column("text", "text", "The line as it stands in the file."),
        ),
        key=("path", "line", "remark"),
        sort=("path", "line", "remark"),
    ),
    Table(
        name="sample_flow",
        row="one sample of a plot, and what the meter says of its time",
        group="sample_flow",
        columns=(
            _PLOT,
            Column("sample", "text", "Sample, as named on the bottle."),
            Column("kind", "code", "How the water was taken.", codes=SAMPLE_KINDS),
            _SAMPLE_START,
            _SAMPLE_END,
            Column(
                "water",
                "code",
                "Which water it is. Only `receiving` says nothing of the plot's drainage.",
                codes={
                    "drainage": "water that drained",
                    "receiving": "water of the ditch: it ran backwards, or the field book says so",
                    "mixed": "drainage, but water that ran back before had not all run out again, or ran back during the window",
                    "standing": "nothing was metered within half an hour: water that stood in the drain",
                    "unknown": "not metered: taken for drainage",
                },
            ),
            Column(
                "metered_fraction",
                "decimal",
                "Share of the window that was metered; of a moment 1 or 0.",
                "1",
                minimum=0.0,
                maximum=1.0,
            ),
            Column(
                "forward_l",
                "decimal",
                "Metered volume that drained in the window; of a moment, in the hour around it.",
                "L",
                nullable=True,
                minimum=0.0,
            ),
            Column("reverse_l", "decimal", "Metered volume that ran back in that time.", "L", nullable=True, minimum=0.0),
            Column(
                "flow_l_min",
                "decimal",
                "Net flow at the sample: mean of the metered part of the window; of a moment, of its metering interval. "
                + NEGATIVE_IS_REAL,
                "L/min",
                nullable=True,
            ),
            Column(
                "backward_share",
                "decimal",
                "Share of the sample that is water which ran back before: of a flow composite by volume, of a time composite by time, "
                "of a moment 0 or 1. Water that ran back in is counted as the first to run out again.",
                "1",
                nullable=True,
                minimum=0.0,
                maximum=1.0,
            ),
            Column("pacing_l", "decimal", "Flow for which a sampler takes one aliquot.", "L", nullable=True, minimum=0.0),
            Column(
                "pacing_min", "decimal", "Time for which a sampler takes one aliquot.", "min", nullable=True, minimum=0.0
            ),
            Column("aliquots", "integer", "Aliquots that the sampler took.", nullable=True, minimum=0),
            Column("aliquots_possible", "integer", "Aliquots that the container holds.", nullable=True, minimum=1),
            Column(
                "aliquots_expected",
                "decimal",
                "Aliquots that the metered volume, or the length of the window, asks for.",
                nullable=True,
                minimum=0.0,
            ),
            Column(
                "pacing",
                "code",
                "Whether aliquots and window fit together; empty for a grab or a discrete bottle.",
                nullable=True,
                codes={
                    "matches": "the aliquots are those that the window asks for",
                    "fewer": "fewer aliquots than the window asks for: the sample lacks some of its water",
                    "more": "more aliquots than the window asks for: pacing, count, window or meter is wrong",
                    "half_filled": "less than half of the aliquots that the window asks for",
                    "overrun": "the container was full before the window's end: the sample stands for the time until then",
                    "not_checked": "pacing or aliquots are not entered, or too little of the window was metered",
                },
            ),
            Column(
                "stands_until",
                "instant",
                "End of the water that the sample stands for: when the container was full, else the end of the window.",
                "UTC",
            ),
            Column(
                "overlaps", "text", "Other composites of the plot whose windows share time with this one.", nullable=True
            ),
            Column("remark", "text", "What is to be known about it, in sentences.", nullable=True),
        ),
        key=("sample",),
        sort=("plot", "start", "sample"),
        time_column="start",
        derived=(
            Derived(
                "unfit_composites",
                "case when pacing in ('fewer', 'more', 'half_filled', 'overrun') then 1 else 0 end",
                "The aliquots of every composite that can be checked are those that its window asks for.",
                minimum=0,
                maximum=0,
                severity="warning",
            ),
            Derived(
                "stands_beyond_window_s",
                """case when stands_until < "start" or stands_until > "end" then 1 else 0 end""",
                "A sample stands for no time outside its window.",
                minimum=0,
                maximum=0,
            ),
        ),
    ),
    Table(
        name="receiving_water_results",
        row="one lab result of water of the ditch",
        group="sample_flow",
        columns=(
            _SAMPLED_PLOT,
            Column("sample", "text", "Sample, as named on the bottle."),
            Column("kind", "code", "How the water was taken.", codes=SAMPLE_KINDS),
            _SAMPLE_START,
            _SAMPLE_END,
            _ANALYTE,
            Column(
                "mg_l",
                "decimal",
                "Concentration (nitrate as nitrogen, phosphorus as phosphorus); of a censored result half the detection limit.",
                "mg/L",
                minimum=0.0,
            ),
            Column("censored", "flag", "Less than the detection limit."),
            Column(
                "detection_limit_mg_l", "decimal", "Detection limit of the result.", "mg/L", nullable=True, minimum=0.0
            ),
            Column(
                "uncertainty_mg_l", "decimal", "Standard uncertainty of the result.", "mg/L", nullable=True, minimum=0.0
            ),
            Column(
                "evidence",
                "code",
                "Why it is known to be water of the ditch.",
                codes={
                    "field_book": "the field book says so",
                    "backward_flow": "the meter ran backwards while it was taken",
                },
            ),
        ),
        key=("sample", "analyte"),
        sort=("analyte", "start", "sample"),
        time_column="start",
    ),
    Table(
        name="concentration",
        row="one plot-hour",
        group="concentration",
        columns=(
            _PLOT,
            _ANALYTE,
            Column("hour_start", "instant", "Start of the hour.", "UTC"),
            Column(
                "mg_l",
                "decimal",
                "Concentration (nitrate as nitrogen): mean of its equally likely values, weighted by outflow where flow was not metered.",
                "mg/L",
                nullable=True,
                minimum=0.0,
            ),
            Column("mg_l_p05", "decimal", "5th percentile of mg_l.", "mg/L", nullable=True, minimum=0.0),
            Column("mg_l_p95", "decimal", "95th percentile of mg_l.", "mg/L", nullable=True, minimum=0.0),
            Column("basis", "code", "Where the number comes from.", codes=CONCENTRATION_BASIS),
        ),
        key=("plot", "analyte", "hour_start"),
        sort=("plot", "analyte", "hour_start"),
        time_column="hour_start",
        derived=(
            Derived(
                "interval_order",
                "least(mg_l - mg_l_p05, mg_l_p95 - mg_l)",
                "The value lies within its own interval.",
                minimum=-1e-9,
            ),
        ),
    ),
    _period_loads(
        (Column("date", "day", "Day in the site's standard time."),),
        "daily",
        "one plot, analyte, day",
        "date",
    ),
    _period_loads(
        (Column("month", "text", "Month in the site's standard time, as YYYY-MM."), _WATER_YEAR),
        "monthly",
        "one plot, analyte, month",
        "water_year",
    ),
    _period_loads((_WATER_YEAR,), "annual", "one plot, analyte, water year", "water_year", others=_BACKWARD),
    _period_loads(
        (
            Column(
                "event",
                "code",
                "Name of the event, as in events; 'between' is all of the year outside events.",
            ),
            _WATER_YEAR,
        ),
        "event",
        "one plot, analyte, event; and one for the water between events",
        "water_year",
    ),
    _period_loads(
        (
            Column("treatment", "code", "Treatment, as named in treatments.csv."),
            _WATER_YEAR,
            Column("start", "instant", "Start of the treatment within the water year.", "UTC"),
            Column("end", "instant", "End of the treatment within the water year, exclusive.", "UTC"),
            Column("plots", "integer", "Plots that had the treatment from start to end.", minimum=1),
            Column("area_ha", "decimal", "Their area.", "ha", minimum=0.0),
        ),
        "treatment",
        "one treatment, analyte, stretch of a water year: the mean of its plots, weighted by area; hours are plot-hours",
        "water_year",
        key=("treatment", "water_year", "start", "end"),
        others=_BACKWARD,
        plots=(),
    ),
    _period_loads(
        (
            Column(
                "season",
                "code",
                "Quarter of the year from December.",
                codes={name: f"the months {name}" for name in ("Dec-Feb", "Mar-May", "Jun-Aug", "Sep-Nov")},
            ),
            Column("first_day", "day", "First day of the quarter; the record may begin later."),
            _YEAR_OF_END,
        ),
        "seasonal",
        "one plot, analyte, quarter of the year",
        "water_year",
        key=("first_day",),
        others=_BACKWARD,
    ),
    _period_loads(
        (
            Column("period", "text", "Name of the period in site.yaml."),
            Column("first_day", "day", "First day of the period, by site.yaml."),
            _LAST_DAY,
            _YEAR_OF_END,
        ),
        "custom",
        "one plot, analyte, period of site.yaml",
        "water_year",
        key=("period",),
        others=_BACKWARD,
    ),
    Table(
        name="load_members",
        row="one plot, analyte, month or period of site.yaml, as far as it lies in the water year",
        group="loads",
        columns=(
            _PLOT,
            _ANALYTE,
            _WATER_YEAR,
            Column(
                "kind",
                "code",
                "What kind of period it is.",
                codes={"month": "a month in the site's standard time", "own": "a period of site.yaml"},
            ),
            Column("period", "text", "Month as YYYY-MM, or the period's name."),
            Column("hours", "decimal", "Hours within record and water year.", "h", minimum=0.0),
            Column("metered_hours", "decimal", "Hours on record, parts of hours counted.", "h", minimum=0.0),
            Column("flow_hours", "decimal", "Hours of which the flow is known.", "h", minimum=0.0),
            Column("sampled_hours", "decimal", "Hours of which the concentration is known.", "h", minimum=0.0),
            Column("load_hours", "decimal", "Hours of which both are known.", "h", minimum=0.0),
            Column("net_l", "decimal", "Net volume of the hours whose flow is known. " + NEGATIVE_IS_REAL, "L"),
            Column("load_mg", "decimal", "Load of the hours of which both are known.", "mg"),
            Column("gross_l", "decimal", "Net volumes of the hours without their signs, added up.", "L", minimum=0.0),
            Column("measured_l", "decimal", "The part of gross_l that was metered.", "L", minimum=0.0),
            Column("below_range_l", "decimal", "The part that was metered below range.", "L", minimum=0.0),
            Column("extrapolated_l", "decimal", "The part outside all flows sampled.", "L", minimum=0.0),
            Column("backward_l", "decimal", "Net volume of hours in which more ran back.", "L", maximum=0.0),
            Column("backward_mg", "decimal", "Load of these hours.", "mg", maximum=0.0),
            Column("as_left_mg", "decimal", "The same if that water carries what left last.", "mg", nullable=True),
            Column("receiving_water_mg", "decimal", "The same if it is receiving water.", "mg", nullable=True),
            Column("members_l", "members", "Equally likely values of net_l.", "L"),
            Column("members_mg", "members", "Equally likely values of load_mg, member by member with members_l.", "mg"),
        ),
        key=("plot", "analyte", "kind", "period"),
        sort=("plot", "analyte", "kind", "period"),
        time_column="water_year",
    ),
    Table(
        name="uncertainty_budget",
        row="one source of uncertainty of one plot's annual load",
        group="loads",
        columns=(
            _PLOT,
            _ANALYTE,
            _WATER_YEAR,
            Column("source", "code", "What is not known exactly.", codes=UNCERTAINTY_SOURCES),
            Column(
                "sd_kg_ha",
                "decimal",
                "Standard deviation that this source alone gives the annual load.",
                "kg/ha",
                minimum=0.0,
            ),
            Column(
                "variance_share",
                "decimal",
                "Its square over the sum of the squares of all sources. Empty where no source has any.",
                "1",
                nullable=True,
                minimum=0.0,
                maximum=1.0,
            ),
        ),
        key=("plot", "analyte", "water_year", "source"),
        sort=("plot", "analyte", "water_year", "source"),
        time_column="water_year",
        derived=(
            Derived(
                "shares_of_all_sources",
                """CASE WHEN row_number() OVER (PARTITION BY plot, analyte, water_year ORDER BY source) = 1
                THEN sum(variance_share) OVER (PARTITION BY plot, analyte, water_year) END""",
                "The shares of all sources make up the whole.",
                minimum=1 - 1e-9,
                maximum=1 + 1e-9,
            ),
        ),
    ),
    Table(
        name="load_methods",
        row="one estimator for one plot's annual load",
        group="load_methods",
        columns=(
            _PLOT,
            _ANALYTE,
            _WATER_YEAR,
            Column("method", "code", "The estimator.", codes=LOAD_METHODS),
            Column(
                "load_kg_ha",
                "decimal",
                "Its load, per hectare, of the year's net volume; can be negative where more ran back than drained.",
                "kg/ha",
                nullable=True,
            ),
            Column(
                "standard_error_kg_ha",
                "decimal",
                "Its own standard error: of sampling alone, as if results were a random sample and the flow were known. Empty where "
                "the method has none.",
                "kg/ha",
                nullable=True,
                minimum=0.0,
            ),
            Column("load_kg_ha_p05", "decimal", "5th percentile by that error, Student's t.", "kg/ha", nullable=True),
            Column("load_kg_ha_p95", "decimal", "95th percentile by that error.", "kg/ha", nullable=True),
            Column(
                "results",
                "integer",
                "What it is made from: results of the year; for the mean, the ratio and the curve pairs of flow and concentration "
                "(bottles of one day are one); for composites their windows.",
                minimum=0,
            ),
            Column("strata", "integer", "Strata of flow.", nullable=True, minimum=1),
            Column(
                "share_in_windows",
                "decimal",
                "Share of the water that drained which the windows of the composites hold; the mean stands for the rest.",
                "1",
                nullable=True,
                minimum=0.0,
                maximum=1.0 + 1e-9,
            ),
            Column(
                "why_empty",
                "code",
                "Why load_kg_ha is empty.",
                nullable=True,
                codes={
                    "unfilled_hours": "the flow of some hours of the year could not be filled",
                    "no_results": "no usable result of the year",
                    "few_results": "too few results for this method, or none while water drained",
                    "no_composites": "no composite in the year",
                },
            ),
        ),
        key=("plot", "analyte", "water_year", "method"),
        sort=("plot", "analyte", "water_year", "method"),
        time_column="water_year",
        derived=(
            Derived(
                "load_or_reason",
                "case when (load_kg_ha is null) = (why_empty is not null) then 0 else 1 end",
                "An estimate is there or the reason why not.",
                minimum=0,
                maximum=0,
            ),
        ),
    ),
    Table(
        name="load_basis",
        row="one plot, analyte, month and basis: what of the month stands on hours of that basis",
        group="loads",
        columns=(
            _PLOT,
            _ANALYTE,
            Column("month", "text", "Month in the site's standard time, as YYYY-MM."),
            Column("basis", "code", "Where the flow of these hours comes from.", codes=BASIS),
            _WATER_YEAR,
            Column("hours", "integer", "Hours of this basis.", "h", minimum=1),
            Column("volume_mm", "decimal", "Their net drainage. " + NEGATIVE_IS_REAL, "mm"),
            Column("load_kg_ha", "decimal", "Their load; it can be negative where more ran back than drained.", "kg/ha"),
        ),
        key=("plot", "analyte", "month", "basis"),
        sort=("plot", "analyte", "month", "basis"),
        time_column="water_year",
    ),
    Table(
        name="meter_proofs",
        row="one logger column that counted on a bench: a meter and direction",
        group="meter_proofs",
        columns=(
            _BENCH_FILE,
            _PROVED,
            Column("logger", "code", "Logger that counted.", nullable=True),
            Column("column", "code", "Column of the logger."),
            Column("meter", "code", "Meter, where the evidence tells it.", nullable=True),
            Column("direction", "code", "Direction, where the evidence tells it.", nullable=True, codes=DIRECTIONS),
            Column(
                "assignment",
                "code",
                "What the evidence says of the column.",
                codes={
                    "told": "every other assignment is at least ten times less likely",
                    "ambiguous": "the runs do not tell the meters of could_be apart",
                    "no_meter": "it counts like no meter of the registers",
                },
            ),
            Column("could_be", "text", "Meters and directions between which the evidence does not decide."),
            Column("second_best", "text", "What the column is in the second-best assignment of all columns."),
            Column(
                "second_best_times_less_likely",
                "decimal",
                "How many times less likely the runs are under that assignment; 1e9 stands for that and more.",
                "1",
                minimum=1.0,
            ),
            Column("wired_as", "text", "Meter and direction that wiring.csv gives the column.", nullable=True),
            Column("wiring_agrees", "flag", "Whether that is what the bench tells.", nullable=True),
            Column(
                "litres_per_pulse",
                "decimal",
                "By regression through the origin on all runs that speak for the column. Empty where nothing was there to hold "
                "the pulses against.",
                "L",
                nullable=True,
                minimum=0.0,
            ),
            Column(
                "expanded_uncertainty_pct",
                "decimal",
                "Half-width of the interval that holds the true value with 95 %, what few runs leave open included. Empty for a "
                "single run.",
                "%",
                nullable=True,
                minimum=0.0,
            ),
            Column(
                "expanded_uncertainty_common_pct",
                "decimal",
                "The same if the reference's stated uncertainty were one error common to all runs, and not new in each.",
                "%",
                nullable=True,
                minimum=0.0,
            ),
            Column("coverage_factor", "decimal", "Expanded over standard uncertainty.", "1", nullable=True, minimum=0.0),
            Column("runs", "integer", "Runs that it rests on.", minimum=1),
            Column("lowest_flow_l_min", "decimal", "Lowest flow of these runs.", "L/min", minimum=0.0),
            Column("highest_flow_l_min", "decimal", "Highest flow of these runs.", "L/min", minimum=0.0),
            Column("reference", "code", "What the pulses were held against.", codes=BENCH_REFERENCE),
            Column(
                "reference_u_pct",
                "decimal",
                "Standard uncertainty that the reference adds.",
                "%",
                nullable=True,
                minimum=0.0,
            ),
            Column(
                "counting_u_pct",
                "decimal",
                "Standard uncertainty from counting whole pulses.",
                "%",
                nullable=True,
                minimum=0.0,
            ),
            Column(
                "repeatability_u_pct",
                "decimal",
                "Standard uncertainty from what is new in every run.",
                "%",
                nullable=True,
                minimum=0.0,
            ),
            Column(
                "error_curve_u_pct",
                "decimal",
                "Standard uncertainty from the meter's error at the flows of the runs, within its error curve.",
                "%",
                nullable=True,
                minimum=0.0,
            ),
            Column(
                "repeatability_pct",
                "decimal",
                "Standard deviation of litres per pulse among runs at one flow (within 10 %), counting included. Empty where no "
                "flow was run twice.",
                "%",
                nullable=True,
                minimum=0.0,
            ),
            Column(
                "linearity_pct",
                "decimal",
                "Half the range of litres per pulse over the flows, in per cent of its middle, counting included. Empty for one flow.",
                "%",
                nullable=True,
                minimum=0.0,
            ),
            Column(
                "reduced_chi_square",
                "decimal",
                "Scatter of the runs over what reference and counting alone explain, squared: about 1 where they explain it.",
                "1",
                nullable=True,
                minimum=0.0,
            ),
            Column(
                "register_calibration",
                "code",
                "Calibration of calibrations.csv that it is compared with: the one that began within 180 days after the proof (and before "
                "the next), else the one in force then.",
                nullable=True,
            ),
            Column("register_litres_per_pulse", "decimal", "Its litres per pulse.", "L", nullable=True, minimum=0.0),
            Column(
                "register_expanded_uncertainty_pct",
                "decimal",
                "Its expanded uncertainty.",
                "%",
                nullable=True,
                minimum=0.0,
            ),
            Column("difference_pct", "decimal", "By how much the register exceeds the proof.", "%", nullable=True),
            Column(
                "normalized_error",
                "decimal",
                "That difference over both expanded uncertainties in quadrature (E_n of ISO 13528).",
                "1",
                nullable=True,
            ),
            Column("agrees", "flag", "Whether the normalized error lies within ±1.", nullable=True),
            Column("note", "text", "What a person should look at, in sentences.", nullable=True),
        ),
        key=("path", "column"),
        sort=("proved", "path", "column"),
        derived=(
            Derived(
                "register_beside_proof",
                "abs(normalized_error)",
                "Litres per pulse of calibrations.csv agree with the bench proof within both uncertainties.",
                maximum=1.0,
                severity="warning",
            ),
            Derived(
                "wired_otherwise",
                "case when wiring_agrees then 0 when not wiring_agrees then 1 end",
                "wiring.csv gives a column to the meter and direction that the bench tells.",
                minimum=0,
                maximum=0,
                severity="warning",
            ),
            Derived(
                "not_told",
                "case when assignment = 'told' then 0 else 1 end",
                "The bench tells which meter and direction a column is.",
                minimum=0,
                maximum=0,
                severity="warning",
            ),
        ),
    ),
    Table(
        name="meter_comparisons",
        row="two meters that counted the same water on a bench",
        group="meter_proofs",
        columns=(
            _BENCH_FILE,
            _PROVED,
            Column("direction", "code", "Direction in which the water ran.", codes=DIRECTIONS),
            Column("meter", "code", "The one meter."),
            Column("other_meter", "code", "The other meter."),
            Column("runs", "integer", "Runs in which both counted.", minimum=2),
            Column(
                "difference_pct",
                "decimal",
                "By how much more water the one shows than the other, both by their litres per pulse in calibrations.csv.",
                "%",
            ),
            Column(
                "expanded_uncertainty_pct",
                "decimal",
                "Of that difference, both calibrations' included.",
                "%",
                minimum=0.0,
            ),
            Column("agree", "flag", "Whether the difference lies within its expanded uncertainty."),
        ),
        key=("path", "direction", "meter", "other_meter"),
        sort=("proved", "path", "direction", "meter", "other_meter"),
        derived=(
            Derived(
                "meters_apart",
                "abs(difference_pct) / expanded_uncertainty_pct",
                "Meters in series show the same water within their uncertainties.",
                maximum=1.0,
                severity="warning",
            ),
        ),
    ),
    Table(
        name="bench_runs",
        row="one run of a bench test, as one logger column counted it",
        group="meter_proofs",
        columns=(
            _BENCH_FILE,
            _LINE,
            Column("run", "text", "Run, as numbered in the file."),
            Column("column", "code", "Column of the logger."),
            Column("direction", "code", "Direction of the column, where it is told.", nullable=True, codes=DIRECTIONS),
            Column("pulses", "integer", "What it counted.", "pulses", minimum=0),
            Column("seconds", "decimal", "Length of the run.", "s", minimum=0.0),
            Column("flow_l_min", "decimal", "Mean flow of the run, whichever way it ran.", "L/min"),
            Column("reference", "code", "What the pulses are held against.", codes=BENCH_REFERENCE),
            Column("reference_l", "decimal", "Volume that ran.", "L", nullable=True, minimum=0.0),
            Column(
                "reference_u_l", "decimal", "Its standard uncertainty, new in every run.", "L", nullable=True, minimum=0.0
            ),
            Column(
                "water_density_kg_m3",
                "decimal",
                "Density of weighed water at its temperature.",
                "kg/m³",
                nullable=True,
                minimum=900.0,
            ),
            Column(
                "buoyancy_pct",
                "decimal",
                "What was added to the balance's reading for the buoyancy of air.",
                "%",
                nullable=True,
            ),
            Column(
                "deviation_pct",
                "decimal",
                "By how much the run's litres per pulse exceed those of all runs together.",
                "%",
                nullable=True,
            ),
        ),
        key=("path", "line", "column"),
        sort=("path", "column", "line"),
    ),
    Table(
        name="bench_files",
        row="one bench file as read",
        group="meter_proofs",
        columns=(
            _BENCH_FILE,
            _FILE,
            Column("logger", "code", "Logger whose columns it holds, where that is known.", nullable=True),
            _PROVED,
            Column("lines", "integer", "Lines in the file.", minimum=0),
            Column("header_lines", "integer", "Lines before the runs.", minimum=0),
            Column("blank_lines", "integer", "Blank lines.", minimum=0),
            Column("run_lines", "integer", "Lines that hold a usable run.", minimum=0),
            Column(
                "rejected_lines",
                "integer",
                "Lines that could not be used; each is in rejected_bench_lines.",
                minimum=0,
            ),
            Column("note", "text", "What is unusual about the test as a whole, in sentences.", nullable=True),
        ),
        key=("path",),
        sort=("path",),
        derived=(
            Derived(
                "lines_unaccounted",
                "lines - header_lines - blank_lines - run_lines - rejected_lines",
                "Every line of the file is header, blank, run or rejected.",
                minimum=0,
                maximum=0,
            ),
        ),
    ),
    Table(
        name="rejected_bench_lines",
        row="one line of a bench file that could not be used",
        group="meter_proofs",
        columns=(
            _BENCH_FILE,
            _LINE,
            Column("reason", "text", "Why the line was not used, in a sentence."),
            Column("text", "text", "The line as it stands in the file."),
        ),
        key=("path", "line"),
        sort=("path", "line"),
    ),
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
            _PLOT,
            _ANALYTE,
            _WATER_YEAR,
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


def table(name: str) -> Table:
    """The declaration of a table.

    Raises:
        KeyError: there is no such table.
    """
    for declared in TABLES:
        if declared.name == name:
            return declared
    raise KeyError(f"no table is named {name}; tables: {', '.join(declared.name for declared in TABLES)}")
