"""How the text of a cell or of a key becomes a typed value.

Belongs here: numbers, names, times, lengths of time and offsets; what is allowed for each, said to a person.
Does not: which column or key holds which (registers.py, structure.py).

A validator here takes text and gives the value; anything that is not text goes on to pydantic's strict check, so that the
models can also be made in code from values of their own types.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationInfo
from pydantic_core import ErrorDetails, PydanticCustomError

from pipeline.site.errors import listed, or_nearest, quoted

YEARS = range(1900, 2200)
LARGEST_WHOLE_NUMBER = 10**18
LARGEST_OFFSET = timedelta(hours=14)
DAY = timedelta(days=1)
HOUR = timedelta(hours=1)

NUMBER = re.compile(r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]+)?")
WHOLE_NUMBER = re.compile(r"[+-]?[0-9]+")
CALENDAR_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
DATE_AND_TIME = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}(:[0-9]{2}([.,][0-9]{1,6})?)?(Z|[+-][0-9]{2}:?[0-9]{2})?"
)
LENGTH_OF_TIME = re.compile(r"([0-9]{1,6}) ?(s|min|h|d)")
OFFSET = re.compile(r"([+-])([0-9]{2}):([0-5][0-9])")
UNITS_OF_TIME = {"s": timedelta(seconds=1), "min": timedelta(minutes=1), "h": HOUR, "d": DAY}


class Strict(BaseModel):
    """What all models of a site share: nothing converted, nothing unknown, nothing changed afterwards."""

    model_config = ConfigDict(
        strict=True, extra="forbid", frozen=True, allow_inf_nan=False, validate_by_name=True, validate_by_alias=True
    )


def refusal(allowed: str, advice: str) -> PydanticCustomError:
    """The exception that a validator raises: what is allowed instead, and what to do."""
    return PydanticCustomError("site_value", "{allowed}. {advice}", {"allowed": allowed, "advice": advice})


def _from_text(read: Callable[[str], Any]) -> BeforeValidator:
    return BeforeValidator(lambda value: read(value) if isinstance(value, str) else value)


def _number(text: str) -> float:
    if not NUMBER.fullmatch(text):
        raise refusal("a number", "Write digits with a decimal point, without unit and without separators of thousands")
    return float(text)


def _whole_number(text: str) -> int:
    if not WHOLE_NUMBER.fullmatch(text) or len(text) > 40:
        raise refusal("a whole number", "Write digits only, without decimals, unit or separators of thousands")
    return int(text)


def _year_checked(moment: date) -> None:
    if moment.year not in YEARS:
        raise refusal(f"a date in the years {YEARS[0]} to {YEARS[-1]}", "Check the year")


def _day(text: str) -> date:
    advice = "Write year, month and day, such as 2019-10-01"
    if not CALENDAR_DATE.fullmatch(text):
        raise refusal("a date by ISO 8601", advice)
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise refusal("a date that the calendar has", advice) from None
    _year_checked(day)
    return day


def _instant(value: Any, info: ValidationInfo) -> Any:
    """Text by ISO 8601 to UTC; without an offset it is in the site's standard time, without a time it is midnight."""
    if not isinstance(value, str):
        return value
    advice = "Write 2019-10-01, or 2019-10-01T14:30 with the time of day"
    if not CALENDAR_DATE.fullmatch(value) and not DATE_AND_TIME.fullmatch(value):
        raise refusal("a date, or a date and a time, by ISO 8601", advice)
    try:
        moment = datetime.fromisoformat(value.replace(",", "."))
    except ValueError:
        raise refusal("a date and a time that calendar and clock have", advice) from None
    _year_checked(moment)
    if moment.tzinfo is None:
        return moment.replace(tzinfo=UTC) - (info.context or {})["utc_offset"]
    return moment.astimezone(UTC)


def _aware(moment: datetime) -> datetime:
    if moment.tzinfo is None:
        raise refusal("a time with its offset to UTC", "Give the time a time zone")
    return moment


