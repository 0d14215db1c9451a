"""Partitions as Dagster knows them: a site, and for tables with a time axis a water year.

Belongs here: partition definitions, the mappings that say which upstream partitions a partition needs, keys and ranges.
Does not: which tables are needed (computations.py).
"""

from __future__ import annotations

import warnings
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from dagster import (
    AssetDep,
    BetaWarning,
    DimensionPartitionMapping,
    IdentityPartitionMapping,
    MultiPartitionKey,
    MultiPartitionMapping,
    MultiPartitionsDefinition,
    MultiToSingleDimensionPartitionMapping,
    PartitionMapping,
    PartitionsDefinition,
    StaticPartitionMapping,
    StaticPartitionsDefinition,
)
from dagster._core.storage.tags import ASSET_PARTITION_RANGE_END_TAG, ASSET_PARTITION_RANGE_START_TAG

from pipeline.orchestration.computations import Computation, Need, longest_period
from pipeline.site import Site

SITE = "site"
WATER_YEAR = "water_year"


@dataclass(frozen=True)
class Partitions:
    """The partition definitions of a set of sites. Water years are those of any of the sites."""

    sites: Mapping[str, Site]

    @property
    def years(self) -> list[int]:
        """Every water year that the record of any site touches, ascending."""
        return sorted({year for site in self.sites.values() for year in site.water_years()})

    @property
    def by_site(self) -> StaticPartitionsDefinition:
        """One partition per site."""
        return StaticPartitionsDefinition(sorted(self.sites))

    @property
    def by_site_and_year(self) -> MultiPartitionsDefinition:
        """One partition per site and water year."""
        years = StaticPartitionsDefinition([str(year) for year in self.years])
        return MultiPartitionsDefinition({SITE: self.by_site, WATER_YEAR: years})

    def of(self, computation: Computation) -> PartitionsDefinition:
        """The partitions of a computation's tables."""
        return self.by_site_and_year if computation.by_year else self.by_site

    def dependency(self, computation: Computation, need: Need) -> AssetDep:
        """A need as an edge of Dagster's graph: the table, and which of its partitions."""
        return AssetDep(need.table, partition_mapping=self._mapping(computation, need))

    def _mapping(self, computation: Computation, need: Need) -> PartitionMapping:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", BetaWarning)
            if need.reach == "site" and computation.by_year:
                return MultiToSingleDimensionPartitionMapping(SITE)
            if need.reach in ("site", "year"):
                return IdentityPartitionMapping()
            # Dagster knows one mapping for all sites; where these differ, its graph shows the widest window and the longest period.
            widest = max((site.policies.gap_window_years for site in self.sites.values()), default=0)
            longest = max((longest_period(site) for site in self.sites.values()), default=0)
            before, after = need.distances(widest, longest)
            needed_by = {
                str(needed): [str(year) for year in self.years if year - before <= needed <= year + after]
                for needed in self.years
            }
            return MultiPartitionMapping(
                {
                    SITE: DimensionPartitionMapping(SITE, IdentityPartitionMapping()),
                    WATER_YEAR: DimensionPartitionMapping(WATER_YEAR, StaticPartitionMapping(needed_by)),
                }
            )


def read_keys(keys: Iterable[str]) -> list[tuple[str, int | None]]:
    """Site and water year of partition keys, in order of both."""
    found: list[tuple[str, int | None]] = []
    for key in keys:
        if isinstance(key, MultiPartitionKey):
            parts = key.keys_by_dimension
            found.append((parts[SITE], int(parts[WATER_YEAR])))
        else:
            found.append((key, None))
    return sorted(found, key=lambda pair: (pair[0], pair[1] or 0))


def range_tags(site: str, years: Sequence[int]) -> dict[str, str]:
    """Tags of a run over consecutive water years of one site."""
    first, last = (MultiPartitionKey({SITE: site, WATER_YEAR: str(year)}) for year in (min(years), max(years)))
    return {ASSET_PARTITION_RANGE_START_TAG: first, ASSET_PARTITION_RANGE_END_TAG: last}
