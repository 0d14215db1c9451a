"""The registers: what a row of each CSV file says.

Belongs here: one model per register, its columns in order, and what a single row must satisfy.
Does not: what rows must agree on with one another (agreement.py), reading files (reading.py).

A field without a default is a column that the file must have; the cells of `to` and `modulus` may still be empty. Columns
with a default may be left out. `from` and `to` of a file are `start` and `end` here, because `from` is a word of the language.
What a column means and its unit are said once, beside its type (`means`): the shared package and new site folders explain it by that.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any, ClassVar, Literal

from pydantic import Field, ValidationInfo, field_validator

from pipeline.site.values import (
    LARGEST_OFFSET,
    Day,
    Instant,
    Name,
    Number,
    Percentage,
    PositiveNumber,
    Strict,
    WholeNumber,
    refusal,
)

Direction = Literal["forward", "reverse"]
Counts = Literal["interval", "running"]
Quantity = Literal["supply_voltage", "water_level", "water_temperature", "air_temperature", "rain"]
Scope = Literal["plot", "meter", "logger"]

SMALLEST_RATIO = 1.6
"""Transition flow Q2 over minimum flow Q1, by Directive 2014/32/EU Annex MI-001 and OIML R 49-1."""


def means(meaning: str, unit: str = "", **facts: Any) -> Any:
    """A column: its meaning for whoever reads the register, its unit, and what else pydantic's `Field` takes."""
    return Field(description=meaning, json_schema_extra={"unit": unit}, **facts)


class Row(Strict):
    """A row of a register, and the line on which it begins in its file (0: made in code)."""

    file: ClassVar[str]
    may_be_absent: ClassVar[bool] = False
    not_columns: ClassVar[frozenset[str]] = frozenset({"line"})

    line: int = Field(default=0, repr=False)

    @classmethod
    def columns(cls) -> dict[str, bool]:
        """The columns of the file, and whether the file must have each."""
        inherited_last = sorted(cls.model_fields.items(), key=lambda field: field[0] in Dated.model_fields)
        return {field.alias or name: field.is_required() for name, field in inherited_last if name not in cls.not_columns}

    @property
    def place(self) -> str:
        """File and line, short."""
        return f"{self.file}:{self.line}"


class Dated(Row):
    """A row that holds from an instant on, until another (exclusive) or for good; both in UTC."""

    start: Instant = means("From when on the row holds.", alias="from")
    end: Instant | None = means("First instant at which it holds no more; empty: it still holds.", alias="to")

    @field_validator("end")
    @classmethod
    def _end_after_start(cls, end: datetime | None, info: ValidationInfo) -> datetime | None:
        start = info.data.get("start")
        if end is not None and start is not None and end <= start:
            raise refusal("a time after from, or an empty cell for «still so»", "Check both times of this row")
        return end

    def touches(self, start: datetime, end: datetime) -> bool:
        """Whether any part of the row's time lies in [start, end)."""
        return self.start < end and (self.end is None or self.end > start)


class Plot(Row):
    """A drained plot; area in hectares."""

    file = "plots.csv"

    plot: Name = means("Short name of the plot, by which all else calls it.")
    title: Name = means("What people call it.")
    area_ha: PositiveNumber = means("Area that the drain drains.", "ha")


class Treatment(Dated):
    """What was done to a plot, and when."""

    file = "treatments.csv"
    may_be_absent = True

    plot: Name = means("Plot, as named in plots.csv.")
    treatment: Name = means("What was done to the plot.")


class Meter(Dated):
    """A meter on a plot's main; bore and main in mm, top flow in L/min, `accuracy` names its error curve."""

    file = "meters.csv"

    meter: Name = means("Short name of the meter.")
    plot: Name = means("Plot whose main it stands in.")
    bore_mm: PositiveNumber = means("Bore of the meter.", "mm")
    main_mm: PositiveNumber = means("Inner diameter of the main.", "mm")
    accuracy: Name = means("Name of its error curve in accuracy.csv or accuracy_classes.csv.")
    top_l_min: PositiveNumber = means("Highest flow that can be real; more is an error of counting.", "L/min")
    slope: PositiveNumber | None = means("Fall of the main per length, where it is known.", "m/m", default=None)


class AccuracyPoint(Row):
    """A point of an error curve: flow in L/min, bound of the relative error in %."""

    file = "accuracy.csv"
    may_be_absent = True

    accuracy: Name = means("Name of the error curve.")
    flow_l_min: PositiveNumber = means("Flow at a point of the curve.", "L/min")
    error_pct: Percentage = means("Limit of the meter's relative error there.", "%")


class AccuracyClass(Row):
    """What stands on a meter's plate: the permanent flow Q3 in m3/h, and R, the ratio of Q3 to the minimum flow Q1."""

    file = "accuracy_classes.csv"
    may_be_absent = True

    accuracy: Name = means("Name of the error curve.")
    q3_m3_h: PositiveNumber = means("Permanent flow Q3 of the meter's plate.", "m³/h")
    ratio: PositiveNumber = means("R of the meter's plate: Q3 over the minimum flow Q1.", "1")

    @field_validator("ratio")
    @classmethod
    def _room_for_the_transition(cls, ratio: float) -> float:
        if ratio <= SMALLEST_RATIO:
            raise refusal(
                f"a number above {SMALLEST_RATIO}: between Q1 and Q3 lies Q2, which is {SMALLEST_RATIO} times Q1",
                "Write the R of the meter's plate, such as 160 for R160, which is Q3 divided by Q1",
            )
        return ratio


