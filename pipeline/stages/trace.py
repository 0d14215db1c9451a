"""From loads back to pulses: what a sum over hours is made of.

Belongs here: the way back through the stored tables, set by set: hours, the parts of intervals in them, pulses, file and line.
Does not: which loads are published and how their periods are told apart (publish/trace.py), wording (publish/trace_words.py), how hours
are filled (stages/hours.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

import duckdb
import pandas as pd

from pipeline.site import Site
from pipeline.stages.hour_pieces import HOUR_US, hour_pieces, microseconds
from pipeline.stages.load_periods import BETWEEN_EVENTS

MEASURED = ("measured", "measured_below_range")

SOURCES = ("hourly_flow", "metered_hours", "concentration", "events", "interval_flow", "pulse_counts")
"""Tables that `TracedYear` reads of a water year; of the last two it also needs the year before, from which an interval may reach in."""


class TraceError(Exception):
    """A load cannot be traced; the message is a sentence for a person."""


class TracedYear:
    """Hours of one water year, and the parts of metering intervals that they are made of, put by the periods to which they belong.

    Every hour's net volume is what was metered of it, plus the rest: of a measured hour what was not on record of it, of another hour what
    was estimated. What was metered is added up anew here, from pulses and the litres per pulse of the registers, so that the sum of a trace
    tells whether the tables below a load still say what it says.
    """

    def __init__(
        self,
        session: duckdb.DuckDBPyConnection,
        stored: Mapping[str, duckdb.DuckDBPyRelation],
        site: Site,
        start: datetime,
        end: datetime,
        periods: pd.DataFrame,
    ) -> None:
        """Look at one water year.

        Args:
            session: in which the relations live.
            stored: rows of `SOURCES`.
            site: calibrations, wiring, outages.
            start: first instant of the water year within the record.
            end: first instant after it.
            periods: `label` (whole number), `plot`, `analyte`, `since`, `until` (instants; hours that start in between belong to the
                period), `event` (its name or `between`; empty: any). A label may stand in several rows of different plots or times.

        Raises:
            TraceError: a calibration that stored volumes name is no longer in the registers.
        """
        self.session = session
        for name, relation in stored.items():
            relation.create_view(f"{name}_of_year", replace=True)
        session.register("periods_traced", periods)
        session.register("calibrations_traced", _calibrations(site))
        session.register("wires_traced", _wires(site))
        session.execute(
            f"""
            CREATE OR REPLACE TEMP TABLE hours_traced AS
            SELECT label, period.analyte, hour.plot, hour.hour_start, hour.net_l, hour.basis, hour.measured_fraction,
                CASE WHEN hour.measured_fraction > 0 THEN coalesce(metered.net_l, 0.0) ELSE 0.0 END AS metered_l, mg_l,
                concentration.basis AS concentration_basis
            FROM periods_traced AS period
            JOIN hourly_flow_of_year AS hour
                ON hour.plot = period.plot AND hour.hour_start >= period.since AND hour.hour_start < period.until
            LEFT JOIN events_of_year AS event
                ON event.plot = hour.plot AND hour.hour_start >= event.start AND hour.hour_start < event.end
            LEFT JOIN metered_hours_of_year AS metered ON metered.plot = hour.plot AND metered.hour_start = hour.hour_start
            LEFT JOIN concentration_of_year AS concentration
                ON concentration.plot = hour.plot AND concentration.hour_start = hour.hour_start
                    AND concentration.analyte = period.analyte
            WHERE period.event IS NULL OR period.event = coalesce(event.event, '{BETWEEN_EVENTS}')
            """
        )
        pieces = hour_pieces(session, session.view("interval_flow_of_year"), site, start, end).pieces
        # Each piece is a whole number of microlitres, as in stages/metered_hours.py.
        session.execute(
            f"""
            CREATE OR REPLACE TEMP VIEW pieces_traced AS
            SELECT label, hour.plot, hour_start, basis, mg_l, piece.meter, piece.interval_start, piece.interval_end, piece.quality,
                file_id, line, calibration, reverse_calibration, share,
                share * forward_pulses AS forward_pulses, share * reverse_pulses AS reverse_pulses,
                round(share * forward_pulses * forth.litres_per_pulse, 6) AS forward_l,
                coalesce(round(share * reverse_pulses * back.litres_per_pulse, 6), 0.0) AS reverse_l
            FROM (SELECT * FROM hours_traced WHERE measured_fraction > 0 AND net_l IS NOT NULL) AS hour
            JOIN ({pieces}) AS piece
                ON piece.plot = hour.plot AND piece.hour = (epoch_us(hour_start) - {microseconds(start)}) // {HOUR_US}
            JOIN pulse_counts_of_year AS pulse
                ON pulse.plot = piece.plot AND pulse.meter = piece.meter AND pulse.interval_start = piece.interval_start
            LEFT JOIN calibrations_traced AS forth ON forth.name = calibration
            LEFT JOIN calibrations_traced AS back ON back.name = reverse_calibration
            """
        )
        lost = self._ask(
            """
            SELECT DISTINCT calibration FROM (
                SELECT calibration FROM interval_flow_of_year UNION SELECT reverse_calibration FROM interval_flow_of_year)
            WHERE calibration IS NOT NULL AND calibration NOT IN (SELECT name FROM calibrations_traced) ORDER BY 1
            """
        )["calibration"]
        if len(lost):
            raise TraceError(
                f"{site.folder / 'calibrations.csv'} no longer has the calibration {lost[0]}, with which stored volumes were computed. "
                "`drainledger run` computes them by the registers as they are now; trace them then."
            )

    def _ask(self, query: str) -> pd.DataFrame:
        return self.session.sql(query).df()

    def sums(self) -> pd.DataFrame:
        """The sum of every period.

        Returns:
            `label`; `hours`; `metered_l` (by pulses), `rest_l`, `untraced_l` (rest of hours that were metered whole: rounding alone), in L;
            `metered_mg`, `rest_mg`, in mg, of the hours whose concentration is known.
        """
        return self._ask(
            """
            WITH metered AS (
                SELECT label, sum(forward_l - reverse_l) AS metered_l, sum((forward_l - reverse_l) * mg_l) AS metered_mg
                FROM pieces_traced GROUP BY label
            )
            SELECT label, count(*) AS hours, coalesce(any_value(metered.metered_l), 0.0) AS metered_l,
                coalesce(sum(net_l - hour.metered_l), 0.0) AS rest_l,
                coalesce(sum(abs(net_l - hour.metered_l)) FILTER (measured_fraction >= 1), 0.0) AS untraced_l,
                coalesce(any_value(metered.metered_mg), 0.0) AS metered_mg,
                coalesce(sum((net_l - hour.metered_l) * mg_l), 0.0) AS rest_mg
            FROM hours_traced AS hour LEFT JOIN metered USING (label) GROUP BY label ORDER BY label
            """
        )

    def flow_by_basis(self) -> pd.DataFrame:
        """Hours, water and mass by where the hour's flow comes from, of the hours whose flow is known.

        Returns:
            `basis`; `hours`, `metered_hours`; `net_l`, of it `backward_l` (hours in which more ran back) and `metered_l`, in L; `load_mg`,
            of it `backward_mg` and `rest_mg` (of water that was not metered), in mg.
        """
        return self._ask(
            """
            SELECT basis, count(*) AS hours, sum(measured_fraction) AS metered_hours, coalesce(sum(net_l), 0.0) AS net_l,
                coalesce(sum(net_l) FILTER (net_l < 0), 0.0) AS backward_l, sum(metered_l) AS metered_l,
                sum(net_l * mg_l) AS load_mg, coalesce(sum(net_l * mg_l) FILTER (net_l < 0), 0.0) AS backward_mg,
                sum((net_l - metered_l) * mg_l) AS rest_mg
            FROM hours_traced GROUP BY basis ORDER BY metered_hours DESC, basis
            """
        )

    def concentration_by_basis(self) -> pd.DataFrame:
        """The same by where the hour's concentration comes from: `basis`, `hours`, `net_l`, `load_mg`, `lowest_mg_l`, `highest_mg_l`."""
        return self._ask(
            """
            SELECT concentration_basis AS basis, count(*) AS hours, sum(net_l) AS net_l, sum(net_l * mg_l) AS load_mg,
                min(mg_l) AS lowest_mg_l, max(mg_l) AS highest_mg_l
            FROM hours_traced GROUP BY ALL ORDER BY hours DESC, basis
            """
        )

    def metered(self) -> pd.DataFrame:
        """What was metered, by meter, direction, calibration, logger column and file.

        Returns:
            `plot`, `meter`, `direction`, `calibration`, `litres_per_pulse`, `logger`, `column`, `file_id`; `intervals` and the lines from
            `first_line` to `last_line` of the file that hold them, from `first_time` to `last_time`; `pulses` (parts of intervals as
            parts of their pulses); `volume_l` and `load_mg`, negative where water ran back.
        """
        ways = " UNION ALL ".join(
            f"""
            SELECT plot, meter, '{way}' AS direction, {calibration} AS calibration, interval_start, interval_end, file_id, line,
                {way}_pulses AS pulses, {sign} * {way}_l AS volume_l, {sign} * {way}_l * mg_l AS load_mg
            FROM pieces_traced
            """
            for way, calibration, sign in (("forward", "calibration", 1), ("reverse", "reverse_calibration", -1))
        )
        return self._ask(
            f"""
            SELECT way.plot, way.meter, way.direction, way.calibration, any_value(litres_per_pulse) AS litres_per_pulse, logger, "column",
                file_id, count(DISTINCT interval_start) AS intervals, min(line) AS first_line, max(line) AS last_line,
                min(interval_start) AS first_time, max(interval_end) AS last_time, sum(pulses) AS pulses, sum(volume_l) AS volume_l,
                sum(load_mg) AS load_mg
            FROM ({ways}) AS way
            LEFT JOIN calibrations_traced ON name = calibration
            LEFT JOIN wires_traced AS wire ON wire.meter = way.meter AND wire.direction = way.direction
                AND interval_start >= since AND interval_start < until
            WHERE pulses IS NOT NULL AND (way.direction = 'forward' OR "column" IS NOT NULL)
            GROUP BY ALL ORDER BY way.plot, first_time, way.meter, way.direction, file_id
            """
        )

    def lines(self) -> pd.DataFrame:
        """What every line of a raw file gave to the periods' hours; a line whose interval lies in several hours stands there for each.

        Returns:
            `plot`, `meter`, `hour_start`, `interval_start`, `interval_end`, `file_id`, `line`, `quality`; `share` of the interval that lies
            in the hour; `forward_pulses`, `reverse_pulses` of the interval; `volume_l`, `mg_l`, `load_mg`; in order of plot and time.
        """
        return self._ask(
            """
            SELECT plot, meter, hour_start, interval_start, interval_end, file_id, line, quality::VARCHAR AS quality, share,
                round(forward_pulses / share)::BIGINT AS forward_pulses, round(reverse_pulses / share)::BIGINT AS reverse_pulses,
                forward_l - reverse_l AS volume_l, mg_l, (forward_l - reverse_l) * mg_l AS load_mg
            FROM pieces_traced ORDER BY plot, interval_start, hour_start
            """
        )

    def estimated(self) -> pd.DataFrame:
        """Stretches of hours that were not measured, in order of time.

        Returns:
            `plot`, `since`, `until`, `basis`, `hours`, `net_l`, `metered_l` (of partly metered hours), `load_mg`, and `plots_measured`: the
            other plots that were measured in the same hours, with the number of hours of each.
        """
        measured = ", ".join(f"'{basis}'" for basis in MEASURED)
        return self._ask(
            f"""
            WITH in_time AS (
                SELECT *, hour_start - INTERVAL 1 HOUR * row_number() OVER (PARTITION BY plot, basis ORDER BY hour_start) AS stretch
                FROM hours_traced WHERE basis NOT IN ({measured})
            ),
            others AS (
                SELECT plot, basis, stretch, string_agg(other || ' ' || hours || ' h', ', ' ORDER BY other) AS plots_measured
                FROM (
                    SELECT gap.plot, gap.basis, stretch, other.plot AS other, count(*) AS hours
                    FROM in_time AS gap JOIN hourly_flow_of_year AS other
                        ON other.hour_start = gap.hour_start AND other.plot <> gap.plot AND other.basis IN ({measured})
                    GROUP BY ALL)
                GROUP BY ALL
            )
            SELECT plot, min(hour_start) AS since, max(hour_start) + INTERVAL 1 HOUR AS until, basis, count(*) AS hours,
                sum(net_l) AS net_l, sum(metered_l) AS metered_l, sum(net_l * mg_l) AS load_mg, any_value(plots_measured) AS plots_measured
            FROM in_time LEFT JOIN others USING (plot, basis, stretch) GROUP BY plot, basis, stretch ORDER BY plot, since
            """
        )


def _calibrations(site: Site) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "name": pd.Series([row.name for row in site.calibrations], dtype="str"),
            "litres_per_pulse": pd.Series([row.litres_per_pulse for row in site.calibrations], dtype="float64"),
        }
    )


def _wires(site: Site) -> pd.DataFrame:
    """The rows of wiring.csv, an open end being the end of the record."""
    after = site.record_period()[1]
    texts = {
        name: pd.Series([getattr(row, name) for row in site.wiring], dtype="str")
        for name in ("meter", "direction", "logger", "column")
    }
    times = {
        "since": pd.Series([row.start for row in site.wiring], dtype="datetime64[us, UTC]"),
        "until": pd.Series([row.end or after for row in site.wiring], dtype="datetime64[us, UTC]"),
    }
    return pd.DataFrame(texts | times)
