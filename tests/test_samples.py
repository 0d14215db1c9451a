"""Field books and laboratory sheets: what is used, what is refused and why, and that no line is lost."""

import functools
import gzip
import tempfile
from datetime import timedelta
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from molmass import Formula

from pipeline.site import load_site
from pipeline.stages.samples import sample_results
from pipeline.tables import table

DEMO = load_site(Path(__file__).parents[1] / "configs" / "sedge-hollow")
SITE = DEMO.model_copy(update={"analytes": ("nitrate_n", "total_p")})

BOOK = "sample,plot,kind,from,to,bottle,note\n"
SHEET = "sample,analyte,value,unit,qualifier,detection_limit,analysed,batch,role\n"
GRAB = "S1,P1,grab,2020-04-21T09:30,,1,\n"
COMPOSITE = "C1,P2,flow_composite,2020-04-21T06:00,2020-04-23T18:00,4,\n"
RESULT = "S1,nitrate_n,8.4,mg/L as N,,0.2,2020-05-01,B1,result\n"


def write(folder: Path, name: str, content: str | bytes) -> Path:
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


@pytest.fixture
def read(tmp_path):
    """Reads a field book and a laboratory sheet given as text or bytes (several: as lists)."""

    def from_text(book=BOOK + GRAB, sheet=SHEET + RESULT, site=SITE):
        books = [write(tmp_path, f"samples/book_{n}.csv", text) for n, text in enumerate(listed(book), start=1)]
        sheets = [write(tmp_path, f"lab/sheet_{n}.csv", text) for n, text in enumerate(listed(sheet), start=1)]
        return sample_results(site, tmp_path, books, sheets)

    return from_text


def listed(content):
    return content if isinstance(content, list) else [content]


def only(frame: pd.DataFrame) -> pd.Series:
    assert len(frame) == 1
    return frame.iloc[0]


def lab_line(**cells) -> str:
    row = {
        "sample": "S1",
        "analyte": "nitrate_n",
        "value": "8.4",
        "unit": "mg/L as N",
        "qualifier": "",
        "detection_limit": "0.2",
        "analysed": "2020-05-01",
        "batch": "B1",
        "role": "result",
        **cells,
    }
    return ",".join(row.values()) + "\n"


# What is used


@pytest.mark.parametrize("name", ["sample_results", "quality_control", "rejected_results"])
def test_columns_are_those_of_the_declaration(read, name):
    given_back = read()
    frame = {
        "sample_results": given_back.results,
        "quality_control": given_back.quality_control,
        "rejected_results": given_back.rejected,
    }[name]
    assert tuple(frame.columns) == table(name).names


def test_a_grab_is_a_moment_in_the_sites_standard_time(read):
    result = only(read().results)
    # Six hours behind UTC.
    assert result["start"] == result["end"] == pd.Timestamp("2020-04-21T15:30Z")


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("2020-04-21T09:30Z", "2020-04-21T09:30Z"),
        ("2020-04-21 09:30:15-05:00", "2020-04-21T14:30:15Z"),
        ("2020-04-21T09:30:15.25+0530", "2020-04-21T04:00:15.25Z"),
        ("2020-04-21", "2020-04-21T06:00Z"),
    ],
)
def test_an_offset_in_a_time_is_respected_and_a_bare_date_is_midnight(read, written, meant):
    result = only(read(book=BOOK + f"S1,P1,grab,{written},,1,\n").results)
    assert result["start"] == pd.Timestamp(meant)


def test_standard_time_with_half_hours_is_understood(read):
    site = SITE.model_copy(update={"utc_offset": timedelta(hours=-3, minutes=-30)})
    result = only(read(site=site).results)
    assert result["start"] == pd.Timestamp("2020-04-21T13:00Z")


def test_a_composite_has_its_window(read):
    result = only(read(book=BOOK + COMPOSITE, sheet=SHEET + lab_line(sample="C1")).results)
    assert (result["start"], result["end"]) == (pd.Timestamp("2020-04-21T12:00Z"), pd.Timestamp("2020-04-24T00:00Z"))


@pytest.mark.parametrize(
    ("unit", "value", "mg_l"),
    [
        ("mg/L as N", "10", 10.0),
        ("mg/L", "10", 10.0),
        ("mg/l  AS n", "10", 10.0),
        # molmass has its own table of atomic weights.
        ("mg/L as NO3", "44.3", 44.3 * Formula("N").mass / Formula("NO3").mass),
        ("umol/L", "714", 714e-6 * Formula("N").mass * 1e3),
        ("\u00b5mol/L", "714", 714e-6 * Formula("N").mass * 1e3),
    ],
)
def test_results_in_any_known_unit_become_mg_of_nitrogen(read, unit, value, mg_l):
    result = only(read(sheet=SHEET + lab_line(unit=unit, value=value)).results)
    assert result["mg_l"] == pytest.approx(mg_l, rel=1e-4)


def test_the_detection_limit_is_converted_like_the_result(read):
    result = only(read(sheet=SHEET + lab_line(unit="mg/L as NO3", value="44.3", detection_limit="0.9")).results)
    assert result["detection_limit_mg_l"] == pytest.approx(0.9 * Formula("N").mass / Formula("NO3").mass, rel=1e-4)


@pytest.mark.parametrize("qualifier", ["<", "ND", "u"])
def test_half_the_detection_limit_stands_for_a_censored_result(read, qualifier):
    result = only(read(sheet=SHEET + lab_line(qualifier=qualifier, value="", detection_limit="0.4")).results)
    assert (result["mg_l"], result["censored"], result["detection_limit_mg_l"]) == (0.2, True, 0.4)


def test_less_than_a_value_is_less_than_that_value_where_it_is_the_larger(read):
    result = only(read(sheet=SHEET + lab_line(qualifier="<", value="2.0", detection_limit="0.2")).results)
    assert result["detection_limit_mg_l"] == 2.0


