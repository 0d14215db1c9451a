"""Bench tests of meters and what they prove.

Belongs here: declarations of these tables, and codes that only they use.
Does not: anything that acts on a declaration.
"""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.tables.declaration import Column, Derived, Table
from pipeline.tables.declared.words import DIRECTIONS, FILE, LINE

_BENCH_FILE = Column("path", "text", "Bench file below raw/<site>/.")

_PROVED = Column("proved", "day", "Day of the bench test, where that is known.", nullable=True)

BENCH_REFERENCE: Mapping[str, str] = {
    "volume": "a measured volume, such as a tank's",
    "weighed": "a weighed volume: mass, density of water at its temperature, buoyancy of air",
    "mixed": "some runs by volume, some weighed",
    "series": "the other meters in line, by their litres per pulse in calibrations.csv",
    "none": "nothing that the water could be held against",
}


TABLES: tuple[Table, ...] = (
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
            LINE,
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
            FILE,
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
            LINE,
            Column("reason", "text", "Why the line was not used, in a sentence."),
            Column("text", "text", "The line as it stands in the file."),
        ),
        key=("path", "line"),
        sort=("path", "line"),
    ),
)
