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

PULSE_QUALITY: Mapping[str, str] = {
    "ok": "counted over its own interval",
    "spans_gap": "difference of a running counter across missing records: the total is measured, its timing is not",
    "conflict": "the files hold different values for this interval; the latest download is used, the others are rejected",
}

CONCENTRATION_BASIS: Mapping[str, str] = {
    "sampled": "within the window of a composite sample, or at a grab's hour",
    "interpolated": "straight line between two results; held constant before the first and after the last",
    "seasonal_mean": "flow-weighted mean of the results of the same season, no result being near",
    "no_results": "the plot has no usable result of the analyte within a year on each side: the value is empty",
}

_PLOT = Column("plot", "code", "Field plot, as named in plots.csv.")
_ANALYTE = Column("analyte", "code", "What the laboratory measured, as named in site.yaml.")
_FILE = Column("file_id", "code", "SHA-256 of the raw file's bytes, 64 hexadecimal digits; its path is in source_files.")
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


def _period_loads(period: tuple[Column, ...], kind: str, row: str, time_column: str) -> Table:
    period_names = tuple(column.name for column in period)
    return Table(
        name=f"loads_{kind}",
        row=row,
        group="loads",
        columns=(
            _PLOT,
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
                "missing_days_pct",
                "decimal",
                "Share of the period's hours without a complete metered record, in days per hundred days.",
                "%",
                minimum=0.0,
                maximum=100.0,
            ),
            Column("unfilled_hours", "integer", "Hours left without any estimate.", "h", minimum=0),
        ),
        key=("plot", "analyte", *period_names),
        sort=("plot", "analyte", *period_names),
        time_column=time_column,
        derived=(
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


_WATER_YEAR = Column(
    "water_year",
    "integer",
    "Water year, named for the calendar year in which it ends.",
    minimum=1900,
    maximum=2200,
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
        name="outages",
        row="one stretch without a usable record",
        group="outages",
        columns=(
            _PLOT,
            Column("start", "instant", "First instant without a record.", "UTC"),
            Column("end", "instant", "First instant with a record again.", "UTC"),
            Column("hours", "decimal", "Length of the stretch within this water year.", "h", minimum=0.0),
            Column("cause", "text", "Cause as declared in outages.csv, or 'missing records'."),
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
        name="sample_results",
        row="one usable lab result",
        group="sample_results",
        columns=(
            _PLOT,
            Column("sample", "text", "Sample, as named on the bottle."),
            Column(
                "kind",
                "code",
                "How the water was taken.",
                codes={
                    "grab": "a moment's water",
                    "flow_composite": "equal volumes taken per volume of flow: the flow-weighted mean of its window",
                    "time_composite": "equal volumes taken per time: the time-weighted mean of its window",
                },
            ),
            Column("start", "instant", "Moment of a grab, start of a composite's window.", "UTC"),
            Column("end", "instant", "End of a composite's window; a grab's moment again.", "UTC"),
            _ANALYTE,
            Column(
                "mg_l",
                "decimal",
                "Concentration (nitrate as nitrogen). For a censored result: half the detection limit, a placeholder.",
                "mg/L",
                minimum=0.0,
            ),
            Column("censored", "flag", "The laboratory reports 'less than the detection limit'."),
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
        ),
        key=("sample", "analyte"),
        sort=("plot", "analyte", "start", "sample"),
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
                codes={
                    "field_duplicate": "a second bottle from the same water",
                    "lab_duplicate": "a second analysis of the same bottle",
                    "field_blank": "clean water through the whole handling",
                    "lab_blank": "clean water through the analysis",
                },
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
            Column("path", "text", "File below raw/<site>/."),
            _LINE,
        ),
        key=("path", "line"),
        sort=("path", "line"),
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
        name="concentration",
        row="one plot-hour",
        group="concentration",
        columns=(
            _PLOT,
            _ANALYTE,
            Column("hour_start", "instant", "Start of the hour.", "UTC"),
            Column("mg_l", "decimal", "Concentration (nitrate as nitrogen).", "mg/L", nullable=True, minimum=0.0),
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
    _period_loads((_WATER_YEAR,), "annual", "one plot, analyte, water year", "water_year"),
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
