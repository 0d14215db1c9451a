"""What the meter knows of each sample: which water it is, and whether a composite fits its window.

Belongs here: metered volumes of windows, water that ran back before, aliquots against pacing, windows that overlap; and, from that,
which results speak for a plot's drainage and which for the receiving water.
Does not: what the field book says (field_book.py), concentrations in time (concentration.py).
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

import duckdb
import numpy as np
import pandas as pd

from pipeline.site import Site
from pipeline.stages.field_book import COMPOSITES
from pipeline.stages.phrases import within
from pipeline.stages.remarks import look_up, remarks, written
from pipeline.tables import table

HOUR_US = 3_600_000_000
WHOLLY_METERED = 0.999
"""Share of a window from which it counts as metered; the rest is rounding, or an interval that lies across its edge."""
MIXED_FROM = 0.1
"""A composite is mixed where at least this share of it ran back before. Common practice, no source."""
RECEIVING_FROM = 0.5
"""And water of the ditch where at least this share did. Common practice, no source."""
HALF = 0.5
ONE_ALIQUOT = 1.0
"""The first and the last aliquot depend on where the sampler's count stood when the window began."""


def sample_flow(
    session: duckdb.DuckDBPyConnection,
    samples: pd.DataFrame,
    flow: duckdb.DuckDBPyRelation,
    outages: pd.DataFrame,
    site: Site,
    year: int,
) -> pd.DataFrame:
    """What was metered while each sample of a water year was taken.

    Intervals that touch an outage are not used; what a running counter tells across missing records counts in a window that holds
    it whole. Volumes of a window are shared out by time at its edges.

    Which water it is. A moment is `receiving` where the net volume of its metering interval is negative, or, where that counted
    nothing, of the hour around it; `standing` where nothing ran in that hour. Water that ran back is counted as the first to run
    out again: a moment is `mixed` while less has run out than ran back, and a composite where that is so for at least a tenth of
    it, by volume or by time as it was paced; from a half on it is `receiving`. The account begins anew with the water year and
    after an hour without a record. Where nothing was metered it is `unknown`.

    Whether a composite fits. Its window asks for forward volume / `pacing_l` aliquots (the sampler hears the meter's forward
    pulses), or for its length / `pacing_min`. They match within one aliquot and `composite_tolerance_pct`. Where more are asked
    for than the container holds, and it was filled, it is `overrun`, and stands for the time until it was full. Of a window that
    was metered in part only, its metered volume is the least that it asked for: too few aliquots are told, too many are not.

    Args:
        session: the session to which `flow` belongs.
        samples: rows of `samples`.
        flow: rows of `interval_flow` of the year and of the one after it, L.
        outages: rows of `outages` of the same years; may be empty.
        site: plots, policies.
        year: the water year in which the samples begin.

    Returns:
        Rows of `sample_flow`: every sample of a plot that begins in the year.
    """
    first, last = (pd.Timestamp(moment) for moment in site.water_year_period(year))
    taken = samples[samples["plot"].notna() & (samples["start"] >= first) & (samples["start"] < last)]
    rows = taken.rename(columns={"water": "entered"}).sort_values(["plot", "start", "sample"], ignore_index=True)
    metered = _metered(session, rows, flow, outages)
    rows = rows.merge(metered, on="sample", how="left", validate="one_to_one")
    rows = _with_water(rows)
    rows = _with_pacing(rows, site)
    rows = rows.assign(overlaps=_overlaps(rows))
    rows = rows.assign(remark=_remarks(rows))
    declared = table("sample_flow")
    return rows.sort_values(list(declared.sort), ignore_index=True)[list(declared.names)]


def drainage_results(results: pd.DataFrame, flow: pd.DataFrame) -> pd.DataFrame:
    """The results that speak for the drainage of plots: all but those of receiving water.

    The window of a composite whose container was full too early ends where it was full.

    Args:
        results: rows of `sample_results`.
        flow: rows of `sample_flow` of the same samples; a sample without a row is taken as the field book has it.

    Returns:
        Rows of `sample_results`, in the same order.
    """
    known = flow.set_index("sample")
    of_ditch = (results["water"] == "receiving") | (look_up(results["sample"], known["water"]) == "receiving")
    until = look_up(results["sample"], known["stands_until"])
    return results.assign(end=until.fillna(results["end"]))[~of_ditch].reset_index(drop=True)


