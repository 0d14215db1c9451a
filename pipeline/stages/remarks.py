"""Small steps that several stages of samples share: looking up by name, numbers in words, remarks on many rows at once.

Belongs here: what keeps types also where there are no rows.
Does not: the words of a remark (in the stage that finds something), sheets (sheets.py).
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd


def look_up(names: pd.Series, known: pd.Series) -> pd.Series:
    """For each name what is known under it (unique names as the index), empty where nothing is."""
    return pd.Series(known.reindex(names).array, index=names.index)


def written(numbers: pd.Series, pattern: str) -> pd.Series:
    """Each number as text by a pattern such as `{:.1f} %`."""
    return pd.Series([pattern.format(number) for number in numbers], index=numbers.index, dtype="str")


def remarks(index: pd.Index, found: Iterable[tuple[pd.Series, pd.Series | str]], between: str) -> pd.Series:
    """For each row the words that hold for it, in order; none where nothing was found.

    Args:
        index: of the rows.
        found: pairs of where something holds (flags) and what is said of it (words, the same or each row its own).
        between: stands between two remarks of one row.
    """
    remark = pd.Series("", index=index, dtype="str")
    for holds, words in found:
        said = words if isinstance(words, pd.Series) else pd.Series(words, index=index, dtype="str")
        separator = pd.Series(np.where(remark == "", "", between), index=index, dtype="str")
        remark = remark.mask(holds.astype(bool), remark + separator + said)
    return remark.mask(remark == "")
