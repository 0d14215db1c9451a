"""From weather readings to hours.

Belongs here: hourly rain and air temperature from a weather record of any interval.
Does not: reading files (stages/intake.py), what rain does to a drain (science/).
"""

from __future__ import annotations

import duckdb
import pandas as pd

from pipeline.stages.intake import WEATHER, Readings

NO_WEATHER = pd.DataFrame(
    {
        "hour_start": pd.Series(dtype="datetime64[us, UTC]"),
        "rain_mm": pd.Series(dtype="float64"),
        "air_temp_c": pd.Series(dtype="float64"),
    }
)


def weather_hours(session: duckdb.DuckDBPyConnection, readings: Readings) -> pd.DataFrame:
    """Weather by the hour.

    Rain of an interval that touches several hours is shared out by time, its air temperature holds in all of them.

    Args:
        session: holds the readings.
        readings: among others of the weather files; rain in mm per interval, air temperature in degrees Celsius.

    Returns:
        One row per hour that the record knows: hour_start (UTC), rain_mm (sum; empty where unknown), air_temp_c (mean).
    """
    record = readings.records.get(WEATHER)
    if record is None:
        return NO_WEATHER.copy()
    rain, air = (record.column_names[name] for name in ("rain_mm", "air_temp_c"))
    return session.sql(
        f"""
        WITH hours_touched AS (
            SELECT *, unnest(generate_series(
                time_bucket(INTERVAL 1 HOUR, interval_start),
                time_bucket(INTERVAL 1 HOUR, interval_end - INTERVAL 1 MICROSECOND), INTERVAL 1 HOUR)) AS hour_start
            FROM {record.readings}
        ),
        pieces AS (
            SELECT hour_start, interval_start, {air} AS air_temp_c,
                {rain} * (epoch_us(least(interval_end, hour_start + INTERVAL 1 HOUR))
                    - epoch_us(greatest(interval_start, hour_start)))
                    / (epoch_us(interval_end) - epoch_us(interval_start)) AS rain_mm
            FROM hours_touched
        )
        SELECT hour_start, sum(rain_mm ORDER BY interval_start) AS rain_mm, avg(air_temp_c ORDER BY interval_start) AS air_temp_c
        FROM pieces GROUP BY hour_start ORDER BY hour_start
        """
    ).df()