def test_a_detection_limit_may_be_unknown(read):
    assert pd.isna(only(read(sheet=SHEET + lab_line(detection_limit="")).results)["detection_limit_mg_l"])


def test_repeat_analyses_are_averaged(read):
    sheet = SHEET + lab_line(value="8") + lab_line(value="9", analysed="2020-05-02")
    result = only(read(sheet=sheet).results)
    assert (result["mg_l"], result["results"]) == (8.5, 2)


def test_the_spread_of_repeat_analyses_is_their_range_in_per_cent_of_their_mean(read):
    sheet = SHEET + lab_line(value="8") + lab_line(value="12", analysed="2020-05-02")
    # By hand: 4 of 10.
    assert only(read(sheet=sheet).results)["relative_difference_pct"] == pytest.approx(40.0)


def test_a_single_analysis_has_no_spread(read):
    assert pd.isna(only(read().results)["relative_difference_pct"])


def test_a_diluted_analysis_below_its_limit_gives_way_to_the_one_that_measured(read):
    sheet = SHEET + lab_line(qualifier="<", value="", detection_limit="7") + lab_line(value="5.2")
    result = only(read(sheet=sheet).results)
    assert (result["mg_l"], result["censored"]) == (5.2, False)


def test_two_censored_analyses_are_less_than_the_lower_limit(read):
    sheet = SHEET + "".join(lab_line(qualifier="<", value="", detection_limit=limit) for limit in ("7", "0.4"))
    assert only(read(sheet=sheet).results)["detection_limit_mg_l"] == 0.4


@pytest.mark.parametrize("role", ["field_duplicate", "lab_duplicate", "field_blank", "lab_blank"])
def test_quality_control_enters_no_mean(read, role):
    given_back = read(sheet=SHEET + RESULT + lab_line(value="800", role=role))
    assert only(given_back.results)["mg_l"] == 8.4


@pytest.mark.parametrize("role", ["field_duplicate", "lab_duplicate", "field_blank", "lab_blank"])
def test_quality_control_is_kept_apart(read, role):
    kept = only(read(sheet=SHEET + RESULT + lab_line(value="8.8", role=role)).quality_control)
    assert (kept["role"], kept["mg_l"], kept["line"], kept["path"]) == (role, 8.8, 3, "lab/sheet_1.csv")


def test_a_laboratorys_own_blank_needs_no_field_book(read):
    given_back = read(sheet=SHEET + lab_line(sample="LB1", role="lab_blank"))
    assert (len(given_back.quality_control), len(given_back.rejected)) == (1, 0)


def test_a_bottle_without_a_plot_is_a_blank(read):
    given_back = read(
        book=BOOK + "F1,,grab,2020-04-21T08:30,,1,field blank\n", sheet=SHEET + lab_line(sample="F1", role="field_blank")
    )
    assert (len(given_back.quality_control), len(given_back.rejected)) == (1, 0)


def test_an_empty_role_is_a_result(read):
    assert len(read(sheet=SHEET + lab_line(role="")).results) == 1


def test_a_result_may_stand_in_another_years_sheet(read):
    given_back = read(sheet=[SHEET, SHEET + RESULT])
    assert len(given_back.results) == 1


def test_compressed_files_are_read(tmp_path):
    book = write(tmp_path, "samples/book.csv.gz", gzip.compress((BOOK + GRAB).encode()))
    sheet = write(tmp_path, "lab/sheet.csv.gz", gzip.compress((SHEET + RESULT).encode()))
    assert len(sample_results(SITE, tmp_path, [book], [sheet]).results) == 1


@pytest.mark.parametrize("mark", ["\ufeff", ""])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_spreadsheets_line_ends_and_byte_order_marks_do_no_harm(read, mark, line_end):
    # RFC 4180 ends lines with CR LF.
    given_back = read(
        book=(mark + BOOK + GRAB).replace("\n", line_end), sheet=(mark + SHEET + RESULT).replace("\n", line_end)
    )
    assert len(given_back.results) == 1


def test_columns_may_stand_in_any_order_beside_others(read):
    book = "colour,kind,plot,To,From,Sample\nclear,grab,P1,,2020-04-21T09:30,S1\n"
    assert len(read(book=book).results) == 1


def test_a_comma_in_quotation_marks_belongs_to_the_text(read):
    assert len(read(book=BOOK + 'S1,P1,grab,2020-04-21T09:30,,1,"after rain, turbid"\n').results) == 1


def test_no_files_give_no_results():
    given_back = sample_results(SITE, Path(), [], [])
    assert [len(frame) for frame in (given_back.results, given_back.quality_control, given_back.rejected)] == [0, 0, 0]


@pytest.mark.parametrize("name", ["results", "quality_control", "rejected"])
def test_empty_tables_have_the_types_of_full_ones(read, name):
    full = read(sheet=SHEET + RESULT + lab_line(role="lab_duplicate", value="8.8") + lab_line(sample="no such bottle"))
    empty = sample_results(SITE, Path(), [], [])
    assert getattr(empty, name).dtypes.to_dict() == getattr(full, name).dtypes.to_dict()


# What is refused, and what a person is told


