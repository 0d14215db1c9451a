"""Promises of the declarations: one list of columns, explained to a collaborator."""

from __future__ import annotations

import csv
import io

import pytest

from pipeline.tables import TABLES, Column, Table, table
from pipeline.tables.dictionary import dictionary_csv


def test_the_dictionary_explains_every_column_of_every_table() -> None:
    rows = list(csv.DictReader(io.StringIO(dictionary_csv(TABLES))))
    assert [(row["table"], row["column"]) for row in rows] == [(t.name, name) for t in TABLES for name in t.names]
    assert all(row["meaning"] and row["a_row_is"] for row in rows)


def test_the_dictionary_says_why_net_flow_may_be_negative() -> None:
    rows = list(csv.DictReader(io.StringIO(dictionary_csv(TABLES))))
    net = [row["meaning"] for row in rows if row["column"] in ("net_l", "volume_mm", "load_kg_ha")]
    assert len(net) >= 7
    assert all("measurements, not errors" in meaning or "can be negative" in meaning for meaning in net)


def test_every_number_with_a_dimension_carries_its_unit_in_name_and_metadata() -> None:
    endings = {
        "_l": "L",
        "_mm": "mm",
        "_kg_ha": "kg/ha",
        "_mg_l": "mg/L",
        "_l_min": "L/min",
        "_pct": "%",
        "_mm_p05": "mm",
    }
    for declared in TABLES:
        for column in declared.columns:
            for ending, unit in endings.items():
                longest = max((e for e in endings if column.name.endswith(e)), key=len, default="")
                if ending == longest and column.name not in ("mg_l", "mg_l_p05"):
                    assert column.unit == unit, (declared.name, column.name)


def test_net_flow_has_no_lower_bound_anywhere() -> None:
    for declared in TABLES:
        for column in declared.columns:
            if column.name.startswith(("net_l", "volume_mm", "load_kg_ha", "flow_l_min", "peak_l_min")):
                assert column.minimum is None, (declared.name, column.name)


def test_a_declaration_that_contradicts_itself_is_refused() -> None:
    column = Column("a", "integer", "A number.")
    with pytest.raises(ValueError, match="declares a column twice"):
        Table("t", "a row", "g", (column, column), ("a",), ("a",))
    with pytest.raises(ValueError, match="does not declare: b"):
        Table("t", "a row", "g", (column,), ("b",), ("a",))


def test_an_unknown_table_is_named_with_the_known_ones() -> None:
    with pytest.raises(KeyError, match=r"no table is named flows; tables: source_files"):
        table("flows")