def receiving_water_results(results: pd.DataFrame, flow: pd.DataFrame, site: Site, year: int) -> pd.DataFrame:
    """The results of a water year that tell of the receiving water, by the field book or because the meter ran backwards.

    Args:
        results: rows of `sample_results`.
        flow: rows of `sample_flow` of the year.
        site: water year, standard time.
        year: the water year.

    Returns:
        Rows of `receiving_water_results`, mg/L.
    """
    first, last = (pd.Timestamp(moment) for moment in site.water_year_period(year))
    entered = results["water"] == "receiving"
    backward = look_up(results["sample"], flow.set_index("sample")["water"]) == "receiving"
    here = (entered | backward) & (results["start"] >= first) & (results["start"] < last)
    evidence = pd.Series(np.where(entered, "field_book", "backward_flow"), index=results.index, dtype="str")
    declared = table("receiving_water_results")
    rows = results.assign(evidence=evidence)[here]
    return rows.sort_values(list(declared.sort), ignore_index=True)[list(declared.names)]


def _metered(
    session: duckdb.DuckDBPyConnection, rows: pd.DataFrame, flow: duckdb.DuckDBPyRelation, outages: pd.DataFrame
) -> pd.DataFrame:
    """By sample: metered_fraction, forward_l, reverse_l, flow_l_min, at_once_l (net, of a moment's own interval), returned_l and
    ran_l (of forward water), returned_us and metered_us (of the window), backed_up_l, full_at."""
    moment = ~rows["kind"].isin(COMPOSITES)
    half_hour = pd.Timedelta(minutes=30)
    capacity = (rows["aliquots_possible"].astype("float64") * rows["pacing_l"]).astype("float64")
    probes = pd.DataFrame(
        {
            "sample": rows["sample"],
            "plot": rows["plot"],
            "moment": moment,
            "taken_at": rows["start"],
            "since": rows["start"].where(~moment, rows["start"] - half_hour),
            "until": rows["end"].where(~moment, rows["end"] + half_hour),
            "capacity_l": capacity,
        }
    )
    flow.create_view("flow_by_interval", replace=True)
    session.register("stretches_out", outages[["plot", "start", "end"]])
    session.register("samples_to_place", probes)
    bounds = _reach(rows)
    found = session.sql(
        f"""
        WITH usable AS (
            SELECT plot::VARCHAR AS plot, interval_start, interval_end,
                epoch_us(interval_end) - epoch_us(interval_start) AS length_us,
                -- Whole microlitres add up to the same last digit in whatever order the threads take them.
                (forward_l * 1e6)::BIGINT AS forward_ul, (reverse_l * 1e6)::BIGINT AS reverse_ul,
                quality = 'spans_gap' AND epoch_us(interval_end) - epoch_us(interval_start) > {HOUR_US} AS only_total
            FROM flow_by_interval AS flow
            WHERE net_l IS NOT NULL AND {bounds}
                AND (quality = 'spans_gap' OR NOT EXISTS (
                    FROM stretches_out AS outage
                    WHERE outage.plot = flow.plot::VARCHAR AND outage.start < interval_end AND outage.end > interval_start))
        ),
        stretches AS (
            SELECT * EXCLUDE (begins), sum(begins) OVER (PARTITION BY plot ORDER BY interval_start) AS stretch
            FROM (
                SELECT *, CASE WHEN epoch_us(interval_start)
                    - epoch_us(lag(interval_end) OVER (PARTITION BY plot ORDER BY interval_start)) <= {HOUR_US}
                    THEN 0 ELSE 1 END AS begins
                FROM usable WHERE NOT only_total
            )
        ),
        -- How far the net volume that has run out lies under the most that it ever was: so much ran back and has not run out again.
        summed AS (
            SELECT *, sum(forward_ul - reverse_ul) OVER (PARTITION BY plot, stretch ORDER BY interval_start) AS run_out_ul
            FROM stretches
        ),
        topped AS (
            SELECT *, greatest(0, max(run_out_ul) OVER (PARTITION BY plot, stretch ORDER BY interval_start)) AS top_ul
            FROM summed
        ),
        ledger AS (
            SELECT *, top_ul - run_out_ul AS backed_up_ul, greatest(0, forward_ul - reverse_ul) AS ran_ul,
                greatest(0, forward_ul - reverse_ul)
                    - (top_ul - coalesce(lag(top_ul) OVER (PARTITION BY plot, stretch ORDER BY interval_start), 0)) AS returned_ul
            FROM topped
        ),
        pieces AS (
            SELECT sample, moment, capacity_l, taken_at, epoch_us(until) - epoch_us(since) AS window_us, ledger.*,
                greatest(interval_start, since) AS piece_start,
                epoch_us(least(interval_end, until)) - epoch_us(greatest(interval_start, since)) AS piece_us,
                piece_us / length_us AS share
            FROM samples_to_place JOIN ledger
                ON ledger.plot = samples_to_place.plot AND interval_start < until AND interval_end > since
        ),
        filled AS (
            SELECT *, sum(share * forward_ul) OVER (PARTITION BY sample ORDER BY interval_start) / 1e6 AS filled_l FROM pieces
        ),
        windows AS (
            SELECT sample, any_value(window_us) AS window_us,
                sum((share * forward_ul)::BIGINT) / 1e6 AS forward_l, sum((share * reverse_ul)::BIGINT) / 1e6 AS reverse_l,
                sum((share * returned_ul)::BIGINT) / 1e6 AS returned_l, sum((share * ran_ul)::BIGINT) / 1e6 AS ran_l,
                sum(piece_us) AS metered_us,
                coalesce(sum(piece_us) FILTER (backed_up_ul > 0 OR forward_ul < reverse_ul), 0) AS returned_us,
                any_value((forward_ul - reverse_ul) / 1e6) FILTER (taken_at >= interval_start AND taken_at < interval_end) AS at_once_l,
                any_value(length_us) FILTER (taken_at >= interval_start AND taken_at < interval_end) AS at_once_us,
                any_value(backed_up_ul / 1e6) FILTER (taken_at >= interval_start AND taken_at < interval_end) AS backed_up_l,
                min(make_timestamptz(epoch_us(piece_start) + (piece_us
                    * (1 - (filled_l - capacity_l) / nullif(share * forward_ul / 1e6, 0)))::BIGINT))
                    FILTER (filled_l >= capacity_l AND forward_ul > 0) AS full_at
            FROM filled GROUP BY sample
        ),
        totals AS (
            SELECT sample, sum(forward_ul) / 1e6 AS forward_l, sum(reverse_ul) / 1e6 AS reverse_l, sum(length_us) AS metered_us
            FROM samples_to_place JOIN usable
                ON only_total AND usable.plot = samples_to_place.plot AND NOT moment AND interval_start >= since
                    AND interval_end <= until
            GROUP BY sample
        )
        SELECT sample,
            CASE WHEN moment THEN (at_once_l IS NOT NULL)::INTEGER
                ELSE least(1.0, (coalesce(windows.metered_us, 0) + coalesce(totals.metered_us, 0))
                    / (epoch_us(until) - epoch_us(since))) END AS metered_fraction,
            CASE WHEN windows.metered_us > 0 OR totals.metered_us > 0
                THEN coalesce(windows.forward_l, 0) + coalesce(totals.forward_l, 0) END AS forward_l,
            CASE WHEN windows.metered_us > 0 OR totals.metered_us > 0
                THEN coalesce(windows.reverse_l, 0) + coalesce(totals.reverse_l, 0) END AS reverse_l,
            CASE WHEN moment THEN at_once_l / (at_once_us / 6e7)
                ELSE (coalesce(windows.forward_l, 0) + coalesce(totals.forward_l, 0) - coalesce(windows.reverse_l, 0)
                    - coalesce(totals.reverse_l, 0))
                    / nullif((coalesce(windows.metered_us, 0) + coalesce(totals.metered_us, 0)) / 6e7, 0) END AS flow_l_min,
            at_once_l, backed_up_l, returned_l, ran_l, returned_us, windows.metered_us,
            CASE WHEN totals.metered_us IS NULL THEN full_at END AS full_at
        FROM samples_to_place LEFT JOIN windows USING (sample) LEFT JOIN totals USING (sample)
        ORDER BY sample
        """
    ).df()
    session.unregister("samples_to_place")
    session.unregister("stretches_out")
    found["full_at"] = pd.to_datetime(found["full_at"], utc=True).dt.as_unit("us")
    return found.astype({"sample": "str", "metered_fraction": "float64"})