USELESS_BOOK_LINES = [
    (",P1,grab,2020-04-21T09:30,,1,", "Column sample is empty"),
    ("S1,P9,grab,2020-04-21T09:30,,1,", "'P9' is no plot of plots.csv; known are P1, P2"),
    ("S1,P1,bucket,2020-04-21T09:30,,1,", "'bucket' is not one of grab, discrete, flow_composite, time_composite"),
    ("S1,P1,grab,,,1,", "Column from is empty"),
    ("S1,P1,grab,21.04.2020 09:30,,1,", "Column from: '21.04.2020 09:30' is no time"),
    ("S1,P1,grab,2020-02-30T09:30,,1,", "Column from: '2020-02-30T09:30' is no time"),
    ("S1,P1,grab,2020-04-21T24:30,,1,", "Column from: '2020-04-21T24:30' is no time"),
    ("S1,P1,flow_composite,2020-04-21T09:30,soon,1,", "Column to: 'soon' is no time"),
    ("S1,P1,time_composite,2020-04-21T09:30,,1,", "a composite needs the end of its window"),
    ("S1,P1,flow_composite,2020-04-21T09:30,2020-04-21T09:30,1,", "a window ends after it begins"),
    ("S1,P1,flow_composite,2020-04-21T09:30,2020-04-20T09:30,1,", "a window ends after it begins"),
    ("S1,P1,grab,2020-04-21T09:30,2020-04-22T09:30,1,", "a grab has one moment"),
    ("S1,P1,grab,2020-04-21T09:30,,1", "has 6 cells where the first line names 7 columns"),
    ("S1,P1,grab,2020-04-21T09:30,,1,wet, cold", "has 8 cells where the first line names 7 columns"),
    ('S1,P1,grab,2020-04-21T09:30,,1,"open', "Close it in the same line"),
]


@functools.cache
def _refused_of(book_lines: tuple[str, ...], sheet_lines: tuple[str, ...]) -> pd.DataFrame:
    """What is refused of field book and laboratory sheet; every line stands or falls by itself, so one reading tells of all."""
    with tempfile.TemporaryDirectory() as folder:
        book = write(
            Path(folder), "samples/book_1.csv", BOOK + "".join(line + "\n" for line in book_lines or (GRAB[:-1],))
        )
        sheet = write(Path(folder), "lab/sheet_1.csv", SHEET + "".join(sheet_lines))
        return sample_results(SITE, Path(folder), [book], [sheet]).rejected


@pytest.mark.parametrize(("number", "line_and_told"), list(enumerate(USELESS_BOOK_LINES)))
def test_a_field_book_line_that_cannot_be_used_says_why(number, line_and_told):
    line, told = line_and_told
    row = only(_refused_of(tuple(line for line, _ in USELESS_BOOK_LINES), ()).query("line == @number + 2"))
    assert told in row["reason"]
    assert (row["path"], row["text"]) == ("samples/book_1.csv", line)


USELESS_LABORATORY_CELLS = [
    ({"sample": ""}, "Column sample is empty"),
    ({"sample": "S9"}, "'S9' stands in no field book"),
    ({"analyte": "gold"}, "'gold' is not one of site.yaml's analytes: nitrate_n, total_p"),
    ({"role": "guess"}, "'guess' is not one of result, field_duplicate"),
    (
        {"qualifier": "~"},
        "'~' is not known; allowed are nothing, and <, ND, U, BDL (less than the detection limit); ",
    ),
    ({"unit": "grains"}, "'grains' is not known for nitrate_n; known are mg/L, ug/L, "),
    ({"unit": "mg/L as P"}, "each alone or followed by as N or as NO3 or as NO3-N"),
    ({"unit": "mg/L as N", "analyte": "total_p"}, "'mg/L as N' is not known for total_p; known are mg/L"),
    ({"unit": ""}, "'' is not known for nitrate_n"),
    ({"value": ""}, "Column value is empty"),
    ({"value": "high"}, "Column value: 'high' is no number"),
    ({"value": "nan"}, "Column value: 'nan' is no number"),
    ({"value": "1e999"}, "Column value: '1e999' is no number"),
    ({"value": "1_0"}, "Column value: '1_0' is no number"),
    ({"value": "<0.2"}, "'less than' goes into the column qualifier"),
    ({"value": '"8,4"'}, "Write digits with a decimal point"),
    ({"detection_limit": "low"}, "Column detection_limit: 'low' is no number"),
    ({"value": "-0.1"}, "'-0.1' is negative"),
    ({"detection_limit": "-0.1"}, "'-0.1' is negative"),
    ({"qualifier": "<", "value": "", "detection_limit": ""}, "enter it in the column detection_limit"),
    ({"qualifier": "ND", "value": "0", "detection_limit": ""}, "enter it in the column detection_limit"),
]


@pytest.mark.parametrize(("number", "cells_and_told"), list(enumerate(USELESS_LABORATORY_CELLS)))
def test_a_laboratory_line_that_cannot_be_used_says_why(number, cells_and_told):
    _, told = cells_and_told
    lines = tuple(lab_line(**cells) for cells, _ in USELESS_LABORATORY_CELLS)
    row = only(_refused_of((), lines).query("line == @number + 2"))
    assert told in row["reason"]
    assert (row["path"], row["text"]) == ("lab/sheet_1.csv", lines[number].rstrip("\n"))


def test_a_line_that_is_refused_gives_no_result(read):
    assert len(read(sheet=SHEET + lab_line(value="high")).results) == 0


def test_a_bad_line_does_not_take_its_neighbours_along(read):
    book = BOOK + GRAB + "S2,P9,grab,2020-04-21T09:30,,1,\n" + COMPOSITE
    assert len(read(book=book, sheet=SHEET + RESULT + lab_line(sample="C1")).results) == 2


def test_an_open_quotation_mark_does_not_swallow_the_lines_below(read):
    book = BOOK + 'S2,P1,grab,2020-04-20T09:30,,1,"open\n' + GRAB
    assert len(read(book=book).results) == 1


def test_a_result_of_a_refused_bottle_names_the_bottles_line(read):
    rejected = read(book=BOOK + "S1,P9,grab,2020-04-21T09:30,,1,\n").rejected
    told = rejected.loc[rejected["path"] == "lab/sheet_1.csv", "reason"]
    assert "(samples/book_1.csv, line 2)" in told.item()


def test_a_result_of_a_bottle_without_plot_is_refused(read):
    told = only(read(book=BOOK + "S1,,grab,2020-04-21T09:30,,1,\n").rejected)["reason"]
    assert "has no plot in its field book" in told


