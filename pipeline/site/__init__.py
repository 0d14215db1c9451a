"""What an experiment is: the site folder, typed and validated whole.

Belongs here: the shape of site.yaml (`structure.py`) and of the registers (`registers.py`), reading them (`reading.py`,
`marked_yaml.py`), whose data it is (`authorship.py`), how text becomes a value (`values.py`), what rows must agree on with
one another (`agreement.py`), the
errors that tell a person what to do (`errors.py`), and the experiment that comes out (`site.py`).
Does not: raw files (stages/), tables (tables/), where either lies (lake/).
"""

from pipeline.site.authorship import Citation, Person
from pipeline.site.errors import SiteError, SiteErrors
from pipeline.site.loading import load_site
from pipeline.site.registers import (
    AccuracyClass,
    AccuracyPoint,
    Calibration,
    ClockShift,
    Gauge,
    Meter,
    Outage,
    Plot,
    Treatment,
    Wiring,
)
from pipeline.site.site import Site
from pipeline.site.structure import Logger, LoggerLayout, OwnPeriod, Policies, TimestampRule, WeatherRecord

__all__ = [
    "AccuracyClass",
    "AccuracyPoint",
    "Calibration",
    "Citation",
    "ClockShift",
    "Gauge",
    "Logger",
    "LoggerLayout",
    "Meter",
    "Outage",
    "OwnPeriod",
    "Person",
    "Plot",
    "Policies",
    "Site",
    "SiteError",
    "SiteErrors",
    "TimestampRule",
    "Treatment",
    "WeatherRecord",
    "Wiring",
    "load_site",
]