class Wiring(Dated):
    """Which logger column counted which meter in which direction, and how; `modulus` is where a running total starts again."""

    file = "wiring.csv"

    logger: Name = means("Logger, as named in site.yaml.")
    column: Name = means("Column of its files.")
    meter: Name = means("Meter that the column counted.")
    direction: Direction = means("Which way the water ran that it counted.")
    counts: Counts = means("interval: pulses of each interval; running: a running total of pulses.")
    modulus: WholeNumber | None = means("Count at which a running total starts again at zero.", "pulses")

    @field_validator("modulus")
    @classmethod
    def _modulus_of_running_totals(cls, modulus: int | None, info: ValidationInfo) -> int | None:
        counts = info.data.get("counts")
        if modulus is None and counts == "running":
            raise refusal(
                "a whole number of 2 or more for a running total",
                "Write the count at which the total starts again at zero, such as 65536",
            )
        if modulus is not None and counts == "interval":
            raise refusal(
                "an empty cell for counts per interval", "Empty the cell, or write running under counts if it is a total"
            )
        if modulus is not None and modulus < 2:
            raise refusal("a whole number of 2 or more", "Write the count at which the total starts again at zero")
        return modulus


class Gauge(Dated):
    """Which logger column recorded what else; `plot` only where the gauge belongs to one."""

    file = "gauges.csv"
    may_be_absent = True

    gauge: Name = means("Short name of the gauge.")
    logger: Name = means("Logger, as named in site.yaml.")
    column: Name = means("Column of its files.")
    quantity: Quantity = means("What it measured.")
    unit: Name = means("Unit of the column's numbers.")
    plot: Name | None = means("Plot, where the gauge belongs to one.", default=None)


class Calibration(Dated):
    """Litres per pulse of a meter and direction, with its expanded uncertainty (k = 2) in %.

    `name` is derived: meter, direction and the first day in the site's standard time.
    """

    file = "calibrations.csv"
    not_columns = frozenset({"line", "name"})

    meter: Name = means("Meter, as named in meters.csv.")
    direction: Direction = means("Which way the water ran.")
    litres_per_pulse: PositiveNumber = means("Volume of one pulse.", "L")
    expanded_uncertainty_pct: Percentage = means("Its expanded uncertainty at a coverage factor of 2.", "%")
    evidence: str = means("What it rests on.", default="")
    entered: Day | None = means("Day on which the row was entered.", default=None)
    name: str = means("Name by which tables call the calibration: meter, direction, first day.", default="")

    @field_validator("entered")
    @classmethod
    def _entered_by_now(cls, entered: date | None) -> date | None:
        # The day that has begun farthest east: whoever enters a row there is not ahead of time.
        today = (datetime.now(UTC) + LARGEST_OFFSET).date()
        if entered is not None and entered > today:
            raise refusal("the day on which the row was entered, today at the latest", "Check the year")
        return entered


class Outage(Dated):
    """A stretch for which someone knows that there is no usable record."""

    file = "outages.csv"
    may_be_absent = True

    scope: Scope = means("Whether name is a plot, a meter or a logger.")
    name: Name = means("Plot, meter or logger without a usable record.")
    cause: Name = means("Cause, in a word or two.")
    note: str = means("What else is known.", default="")


class ClockShift(Dated):
    """A known error of a logger's clock: seconds to add to its stamps.

    With `shift_at_end_s` the clock drifted: the shift goes in a straight line from `shift_s` at `from` to it at `to`.
    """

    file = "clocks.csv"
    may_be_absent = True

    logger: Name = means("Logger, as named in site.yaml.")
    shift_s: Number = means("Seconds to add to its stamps.", "s")
    shift_at_end_s: Number | None = means("The same at the end of a clock that drifted.", "s", default=None)

    @field_validator("shift_s", "shift_at_end_s")
    @classmethod
    def _within_years(cls, shift_s: float | None) -> float | None:
        if shift_s is not None and abs(shift_s) > timedelta(days=3660).total_seconds():
            raise refusal("a shift of at most ten years, in seconds", "Check the number and its unit")
        return shift_s

    @field_validator("shift_at_end_s")
    @classmethod
    def _drift_that_keeps_order(cls, shift_at_end_s: float | None, info: ValidationInfo) -> float | None:
        if shift_at_end_s is None or not {"start", "end", "shift_s"} <= info.data.keys():
            return shift_at_end_s
        end, start = info.data["end"], info.data["start"]
        if end is None:
            raise refusal(
                "an empty cell where to is empty: a drift needs a time at which it ended",
                "Write under to when the clock was set right, or empty this cell if the shift did not change",
            )
        if shift_at_end_s - info.data["shift_s"] <= -(end - start).total_seconds():
            raise refusal(
                "a shift that falls by fewer seconds than the row lasts: true time never stands still or runs back",
                "Check both shifts, their signs and their unit (seconds)",
            )
        return shift_at_end_s


REGISTERS: dict[str, type[Row]] = {
    "plots": Plot,
    "treatments": Treatment,
    "meters": Meter,
    "accuracy": AccuracyPoint,
    "accuracy_classes": AccuracyClass,
    "wiring": Wiring,
    "gauges": Gauge,
    "calibrations": Calibration,
    "outages": Outage,
    "clocks": ClockShift,
}