def test_one_name_for_two_bottles_names_both_lines(read):
    book = [BOOK + GRAB, BOOK + "S1,P2,grab,2020-04-22T09:30,,1,\n"]
    reasons = read(book=book, sheet=SHEET).rejected["reason"]
    assert len(reasons) == 2
    assert reasons.str.contains("samples/book_1.csv, line 2 and samples/book_2.csv, line 2").all()


def test_a_bottle_entered_twice_alike_is_used_once(read):
    given_back = read(book=[BOOK + GRAB, BOOK + GRAB])
    assert len(given_back.results) == 1
    assert only(given_back.rejected)["reason"].startswith("The line repeats samples/book_1.csv, line 2")


def test_a_result_copied_into_a_second_file_counts_once(read):
    given_back = read(sheet=[SHEET + RESULT, SHEET + RESULT])
    assert only(given_back.results)["results"] == 1
    assert only(given_back.rejected)["path"] == "lab/sheet_2.csv"


def test_copies_are_found_without_a_batch_too(read):
    given_back = read(sheet=SHEET + lab_line(batch="") * 2)
    assert only(given_back.rejected)["line"] == 3


def test_results_that_contradict_one_another_are_all_refused(read):
    given_back = read(sheet=SHEET + lab_line(value="5.2") + lab_line(qualifier="<", value="", detection_limit="0.2"))
    assert len(given_back.results) == 0
    assert given_back.rejected["reason"].str.contains("lab/sheet_1.csv, line 2 and lab/sheet_1.csv, line 3").all()


def test_a_file_with_semicolons_is_told_apart(read):
    told = read(book=(BOOK + GRAB).replace(",", ";"), sheet=SHEET).rejected["reason"]
    assert told.str.contains("separated by semicolons").all()


def test_a_missing_column_is_named(read):
    told = read(book=BOOK.replace("plot", "field") + GRAB, sheet=SHEET).rejected["reason"]
    assert told.str.contains("lacks the column plot;").all()


def test_a_column_named_twice_is_refused(read):
    told = read(book=BOOK.replace("note", "plot") + GRAB, sheet=SHEET).rejected["reason"]
    assert told.str.contains("names the column plot twice").all()


def test_bytes_that_are_not_utf_8_are_refused_where_they_stand(read):
    sheet = (SHEET + RESULT + lab_line(unit="µmol/L", analysed="2020-05-02")).encode("latin-1")
    given_back = read(sheet=sheet)
    assert only(given_back.rejected)["line"] == 3
    assert "not UTF-8" in only(given_back.rejected)["reason"]
    assert len(given_back.results) == 1


def test_a_damaged_compressed_file_is_told(tmp_path):
    whole = gzip.compress((BOOK + GRAB * 50).encode())
    book = write(tmp_path, "samples/book.csv.gz", whole[:-12])
    assert "cannot be read" in only(sample_results(SITE, tmp_path, [book], []).rejected)["reason"]


# Nothing is lost

cell = st.sampled_from(
    ["S1", "S2", "P1", "P9", "grab", "flow_composite", "2020-04-21T09:30", "2020-04-22", "nitrate_n", "8.4", "-1", "<", "", "ND",
     "mg/L as N", "mg/L as NO3", "result", "lab_blank", '"', '"a,b"', "0.2", "ß", "\x00", "\u2028"]
)  # fmt: skip
line = st.lists(cell, max_size=11).map(",".join)
garbage = st.binary(max_size=60)


def content(header: str):
    lines = st.lists(
        st.one_of(line.map(str.encode), garbage, st.sampled_from([GRAB[:-1].encode(), RESULT[:-1].encode()]))
    )
    return st.tuples(st.sampled_from([header.encode(), b""]), lines, st.sampled_from([b"\n", b"\r\n"])).map(
        lambda parts: parts[0] + parts[2].join(parts[1])
    )


@settings(max_examples=15, deadline=None)
@given(content(BOOK), content(SHEET))
def test_every_line_is_header_blank_used_or_rejected(book, sheet):
    with tempfile.TemporaryDirectory() as folder:
        books, sheets = write(Path(folder), "samples/book.csv", book), write(Path(folder), "lab/sheet.csv", sheet)
        files = sample_results(SITE, Path(folder), [books], [sheets]).files
    accounted = files[["header_lines", "blank_lines", "used_lines", "rejected_lines"]].sum(axis=1)
    assert (accounted == files["lines"]).all()
    # Counted independently: line feeds, carriage returns and pairs of both each end a line, a last line needs no end.
    for content_of_file, lines in zip((book, sheet), files["lines"], strict=True):
        text = content_of_file.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        assert lines == text.count(b"\n") + (not text.endswith(b"\n") and text != b"")


@settings(max_examples=12, deadline=None)
@given(content(BOOK), content(SHEET))
def test_every_used_laboratory_line_is_in_a_result_or_in_quality_control(book, sheet):
    with tempfile.TemporaryDirectory() as folder:
        books, sheets = write(Path(folder), "samples/book.csv", book), write(Path(folder), "lab/sheet.csv", sheet)
        given_back = sample_results(SITE, Path(folder), [books], [sheets])
    used = given_back.files.set_index("path")["used_lines"]["lab/sheet.csv"]
    assert len(given_back.results) <= used - len(given_back.quality_control)
    assert bool(len(given_back.results)) == bool(used - len(given_back.quality_control))


def test_every_line_of_the_demo_is_used():
    raw = Path(__file__).parents[1] / "sample_lake" / "raw" / "sedge-hollow"
    given_back = sample_results(DEMO, raw, raw.glob("samples/*.csv*"), raw.glob("lab/*.csv*"))
    assert given_back.files["used_lines"].sum() == given_back.files["lines"].sum() - len(given_back.files)
    assert len(given_back.results) > 300


