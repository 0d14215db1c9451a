"""Promises of the shared package: it explains itself, loses nothing, harms nobody, and is the same bytes from the same lake."""

from __future__ import annotations

import atexit
import csv
import functools
import hashlib
import io
import json
import re
import shutil
import tempfile
import zipfile
from pathlib import Path

import duckdb
import pandas as pd
import pyarrow.parquet as pq
import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from pipeline.cli import main
from pipeline.lake import Lake, open_session
from pipeline.publish.share import ShareError, share
from pipeline.publish.share.delimited_text import guarded, unguarded, write_csv
from pipeline.publish.share.markdown import plain
from pipeline.publish.share.package import BY_INTERVAL, SHARED
from pipeline.publish.share.register_tables import register_rows, register_tables
from pipeline.site import Site, load_site
from pipeline.tables import TABLES, Column, Table, table
from tests.invented_tables import HOSTILE, invented_lake, invented_rows
from tests.small_site import REGISTERS, small_site

YEARS = (2020, 2021)
TO_SHARE = [one for one in TABLES if one.name in (*SHARED, *BY_INTERVAL)]
FORMULA = re.compile(r"^[\s\"]*[=+\-@＝＋－＠]")
RIGHTS = """
licence: CC-BY-4.0
creators:
  - {name: "Fen, Alder", affiliation: "<b>Fen Institute</b>", orcid: 0000-0002-1825-0097}
  - {name: "Field crew"}
contact: {name: "Reed, Ida", email: ida@example.org}
citation: {doi: 10.5555/12345678, released: 2024-05-01}
"""


def hostile_site(folder: Path) -> Site:
    """A small site whose title and notes mean harm."""
    site = small_site(
        folder,
        calibrations=REGISTERS["calibrations.csv"].replace(",bench,", ",=HYPERLINK(1) <script>alert(1)</script>,"),
        outages='scope,name,from,to,cause,note\nmeter,M1,2020-01-01,2020-01-02,@SUM(A1),"-1+1;=1"\n',
    )
    structure = site.folder / "site.yaml"
    text = structure.read_text().replace(
        "title: A small site", 'title: "=A <script>alert(1)</script> [site](javascript:x)"'
    )
    structure.write_text(text + RIGHTS)
    return load_site(site.folder)


def few_tables(root: Path) -> tuple[Lake, Site]:
    """A lake that holds just what a package cannot do without."""
    lake, site = Lake(root / "lake"), small_site(root)
    names = ("loads_annual", "hourly_flow", "concentration", "source_files")
    invented_lake(lake, [table(name) for name in names], site.site, (2020,), 3)
    lake.raw(site.site).mkdir(parents=True)
    return lake, site


@functools.cache
def packaged() -> tuple[Lake, Site, Path]:
    """A lake of invented rows and the package made of it; not to be changed."""
    root = Path(tempfile.mkdtemp(prefix="drainledger-share-"))
    atexit.register(shutil.rmtree, root, ignore_errors=True)
    site, lake = hostile_site(root), Lake(root / "lake")
    invented_lake(lake, [*TO_SHARE, table("bench_files")], site.site, YEARS, 34)
    (lake.tables / "sample_results" / "site=small" / "files.sha256").write_text(f"{'1' * 64}  samples/=1+1;<b>.csv\n")
    with open_session() as session:
        share(session, lake, site, root / "out", archive=True, by_interval=True, stale=("stale <b>: loads_annual 2020.",))
    return lake, site, root / "out"


def stored(name: str) -> pd.DataFrame:
    lake, site, _ = packaged()
    declared = table(name)
    return lake.frame(declared, site.site, [None] if declared.time_column is None else YEARS)


def from_csv(frame: pd.DataFrame, declared: Table) -> pd.DataFrame:
    """What a reader makes of a .csv by its descriptor: types, and the marks taken away."""
    read = {}
    for column in declared.columns:
        values = frame[column.name]
        if column.type in ("text", "code"):
            missing = None if column.nullable else ""
            values = values.map(lambda cell, missing=missing: missing if pd.isna(cell) else unguarded(str(cell)))
        elif column.type == "instant":
            values = pd.to_datetime(values, utc=True, format="ISO8601").dt.as_unit("us")
        elif column.type == "day":
            values = pd.to_datetime(values).dt.date
        read[column.name] = values
    return pd.DataFrame(read)


