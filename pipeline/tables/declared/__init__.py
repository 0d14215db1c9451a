"""Every table of the lake, declared once, in the order in which they are made.

Belongs here: the tables together, finding one by its name.
Does not: a declaration (the modules beside, by what the tables are about); anything that acts on one.
"""

from __future__ import annotations

from pipeline.tables.declaration import Table
from pipeline.tables.declared import bench, flow, history, loads, meters, record, samples

TABLES: tuple[Table, ...] = (
    *record.TABLES,
    *meters.TABLES,
    *flow.TABLES,
    *samples.TABLES,
    *loads.TABLES,
    *bench.TABLES,
    *history.TABLES,
)


def table(name: str) -> Table:
    """The declaration of a table.

    Raises:
        KeyError: there is no such table.
    """
    for declared in TABLES:
        if declared.name == name:
            return declared
    raise KeyError(f"no table is named {name}; tables: {', '.join(declared.name for declared in TABLES)}")