# Half-known results: marks, ranges, limits

MANY = "sample,analyte,value,unit,qualifier,detection_limit,analysed,batch,role,reported,added\n"


def lab(*lines: str, header: str = MANY) -> str:
    """A sheet of the columns in `header`; missing cells at a line's end are empty."""
    columns = header.count(",")
    return header + "".join(line + "," * (columns - line.count(",")) + "\n" for line in lines)


def test_a_bottle_of_an_automatic_sampler_has_a_moment_like_a_grab(read):
    result = only(read(book=BOOK + "S1,P1,discrete,2020-04-21T09:30,,7,\n").results)
    assert result["kind"] == "discrete"
    assert result["start"] == result["end"] == pd.Timestamp("2020-04-21T15:30Z")


@pytest.mark.parametrize("written", ["J", "e", "UJ", "J/H", "H; J"])
def test_an_estimate_is_marked(read, written):
    assert only(read(sheet=lab(f'S1,nitrate_n,8.4,mg/L as N,"{written}",0.2')).results)["estimated"]


@pytest.mark.parametrize(("written", "censored"), [("BDL", True), ("UJ", True), ("nd", True), ("J", False), ("D", False)])
def test_only_marks_that_say_so_make_a_result_censored(read, written, censored):
    assert only(read(sheet=lab(f"S1,nitrate_n,8.4,mg/L as N,{written},0.2")).results)["censored"] == censored


def test_a_result_above_the_range_stands_as_the_least_that_it_can_be(read):
    given_back = read(sheet=lab("S1,nitrate_n,20,mg/L as N,>,0.2"))
    result = only(given_back.results)
    assert (result["mg_l"], result["above_range"], result["censored"]) == (20.0, True, False)
    assert "above the range" in only(given_back.remarks)["remark"]


def test_a_diluted_analysis_takes_the_place_of_one_above_the_range(read):
    result = only(read(sheet=lab("S1,nitrate_n,20,mg/L as N,>,0.2", "S1,nitrate_n,23.5,mg/L as N,D,2")).results)
    assert (result["mg_l"], result["above_range"]) == (23.5, False)


@pytest.mark.parametrize("other", ["S1,nitrate_n,18,mg/L as N,D,2", "S1,nitrate_n,,mg/L as N,<,7"])
def test_a_result_above_the_range_and_one_below_it_contradict_one_another(read, other):
    given_back = read(sheet=lab("S1,nitrate_n,20,mg/L as N,>,0.2", other))
    assert len(given_back.results) == 0
    assert given_back.rejected["reason"].str.contains("contradict one another").all()


def test_what_the_laboratory_calls_unusable_is_kept_with_that_reason(read):
    told = only(read(sheet=lab("S1,nitrate_n,8.4,mg/L as N,R,0.2")).rejected)["reason"]
    assert "not to be used (qualifier 'R')" in told


def test_a_mark_that_says_two_things_is_refused(read):
    assert "says both" in only(read(sheet=lab('S1,nitrate_n,8.4,mg/L as N,"< >",0.2')).rejected)["reason"]


def test_a_site_may_say_what_its_laboratorys_own_marks_mean(read):
    policies = SITE.policies.model_copy(update={"laboratory_qualifiers": {"tr": "estimated"}})
    site = SITE.model_copy(update={"policies": policies})
    assert only(read(sheet=lab("S1,nitrate_n,8.4,mg/L as N,TR,0.2"), site=site).results)["estimated"]


def test_each_result_has_the_limit_of_its_own_time(read):
    book = BOOK + GRAB + COMPOSITE
    sheet = lab("S1,nitrate_n,,mg/L as N,<,0.2", "C1,nitrate_n,,mg/L as N,<,0.05")
    assert read(book=book, sheet=sheet).results["detection_limit_mg_l"].tolist() == [0.2, 0.05]


def test_a_limit_that_is_not_given_is_that_of_its_batch(read):
    book = BOOK + GRAB + COMPOSITE
    given_back = read(book=book, sheet=lab("S1,nitrate_n,,mg/L as N,ND,,,B1", "C1,nitrate_n,4,mg/L as N,,0.3,,B1"))
    result = given_back.results.set_index("sample").loc["S1"]
    assert (result["censored"], result["detection_limit_mg_l"]) == (True, 0.3)
    assert "batch B1, 0.3 mg/L as N" in only(given_back.remarks)["remark"]


def test_a_limit_that_a_batch_does_not_agree_on_is_not_taken(read):
    lines = ("C1,nitrate_n,4,mg/L as N,,0.3,,B1", "C1,nitrate_n,5,mg/L as N,,0.5,2020-05-02,B1")
    given_back = read(book=BOOK + GRAB + COMPOSITE, sheet=lab("S1,nitrate_n,,mg/L as N,ND,,,B1", *lines))
    assert "a limit that is not given" in only(given_back.rejected)["reason"]


def test_a_value_below_its_own_limit_is_an_estimate(read):
    given_back = read(sheet=lab("S1,nitrate_n,0.1,mg/L as N,,0.2"))
    result = only(given_back.results)
    assert (result["mg_l"], result["estimated"], result["censored"]) == (0.1, True, False)
    assert "lies below the detection limit, 0.2" in only(given_back.remarks)["remark"]


def test_nothing_beside_a_limit_is_less_than_that_limit(read):
    given_back = read(sheet=lab("S1,nitrate_n,0,mg/L as N,,0.2"))
    result = only(given_back.results)
    assert (result["mg_l"], result["censored"], result["detection_limit_mg_l"]) == (0.1, True, 0.2)
    assert "0 is taken as less than the detection limit" in only(given_back.remarks)["remark"]


# Several analytes of one bottle