def same(found: pd.DataFrame, expected: pd.DataFrame) -> None:
    """Equal to the last bit and the last letter, missing values in the same places."""
    assert list(found.columns) == list(expected.columns)
    assert len(found) == len(expected)
    for name in expected.columns:
        ours, theirs = found[name], expected[name]
        assert (ours.isna().to_numpy() == theirs.isna().to_numpy()).all(), name
        present = theirs.notna().to_numpy()
        assert list(ours[present]) == list(theirs[present]), name


def test_the_package_and_all_its_data_keep_to_the_data_package_standard() -> None:
    """Held against the `frictionless` library."""
    frictionless = pytest.importorskip("frictionless")
    _, _, folder = packaged()
    report = frictionless.Package(str(folder / "datapackage.json")).validate()
    assert report.valid, report.flatten(["name", "rowNumber", "fieldName", "note"])[:5]
    assert len(report.tasks) == len(TO_SHARE) + len(register_tables(packaged()[1]))


def test_a_number_out_of_its_range_is_seen_through_the_descriptor(tmp_path: Path) -> None:
    frictionless = pytest.importorskip("frictionless")
    _, _, folder = packaged()
    package = json.loads((folder / "datapackage.json").read_text())
    resource = next(one for one in package["resources"] if one["name"] == "loads_annual")
    text = (folder / resource["path"]).read_bytes().decode()
    (tmp_path / "csv").mkdir()
    rows = list(csv.reader(io.StringIO(text, newline="")))
    rows[1][rows[0].index("share_measured")] = "1.5"
    with (tmp_path / resource["path"]).open("w", newline="") as stream:
        csv.writer(stream).writerows(rows)
    report = frictionless.Resource(
        {name: part for name, part in resource.items() if name not in ("bytes", "hash")}, basepath=str(tmp_path)
    ).validate()
    assert [error.type for error in report.tasks[0].errors] == ["constraint-error"]


@pytest.mark.parametrize("name", [one.name for one in TO_SHARE])
def test_parquet_gives_back_every_value_in_pandas_duckdb_and_pyarrow(name: str) -> None:
    _, _, folder = packaged()
    path = folder / "parquet" / f"{name}.parquet"
    expected = stored(name)
    same(pq.read_table(path).to_pandas(), expected)
    same(pd.read_parquet(path), expected)
    with duckdb.connect() as session:
        session.execute("SET TimeZone = 'UTC'")
        same(session.read_parquet(str(path)).to_arrow_table().to_pandas(), expected)


@pytest.mark.parametrize("name", [one.name for one in TO_SHARE])
def test_csv_gives_back_every_value_in_pandas_and_duckdb(name: str) -> None:
    _, _, folder = packaged()
    path, declared, expected = folder / "csv" / f"{name}.csv", table(name), stored(name)
    texts = {column.name: "str" for column in declared.columns if column.type in ("text", "code")}
    read = pd.read_csv(path, dtype=texts, keep_default_na=False, na_values=[""])
    same(from_csv(read, declared), expected)
    with duckdb.connect() as session:
        session.execute("SET TimeZone = 'UTC'")
        kinds = {"text": "VARCHAR", "code": "VARCHAR", "instant": "VARCHAR", "day": "VARCHAR", "integer": "BIGINT"}
        columns = {
            column.name: kinds.get(column.type, "DOUBLE" if column.type == "decimal" else "BOOLEAN")
            for column in declared.columns
        }
        same(from_csv(session.read_csv(str(path), header=True, dtype=columns).df(), declared), expected)


def test_pandas_and_duckdb_open_every_csv_without_options() -> None:
    _, _, folder = packaged()
    package = json.loads((folder / "datapackage.json").read_text())
    with duckdb.connect() as session:
        for resource in package["resources"]:
            path, count = folder / resource["path"], resource["rows"]
            assert len(pd.read_csv(path)) == count, path
            assert session.read_csv(str(path)).aggregate("count(*)").fetchall() == [(count,)], path


