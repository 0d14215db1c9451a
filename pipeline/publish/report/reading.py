"""Stored rows as the page's modules read them.

Belongs here: one object with lake, site and session; tables that another version of the program may not have.
Does not: what is shown of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import duckdb
import pandas as pd

from pipeline.lake import Lake
from pipeline.site import Site
from pipeline.tables import Table, table


@dataclass(frozen=True)
class Source:
    """Where everything on the page comes from."""

    session: duckdb.DuckDBPyConnection
    lake: Lake
    site: Site

    def frame(self, name: str) -> pd.DataFrame:
        """All stored rows of a table; none where the table is not declared or not stored."""
        declared = self.declared(name)
        if declared is None:
            return pd.DataFrame()
        return self.lake.frame(declared, self.site.site, self._partitions(declared))

    def ask(self, name: str, query: str, years: Sequence[int] | None = None) -> pd.DataFrame:
        """Rows of a query over a table, or some of its water years, that it calls `stored`."""
        declared = table(name)
        stored = self.lake.relation(self.session, declared, self.site.site, years or self._partitions(declared))
        found = stored.query("stored", query)
        assert found is not None
        return found.df()

    @staticmethod
    def declared(name: str) -> Table | None:
        """A declaration; none where there is no such table."""
        try:
            return table(name)
        except KeyError:
            return None

    @property
    def offset(self) -> timedelta:
        """Of the site's standard time."""
        return self.site.utc_offset

    def local(self, column: str) -> str:
        """SQL for an instant as a time of day in the site's standard time."""
        return f"(({column}) AT TIME ZONE 'UTC' + INTERVAL ({int(self.offset.total_seconds())}) SECOND)"

    def plots(self) -> list[str]:
        """Plots in the order of their register."""
        return [plot.plot for plot in self.site.plots]

    def area(self) -> dict[str, Any]:
        """Area by plot, ha."""
        return {plot.plot: plot.area_ha for plot in self.site.plots}

    def _partitions(self, declared: Table) -> list[int | None]:
        return [None] if declared.time_column is None else list(self.lake.years(declared, self.site.site))