def test_every_analyte_of_a_bottle_has_a_result_of_its_own_in_its_own_element(read):
    sheet = lab("S1,nitrate_n,44.3,mg/L as NO3", "S1,total_p,0.5,mg/L as PO4", "S1,total_p,0.5,mg/L as PO4,,,2020-05-02")
    results = read(sheet=sheet).results.set_index("analyte")
    assert results["mg_l"]["nitrate_n"] == pytest.approx(44.3 * Formula("N").mass / Formula("NO3").mass, rel=1e-4)
    assert results["mg_l"]["total_p"] == pytest.approx(0.5 * Formula("P").mass / Formula("PO4").mass, rel=1e-4)
    assert results["results"].to_dict() == {"nitrate_n": 1, "total_p": 2}


def test_a_part_that_is_more_than_its_whole_is_told(read):
    site = SITE.model_copy(update={"analytes": ("dissolved_reactive_p", "total_p")})
    sheet = lab("S1,total_p,0.20,mg/L", "S1,dissolved_reactive_p,0.30,mg/L")
    told = only(read(sheet=sheet, site=site).remarks)
    assert "holds more dissolved_reactive_p (0.3 mg/L) than total_p (0.2 mg/L)" in told["remark"]
    assert told["line"] == 2


def test_a_part_that_is_more_than_its_whole_by_chance_is_not_told(read):
    site = SITE.model_copy(update={"analytes": ("dissolved_reactive_p", "total_p")})
    # 2.5 % standard uncertainty of either: the difference of 0.005 is less than its own uncertainty of 0.007.
    sheet = lab("S1,total_p,0.200,mg/L", "S1,dissolved_reactive_p,0.205,mg/L")
    assert len(read(sheet=sheet, site=site).remarks) == 0


# Reports that were revised


def test_the_latest_report_of_a_result_stands_and_the_former_is_kept_with_its_reason(read):
    first = lab("S1,nitrate_n,8.4,mg/L as N,,0.2,2020-05-01,B1,result")
    revised = lab("S1,nitrate_n,9.1,mg/L as N,,0.2,2020-05-01,B1,result,2020-07-01")
    given_back = read(sheet=[first, revised])
    assert only(given_back.results)["mg_l"] == 9.1
    former = only(given_back.rejected)
    assert (former["path"], former["line"]) == ("lab/sheet_1.csv", 2)
    assert "the report of 2020-07-01 stands (lab/sheet_2.csv, line 2)" in former["reason"]


def test_of_three_reports_the_last_one_stands_in_whatever_order_they_lie(read):
    lines = [f"S1,nitrate_n,{value},mg/L as N,,0.2,2020-05-01,B1,result,{day}" for value, day in
             (("9.1", "2020-07-01"), ("9.3", "2020-09-15"), ("8.4", "2020-05-20"))]  # fmt: skip
    given_back = read(sheet=lab(*lines))
    assert only(given_back.results)["mg_l"] == 9.3
    assert len(given_back.rejected) == 2


def test_a_result_that_a_later_report_withdraws_gives_none(read):
    lines = ("S1,nitrate_n,8.4,mg/L as N,,0.2,2020-05-01,B1,result,2020-05-10",
             "S1,nitrate_n,8.4,mg/L as N,R,0.2,2020-05-01,B1,result,2020-06-10")  # fmt: skip
    given_back = read(sheet=lab(*lines))
    assert len(given_back.results) == 0
    assert len(given_back.rejected) == 2


def test_repeat_analyses_of_one_report_are_averaged(read):
    lines = (f"S1,nitrate_n,{value},mg/L as N,,0.2,2020-05-01,B1,result,2020-07-01" for value in ("8", "9"))
    assert only(read(sheet=lab(*lines)).results)["mg_l"] == 8.5


def test_a_revised_sheet_that_does_not_say_so_is_not_averaged_with_the_former(read):
    given_back = read(sheet=[SHEET + RESULT, SHEET + lab_line(value="9.1")])
    assert len(given_back.results) == 0
    assert given_back.rejected["reason"].str.contains("lab/sheet_1.csv, line 2 and lab/sheet_2.csv, line 2").all()
    assert given_back.rejected["reason"].str.contains("Enter in the column reported").all()


def test_a_revision_of_one_analyte_leaves_the_others_of_the_bottle_alone(read):
    sheet = lab("S1,total_p,0.2,mg/L,,,2020-05-01,B1,result,2020-05-10",
                "S1,nitrate_n,9.1,mg/L as N,,0.2,2020-05-01,B1,result,2020-07-01")  # fmt: skip
    assert len(read(sheet=sheet).results) == 2


def test_a_blank_of_the_same_name_in_a_later_batch_is_no_revision(read):
    sheet = lab("BLANK,nitrate_n,,mg/L as N,<,0.2,2020-05-01,B1,lab_blank,2020-05-10",
                "BLANK,nitrate_n,,mg/L as N,<,0.2,2020-06-01,B2,lab_blank,2020-06-10")  # fmt: skip
    assert len(read(sheet=sheet).quality_control) == 2


# Waiting bottles

FULL_BOOK = "sample,plot,kind,from,to,bottle,note,water,duplicate_of,pacing_l,pacing_min,aliquots,aliquots_possible,preserved,filtered\n"


def book(*lines: dict[str, str]) -> str:
    """A field book with all optional columns."""
    names = FULL_BOOK.strip().split(",")
    usual = {"sample": "S1", "plot": "P1", "kind": "grab", "from": "2020-04-21T09:30"}
    return FULL_BOOK + "".join(",".join((usual | line).get(name, "") for name in names) + "\n" for line in lines)


def after(hours: float) -> str:
    return (pd.Timestamp("2020-04-21T09:30") + pd.Timedelta(hours=hours)).strftime("%Y-%m-%dT%H:%M")


