"""Counts that cannot be what ran: a counter that repeats itself, a rate that no main carries.

Belongs here: what single intervals of a year tell.
Does not: what was to be expected (science/flow_expectation.py), silence (stages/silences.py).
"""

from __future__ import annotations

import duckdb
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import norm

from pipeline.science.flow_expectation import Expectation
from pipeline.science.pipe_hydraulics import full_pipe_capacity_l_min
from pipeline.site import Meter, Site
from pipeline.stages.meter_record import HOUR_US, M2_PER_HA, Finding, Record, length
from pipeline.stages.phrases import literal

STUCK_EVIDENCE = 12.0
SHORTEST_STUCK_HOURS = 12
MOST_OF_RUN = 6
"""Counts of a run that say how usual repeating is; a run of no more is none."""
CHANGE_TO_EXPECT = 1.5
"""By which factor the expected flow must change while a count stays the same."""
LONGEST_STEADY_HOURS = 72
"""Hours for which a flow is believed to stay the same where nothing tells what to expect."""
LIMIT_TOLERANCE = 0.02
"""Rates that differ by less, relatively, are the same limit."""
LIMIT_SPREADS = 3.0
"""Spreads of the expectation below a limit from which on the flow should have left it."""
RATE_EVIDENCE = 4.0
TOP_FLOW_TOLERANCE = 0.05
"""Relative standard deviation that is granted to a top flow or a capacity."""
MANNING_N = 0.015
"""Of a main, s/m^(1/3), as the sizing of meters takes it."""
SAME_EPISODE_HOURS = 24
MOST_EVIDENCE = 99.0


def count_lies(
    session: duckdb.DuckDBPyConnection,
    flow: duckdb.DuckDBPyRelation,
    record: Record,
    expectation: Expectation,
    site: Site,
) -> list[Finding]:
    """Stuck counters and impossible rates of a year.

    Args:
        session: in which `flow` lives.
        flow: rows of `interval_flow` of the year.
        record: the hours of the window.
        expectation: of the record's blocks.
        site: meters.
    """
    flow.create_view("flow_to_doubt", replace=True)
    return [*_stuck(session, record, expectation), *_too_fast(session, site)]


def _stuck(session: duckdb.DuckDBPyConnection, record: Record, expectation: Expectation) -> list[Finding]:
    """Runs of one count, other than none, while another was to be expected."""
    meters = session.sql("SELECT DISTINCT plot::VARCHAR, meter::VARCHAR FROM flow_to_doubt ORDER BY ALL").fetchall()
    found = []
    for plot, meter in meters:
        counts = session.sql(
            f"""
            SELECT epoch_us(interval_start) AS start, epoch_us(interval_end) AS end, forward_l AS forward, reverse_l AS reverse
            FROM flow_to_doubt WHERE plot = {literal(plot)} AND meter = {literal(meter)} AND net_l IS NOT NULL
                AND quality <> 'spans_gap'
            ORDER BY interval_start
            """
        ).fetchnumpy()
        for direction in ("forward", "reverse"):
            litres = np.asarray(counts[direction], dtype=float)
            runs = repeated_counts(litres, counts["start"], counts["end"])
            for first, last, evidence in runs:
                start, end = int(counts["start"][first]), int(counts["end"][last])
                if end - start < SHORTEST_STUCK_HOURS * HOUR_US or evidence < STUCK_EVIDENCE:
                    continue
                rate = litres / (counts["end"] - counts["start"]) * HOUR_US
                if _may_last(rate, first, last) and not _was_to_run_less(
                    record, expectation, plot, start, end, float(rate[first])
                ):
                    continue
                if _was_to_change(record, expectation, plot, start, end):
                    found.append(
                        _stuck_finding(
                            plot, meter, direction, float(litres[first]), last - first + 1, start, end, evidence
                        )
                    )
    return found