def _reach(rows: pd.DataFrame) -> str:
    """SQL for the time that matters to any sample: the record before, for what ran back, and an hour after the last."""
    last: datetime | None = None if rows.empty else (rows["end"].max() + pd.Timedelta(hours=1)).to_pydatetime()
    return within("interval_start", None, last) if last is not None else "false"


def _with_water(rows: pd.DataFrame) -> pd.DataFrame:
    """Which water each sample is, and which share of it ran back before."""
    moment = ~rows["kind"].isin(COMPOSITES)
    at_once, around = rows["at_once_l"], rows["forward_l"] - rows["reverse_l"]
    direction = np.sign(at_once.where(at_once != 0, around)).where(at_once.notna())
    nothing_ran = at_once.notna() & (rows["forward_l"] + rows["reverse_l"] == 0)
    still_backed_up = rows["backed_up_l"] > 0
    of_moment = ((direction < 0) | still_backed_up).astype("float64").where(at_once.notna())
    by_volume = (rows["returned_l"] / rows["ran_l"].where(rows["ran_l"] > 0)).fillna(
        (rows["reverse_l"] > 0).astype("float64").where(rows["metered_us"] > 0)
    )
    by_time = rows["returned_us"] / rows["metered_us"].where(rows["metered_us"] > 0)
    share = of_moment.where(moment, by_volume.where(rows["kind"] == "flow_composite", by_time)).clip(0.0, 1.0)
    water = np.select(
        [
            rows["entered"] == "receiving",
            share.isna(),
            moment & (direction < 0),
            moment & still_backed_up,
            moment & nothing_ran,
            ~moment & (share >= RECEIVING_FROM),
            ~moment & (share >= MIXED_FROM),
        ],
        ["receiving", "unknown", "receiving", "mixed", "standing", "receiving", "mixed"],
        "drainage",
    )
    return rows.assign(backward_share=share, water=pd.Series(water, index=rows.index, dtype="str"))


