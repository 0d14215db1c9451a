"""Field books and laboratory sheets, and the flow at which samples were taken.

Belongs here: declarations of these tables, and codes that only they use.
Does not: anything that acts on a declaration.
"""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.tables.declaration import Column, Derived, Table
from pipeline.tables.declared.words import ANALYTE, LINE, NEGATIVE_IS_REAL, PLOT

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


TABLES: tuple[Table, ...] = (
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
            LINE,
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
            ANALYTE,
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
            ANALYTE,
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
            LINE,
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
            ANALYTE,
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
            LINE,
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
            LINE,
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
            PLOT,
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
            ANALYTE,
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
)
