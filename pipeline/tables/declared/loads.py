"""Concentrations, loads by period, what they are made of and how sure they are.

Belongs here: declarations of these tables, and codes that only they use.
Does not: anything that acts on a declaration.
"""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.tables.declaration import Column, Derived, Table
from pipeline.tables.declared.words import ANALYTE, BASIS, NEGATIVE_IS_REAL, PLOT, WATER_YEAR

CONCENTRATION_BASIS: Mapping[str, str] = {
    "sampled": "within the window of a composite sample, or at a grab's hour",
    "interpolated": "between results no further apart than interpolation_longest_days, or as near to the only one: regression on flow, "
    "season and treatment, drawn onto the results around",
    "modelled": "no result is near: the same regression, of the plot's own results and those of the site's other plots",
    "site_model": "no result is near and the plot has few in three years: the regression mostly of the site's other plots",
    "no_results": "the plot has no usable result of the analyte within a year on each side: the value is empty",
}

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


def _period_loads(
    period: tuple[Column, ...],
    kind: str,
    row: str,
    time_column: str,
    key: tuple[str, ...] = (),
    others: tuple[Column, ...] = (),
    plots: tuple[Column, ...] = (PLOT,),
) -> Table:
    """A loads table. `period` tells its periods apart, unless `key` names fewer columns; `others` stand at the end."""
    key = (*(column.name for column in plots), ANALYTE.name, *(key or (column.name for column in period)))
    return Table(
        name=f"loads_{kind}",
        row=row,
        group="loads",
        columns=(
            *plots,
            ANALYTE,
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
        name="concentration",
        row="one plot-hour",
        group="concentration",
        columns=(
            PLOT,
            ANALYTE,
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
        (Column("month", "text", "Month in the site's standard time, as YYYY-MM."), WATER_YEAR),
        "monthly",
        "one plot, analyte, month",
        "water_year",
    ),
    _period_loads((WATER_YEAR,), "annual", "one plot, analyte, water year", "water_year", others=_BACKWARD),
    _period_loads(
        (
            Column(
                "event",
                "code",
                "Name of the event, as in events; 'between' is all of the year outside events.",
            ),
            WATER_YEAR,
        ),
        "event",
        "one plot, analyte, event; and one for the water between events",
        "water_year",
    ),
    _period_loads(
        (
            Column("treatment", "code", "Treatment, as named in treatments.csv."),
            WATER_YEAR,
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
            PLOT,
            ANALYTE,
            WATER_YEAR,
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
            PLOT,
            ANALYTE,
            WATER_YEAR,
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
            PLOT,
            ANALYTE,
            WATER_YEAR,
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
            PLOT,
            ANALYTE,
            Column("month", "text", "Month in the site's standard time, as YYYY-MM."),
            Column("basis", "code", "Where the flow of these hours comes from.", codes=BASIS),
            WATER_YEAR,
            Column("hours", "integer", "Hours of this basis.", "h", minimum=1),
            Column("volume_mm", "decimal", "Their net drainage. " + NEGATIVE_IS_REAL, "mm"),
            Column("load_kg_ha", "decimal", "Their load; it can be negative where more ran back than drained.", "kg/ha"),
        ),
        key=("plot", "analyte", "month", "basis"),
        sort=("plot", "analyte", "month", "basis"),
        time_column="water_year",
    ),
)