def test_negative_numbers_stay_numbers() -> None:
    _, _, folder = packaged()
    net = pd.read_csv(folder / "csv" / "hourly_flow.csv")["net_l"]
    assert net.dtype == "float64"
    assert (net < 0).sum() == (stored("hourly_flow")["net_l"] < 0).sum() > 10


def test_the_csv_keeps_to_rfc_4180() -> None:
    """Every line ends with CRLF, a head comes first, all records have as many fields (read strictly)."""
    _, _, folder = packaged()
    for declared in TO_SHARE:
        data = (folder / "csv" / f"{declared.name}.csv").read_bytes()
        assert data.endswith(b"\r\n")
        records = list(csv.reader(io.StringIO(data.decode("utf-8"), newline=""), strict=True))
        assert records[0] == list(declared.names)
        assert {len(record) for record in records} == {len(declared.columns)}
        bare = re.sub(rb'"(?:[^"]|"")*"', b"", data)
        assert bare.count(b"\n") == bare.count(b"\r") == bare.count(b"\r\n") == len(records)


def test_no_text_is_one_that_a_spreadsheet_would_execute() -> None:
    """Also where a spreadsheet parts fields at semicolons, tabulators or line ends."""
    _, site, folder = packaged()
    kinds = {one.name: one for one in (*TO_SHARE, *register_tables(site))}
    marked = 0
    for path in sorted(folder.rglob("*.csv")):
        columns = kinds[path.stem].columns if path.stem in kinds else ()
        numbers = {column.name for column in columns if column.type in ("decimal", "integer")}
        for record in csv.DictReader(io.StringIO(path.read_bytes().decode(), newline="")):
            for name, cell in record.items():
                if name not in numbers:
                    assert not cell.startswith(("\t", "\r", "\n")), (path, name, cell)
                    assert not any(FORMULA.match(part) for part in re.split(r"[;\t\r\n]", cell)), (path, name, cell)
                    marked += cell.startswith("'")
                else:
                    assert cell == "" or float(cell) is not None
    assert marked > 100


TEXTS = st.one_of(
    st.text(alphabet="=+-@'; \t\r\n\"a,＝", max_size=12),
    st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0")),
)


@settings(deadline=None)
@given(TEXTS)
def test_marks_can_be_taken_away_again(text: str) -> None:
    assert unguarded(guarded(text)) == text


@settings(deadline=None)
@given(TEXTS)
def test_a_marked_text_begins_no_formula(text: str) -> None:
    marked = guarded(text)
    assert not any(FORMULA.match(part) for part in re.split(r"[;\t\r\n]", marked)), marked
    assert not marked.startswith(("\t", "\r", "\n"))


@settings(max_examples=5, deadline=None)
@given(st.lists(TEXTS, min_size=1, max_size=200))
def test_the_database_marks_texts_as_python_does(texts: list[str]) -> None:
    declared = Table("t", "a row", "g", (Column("a", "text", "A text."),), ("a",), ("a",))
    with tempfile.TemporaryDirectory() as folder, open_session() as session:
        path = Path(folder) / "t.csv"
        write_csv(session.from_df(pd.DataFrame({"a": texts}, dtype="object")), declared, path, lambda rows: None)
        records = list(csv.reader(io.StringIO(path.read_bytes().decode(), newline="")))[1:]
    assert [record[0] if record else "" for record in records] == [guarded(text) for text in texts]


def test_a_plain_text_is_written_as_it_is() -> None:
    for text in ("Plot 1", "it's 5 - 3; fine", "2019-10-01", "a=b", "10 µg"):
        assert guarded(text) == text
    assert guarded("-") == "'-"
    assert guarded("a; -b") == "a;' -b"


def test_two_builds_give_the_same_bytes(tmp_path: Path) -> None:
    lake, site, folder = packaged()
    with open_session(threads=1) as session:
        share(
            session,
            lake,
            site,
            tmp_path / "again",
            archive=True,
            by_interval=True,
            stale=("stale <b>: loads_annual 2020.",),
        )
    paths = sorted(path.relative_to(folder) for path in folder.rglob("*") if path.is_file())
    assert paths == sorted(
        path.relative_to(tmp_path / "again") for path in (tmp_path / "again").rglob("*") if path.is_file()
    )
    assert all((folder / path).read_bytes() == (tmp_path / "again" / path).read_bytes() for path in paths)
    assert (tmp_path / "again.zip").read_bytes() == folder.with_name("out.zip").read_bytes()


