"""The declaration of every table: the only list of columns in the project.

Belongs here: names, types, units, meanings, keys, allowed ranges and codes (`declared/`), the shape of a declaration
(`declaration.py`) and what is derived from one: the Arrow and Parquet schema (`schema.py`), the data dictionary
(`dictionary.py`), the expectations (`expectations.py`).
Does not: where a table lies (lake/), how it is computed (stages/).
"""

from pipeline.tables.declaration import Column, Table
from pipeline.tables.declared import TABLES, table

__all__ = ["TABLES", "Column", "Table", "table"]