# Limits of 40 CFR Part 136, Table II, from memory: nitrate 48 h chilled, 28 days acidified.
@pytest.mark.parametrize(
    ("preserved", "hours", "holding"),
    [
        ("chilled", 47.9, "within"),
        ("chilled", 48.1, "exceeded"),
        ("acidified", 48.1, "within"),
        ("acidified", 28 * 24 + 0.1, "exceeded"),
        ("none", 1, "unsuitable"),
        ("frozen", 1, "unsuitable"),
        ("", 47.9, "within"),
        ("", 48.1, "unknown"),
        ("", 28 * 24 + 0.1, "exceeded"),
    ],
)
def test_a_bottle_is_held_to_the_holding_time_of_its_preservation(read, preserved, hours, holding):
    sheet = lab(f"S1,nitrate_n,8.4,mg/L as N,,0.2,{after(hours)}")
    assert only(read(book=book({"preserved": preserved}), sheet=sheet).results)["holding"] == holding


def test_a_holding_time_is_that_of_the_analyte(read):
    line = f"0.2,mg/L,,,{after(60)}"
    given_back = read(book=book({"preserved": "acidified"}), sheet=lab(f"S1,total_p,{line}", f"S1,nitrate_n,{line}"))
    assert given_back.results["holding"].tolist() == ["within", "within"]
    chilled = read(book=book({"preserved": "chilled"}), sheet=lab(f"S1,total_p,{line}", f"S1,nitrate_n,{line}"))
    assert chilled.results.set_index("analyte")["holding"].to_dict() == {"nitrate_n": "exceeded", "total_p": "unsuitable"}


def test_a_composites_holding_time_runs_from_the_end_of_its_window(read):
    given_back = read(
        book=book({"kind": "time_composite", "to": after(72), "preserved": "chilled"}),
        sheet=lab(f"S1,nitrate_n,8.4,mg/L as N,,0.2,{after(72 + 47)}"),
    )
    assert (only(given_back.results)["holding_h"], only(given_back.results)["holding"]) == (47.0, "within")


def test_a_site_may_set_holding_times_of_its_own(read):
    policies = SITE.policies.model_copy(update={"holding_hours": {"nitrate_n": {"frozen": 4380.0}}})
    given_back = read(
        book=book({"preserved": "frozen"}),
        sheet=lab(f"S1,nitrate_n,8.4,mg/L as N,,0.2,{after(4000)}"),
        site=SITE.model_copy(update={"policies": policies}),
    )
    assert only(given_back.results)["holding"] == "within"


def test_a_bottle_that_waited_too_long_is_used_and_told(read):
    given_back = read(book=book({"preserved": "chilled"}), sheet=lab(f"S1,nitrate_n,8.4,mg/L as N,,0.2,{after(60)}"))
    told = only(given_back.remarks)
    assert len(given_back.results) == 1
    assert (
        "Analysed at least 2.5 days after the bottle was taken; nitrate_n may wait 2 days when chilled" in told["remark"]
    )
    assert (told["path"], told["line"], told["column"]) == ("lab/sheet_1.csv", 2, "analysed")


def test_what_the_laboratory_calls_late_is_late(read):
    given_back = read(book=book({"preserved": "chilled"}), sheet=lab("S1,nitrate_n,8.4,mg/L as N,H,0.2"))
    assert only(given_back.results)["holding"] == "exceeded"


@pytest.mark.parametrize(
    ("filtered", "told"),
    [
        (after(0.2), None),
        (after(0.3), "filtered 0.3 h after it was taken"),
        ("no", "by the field book sample S1 was not filtered"),
        ("", None),
    ],
)
def test_dissolved_phosphorus_is_held_to_its_filtering(read, filtered, told):
    site = SITE.model_copy(update={"analytes": ("dissolved_reactive_p",)})
    given_back = read(book=book({"filtered": filtered}), sheet=lab("S1,dissolved_reactive_p,0.1,mg/L"), site=site)
    assert len(given_back.results) == 1
    assert [told in remark for remark in given_back.remarks["remark"]] == ([] if told is None else [True])


# Cells that are doubtful: the line is used without them


@pytest.mark.parametrize(
    ("cells", "told"),
    [
        ({"preserved": "ice"}, "'ice' is not one of none, chilled, acidified, frozen"),
        ({"filtered": "yes"}, "Column filtered: 'yes' is no time"),
        ({"filtered": "2020-04-21T09:00"}, "filtered before its water was taken"),
        ({"duplicate_of": "S9"}, "'S9' is no other sample of the field books"),
        ({"duplicate_of": "S1"}, "'S1' is no other sample of the field books"),
        ({"pacing_l": "5000"}, "only a flow_composite has it"),
        ({"pacing_min": "30"}, "only a time_composite has it"),
        ({"kind": "flow_composite", "to": "2020-04-22", "pacing_l": "lots"}, "'lots' is not a number above 0"),
        ({"kind": "flow_composite", "to": "2020-04-22", "pacing_l": "0"}, "'0' is not a number above 0"),
        ({"kind": "flow_composite", "to": "2020-04-22", "aliquots": "2.5"}, "'2.5' is not a whole number of 0 or more"),
        (
            {"kind": "flow_composite", "to": "2020-04-22", "aliquots_possible": "0"},
            "'0' is not a whole number of 1 or more",
        ),
        ({"from": "1920-04-21T09:30"}, "lies outside the site's record (2019-10-01 to 2022-09-30)"),
        ({"from": "2029-04-21T09:30"}, "lies outside the site's record"),
    ],
)
def test_a_doubtful_cell_of_a_field_book_is_told_and_its_line_is_used(read, cells, told):
    given_back = read(book=book(cells), sheet=SHEET)
    assert len(given_back.samples) == 1
    assert len(given_back.rejected) == 0
    remark = only(given_back.remarks)
    assert told in remark["remark"]
    assert (remark["path"], remark["line"]) == ("samples/book_1.csv", 2)