def test_the_archive_holds_the_folder_under_harmless_names() -> None:
    _, site, folder = packaged()
    with zipfile.ZipFile(folder.with_name("out.zip")) as archive:
        assert archive.testzip() is None
        held = {name: archive.read(name) for name in archive.namelist()}
    assert held == {
        f"{site.site}/{path.relative_to(folder).as_posix()}": path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }
    assert all(re.fullmatch(r"small/([a-z]+/)?[A-Za-z0-9_]+(\.[a-z]+)?", name) for name in held), sorted(held)


def test_the_checksums_are_those_of_the_files() -> None:
    _, _, folder = packaged()
    lines = [line.partition("  ") for line in (folder / "SHA256SUMS").read_text().splitlines()]
    others = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()} - {"SHA256SUMS"}
    assert {path for _, _, path in lines} == others
    assert all(hashlib.sha256((folder / path).read_bytes()).hexdigest() == digest for digest, _, path in lines)


def test_no_text_of_a_register_becomes_markup_in_the_words() -> None:
    _, _, folder = packaged()
    for name in ("README.md", "METHODS.md"):
        html = (
            MarkdownIt("commonmark", {"html": True, "linkify": False}).enable("table").render((folder / name).read_text())
        )
        tags = set(re.findall(r"<\s*/?\s*([a-zA-Z]+)", html))
        assert tags <= {
            "h",
            "p",
            "strong",
            "em",
            "code",
            "pre",
            "ul",
            "ol",
            "li",
            "table",
            "thead",
            "tbody",
            "tr",
            "th",
            "td",
        }, tags
        assert "alert(1)" in html, "the hostile text is shown, as text"


@settings(deadline=None)
@given(st.sampled_from(HOSTILE) | st.text(max_size=30))
def test_any_text_stays_text_in_markdown(text: str) -> None:
    """Held against the `markdown-it-py` library: one paragraph of text comes out, with the words that went in."""
    tokens = MarkdownIt("commonmark", {"html": True}).enable(["table", "strikethrough"]).parse("x " + plain(text))
    assert [token.type for token in tokens] == ["paragraph_open", "inline", "paragraph_close"]
    assert {child.type for child in tokens[1].children or []} <= {"text", "text_special"}


def test_the_first_page_explains_basis_negative_flow_and_intervals() -> None:
    _, _, folder = packaged()
    page = (folder / "README.md").read_text()
    first = page.split("## What lies where")[0]
    for word in (
        "Negative flow is a measurement",
        "`from_neighbours`",
        "90 % interval",
        "Ends of intervals never add up",
        "Empty is not zero",
    ):
        assert word in first, word
    hours = stored("hourly_flow")
    metered = hours["basis"].str.startswith("measured")
    assert f"{(metered & (hours['net_l'] < 0)).sum():,} of {metered.sum():,} metered plot-hours" in first
    assert "UTC-06:00" in first
    assert "06:00 UTC" in first
    assert "stale &lt;b&gt;: loads\\_annual 2020." in first


def test_what_moved_since_the_last_published_state_is_told(tmp_path: Path) -> None:
    lake, site = few_tables(tmp_path)
    revisions = invented_rows(table("revisions"), 2).assign(revision=[1, 2], reason=["first", "<b>sent</b> to modellers"])
    lake.write_frame(table("revisions"), revisions, "0" * 64, site.site)
    changes = invented_rows(table("load_changes"), 3).assign(
        from_revision=[1, 2, 2],
        to_revision=[2, 0, 0],
        kind=["annual", "annual", "monthly"],
        plot=["a", "b", "c"],
        water_year=2020,
    )
    changes["before"], changes["after"], changes["change_pct"], changes["detail"] = (
        10.0,
        11.0,
        10.0,
        "a calibration of M1",
    )
    lake.write_frame(table("load_changes"), changes, "0" * 64, site.site)
    with open_session() as session:
        share(session, lake, site, tmp_path / "out")
    told = (tmp_path / "out" / "README.md").read_text().split("## What changed")[1]
    assert "revision 2 of 2019-11-01: &lt;b&gt;sent&lt;/b&gt; to modellers." in told
    rows = [line for line in told.splitlines() if "a calibration of M1" in line]
    assert [row.split(" | ")[0] for row in rows] == ["| b"]
    assert "| 10.000 | 11.000 | 10.00 |" in rows[0]


