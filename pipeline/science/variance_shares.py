"""Which source of uncertainty makes how much of a variance.

Belongs here: shares of independent sources.
Does not: the standard deviation of each (stages/flow_ensemble.py, stages/loads.py), what would shrink them (publish/).
"""

from __future__ import annotations

from collections.abc import Mapping


def variance_shares(standard_deviation: Mapping[str, float]) -> dict[str, float]:
    """Share of each independent source in the variance of all of them together.

    The uncertainty budget of JCGM 100:2008 (5.1.2, H.1.5): squared contributions of independent inputs over their sum. What
    inputs do to the result together only (the error of one times the error of another) is left out.

    Args:
        standard_deviation: by source, none negative.

    Returns:
        By source; they add up to 1. Not-a-number where no source has any.
    """
    largest = max(standard_deviation.values(), default=0.0)
    if largest == 0.0:
        return dict.fromkeys(standard_deviation, float("nan"))
    # Over the largest first: squares of very small contributions would vanish.
    squares = {source: (value / largest) ** 2 for source, value in standard_deviation.items()}
    whole = sum(squares.values())
    return {source: square / whole for source, square in squares.items()}
