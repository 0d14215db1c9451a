"""Volumes that meters measured, what speaks against a meter, and stretches without a record.

Belongs here: declarations of these tables, and codes that only they use.
Does not: anything that acts on a declaration.
"""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.tables.declaration import Column, Derived, Table
from pipeline.tables.declared.words import (
    BELOW_RANGE_FRACTION,
    DIRECTIONS,
    END,
    LENGTH_POSITIVE,
    MEASURED_FRACTION,
    NEGATIVE_IS_REAL,
    ON_GRID,
    ON_THE_HOUR,
    PLOT,
    PULSE_QUALITY,
    START,
)

FINDING_KINDS: Mapping[str, str] = {
    "silence": "the meter counted nothing while the other plots or the weather say that water ran",
    "stuck_counter": "the meter repeated one count while flow was to change",
    "impossible_rate": "the meter showed more than its top flow, or than its main carries when full",
    "step": "from a day on the meter showed another share of what was to be expected",
    "direction_swapped": "forward and reverse counts are exchanged",
    "columns_swapped": "the counts of two meters are exchanged",
}

_NET_IS_DIFFERENCE = Derived(
    "net_minus_difference_l",
    "net_l - (forward_l - reverse_l)",
    "Net is forward minus reverse.",
    minimum=-1e-6,
    maximum=1e-6,
)

_SHARE_OF_TOP_FLOW = (
    "greatest(forward_l, reverse_l) / ((epoch_us(interval_end) - epoch_us(interval_start)) / 6e7) / top_l_min"
)


TABLES: tuple[Table, ...] = (
    Table(
        name="interval_flow",
        row="one plot, one interval, in litres",
        group="interval_flow",
        columns=(
            PLOT,
            Column("meter", "code", "Meter, as named in meters.csv."),
            START,
            END,
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
            LENGTH_POSITIVE,
            ON_GRID,
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
            PLOT,
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
            MEASURED_FRACTION,
            BELOW_RANGE_FRACTION,
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
            ON_THE_HOUR,
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
            PLOT,
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
            PLOT,
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
            PLOT,
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
)
