"""Which hours are an event, and which events of different plots are one.

Belongs here: the rule on a hydrograph, the matching of stretches of time.
Does not: names, volumes, rain of events (stages/events.py).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]
Flags = NDArray[np.bool_]


def stretches(inside: ArrayLike) -> tuple[Indices, Indices]:
    """Starts and ends (exclusive) of the stretches of true, shape (n,) to two of (stretches,)."""
    change = np.diff(np.asarray(inside, dtype=np.int8), prepend=0, append=0)
    return np.flatnonzero(change == 1), np.flatnonzero(change == -1)


def event_hours(flow: ArrayLike, threshold: float, recession_share: float, separation_h: int) -> tuple[Indices, Indices]:
    """Events of one hydrograph.

    An event begins when flow rises to the threshold. It ends when flow has receded below the given share of the highest flow since
    then, or below the threshold, whichever is higher; while flow stays above the threshold, rising again above that level begins
    the next event. Shorter lulls than the separation, backward flow among them, do not end an event. An hour without a value
    is part of a lull. (Threshold and recession share are common practice, no source.)

    Args:
        flow: hourly flow, any unit, not-a-number where unknown, shape (hours,).
        threshold: in the flow's unit, positive.
        recession_share: share of the peak, 0 to 1.
        separation_h: hours from which on a lull separates two events.

    Returns:
        First hour and hour after the last of each event, in order of time.
    """
    known = np.nan_to_num(np.asarray(flow, dtype=float), nan=-np.inf)
    above = known >= threshold
    first, last = stretches(above)
    inside = np.zeros(known.size, dtype=bool)
    if first.size == 0:
        return first, last
    rise = np.cumsum(np.isin(np.arange(known.size), first))
    # Stretches are lifted above one another so that one running maximum serves them all.
    lift = 2.0 * known.max() * rise
    peak_so_far = np.maximum.accumulate(np.where(above, known + lift, 0.0)) - lift
    inside[above] = (known >= recession_share * peak_so_far)[above]
    first, last = stretches(inside)
    separate = first[1:] - last[:-1] >= separation_h
    return first[np.append(True, separate)], last[np.append(separate, True)]


def match_events(plot: ArrayLike, first: ArrayLike, last: ArrayLike, peak: ArrayLike, tolerance_h: int = 0) -> Indices:
    """Which events of different plots are the same storm's.

    Two events of different plots match when each one's peak hour lies within the other, or not further from it than the tolerance:
    overlapping tails alone, by which a whole wet season would hang together, do not match. Matches are joined from the best overlap
    (common hours over hours of either) downwards, and a match that would put two events of one plot together is passed over. So
    every event belongs to one site-wide event, and a site-wide event has at most one event of each plot.

    Args:
        plot: number of the plot, shape (n,).
        first, last: first hour and hour after the last, shape (n,); events of one plot do not overlap.
        peak: hour of the highest flow, shape (n,).
        tolerance_h: hours by which plots may answer later than others; at most half of what separates events of one plot, so
            that a peak is near one event of each plot only.

    Returns:
        Number of the site-wide event of each event, from 0 in order of their earliest start (then of their latest end), shape (n,).
    """
    of_plot, begin, end, top = (np.asarray(values, dtype=np.int64) for values in (plot, first, last, peak))
    wide_begin, wide_end = begin - tolerance_h, end + tolerance_h
    contains = (wide_begin[:, np.newaxis] <= top) & (top < wide_end[:, np.newaxis])
    one, other = np.nonzero(np.triu(contains & contains.T & (of_plot[:, np.newaxis] != of_plot)))
    common = np.minimum(wide_end[one], wide_end[other]) - np.maximum(wide_begin[one], wide_begin[other])
    either = np.maximum(wide_end[one], wide_end[other]) - np.minimum(wide_begin[one], wide_begin[other])
    group = np.arange(of_plot.size)
    for match in np.lexsort((other, one, -common / either)):
        a, b = group[one[match]], group[other[match]]
        if a != b and not np.isin(of_plot[group == a], of_plot[group == b]).any():
            group[group == b] = a
    names, which = np.unique(group, return_inverse=True)
    earliest = np.full(names.size, np.iinfo(np.int64).max)
    latest = np.zeros(names.size, dtype=np.int64)
    np.minimum.at(earliest, which, begin)
    np.maximum.at(latest, which, end)
    rank = np.empty(names.size, dtype=np.int64)
    rank[np.lexsort((names, latest, earliest))] = np.arange(names.size)
    return rank[which]