def _with_pacing(rows: pd.DataFrame, site: Site) -> pd.DataFrame:
    """Aliquots against those that the window asks for, and until when the sample stands."""
    of_flow, of_time = rows["kind"] == "flow_composite", rows["kind"] == "time_composite"
    length_min = (rows["end"] - rows["start"]).dt.total_seconds() / 60
    expected = (rows["forward_l"] / rows["pacing_l"]).where(of_flow, (length_min / rows["pacing_min"]).where(of_time))
    wholly = of_time | (rows["metered_fraction"] >= WHOLLY_METERED)
    taken = rows["aliquots"].astype("float64")
    possible = rows["aliquots_possible"].astype("float64")
    tolerance = ONE_ALIQUOT + site.policies.composite_tolerance_pct / 100 * expected
    # A sampler whose count is not entered filled its container if the window asked for that.
    full = (taken >= possible) | (taken.isna() & possible.notna())
    overrun = full & (expected > possible + ONE_ALIQUOT)
    checked = expected.notna() & (taken.notna() | overrun)
    fewer = taken < expected - tolerance
    half = fewer & (taken < HALF * expected)
    more = wholly & (taken > expected + tolerance)
    state = np.select(
        [~(of_flow | of_time), ~checked, overrun, half, fewer, more, ~wholly],
        ["", "not_checked", "overrun", "half_filled", "fewer", "more", "not_checked"],
        "matches",
    )
    pacing = pd.Series(state, index=rows.index, dtype="str")
    full_after = pd.to_timedelta((possible * rows["pacing_min"] * 60e6).round(), unit="us")
    full_at = rows["full_at"].where(of_flow, rows["start"] + full_after)
    stands_until = rows["end"].mask((pacing == "overrun") & full_at.notna(), full_at)
    return rows.assign(
        aliquots_expected=expected, pacing=pacing.mask(pacing == ""), stands_until=stands_until.dt.as_unit("us")
    )


