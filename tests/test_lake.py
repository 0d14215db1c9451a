"""Promises of the lake: a partition is whole or as it was, keeps its declaration, and says what it was made from."""

from __future__ import annotations

import hashlib
from pathlib import Path

import duckdb
import pandas as pd
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.lake import Lake, LakeError, fingerprint, open_session
from pipeline.lake.fingerprint import file_digest
from pipeline.tables import TABLES, table

HOURS = table("hourly_flow")


def hours(count: int, net: float = -3.5) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "plot": ["north"] * count,
            "hour_start": pd.date_range("2020-01-01", periods=count, freq="h", tz="UTC").as_unit("us"),
            "net_l": net,
            "net_l_p05": net - 1,
            "net_l_p95": net + 1,
            "basis": "measured",
            "measured_fraction": 1.0,
            "below_range_fraction": 0.0,
        }
    )


def test_what_is_written_is_what_is_read(tmp_path: Path) -> None:
    lake = Lake(tmp_path)
    lake.write_frame(HOURS, hours(30), "a" * 64, "small", 2020)
    pd.testing.assert_frame_equal(lake.frame(HOURS, "small", [2020]), hours(30), check_dtype=False)


def test_a_frame_and_a_relation_write_the_same_columns_and_types(tmp_path: Path) -> None:
    lake, session = Lake(tmp_path), open_session()
    lake.write_frame(HOURS, hours(5), "a", "frame", 2020)
    lake.write_relation(HOURS, session.from_df(hours(5)), "a", "relation", 2020)
    first, second = (pq.read_schema(lake.path(HOURS, site, 2020)) for site in ("frame", "relation"))
    assert (first.names, first.types) == (second.names, second.types)
    pd.testing.assert_frame_equal(lake.frame(HOURS, "frame", [2020]), lake.frame(HOURS, "relation", [2020]))


def test_unit_and_meaning_stand_in_the_file_beside_each_column(tmp_path: Path) -> None:
    lake, session = Lake(tmp_path), open_session()
    lake.write_frame(HOURS, hours(1), "a", "frame", 2020)
    lake.write_relation(HOURS, session.from_df(hours(1)), "a", "relation", 2020)
    for site in ("frame", "relation"):
        stored = pq.read_schema(lake.path(HOURS, site, 2020)).field("net_l").metadata
        assert stored[b"unit"] == b"L"
        assert b"not errors" in stored[b"meaning"]


def test_the_same_rows_give_the_same_bytes(tmp_path: Path) -> None:
    lake, session = Lake(tmp_path), open_session(threads=2)
    many = session.from_df(pd.concat([hours(9000, n) for n in (1.0, 2.0, 3.0)] * 20, ignore_index=True))
    digests = {
        file_digest(write)
        for write in (
            lake.write_relation(HOURS, many, "a", "one", 2020),
            lake.write_relation(HOURS, many, "a", "two", 2020),
        )
    }
    assert len(digests) == 1


def test_words_that_do_not_occur_leave_no_trace_in_the_bytes(tmp_path: Path) -> None:
    lake, session = Lake(tmp_path), open_session()
    digests = set()
    for site, kind in (("few", "ENUM('measured', 'bridged')"), ("many", "ENUM('measured', 'zzz', 'bridged', 'aaa')")):
        rows = session.from_df(hours(500)).project(
            "* REPLACE (CASE WHEN hour(hour_start) = 3 THEN 'bridged' ELSE basis END AS basis)"
        )
        rows = rows.project(f"* REPLACE (basis::{kind} AS basis)")
        digests.add(file_digest(lake.write_relation(HOURS, rows, "a", site, 2020)))
    assert len(digests) == 1


def test_a_word_may_be_absent_where_its_column_may_be_empty(tmp_path: Path) -> None:
    lake, session, declared = Lake(tmp_path), open_session(), table("gauge_readings")
    rows = session.sql(
        """SELECT 'level'::ENUM('level') AS gauge, 'water_level'::ENUM('water_level', 'rain') AS quantity, NULL::ENUM('north') AS plot,
        TIMESTAMPTZ '2020-01-01' AS interval_start, TIMESTAMPTZ '2020-01-02' AS interval_end, 1.0::DOUBLE AS value, 'f' AS file_id,
        3::BIGINT AS line"""
    )
    lake.write_relation(declared, rows, "a", "small", 2020)
    assert lake.frame(declared, "small", [2020])["plot"].isna().all()


def test_a_partition_says_what_it_was_made_from(tmp_path: Path) -> None:
    lake = Lake(tmp_path)
    lake.write_frame(HOURS, hours(1), "made-of-this", "small", 2020)
    assert lake.made_from(HOURS, "small", 2020) == "made-of-this"
    assert lake.made_from(HOURS, "small", 2021) is None
    assert lake.years(HOURS, "small") == [2020]