@pytest.mark.parametrize(
    ("cells", "told"),
    [
        ({"analysed": "01/05/2020"}, "Column analysed: '01/05/2020' is no time"),
        ({"analysed": "2019-05-01"}, "2019-05-01 lies before the bottle was taken"),
        ({"qualifier": "H"}, "analysed after its holding time"),
        ({"qualifier": "B"}, "found the analyte in its blank too; compare the blanks of batch B1"),
        ({"value": "0", "detection_limit": ""}, "0 is used as it stands"),
    ],
)
def test_a_doubtful_cell_of_a_laboratory_sheet_is_told_and_its_line_is_used(read, cells, told):
    given_back = read(sheet=SHEET + lab_line(**cells))
    assert len(given_back.results) == 1
    assert told in only(given_back.remarks)["remark"]


def test_an_analysis_on_the_day_of_sampling_is_not_before_it(read):
    given_back = read(sheet=SHEET + lab_line(analysed="2020-04-21"))
    assert only(given_back.results)["holding_h"] == 0.0
    assert len(given_back.remarks) == 0


def test_a_remark_on_a_line_that_is_refused_after_all_is_not_kept(read):
    given_back = read(book=book({"preserved": "ice", "plot": "P9"}), sheet=SHEET)
    assert (len(given_back.remarks), len(given_back.rejected)) == (0, 1)


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ({"water": "rain"}, "Column water: 'rain' is not one of drainage, receiving"),
        ({"plot": "", "water": "drainage"}, "drainage comes from a plot"),
        ({"kind": "discrete", "to": "2020-04-22"}, "as has a discrete bottle"),
    ],
)
def test_a_field_book_line_with_optional_columns_that_cannot_be_used_says_why(read, line, told):
    assert told in only(read(book=book(line), sheet=SHEET).rejected)["reason"]


def test_a_report_without_a_readable_date_cannot_be_ordered_and_is_refused(read):
    told = only(read(sheet=lab("S1,nitrate_n,8.4,mg/L as N,,0.2,2020-05-01,B1,result,May")).rejected)["reason"]
    assert "Column reported: 'May' is no time" in told


@pytest.mark.parametrize("role", ["matrix_spike", "control_sample"])
def test_a_known_amount_must_be_given(read, role):
    told = only(read(sheet=lab(f"S1,nitrate_n,8.4,mg/L as N,,0.2,2020-05-01,B1,{role}")).rejected)["reason"]
    assert f"A {role} needs the concentration that was added" in told


# Water of the ditch


def test_a_ditch_sample_of_the_whole_site_has_no_plot(read):
    result = only(read(book=book({"plot": "", "water": "receiving"})).results)
    assert pd.isna(result["plot"])
    assert result["water"] == "receiving"


def test_a_sample_is_of_the_plots_drain_unless_the_field_book_says_otherwise(read):
    assert only(read().results)["water"] == "drainage"


# Duplicates, blanks, spikes and standards


def test_a_bottle_that_the_field_book_calls_a_duplicate_is_one_though_the_laboratory_does_not_know(read):
    given_back = read(
        book=book({}, {"sample": "S2", "duplicate_of": "S1"}),
        sheet=lab("S1,nitrate_n,9,mg/L as N,,0.2", "S2,nitrate_n,11,mg/L as N,,0.2"),
    )
    assert only(given_back.results)["mg_l"] == 9.0
    kept = only(given_back.quality_control)
    assert (kept["role"], kept["paired_with"], kept["paired_mg_l"]) == ("field_duplicate", "S1", 9.0)
    # By hand: 2 of 10.
    assert kept["relative_difference_pct"] == pytest.approx(20.0)


def test_a_field_duplicate_without_a_name_to_go_by_is_that_of_the_same_plot_and_time(read):
    given_back = read(
        book=book({}, {"sample": "S2"}, {"sample": "S3", "plot": "P2"}),
        sheet=lab(
            "S1,nitrate_n,9,mg/L as N", "S3,nitrate_n,5,mg/L as N", "S2,nitrate_n,11,mg/L as N,,,,,field_duplicate"
        ),
    )
    assert only(given_back.quality_control)["paired_with"] == "S1"


def test_a_laboratory_duplicate_is_compared_with_the_result_of_its_bottle(read):
    sheet = lab("S1,nitrate_n,9,mg/L as N", "S1,nitrate_n,11,mg/L as N,,,,,lab_duplicate")
    kept = only(read(sheet=sheet).quality_control)
    assert (kept["paired_with"], kept["relative_difference_pct"]) == ("S1", pytest.approx(20.0))


def test_a_duplicate_without_a_partner_is_kept_unpaired(read):
    kept = only(read(sheet=lab("S1,nitrate_n,11,mg/L as N,,,,,lab_duplicate")).quality_control)
    assert pd.isna(kept["paired_with"])


def test_a_pair_of_which_one_is_censored_has_no_difference(read):
    sheet = lab("S1,nitrate_n,,mg/L as N,<,0.2", "S1,nitrate_n,0.25,mg/L as N,,0.2,,,lab_duplicate")
    assert pd.isna(only(read(sheet=sheet).quality_control)["relative_difference_pct"])


def test_the_recovery_of_a_spike_is_what_was_found_of_what_was_added(read):
    # By hand: of 2 mg/L as NO3 added to 4, found 5.9: 95 %, in whatever unit.
    sheet = lab("S1,nitrate_n,4,mg/L as NO3", "S1,nitrate_n,5.9,mg/L as NO3,,,,,matrix_spike,,2")
    assert only(read(sheet=sheet).quality_control)["recovery_pct"] == pytest.approx(95.0)


def test_the_recovery_of_a_control_sample_is_what_was_found_of_what_it_holds(read):
    kept = only(read(sheet=lab("C-7,nitrate_n,10.4,mg/L as N,,,,,control_sample,,10")).quality_control)
    assert kept["recovery_pct"] == pytest.approx(104.0)