def _length_of_time(text: str) -> timedelta:
    parts = LENGTH_OF_TIME.fullmatch(text)
    if not parts:
        raise refusal(
            f"a whole number and one of {listed(UNITS_OF_TIME)}, such as 10min", "Write the length of one interval"
        )
    return int(parts[1]) * UNITS_OF_TIME[parts[2]]


def _divides_the_day(length: timedelta) -> timedelta:
    divides_the_hour = length and HOUR % length == timedelta()
    if not (divides_the_hour or (length and DAY % length == timedelta() and length % HOUR == timedelta())):
        raise refusal(
            "a length of time that divides an hour, or a number of hours that divides a day",
            "Write the interval at which the record was kept, such as 10min, 15min or 1h",
        )
    return length


def _offset(text: str) -> timedelta:
    parts = OFFSET.fullmatch(text)
    offset = timedelta(hours=int(parts[2]), minutes=int(parts[3])) if parts else None
    if parts is None or offset is None or offset > LARGEST_OFFSET:
        raise refusal(
            'an offset to UTC between "-14:00" and "+14:00"',
            'Write sign, hours and minutes in quotes, such as "-06:00" for a clock six hours behind UTC',
        )
    return -offset if parts[1] == "-" else offset


def _name(text: str) -> str:
    if not text or text != text.strip():
        raise refusal("a name, without blanks around it", "Write the name")
    if not text.isprintable() or len(text) > 200:
        raise refusal("a name of at most 200 printable characters", "Write the name again, by hand")
    return text


Name = Annotated[str, AfterValidator(_name)]
Number = Annotated[float, _from_text(_number)]
PositiveNumber = Annotated[float, _from_text(_number), Field(gt=0)]
Percentage = Annotated[float, _from_text(_number), Field(ge=0, le=100)]
WholeNumber = Annotated[int, _from_text(_whole_number), Field(le=LARGEST_WHOLE_NUMBER)]
Day = Annotated[date, _from_text(_day)]
Instant = Annotated[datetime, BeforeValidator(_instant), AfterValidator(_aware)]
Interval = Annotated[timedelta, _from_text(_length_of_time), AfterValidator(_divides_the_day)]
Offset = Annotated[timedelta, _from_text(_offset)]

KINDS = {
    "string_type": ("text", "Write it as text; in YAML put it in quotes if it looks like nothing or like a number"),
    "int_type": ("a whole number", "Write digits only"),
    "float_type": ("a number", "Write digits with a decimal point"),
    "date_type": ("a date by ISO 8601", "Write it such as 2019-10-01"),
    "datetime_type": ("a date, or a date and a time, by ISO 8601", "Write it such as 2019-10-01 or 2019-10-01T14:30"),
    "time_delta_type": ("a length of time, such as 10min", "Write number and unit"),
    "tuple_type": ("month and day (MM-DD)", 'Write for example "10-01"'),
    "list_type": ("a list", "Write it between [ and ], separated by commas"),
    "dict_type": ("keys with values", "Write one key and its value a line, indented by two blanks"),
    "model_type": ("keys with values", "Write one key and its value a line, indented by two blanks"),
}
LIMITS = {
    "greater_than": ("a number above {gt:g}", "Check the number and its unit"),
    "greater_than_equal": ("a number of {ge:g} or more", "Check the number and its unit"),
    "less_than": ("a number below {lt:g}", "Check the number and its unit"),
    "less_than_equal": ("a number of at most {le:g}", "Check the number and its unit"),
    "finite_number": ("a finite number", "Check the number of its digits and its exponent"),
}


def allowed_and_advice(detail: ErrorDetails) -> tuple[str, str]:
    """What is allowed instead of what pydantic refused, and what to do."""
    context = detail.get("ctx", {})
    if detail["type"] == "site_value":
        return context["allowed"], context["advice"]
    if detail["type"] == "literal_error":
        words = re.findall(r"'([^']*)'", context["expected"])
        return f"one of {listed(map(quoted, words))}", or_nearest(str(detail["input"]), words, "Write one of these words")
    if detail["type"] in LIMITS:
        allowed, advice = LIMITS[detail["type"]]
        return allowed.format(**context), advice
    return KINDS.get(detail["type"], (detail["msg"], "Correct it"))