def repeated_counts(
    litres: NDArray[np.float64], start: NDArray[np.int64], end: NDArray[np.int64]
) -> list[tuple[int, int, float]]:
    """Runs of one count other than none, longer than `MOST_OF_RUN`, and what each says, log10, never negative.

    How often a count repeats itself by chance is told by the same meter's other counts of about the same size: few pulses repeat
    themselves for days, many hardly ever. No run says more of that than `MOST_OF_RUN` counts do.

    Args:
        litres: of each interval, in order of time, shape (n,).
        start, end: of the intervals, shape (n,).

    Returns:
        First and last interval of each run, and its evidence.
    """
    if litres.size == 0:
        return []
    new = np.ones(litres.size, dtype=np.bool_)
    new[1:] = (litres[1:] != litres[:-1]) | (start[1:] != end[:-1])
    first = np.flatnonzero(new)
    counts = np.diff([*first, litres.size])
    value = litres[first]
    some = value > 0
    first, counts, value = first[some], counts[some], value[some]
    if first.size == 0:
        return []
    size = np.round(4 * np.log2(value)).astype(int)
    size -= size.min()
    said = np.minimum(counts, MOST_OF_RUN)
    repeats, all_counts = np.bincount(size, said - 1)[size], np.bincount(size, said)[size]
    chance = (repeats - (said - 1) + 2.0) / (all_counts - said + 4.0)
    evidence = (counts - 1) * -np.log10(chance)
    return [
        (int(first[n]), int(first[n] + counts[n] - 1), float(evidence[n])) for n in np.flatnonzero(counts > MOST_OF_RUN)
    ]


def _stuck_finding(
    plot: str, meter: str, direction: str, litres: float, counts: int, start: int, end: int, evidence: float
) -> Finding:
    return Finding(
        plot=plot,
        meter=meter,
        direction=direction,
        kind="stuck_counter",
        start=start,
        end=end,
        evidence=min(evidence, MOST_EVIDENCE),
        told=start + int((end - start) * min(STUCK_EVIDENCE / evidence, 1.0)),
        factor=None,
        others=None,
        finding=f"Meter {meter} of {plot} gave the same {direction} count ({litres:g} L) {counts:,} times, for "
        f"{length(round((end - start) / HOUR_US))}, while flow was to change.",
        check="whether the logger repeats its last reading: its link to the meter, its buffer, its clock",
    )


def _was_to_change(record: Record, expectation: Expectation, plot: str, start: int, end: int) -> bool:
    """Whether the expected flow changes from just before a run to its end; where nothing tells, whether it is long."""
    blocks = record.blocks_of(start, end)
    root = expectation.root[record.plots.index(plot), max(blocks.start - 1, 0) : blocks.stop]
    depth = np.square(np.maximum(root[np.isfinite(root)], 0.0)) + 0.05
    if depth.size < 2:
        return end - start >= LONGEST_STEADY_HOURS * HOUR_US
    return bool(depth.max() / depth.min() >= CHANGE_TO_EXPECT)


def _may_last(rate: NDArray[np.float64], first: int, last: int) -> bool:
    """Whether the rate of a run may have lasted: it is left gently, or it is shown more often than any above it.

    A main that runs full, a weir or a pump keeps one rate for days while the plots beside it rise and fall. The flow comes to such a
    limit and leaves it without a leap, and may do so time and again; a counter that was stuck leaps to what runs when it is free.

    Args:
        rate: L per hour of each interval, shape (n,).
        first, last: intervals of the run.
    """
    tolerance = max(LIMIT_TOLERANCE * rate[first], rate[rate > 0].min())
    gently = last + 1 < rate.size and abs(rate[last + 1] - rate[first]) <= tolerance
    above = np.count_nonzero(rate > rate[first] + tolerance)
    return bool(gently or above < np.count_nonzero(np.abs(rate - rate[first]) <= tolerance))


