"""What stands in the raw files of loggers and weather stations, as it was read.

Belongs here: declarations of these tables, and codes that only they use.
Does not: anything that acts on a declaration.
"""

from __future__ import annotations

from pipeline.tables.declaration import Column, Derived, Table
from pipeline.tables.declared.words import END, FILE, LENGTH_POSITIVE, LINE, ON_GRID, PLOT, PULSE_QUALITY, START

TABLES: tuple[Table, ...] = (
    Table(
        name="source_files",
        row="one raw file as read",
        group="raw_text",
        columns=(
            FILE,
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
            FILE,
            Column("path", "text", "Path below raw/<site>/."),
            LINE,
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
            FILE,
            Column("path", "text", "Path below raw/<site>/."),
            LINE,
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
            PLOT,
            Column("meter", "code", "Meter, as named in meters.csv."),
            START,
            END,
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
            FILE,
            LINE,
        ),
        key=("plot", "meter", "interval_start"),
        sort=("plot", "meter", "interval_start"),
        time_column="interval_start",
        derived=(LENGTH_POSITIVE, ON_GRID),
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
            START,
            END,
            Column("value", "decimal", "The reading, in the gauge's unit."),
            FILE,
            LINE,
        ),
        key=("gauge", "interval_start"),
        sort=("gauge", "interval_start"),
        time_column="interval_start",
        derived=(LENGTH_POSITIVE,),
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
)