def test_methods_name_the_calibrations_in_force_and_what_each_stage_does() -> None:
    _, site, folder = packaged()
    methods = (folder / "METHODS.md").read_text()
    for calibration in site.calibrations:
        row = f"| {calibration.meter} | {calibration.direction} | {calibration.litres_per_pulse:g} |"
        assert row in methods, row
    from pipeline.orchestration.stages import VERSIONS

    for stage, number in VERSIONS.items():
        assert f"### {stage.replace('_', ' ')}, version {number}" in methods


def test_filled_shares_are_those_of_the_water(tmp_path: Path) -> None:
    lake, site = few_tables(tmp_path)
    hours = invented_rows(table("hourly_flow"), 4)
    hours["plot"], hours["net_l"] = "north", [6.0, -2.0, 1.0, 1.0]
    hours["basis"] = ["measured", "from_weather", "bridged", "bridged"]
    lake.write_frame(table("hourly_flow"), hours, "0" * 64, site.site, 2020)
    with open_session() as session:
        share(session, lake, site, tmp_path / "out")
    methods = (tmp_path / "out" / "METHODS.md").read_text()
    assert "| north | 2020 | 60.0 | – | – | 20.0 | – | 20.0 | – | 0 |" in methods


def test_registers_are_shared_with_times_in_utc_and_every_column_explained() -> None:
    _, site, folder = packaged()
    read = pd.read_csv(folder / "csv" / "register_outages.csv")
    assert read["from"].tolist() == ["2020-01-01T06:00:00Z"]
    for declared in register_tables(site):
        assert register_rows(site, declared).num_rows == len(getattr(site, declared.name.removeprefix("register_")))
        assert all(column.meaning for column in declared.columns), declared.name
    calibrations = pd.read_csv(folder / "csv" / "register_calibrations.csv")
    assert calibrations["calibration"].tolist() == [one.name for one in site.calibrations]


def test_every_column_is_described_with_unit_codes_and_key() -> None:
    _, _, folder = packaged()
    package = json.loads((folder / "datapackage.json").read_text())
    described = {one["name"]: one["schema"] for one in package["resources"]}
    for declared in TO_SHARE:
        schema = described[declared.name]
        assert [field["name"] for field in schema["fields"]] == list(declared.names)
        assert schema["primaryKey"] == list(declared.key)
        for field, column in zip(schema["fields"], declared.columns, strict=True):
            assert field["description"].startswith(column.meaning)
            assert field.get("unit", "") == column.unit
            said = {one["value"]: one["label"] for one in field.get("categories", [])}
            assert said == dict(column.codes or {})


def test_rights_and_people_of_site_yaml_stand_in_citation_and_descriptor() -> None:
    _, _, folder = packaged()
    citation = yaml.safe_load((folder / "CITATION.cff").read_text())
    assert citation["cff-version"] == "1.2.0"
    assert citation["authors"] == [
        {
            "family-names": "Fen",
            "given-names": "Alder",
            "affiliation": "<b>Fen Institute</b>",
            "orcid": "https://orcid.org/0000-0002-1825-0097",
        },
        {"name": "Field crew"},
    ]
    assert (citation["license"], citation["doi"], citation["date-released"]) == (
        "CC-BY-4.0",
        "10.5555/12345678",
        "2024-05-01",
    )
    package = json.loads((folder / "datapackage.json").read_text())
    assert package["licenses"][0]["name"] == "CC-BY-4.0"
    assert [one["role"] for one in package["contributors"]] == ["author", "author", "contact"]