def _was_to_run_less(
    record: Record, expectation: Expectation, plot: str, start: int, end: int, litres_per_hour: float
) -> bool:
    """Whether the expected flow falls well below a rate within a run, in a block of which all is in it; not where nothing tells."""
    number, touched = record.plots.index(plot), record.blocks_of(start, end)
    blocks = slice(touched.start + 1, max(touched.stop - 1, touched.start + 1))
    root = np.sqrt(litres_per_hour * 24.0 / (record.area_ha[number] * M2_PER_HA))
    most = expectation.root[number, blocks] + LIMIT_SPREADS * expectation.spread[number, blocks]
    return bool((most < root).any())


def _too_fast(session: duckdb.DuckDBPyConnection, site: Site) -> list[Finding]:
    """Stretches with rates above a meter's top flow, or above what its main carries when full."""
    limits = {meter: _limit(meter) for meter in site.meters}
    least = min((limit for limit, _ in limits.values()), default=float("inf"))
    rows = session.execute(
        """
        SELECT plot::VARCHAR AS plot, meter::VARCHAR AS meter, interval_start, interval_end,
            (forward_l + reverse_l) * 6e7 / (epoch_us(interval_end) - epoch_us(interval_start)) AS rate_l_min
        FROM flow_to_doubt WHERE net_l IS NOT NULL AND quality <> 'spans_gap' AND rate_l_min > ?
        ORDER BY plot, meter, interval_start
        """,
        [least],
    ).df()
    found = []
    for (plot, name), of_meter in rows.groupby(["plot", "meter"]):
        meter = next(row for row in site.meters if (row.plot, row.meter) == (plot, name))
        limit, why = limits[meter]
        fast = of_meter[of_meter["rate_l_min"] > limit]
        apart = fast["interval_start"].diff() > pd.Timedelta(hours=SAME_EPISODE_HOURS)
        for _, episode in fast.groupby(apart.cumsum()):
            finding = _fast_episode(episode, meter, limit, why)
            if finding is not None:
                found.append(finding)
    return found


def _limit(meter: Meter) -> tuple[float, str]:
    """The most that a meter can have seen, L/min, and why."""
    if meter.slope is not None:
        capacity = float(full_pipe_capacity_l_min(meter.main_mm, meter.slope, MANNING_N))
        if capacity < meter.top_l_min:
            return capacity, f"its main of {meter.main_mm:g} mm carries {capacity:,.0f} L/min when full"
    return meter.top_l_min, f"its top flow is {meter.top_l_min:g} L/min"


def _fast_episode(episode: pd.DataFrame, meter: Meter, limit: float, why: str) -> Finding | None:
    rate = episode["rate_l_min"].to_numpy(dtype=float)
    beyond = (rate - limit) / (TOP_FLOW_TOLERANCE * limit)
    evidence = -norm.logsf(beyond) / np.log(10)
    total = np.cumsum(evidence)
    if total[-1] < RATE_EVIDENCE:
        return None
    times = episode[["interval_start", "interval_end"]].to_dict("records")
    enough = int(np.argmax(total >= RATE_EVIDENCE))
    start, told, end = (
        int(pd.Timestamp(moment).value // 1000)
        for moment in (times[0]["interval_start"], times[enough]["interval_end"], times[-1]["interval_end"])
    )
    most = float(rate.max())
    return Finding(
        plot=meter.plot,
        meter=meter.meter,
        direction=None,
        kind="impossible_rate",
        start=start,
        end=end,
        evidence=min(float(total[-1]), MOST_EVIDENCE),
        told=told,
        factor=None,
        others=None,
        finding=f"Meter {meter.meter} of {meter.plot} showed up to {most:,.0f} L/min in {len(episode):,} intervals, and {why}.",
        check="whether the pick-up counts twice (bouncing contact, interference on the cable), litres per pulse, and the main's slope"
        if "main" in why
        else "whether the pick-up counts twice (bouncing contact, interference on the cable), and litres per pulse",
    )
