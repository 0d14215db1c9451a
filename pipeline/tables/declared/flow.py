"""Hourly flow with what was filled, its members, the skill of what fills, events.

Belongs here: declarations of these tables, and codes that only they use.
Does not: anything that acts on a declaration.
"""

from __future__ import annotations

from pipeline.tables.declaration import Column, Derived, Table
from pipeline.tables.declared.words import (
    BASIS,
    BELOW_RANGE_FRACTION,
    MEASURED_FRACTION,
    NEGATIVE_IS_REAL,
    ON_THE_HOUR,
    PLOT,
    WATER_YEAR,
)

TABLES: tuple[Table, ...] = (
    Table(
        name="hourly_flow",
        row="one plot-hour, no holes",
        group="hourly_flow",
        columns=(
            PLOT,
            Column("hour_start", "instant", "Start of the hour.", "UTC"),
            Column("net_l", "decimal", "Net volume of the hour. " + NEGATIVE_IS_REAL, "L", nullable=True),
            Column("net_l_p05", "decimal", "5th percentile of net_l.", "L", nullable=True),
            Column("net_l_p95", "decimal", "95th percentile of net_l.", "L", nullable=True),
            Column("basis", "code", "Where the number comes from.", codes=BASIS),
            MEASURED_FRACTION,
            BELOW_RANGE_FRACTION,
        ),
        key=("plot", "hour_start"),
        sort=("plot", "hour_start"),
        time_column="hour_start",
        derived=(
            ON_THE_HOUR,
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
            PLOT,
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
            ON_THE_HOUR,
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
            PLOT,
            WATER_YEAR,
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
            PLOT,
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
)