def test_the_content_of_a_partition_is_that_of_its_rows_alone(tmp_path: Path) -> None:
    lake, session = Lake(tmp_path), open_session()
    for site, origin in (("one", "a"), ("two", "b")):
        lake.write_frame(HOURS, hours(5), origin, site, 2020, f'{{"from":"{origin}\'s"}}')
        lake.write_relation(HOURS, session.from_df(hours(5)), origin, f"{site}-sql", 2020, f'{{"from":"{origin}\'s"}}')
    lake.write_frame(HOURS, hours(5, 1.0), "a", "other", 2020)
    content = {site: lake.stored(HOURS, site, 2020).content for site in ("one", "two", "one-sql", "two-sql", "other")}  # type: ignore[union-attr]
    assert content["one"] == content["two"] != content["other"]
    assert content["one-sql"] == content["two-sql"]


def test_the_content_is_the_digest_of_the_bytes_before_the_footer(tmp_path: Path) -> None:
    """A Parquet file ends in its footer, the footer's length in four bytes (little-endian), and PAR1: Apache Parquet's format."""
    lake = Lake(tmp_path)
    data = lake.write_frame(HOURS, hours(5), "a", "small", 2020, "{}").read_bytes()
    footer = len(data) - 8 - int.from_bytes(data[-8:-4], "little")
    stored = lake.stored(HOURS, "small", 2020)
    assert stored is not None
    assert stored.content == hashlib.sha256(data[:footer]).hexdigest()
    assert (stored.made_from, stored.parts_text) == ("a", "{}")


def test_a_write_that_fails_leaves_the_former_file_and_no_litter(tmp_path: Path) -> None:
    lake, session = Lake(tmp_path), open_session()
    path = lake.write_frame(HOURS, hours(3), "a", "small", 2020)
    before = path.read_bytes()
    failing = session.sql(
        """SELECT plot, hour_start, CASE WHEN i > 200000 THEN error('disk pulled out') ELSE 1.0 END AS net_l,
        0.0 AS net_l_p05, 2.0 AS net_l_p95, 'measured' AS basis, 1.0 AS measured_fraction, 0.0 AS below_range_fraction
        FROM (SELECT 'north' AS plot, TIMESTAMPTZ '2020-01-01' AS hour_start, i FROM range(300000) AS t(i))"""
    )
    with pytest.raises(duckdb.Error):
        lake.write_relation(HOURS, failing, "b", "small", 2020)
    assert path.read_bytes() == before
    assert [file.name for file in path.parent.iterdir()] == ["part.parquet"]


def test_an_empty_cell_where_none_is_allowed_is_refused_by_name(tmp_path: Path) -> None:
    with pytest.raises(LakeError, match=r"hourly_flow of small: column basis has 2 empty values"):
        Lake(tmp_path).write_frame(HOURS, hours(2).assign(basis=None), "a", "small", 2020)


def test_a_folder_that_cannot_be_written_is_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "tables").write_text("a file stands where the folder should be")
    with pytest.raises(LakeError, match="could not be written"):
        Lake(tmp_path).write_frame(HOURS, hours(1), "a", "small", 2020)


def test_an_absent_partition_reads_as_no_rows(tmp_path: Path) -> None:
    lake, session = Lake(tmp_path), open_session()
    assert len(lake.frame(HOURS, "small", [2020])) == 0
    assert lake.relation(session, HOURS, "small", [2020]).columns == list(HOURS.names)


@pytest.mark.parametrize("declared", TABLES, ids=lambda declared: declared.name)
def test_every_declared_table_can_be_stored_empty(tmp_path: Path, declared) -> None:  # type: ignore[no-untyped-def]
    lake = Lake(tmp_path)
    year = 2020 if declared.time_column else None
    lake.write_frame(declared, lake.frame(declared, "small", [year]), "a", "small", year)
    assert tuple(lake.frame(declared, "small", [year]).columns) == declared.names


PLAIN = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text() | st.dates(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=8,
)


@given(st.dictionaries(st.text(), PLAIN, min_size=2, max_size=5))
def test_a_fingerprint_does_not_depend_on_the_order_of_keys(value: dict[str, object]) -> None:
    assert fingerprint(value) == fingerprint(dict(reversed(value.items())))  # type: ignore[arg-type]


def test_a_fingerprint_changes_with_any_value() -> None:
    values = [{"a": 1}, {"a": 2}, {"a": "1"}, {"b": 1}, {"a": [1]}, {"a": None}, {"a": True}, {"a": 1.5}]
    assert len({fingerprint(value) for value in values}) == len(values)
