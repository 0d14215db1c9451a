"""Field books and laboratory sheets: what is used, what is refused and why, and that no line is lost."""

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


@pytest.mark.parametrize(
    ("line", "told"),
    [
        (",P1,grab,2020-04-21T09:30,,1,", "Column sample is empty"),
        ("S1,P9,grab,2020-04-21T09:30,,1,", "'P9' is no plot of plots.csv; known are P1, P2"),
        ("S1,P1,bucket,2020-04-21T09:30,,1,", "'bucket' is not one of grab, flow_composite, time_composite"),
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
    ],
)
def test_a_field_book_line_that_cannot_be_used_says_why(read, line, told):
    rejected = read(book=BOOK + line + "\n", sheet=SHEET).rejected
    row = only(rejected)
    assert told in row["reason"]
    assert (row["path"], row["line"], row["text"]) == ("samples/book_1.csv", 2, line)


@pytest.mark.parametrize(
    ("cells", "told"),
    [
        ({"sample": ""}, "Column sample is empty"),
        ({"sample": "S9"}, "'S9' stands in no field book"),
        ({"analyte": "gold"}, "'gold' is not one of site.yaml's analytes: nitrate_n, total_p"),
        ({"role": "guess"}, "'guess' is not one of result, field_duplicate"),
        ({"qualifier": "~"}, "'~' is not known; allowed are nothing, and <, ND or U"),
        ({"unit": "ppb"}, "'ppb' is not known for nitrate_n; known are mg/L, mg/L as N, mg/L as NO3, umol/L, µmol/L"),
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
    ],
)
def test_a_laboratory_line_that_cannot_be_used_says_why(read, cells, told):
    line = lab_line(**cells)
    row = only(read(sheet=SHEET + line).rejected)
    assert told in row["reason"]
    assert (row["path"], row["line"], row["text"]) == ("lab/sheet_1.csv", 2, line.rstrip("\n"))


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


@settings(max_examples=80, deadline=None)
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


@settings(max_examples=60, deadline=None)
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