def test_provenance_has_the_digest_of_every_raw_file_as_it_was_read() -> None:
    _, site, folder = packaged()
    told = json.loads((folder / "provenance.json").read_text())
    digests = {one["path"]: one["sha256"] for one in told["raw_files"]}
    read = stored("source_files")
    assert digests.items() >= dict(zip(read["path"], read["file_id"], strict=True)).items()
    assert digests["samples/=1+1;<b>.csv"] == "1" * 64
    assert told["site_folder"]["site.yaml"] == hashlib.sha256((site.folder / "site.yaml").read_bytes()).hexdigest()
    assert {"table": "loads_annual", "water_year": 2020, "made_from": "0" * 64} in told["partitions"]


def test_a_folder_with_anything_of_its_owner_is_left_alone(tmp_path: Path) -> None:
    lake, site = few_tables(tmp_path)
    out = tmp_path / "own" / "out"
    with open_session() as session:
        share(session, lake, site, out)
        share(session, lake, site, out)
        (out / "my notes.txt").write_text("mine")
        with pytest.raises(ShareError, match="holds files of yours"):
            share(session, lake, site, out)
        for inside in (lake.tables / "x", lake.root / "raw", site.folder, lake.root):
            with pytest.raises(ShareError, match="in or around"):
                share(session, lake, site, inside)
    assert (out / "my notes.txt").read_text() == "mine"
    assert [path.name for path in out.parent.iterdir()] == ["out"]


def test_a_build_that_fails_leaves_the_former_package_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lake, site = few_tables(tmp_path)
    out = tmp_path / "own" / "out"
    with open_session() as session:
        share(session, lake, site, out)
        before = {path: path.read_bytes() for path in out.rglob("*") if path.is_file()}

        def full(*given: object) -> str:
            raise OSError(28, "No space left on device")

        monkeypatch.setattr("pipeline.publish.share.package.provenance", full)
        with pytest.raises(ShareError, match="No space left on device"):
            share(session, lake, site, out)
    assert {path: path.read_bytes() for path in out.rglob("*") if path.is_file()} == before
    assert [path.name for path in out.parent.iterdir()] == ["out"]


def test_a_lake_without_loads_is_answered_with_a_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    site = small_site(tmp_path)
    (tmp_path / "lake" / "raw" / "small").mkdir(parents=True)
    code = main(["share", "--site", str(site.folder), "--lake", str(tmp_path / "lake"), "--out", str(tmp_path / "out")])
    assert code == 1
    assert "holds no loads of A small site yet" in " ".join(capsys.readouterr().err.split())
    assert not (tmp_path / "out").exists()