def _overlaps(rows: pd.DataFrame) -> pd.Series:
    """By composite: the other composites of its plot whose windows share time with it."""
    windows = rows.loc[rows["kind"].isin(COMPOSITES), ["plot", "sample", "start", "end"]].reset_index()
    pairs = windows.merge(windows, on="plot", suffixes=("", "_other"))
    shared = pairs[
        (pairs["sample"] != pairs["sample_other"])
        & (pairs["start"] < pairs["end_other"])
        & (pairs["start_other"] < pairs["end"])
    ]
    named: Any = shared.sort_values(["start_other", "sample_other"]).groupby("index")["sample_other"].agg(", ".join)
    return named.reindex(rows.index).astype("str")


def _remarks(rows: pd.DataFrame) -> pd.Series:
    """What is to be known about each sample, in sentences."""
    taken, expected = rows["aliquots"].astype("str"), written(rows["aliquots_expected"], "{:.1f}")
    metered = written(rows["metered_fraction"], "{:.0%}")
    share = written(rows["backward_share"], "{:.0%}")
    flow_composite = rows["kind"] == "flow_composite"
    composite = rows["kind"].isin(COMPOSITES)
    of_what = pd.Series(np.where(flow_composite, "metered volume", "window's length"), index=rows.index, dtype="str")
    full_without_pacing = (rows["pacing"] == "not_checked") & (rows["aliquots"] >= rows["aliquots_possible"]).fillna(
        False
    )
    found: list[tuple[pd.Series, pd.Series | str]] = [
        (
            rows["pacing"].isin(("fewer", "half_filled", "more")),
            "The sampler took " + taken + " aliquots; the " + of_what + " asks for " + expected + ".",
        ),
        (
            rows["pacing"] == "overrun",
            "The container holds "
            + rows["aliquots_possible"].astype("str")
            + " aliquots and the "
            + of_what
            + " asks for "
            + expected
            + ": it was full before the window's end, and the sample stands for the time until then.",
        ),
        (
            full_without_pacing,
            "The container was full; without a pacing, or a metered window, it is not known since when.",
        ),
        (
            composite & (rows["metered_fraction"] < WHOLLY_METERED),
            "Only " + metered + " of the window was metered.",
        ),
        (
            flow_composite & (rows["metered_fraction"] >= WHOLLY_METERED) & (rows["forward_l"] == 0),
            "Nothing drained in the window by the meter, yet a sampler that is paced by flow took water: check the window and the meter.",
        ),
        (
            ~composite & (rows["water"] == "receiving") & (rows["entered"] != "receiving"),
            "Water ran backwards while it was taken: it is water of the ditch.",
        ),
        (~composite & (rows["water"] == "mixed"), "Less water had run out than ran back in before: it may still hold water of the ditch."),
        (composite & rows["water"].isin(("mixed", "receiving")), share + " of it is water that had run back in before."),
        (rows["water"] == "standing", "Nothing ran within half an hour of it by the meter."),
        (rows["overlaps"].notna(), "Its window shares time with that of " + rows["overlaps"] + "."),
    ]  # fmt: skip
    return remarks(rows.index, found, " ")
