"""The registers: what a row of each CSV file says.

Belongs here: one model per register, its columns in order, and what a single row must satisfy.
Does not: what rows must agree on with one another (agreement.py), reading files (reading.py).

A field without a default is a column that the file must have; the cells of `to` and `modulus` may still be empty. Columns
with a default may be left out. `from` and `to` of a file are `start` and `end` here, because `from` is a word of the language.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import ClassVar, Literal

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

    start: Instant = Field(alias="from")
    end: Instant | None = Field(alias="to")

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

    plot: Name
    title: Name
    area_ha: PositiveNumber


class Treatment(Dated):
    """What was done to a plot, and when."""

    file = "treatments.csv"
    may_be_absent = True

    plot: Name
    treatment: Name


class Meter(Dated):
    """A meter on a plot's main; bore and main in mm, top flow in L/min, `accuracy` names its error curve."""

    file = "meters.csv"

    meter: Name
    plot: Name
    bore_mm: PositiveNumber
    main_mm: PositiveNumber
    accuracy: Name
    top_l_min: PositiveNumber


class AccuracyPoint(Row):
    """A point of an error curve: flow in L/min, bound of the relative error in %."""

    file = "accuracy.csv"
    may_be_absent = True

    accuracy: Name
    flow_l_min: PositiveNumber
    error_pct: Percentage


class AccuracyClass(Row):
    """What stands on a meter's plate: the permanent flow Q3 in m3/h, and R, the ratio of Q3 to the minimum flow Q1."""

    file = "accuracy_classes.csv"
    may_be_absent = True

    accuracy: Name
    q3_m3_h: PositiveNumber
    ratio: PositiveNumber

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

    logger: Name
    column: Name
    meter: Name
    direction: Direction
    counts: Counts
    modulus: WholeNumber | None

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

    gauge: Name
    logger: Name
    column: Name
    quantity: Quantity
    unit: Name
    plot: Name | None = None


class Calibration(Dated):
    """Litres per pulse of a meter and direction, with its expanded uncertainty (k = 2) in %.

    `name` is derived: meter, direction and the first day in the site's standard time.
    """

    file = "calibrations.csv"
    not_columns = frozenset({"line", "name"})

    meter: Name
    direction: Direction
    litres_per_pulse: PositiveNumber
    expanded_uncertainty_pct: Percentage
    evidence: str = ""
    entered: Day | None = None
    name: str = ""

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

    scope: Scope
    name: Name
    cause: Name
    note: str = ""


class ClockShift(Dated):
    """A known error of a logger's clock: seconds to add to its stamps.

    With `shift_at_end_s` the clock drifted: the shift goes in a straight line from `shift_s` at `from` to it at `to`.
    """

    file = "clocks.csv"
    may_be_absent = True

    logger: Name
    shift_s: Number
    shift_at_end_s: Number | None = None

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