def test_the_command_says_when_tables_are_not_up_to_date(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lake, site = few_tables(tmp_path)
    code = main(["share", "--site", str(site.folder), "--lake", str(lake.root), "--out", str(tmp_path / "out"), "--zip"])
    out, err = capsys.readouterr()
    assert code == 1
    assert "README.md is what the receiver reads first" in out
    assert "Not up to date, and the package says so" in err
    assert "Not up to date when this package was made" in (tmp_path / "out" / "README.md").read_text()
    assert (tmp_path / "out.zip").is_file()


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ("creators: [{name: A, orcid: 0000-0002-1825-0098}]", "an ORCID: four groups of four digits"),
        ("contact: {name: A, email: nobody}", "an address such as name@example.org"),
        ("citation: {doi: https://doi.org/10.5555/1}", "a DOI, which begins with 10."),
        ("creators: [{name: A}, {name: A}]", "each person once"),
        ("creators: [{nam: A}]", "Did you mean name?"),
        ("licence: ''", "a name, without blanks around it"),
    ],
)
def test_rights_that_cannot_be_right_get_a_sentence(
    line: str, sentence: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site = small_site(tmp_path)
    with (site.folder / "site.yaml").open("a") as stream:
        stream.write(line + "\n")
    assert main(["check-site", str(site.folder)]) == 1
    assert sentence in capsys.readouterr().err


# Time series


def series_of(folder: Path) -> tuple[Lake, Site, Path]:
    """Two plots, some hours of two years; the second plot lacks some of them."""
    site, lake = small_site(folder), Lake(folder / "lake")
    invented_lake(lake, [table("loads_annual"), table("source_files")], site.site, (2020,), 2)
    for year, first in ((2020, "2020-09-30T20:00"), (2021, "2020-10-01T06:00")):
        for name in ("hourly_flow", "concentration"):
            parts = []
            for plot, count in (("north", 10), ("south", 7)):
                rows = invented_rows(table(name), count, year)
                rows["plot"], rows["hour_start"] = (
                    plot,
                    pd.date_range(first, periods=count, freq="h", tz="UTC").as_unit("us"),
                )
                rows["analyte"] = "nitrate_n"
                parts.append(rows)
            lake.write_frame(table(name), pd.concat(parts), "0" * 64, site.site, year)
    with open_session() as session:
        share(session, lake, site, folder / "out", netcdf=True)
    return lake, site, folder / "out" / "netcdf" / "hourly.nc"


def test_the_time_series_are_the_tables_as_another_library_reads_them(tmp_path: Path) -> None:
    """Held against the `xarray` library, which decodes times, missing values and texts by the CF conventions."""
    xarray = pytest.importorskip("xarray")
    lake, site, path = series_of(tmp_path)
    with xarray.open_dataset(path, engine="scipy") as read:
        assert list(read["plot_name"].values) == [one.plot for one in site.plots]
        assert read["area"].values.tolist() == [10_000.0, 20_000.0]
        assert (read["time_bounds"][:, 1] - read["time_bounds"][:, 0] == pd.Timedelta(hours=1)).all()
        for name, columns, prefix in (
            ("hourly_flow", ("net_l", "net_l_p05", "net_l_p95", "measured_fraction"), ""),
            ("concentration", ("mg_l", "mg_l_p05", "mg_l_p95"), "nitrate_n_"),
        ):
            stored_rows = lake.frame(table(name), site.site, [2020, 2021])
            for place, plot in enumerate(("north", "south")):
                expected = stored_rows[stored_rows["plot"] == plot].set_index("hour_start")
                whole = expected.reindex(pd.date_range("2020-09-30T20:00", periods=20, freq="h", tz="UTC"))
                for column in columns:
                    found = read[f"{prefix}{column}"].isel(plot=place).to_series()
                    assert list(found.index) == list(whole.index.tz_localize(None))
                    pd.testing.assert_series_equal(
                        found.reset_index(drop=True),
                        whole[column].reset_index(drop=True),
                        check_names=False,
                        check_exact=True,
                    )
                flags = read[f"{prefix}basis" if prefix else "flow_basis"]
                words = dict(zip(flags.attrs["flag_values"].tolist(), flags.attrs["flag_meanings"].split(), strict=True))
                assert [words.get(number) for number in flags.isel(plot=place).values.tolist()] == [
                    None if pd.isna(word) else word for word in whole["basis"]
                ]


def test_the_time_series_keep_to_the_cf_conventions(tmp_path: Path) -> None:
    """CF-1.8: conventions named, stations by cf_role, time with bounds, units that UDUNITS knows (from memory)."""
    xarray = pytest.importorskip("xarray")
    _, _, path = series_of(tmp_path)
    with xarray.open_dataset(path, engine="scipy", decode_cf=False) as read:
        assert (read.attrs["Conventions"], read.attrs["featureType"]) == ("CF-1.8", "timeSeries")
        assert read["plot_name"].attrs["cf_role"] == "timeseries_id"
        assert read["time"].attrs["standard_name"] == "time"
        assert read["time"].attrs["bounds"] in read.variables
        for name, variable in read.variables.items():
            assert "standard_name" not in variable.attrs or name == "time"
            for other in str(variable.attrs.get("ancillary_variables", "")).split():
                assert other in read.variables
            if variable.dims == ("plot", "time"):
                assert variable.attrs["coordinates"] == "plot_name"
                assert variable.attrs["long_name"]
                assert ("units" in variable.attrs) != ("flag_meanings" in variable.attrs)


def test_the_time_series_have_the_same_bytes_again(tmp_path: Path) -> None:
    lake, site, path = series_of(tmp_path)
    with open_session() as session:
        share(session, lake, site, tmp_path / "again", netcdf=True)
    assert (tmp_path / "again" / "netcdf" / "hourly.nc").read_bytes() == path.read_bytes()
    assert "netcdf/hourly.nc" in (tmp_path / "again" / "SHA256SUMS").read_text()
    assert "CF-convention time series" in (tmp_path / "again" / "README.md").read_text()
