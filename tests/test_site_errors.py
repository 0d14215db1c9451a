"""A site folder that is wrong gets sentences: where, what was found, what is allowed, what to do; all at once.

Belongs here: every kind of mistake that a folder can hold, and the promise that nothing else than SiteErrors comes of one.
Does not: what a right folder says (test_site.py).

CSV by RFC 4180, text by UTF-8 (RFC 3629), dates by ISO 8601, time zones by the IANA database. Places are counted by hand in
tests/site_folder.py.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from pipeline.site import Site, SiteError, SiteErrors, load_site
from pipeline.site.registers import REGISTERS
from tests.site_folder import FOLDER, replaced, write_folder


def errors_of(folder: Path) -> tuple[SiteError, ...]:
    with pytest.raises(SiteErrors) as caught:
        load_site(folder)
    return caught.value.errors


def places(errors: tuple[SiteError, ...]) -> list[str]:
    return [f"{error.file}:{error.line}:{error.column}" for error in errors]


DRIFT = "clocks.csv:2:shift_at_end_s"
CELLS = [
    # file, text replaced, by, place, phrase
    ("plots.csv", "2.5", "0", "plots.csv:2:area_ha", "a number above 0"),
    ("plots.csv", "2.5", "-2.5", "plots.csv:2:area_ha", "«-2.5»"),
    ("plots.csv", "2.5", "nan", "plots.csv:2:area_ha", "decimal point"),
    ("plots.csv", "2.5", "inf", "plots.csv:2:area_ha", "a number"),
    ("plots.csv", "2.5", "1e999", "plots.csv:2:area_ha", "finite"),
    ("plots.csv", "2.5", "2.5 ha", "plots.csv:2:area_ha", "without unit"),
    ("plots.csv", "2.5", '"2,5"', "plots.csv:2:area_ha", "decimal point"),
    ("plots.csv", "2.5", "1_000", "plots.csv:2:area_ha", "separators of thousands"),
    ("plots.csv", "2.5", "٢", "plots.csv:2:area_ha", "a number"),
    ("plots.csv", "2.5", "", "plots.csv:2:area_ha", "an empty cell"),
    ("plots.csv", "North plot", "North\u0007plot", "plots.csv:2:title", "printable"),
    ("meters.csv", "75,150", "-75,150", "meters.csv:2:bore_mm", "above 0"),
    ("meters.csv", "bore-75,600", "bore-75,0", "meters.csv:2:top_l_min", "above 0"),
    ("meters.csv", "N1,N,", "N1,,", "meters.csv:2:plot", "an empty cell"),
    ("accuracy.csv", "2.0,12", "0,12", "accuracy.csv:2:flow_l_min", "above 0"),
    ("accuracy.csv", "2.0,12", "2.0,-12", "accuracy.csv:2:error_pct", "0 or more"),
    ("accuracy.csv", "2.0,12", "2.0,120", "accuracy.csv:2:error_pct", "at most 100"),
    ("calibrations.csv", "8.0,", "0,", "calibrations.csv:2:litres_per_pulse", "above 0"),
    ("calibrations.csv", "8.0,1.0", "8.0,-1", "calibrations.csv:2:expanded_uncertainty_pct", "0 or more"),
    ("calibrations.csv", "2020-10-02", "2190-10-02", "calibrations.csv:3:entered", "today at the latest"),
    ("calibrations.csv", "8.0,1.0", "8.0,101", "calibrations.csv:2:expanded_uncertainty_pct", "at most 100"),
    ("calibrations.csv", "2019-10-01,2020-10-01", "2019-10-01,2019-10-01", "calibrations.csv:2:to", "after from"),
    ("calibrations.csv", "N1,reverse", "N1,back", "calibrations.csv:4:direction", "«forward», «reverse»"),
    ("calibrations.csv", "2020-10-02", "2 Oct 2020", "calibrations.csv:3:entered", "such as 2019-10-01"),
    ("wiring.csv", "N1,forward,interval,", "N1,forwards,interval,", "wiring.csv:2:direction", "Did you mean forward?"),
    ("wiring.csv", "N1,forward,interval,", "N1,forward,total,", "wiring.csv:2:counts", "«interval», «running»"),
    ("wiring.csv", "N1,forward,interval,", "N1,forward,running,", "wiring.csv:2:modulus", "running total"),
    ("wiring.csv", "N1,forward,interval,", "N1,forward,interval,65536", "wiring.csv:2:modulus", "empty cell"),
    ("wiring.csv", "S2,forward,running,65536", "S2,forward,running,1", "wiring.csv:6:modulus", "2 or more"),
    ("wiring.csv", "S2,forward,running,65536", "S2,forward,running,65536.5", "wiring.csv:6:modulus", "whole number"),
    ("wiring.csv", "S2,forward,running,65536", f"S2,forward,running,{'9' * 5000}", "wiring.csv:6:modulus", "whole"),
    ("gauges.csv", "water_level", "level", "gauges.csv:3:quantity", "water_level"),
    ("outages.csv", "meter,N1", "metre,N1", "outages.csv:2:scope", "Did you mean meter?"),
    ("outages.csv", "06-03,lightning", "06-03,", "outages.csv:2:cause", "an empty cell"),
    ("outages.csv", "2020-06-03", "2020-06-01", "outages.csv:2:to", "after from"),
    ("outages.csv", "2020-06-03", "2020-06-01T14:30", "outages.csv:2:to", "after from"),
    ("outages.csv", "2020-06-03", "2020-06-01T20:30Z", "outages.csv:2:to", "after from"),
    ("outages.csv", "2020-06-03", "06/03/2020", "outages.csv:2:to", "«06/03/2020»"),
    ("outages.csv", "2020-06-03", "2020-06-31", "outages.csv:2:to", "that calendar and clock have"),
    ("outages.csv", "2020-06-03", "2020-06-03T24:30", "outages.csv:2:to", "that calendar and clock have"),
    ("outages.csv", "2020-06-03", "20200603", "outages.csv:2:to", "ISO 8601"),
    ("outages.csv", "2020-06-03", "0020-06-03", "outages.csv:2:to", "Check the year"),
    ("outages.csv", "2020-06-03", "9999-12-31T23:59-12:00", "outages.csv:2:to", "Check the year"),
    ("outages.csv", "2020-06-01T14:30", "", "outages.csv:2:from", "an empty cell"),
    ("clocks.csv", "-3600", "1e12", "clocks.csv:2:shift_s", "ten years"),
    ("clocks.csv", "-3600", "-1h", "clocks.csv:2:shift_s", "a number"),
    ("clocks.csv", "-3600,", "-3600,one hour", DRIFT, "a number"),
    ("clocks.csv", "-3600,", "-3600,-1e12", DRIFT, "ten years"),
    ("clocks.csv", "2020-02-01,-3600,", ",-3600,-3500", DRIFT, "a time at which it ended"),
    # By hand: from noon to one o'clock true time would run from 12:30 back to 12:15.
    ("clocks.csv", "01-01,2020-02-01,-3600,", "01-01T12:00,2020-01-01T13:00,1800,-2700", DRIFT, "or runs back"),
]

FILES = [
    ("plots.csv", "area_ha", "area", "plots.csv:1:area", "Did you mean area_ha?"),
    ("plots.csv", "plot,title", "plot,plot", "plots.csv:1:plot", "2 times"),
    ("plots.csv", "area_ha\n", "area_ha,soil\n", "plots.csv:1:soil", "the columns plot, title, area_ha"),
    ("plots.csv", "plot,title,", "plot,,title,", "plots.csv:1:2", "no name for column 2"),
    ("plots.csv", "plot,title,area_ha", "plot;title;area_ha", "plots.csv:1:1", "separated by semicolons"),
    ("plots.csv", "plot,title,area_ha", "plot\ttitle\tarea_ha", "plots.csv:1:1", "separated by tabulators"),
    ("plots.csv", "North plot,2.5", "North plot", "plots.csv:2:area_ha", "found 2 cells; allowed: 3 cells"),
    ("plots.csv", "North plot,2.5", "North, plot,2.5", "plots.csv:2:area_ha", "found 4 cells"),
    ("plots.csv", "North plot", '"North plot', "plots.csv:2:1", "Close every quotation mark"),
    ("plots.csv", "North plot", '"North" plot', "plots.csv:2:1", "cannot be split"),
    ("plots.csv", "N,North plot,2.5\nS,South plot,1.25\n", "", "plots.csv:1:plot", "no plot"),
]

ROWS = [
    # the sentence names both rows
    ("plots.csv", "1.25\n", "1.25\nN,Again,1\n", "plots.csv:4:plot", "plots.csv:2"),
    ("accuracy.csv", "20,1\n", "4.1,1\n", "accuracy.csv:4:flow_l_min", "accuracy.csv:3"),
    ("accuracy.csv", "7.5,5", "3.4,5", "accuracy.csv:6:flow_l_min", "accuracy.csv:5"),
    ("treatments.csv", "2020-11-15,\nS", "2020-11-14,\nS", "treatments.csv:3:from", "treatments.csv:2"),
    ("meters.csv", "S2,S,100,200,bore-100,1100,2020-12-01", "S2,S,100,200,bore-100,1100,2020-11-30", "meters.csv:4:from", "meters.csv:3"),
    ("calibrations.csv", "8.1,1.0,2020-10-01", "8.1,1.0,2020-09-30", "calibrations.csv:3:from", "calibrations.csv:2"),
    ("calibrations.csv", "8.1,1.0,2020-10-01", "8.1,1.0,2020-10-02", "calibrations.csv:3:from", "calibrations.csv:2"),
    ("calibrations.csv", "5.2,1.0,2020-12-01", "5.2,1.0,2020-12-02", "wiring.csv:6:meter", "calibrations.csv:7"),
    ("calibrations.csv", "8.2,1.5,2019-10-01,", "8.2,1.5,2019-10-01,2021-01-01", "wiring.csv:3:meter", "calibrations.csv:4"),
    ("wiring.csv", "east,n2,N1,reverse", "east,n1,N1,reverse", "wiring.csv:3:column", "wiring.csv:2"),
    ("wiring.csv", "2020-12-01,\n", "2020-12-01,\nwest,c9,S2,forward,interval,,2021-06-01,\n", "wiring.csv:7:from", "wiring.csv:6"),
    ("wiring.csv", "east,n2,N1", "west,n2,N1", "wiring.csv:3:logger", "wiring.csv:2"),
    ("gauges.csv", "east,level", "east,n1", "gauges.csv:3:column", "wiring.csv:2"),
    ("gauges.csv", "east,level", "east,volts", "gauges.csv:3:column", "gauges.csv:2"),
    ("gauges.csv", "well,east,level", "supply,east,level", "gauges.csv:3:from", "gauges.csv:2"),
    ("clocks.csv", "-3600,\n", "-3600,\nwest,2020-01-31,2020-03-01,60,\n", "clocks.csv:3:from", "clocks.csv:2"),
]  # fmt: skip

WITH_COMPANY = [
    # other rows disagree with the changed one as well
    ("plots.csv", "N,North", ",North", "plots.csv:2:plot", "Fill the cell"),
    ("meters.csv", "2020-12-01,\n", "2020-12-01,\nS2,N,75,150,bore-75,600,2021-06-01,\n", "meters.csv:5:from", "meters.csv:4"),
    ("wiring.csv", "west,c1,S2,forward,running,65536,2020-12-01", "west,c1,S2,forward,running,65536,2020-11-01",
     "wiring.csv:6:from", "meters.csv:4"),
]  # fmt: skip

NAMES = [
    ("meters.csv", "N1,N,75", "N1,M,75", "meters.csv:2:plot", "plots.csv (N, S)"),
    ("meters.csv", "75,150,bore-75", "75,150,bore75", "meters.csv:2:accuracy", "Did you mean bore-75?"),
    ("treatments.csv", "S,free", "X,free", "treatments.csv:4:plot", "«X», no plot of the site"),
    ("wiring.csv", "east,n2", "eats,n2", "wiring.csv:3:logger", "Did you mean east?"),
    ("wiring.csv", "east,n2", "east,when", "wiring.csv:3:column", "time stamps"),
    ("gauges.csv", "east,volts", "north,volts", "gauges.csv:2:logger", "site.yaml (east, west)"),
    ("gauges.csv", "water_level,m,N", "water_level,m,Q", "gauges.csv:3:plot", "«Q»"),
    ("gauges.csv", "east,level", "west,clock", "gauges.csv:3:column", "logger_layouts.two_columns"),
    ("outages.csv", "meter,N1", "meter,N9", "outages.csv:2:name", "«N9», a meter that stands in no plot"),
    ("outages.csv", "meter,N1", "plot,N1", "outages.csv:2:name", "no plot of the site"),
    ("outages.csv", "logger,west", "logger,S", "outages.csv:3:name", "no logger of the site"),
    ("clocks.csv", "west,", "moon,", "clocks.csv:2:logger", "«moon»"),
]

STRUCTURE = [
    ("site.yaml", "site: reed-fen", "site: reed fen", "site.yaml:1:1", "«reed fen» under site"),
    ("site.yaml", "title: Reed Fen drainage experiment", "title:", "site.yaml:2:1", "nothing under title"),
    ("site.yaml", "title: Reed Fen drainage experiment\n", "", "site.yaml:1:1", "no key title"),
    ("site.yaml", "title:", "titel:", "site.yaml:2:1", "Did you mean title?"),
    ("site.yaml", "title: Reed", "site: Reed", "site.yaml:2:1", "site.yaml:1"),
    ("site.yaml", '{utc_offset: "-06:00"}\n', '{utc_offset: "-6"}\n', "site.yaml:3:9", '"-06:00"'),
    ("site.yaml", '{utc_offset: "-06:00"}\n', '{utc_offset: "-16:00"}\n', "site.yaml:3:9", "+14:00"),
    ("site.yaml", '{utc_offset: "-06:00"}\n', "-06:00\n", "site.yaml:3:1", "keys with values"),
    ("site.yaml", '"10-01"', '"02-29"', "site.yaml:4:1", "every year has"),
    ("site.yaml", '"10-01"', "October", "site.yaml:4:1", "MM-DD"),
    ("site.yaml", "2019-10-01", "1.10.2019", "site.yaml:5:1", "ISO 8601"),
    ("site.yaml", "2021-09-30", "2019-09-30", "site.yaml:6:1", "2019-10-01 (first_day) or a later day"),
    ("site.yaml", "[nitrate_n]", "[]", "site.yaml:7:1", "at least one analyte"),
    ("site.yaml", "[nitrate_n]", "nitrate_n", "site.yaml:7:1", "a list"),
    ("site.yaml", "[nitrate_n]", "[nitrate_n, nitrate_n]", "site.yaml:7:1", "each once"),
    ("site.yaml", "[nitrate_n]", "[nitrate_n, nitrat_p]", "site.yaml:7:23", "Did you mean nitrate_n?"),
    ("site.yaml", "[nitrate_n]", "[gold]", "site.yaml:7:12", "one of the known analytes nitrate_n, nitrite_n, "),
    ("site.yaml", "policies: {}", "policies: {holding_hours: {gold: {chilled: 48}}}", "site.yaml:32:28", "known analytes"),
    ("site.yaml", "policies: {}", "policies: {holding_hours: {nitrate_n: {ice: 48}}}", "site.yaml:32:40", "«chilled»"),
    ("site.yaml", "policies: {}", "policies: {holding_hours: {nitrate_n: {chilled: 0}}}", "site.yaml:32:40", "above 0"),
    ("site.yaml", "policies: {}", "policies: {laboratory_qualifiers: {TR: trace}}", "site.yaml:32:36", "«estimated»"),
    ("site.yaml", 'delimiter: ";"', 'delimiter: ";;"', "site.yaml:10:5", "one character"),
    ("site.yaml", 'delimiter: ";"', 'delimiter: ","', "site.yaml:12:5", "another character than the delimiter ','"),
    ("site.yaml", 'delimiter: ";"', 'delimiter: "\'"\n    quote: "\'"', "site.yaml:11:5", "another character"),
    ("site.yaml", "encoding: utf-8", "encoding: utf-88", "site.yaml:11:5", "«utf-88»"),
    ("site.yaml", "encoding: utf-8", "encoding: base64", "site.yaml:11:5", "text encoding"),
    ("site.yaml", 'decimal: ","', 'decimal: ";"', "site.yaml:12:5", "one of «.», «,»"),
    ("site.yaml", 'decimal: ","', 'decimal: ","\n    thousands: ","', "site.yaml:13:5", "another character than the decimal mark"),
    ("site.yaml", 'delimiter: ","', 'delimiter: ","\n    thousands: ","', "site.yaml:20:5", "another character than the delimiter ','"),
    ("site.yaml", 'decimal: ","', 'quote: "\'"\n    thousands: "\'"', "site.yaml:13:5", "another character than the quote"),
    ("site.yaml", 'decimal: ","', 'decimal: ","\n    thousands: "_"', "site.yaml:13:5", "«_»"),
    ("site.yaml", 'decimal: ","', 'decimal: ","\n    thousands: ". "', "site.yaml:13:5", "one character"),
    ("site.yaml", 'decimal: ","', 'decimal: ","\n    thousands: ""', "site.yaml:13:5", "leave thousands out"),
    ("site.yaml", "names_on_line: 2", "names_on_line: 4", "site.yaml:14:5", "a line from 1 to 3"),
    ("site.yaml", "names_on_line: 2", "names_on_line: 0", "site.yaml:14:5", "1 or more"),
    ("site.yaml", "lines_before_data: 3", "lines_before_data: many", "site.yaml:13:5", "whole number"),
    ("site.yaml", "column: when", "column: []", "site.yaml:15:17", "name of a column"),
    ("site.yaml", "[date, clock]", "[date, date]", "site.yaml:23:7", "different names"),
    ("site.yaml", "%d.%m.%Y %H:%M", "%d.%m.%Y", "site.yaml:15:31", "time of day"),
    ("site.yaml", "%d.%m.%Y %H:%M", "%d.%m. %H:%M", "site.yaml:15:31", "year, month, day"),
    ("site.yaml", "%d.%m.%Y %H:%M", "%d.%m.%Y %I:%M", "site.yaml:15:31", "time of day"),
    ("site.yaml", "%d.%m.%Y %H:%M", "%d.%m.%Y %Q:%M", "site.yaml:15:31", "Replace %Q"),
    ("site.yaml", "%d.%m.%Y %H:%M", "%d.%m.%Y %H:%M%", "site.yaml:15:31", "the open %"),
    ("site.yaml", "%d.%m.%Y %H:%M", "%d.%m.%Y %H:%m", "site.yaml:15:31", "month once"),
    ("site.yaml", "%d.%m.%Y %H:%M", "dd.mm.yyyy", "site.yaml:15:31", "directive"),
    ("site.yaml", "%d.%m.%Y %H:%M", "%d.%m.%Y %H", "site.yaml:16:5", "no minutes"),
    ("site.yaml", "stamps: start", "stamps: middle", "site.yaml:25:7", "«start», «end»"),
    ("site.yaml", "      timezone: America/Chicago\n", "", "site.yaml:22:5", "exactly one of utc_offset and timezone"),
    ("site.yaml", "Chicago", 'Chicago\n      utc_offset: "-06:00"', "site.yaml:26:7", "exactly one"),
    ("site.yaml", "America/Chicago", "America/Chicogo", "site.yaml:26:7", "IANA"),
    ("site.yaml", "America/Chicago", "../etc/passwd", "site.yaml:26:7", "IANA"),
    ("site.yaml", "America/Chicago", "America", "site.yaml:26:7", "IANA"),
    ("site.yaml", "interval: 10min", "interval: 7min", "site.yaml:16:5", "divides an hour"),
    ("site.yaml", "interval: 10min", "interval: 5h", "site.yaml:16:5", "divides a day"),
    ("site.yaml", "interval: 10min", "interval: 90min", "site.yaml:16:5", "divides"),
    ("site.yaml", "interval: 10min", "interval: 0min", "site.yaml:16:5", "divides"),
    ("site.yaml", "interval: 10min", "interval: 10", "site.yaml:16:5", "such as 10min"),
    ("site.yaml", '["---", ""]', '["---", null]', "site.yaml:17:22", "quotes"),
    ("site.yaml", "layout: plain", "layout: plane", "site.yaml:29:10", "Did you mean plain?"),
    ("site.yaml", '"logger/east_*.csv"', '"/logger/*.csv"', "site.yaml:29:25", "below the site's raw folder"),
    ("site.yaml", '"logger/east_*.csv"', '"../*.csv"', "site.yaml:29:25", "below the site's raw folder"),
    ("site.yaml", '"logger/east_*.csv"', '"logger/a**.csv"', "site.yaml:29:25", "a pattern"),
    ("site.yaml", '"logger/west_*.csv"', '"logger/east_*.csv"', "site.yaml:30:31", "site.yaml:29"),
    ("site.yaml", "stamps: end}\npol", "stamps: mid}\npol", "site.yaml:31:25", "«mid» under weather.stamps"),
    ("site.yaml", "policies: {}", "policies: {gap_years: 2}", "site.yaml:32:12", "gap_window_years"),
    ("site.yaml", "policies: {}", "policies: {gap_window_years: 1.5}", "site.yaml:32:12", "a whole number"),
    ("site.yaml", "policies: {}", "policies: {event_recession_share: 1}", "site.yaml:32:12", "below 1"),
    ("site.yaml", "policies: {}", "periods:\n- {name: a, from: 2020-03-01, to: 2020-03-01}", "site.yaml:33:31", "a day after 2020-03-01"),
    ("site.yaml", "policies: {}", "periods:\n- {name: a, from: 2020-03-01, two: 2020-04-01}", "site.yaml:33:31", "the keys name, from, to"),
    ("site.yaml", "policies: {}", "periods:\n- {name: a, to: 2020-04-01}", "site.yaml:33:3", "no key periods.0.from"),
    ("site.yaml", "policies: {}", "periods: [{name: a, from: 2020-03-01}, {name: a, from: 2020-04-01}]", "site.yaml:32:1", "called a"),
    ("site.yaml", "policies: {}", "periods: [{name: a, from: 2012-03-01, to: 2012-04-01}]", "site.yaml:32:1", "a day with the record"),
    ("site.yaml", "policies: {}", "periods: [{name: a, from: 2021-10-01}]", "site.yaml:32:1", "share a day with the record"),
    ("site.yaml", "policies: {}", "periods: {name: a}", "site.yaml:32:1", "a list"),
    ("site.yaml", "policies: {}", "policies: {backward_water: as_it_left}", "site.yaml:32:12", "«as_left»"),
    ("site.yaml", "policies: {}", "policies: [", "site.yaml:33:1", "not YAML"),
    ("site.yaml", "policies: {}", "policies:\n\t{}", "site.yaml:33:1", "not YAML"),
    ("site.yaml", "policies: {}", "policies: *all", "site.yaml:32:11", "a reference to another place"),
    ("site.yaml", "policies: {}", "policies: {}\n--- \nsite: other", "site.yaml:33:1", "not YAML"),
    ("site.yaml", "policies: {}", "policies: {}\n[a, b]: c", "site.yaml:33:1", "a key that is no word"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("file", "old", "new", "place", "phrase"), [*CELLS, *FILES, *ROWS, *WITH_COMPANY, *NAMES, *STRUCTURE]
)
def test_a_mistake_is_told_with_its_place(tmp_path: Path, file: str, old: str, new: str, place: str, phrase: str) -> None:
    errors = errors_of(write_folder(tmp_path, replaced(file, old, new)))
    told = [error.sentence for error in errors if f"{error.file}:{error.line}:{error.column}" == place]
    assert any(phrase in sentence for sentence in told), "\n".join(error.sentence for error in errors)


@pytest.mark.parametrize(("file", "old", "new", "place", "phrase"), [*CELLS, *ROWS, *NAMES])
def test_one_mistake_in_a_row_is_one_error(
    tmp_path: Path, file: str, old: str, new: str, place: str, phrase: str
) -> None:
    assert places(errors_of(write_folder(tmp_path, replaced(file, old, new)))) == [place]


@pytest.mark.parametrize(("file", "old", "new", "place", "phrase"), ROWS)
def test_two_rows_that_disagree_are_both_named(
    tmp_path: Path, file: str, old: str, new: str, place: str, phrase: str
) -> None:
    (error,) = errors_of(write_folder(tmp_path, replaced(file, old, new)))
    assert f"{error.file}:{error.line}" in error.found
    assert phrase in error.found


def test_a_sentence_says_where_what_was_found_what_is_allowed_and_what_to_do() -> None:
    error = SiteError("plots.csv", 3, "area_ha", "«-2»", "a number above 0", "Check the unit")
    assert error.sentence == "plots.csv, line 3, column area_ha: found «-2»; allowed: a number above 0. Check the unit."


def test_all_mistakes_of_all_files_are_told_at_once(tmp_path: Path) -> None:
    files = dict(FOLDER)
    one_per_file = [
        ("site.yaml", "interval: 10min", "interval: 7min"),
        ("plots.csv", "2.5", "-2.5"),
        ("treatments.csv", "S,free", "X,free"),
        ("meters.csv", "bore-75,600", "bore-75,0"),
        ("accuracy.csv", "4.2,5", "1.0,5"),
        ("wiring.csv", "east,n2", "east,n1"),
        ("gauges.csv", "water_level", "level"),
        ("calibrations.csv", "8.1,1.0,2020-10-01", "8.1,1.0,2020-10-02"),
        ("outages.csv", "2020-06-03", "2020-06-01"),
        ("clocks.csv", "-3600", "an hour"),
    ]
    for file, old, new in one_per_file:
        files[file] = files[file].replace(old.encode(), new.encode())
    assert places(errors_of(write_folder(tmp_path, files))) == [
        "site.yaml:16:5",
        "plots.csv:2:area_ha",
        "treatments.csv:4:plot",
        "meters.csv:2:top_l_min",
        "accuracy.csv:3:flow_l_min",
        "wiring.csv:3:column",
        "gauges.csv:3:quantity",
        "calibrations.csv:3:from",
        "outages.csv:2:to",
        "clocks.csv:2:shift_s",
    ]


def test_all_mistakes_of_one_row_are_told_at_once(tmp_path: Path) -> None:
    errors = errors_of(write_folder(tmp_path, replaced("meters.csv", "N1,N,75,150", "N1,,x,-1")))
    assert places(errors) == ["meters.csv:2:plot", "meters.csv:2:bore_mm", "meters.csv:2:main_mm"]


def test_yaml_that_cannot_be_read_hides_no_mistake_in_a_register(tmp_path: Path) -> None:
    files = {**replaced("plots.csv", "2.5", "-2.5"), "site.yaml": b"site: [\n"}
    assert places(errors_of(write_folder(tmp_path, files))) == ["site.yaml:2:1", "plots.csv:2:area_ha"]


@pytest.mark.parametrize("file", ["plots.csv", "meters.csv", "wiring.csv", "calibrations.csv"])
def test_an_absent_register_is_one_error_and_hides_no_other(tmp_path: Path, file: str) -> None:
    files = {name: text for name, text in replaced("outages.csv", "2020-06-03", "2020-06-01").items() if name != file}
    errors = errors_of(write_folder(tmp_path, files))
    assert [str(place) for place in places(errors)] == [f"{file}:None:None", "outages.csv:2:to"]
    assert ",".join(REGISTERS[file.removesuffix(".csv")].columns()) in errors[0].advice


def test_an_absent_structure_hides_no_mistake_in_a_register(tmp_path: Path) -> None:
    files = {name: text for name, text in replaced("plots.csv", "2.5", "-2.5").items() if name != "site.yaml"}
    assert places(errors_of(write_folder(tmp_path, files))) == ["site.yaml:None:None", "plots.csv:2:area_ha"]


@pytest.mark.parametrize("name", REGISTERS)
@pytest.mark.parametrize("content", [b"", b"\n\n", b"\xef\xbb\xbf"], ids=["empty", "blank lines", "byte-order mark"])
def test_an_empty_register_lacks_its_column_names(tmp_path: Path, name: str, content: bytes) -> None:
    errors = errors_of(write_folder(tmp_path, {**FOLDER, f"{name}.csv": content}))
    assert [(error.file, error.line, error.found) for error in errors] == [(f"{name}.csv", 1, "no column names")]


@pytest.mark.parametrize(
    ("name", "column"),
    [(name, column) for name, model in REGISTERS.items() for column, required in model.columns().items() if required],
)
def test_a_missing_column_is_told_by_name_and_once(tmp_path: Path, name: str, column: str) -> None:
    header, *rows = [line.split(",") for line in FOLDER[f"{name}.csv"].decode().splitlines()]
    place = header.index(column)
    text = "\n".join(",".join(cells[:place] + cells[place + 1 :]) for cells in (header, *rows))
    errors = errors_of(write_folder(tmp_path, {**FOLDER, f"{name}.csv": text.encode()}))
    assert places(errors) == [f"{name}.csv:1:{column}"]
    assert f"no column {column}" in errors[0].found


def test_text_that_is_not_utf_8_is_told_by_line_and_column(tmp_path: Path) -> None:
    files = {**FOLDER, "plots.csv": FOLDER["plots.csv"].replace(b"South plot", "Süd".encode("cp1252"))}
    (error,) = errors_of(write_folder(tmp_path, files))
    assert (error.file, error.line, error.column) == ("plots.csv", 3, 4)
    assert "0xfc" in error.found
    assert "UTF-8" in error.advice


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-32"])
@pytest.mark.parametrize("file", ["plots.csv", "site.yaml"])
def test_text_in_two_bytes_a_letter_is_one_clear_sentence(tmp_path: Path, file: str, encoding: str) -> None:
    files = {**FOLDER, file: FOLDER[file].decode().encode(encoding)}
    (error,) = errors_of(write_folder(tmp_path, files))
    assert (error.file, error.line, "UTF-8" in error.advice) == (file, 1, True)


def test_an_unusable_row_still_names_its_plot_and_closes_its_gap(tmp_path: Path) -> None:
    files = replaced("calibrations.csv", "N1,forward,8.1,1.0", "N1,forward,x,1.0")
    files["plots.csv"] = FOLDER["plots.csv"].replace(b"2.5", b"x")
    assert places(errors_of(write_folder(tmp_path, files))) == [
        "plots.csv:2:area_ha",
        "calibrations.csv:3:litres_per_pulse",
    ]


def test_a_line_that_cannot_be_split_leaves_open_what_the_file_names(tmp_path: Path) -> None:
    files = replaced("plots.csv", "North plot", '"North plot')
    assert places(errors_of(write_folder(tmp_path, files))) == ["plots.csv:2:1"]


def test_a_line_that_cannot_be_split_hides_no_other(tmp_path: Path) -> None:
    files = replaced("plots.csv", "N,North plot,2.5\nS,South plot,1.25", 'N,"North plot,2.5\nS,South plot,-1')
    assert places(errors_of(write_folder(tmp_path, files))) == ["plots.csv:2:1", "plots.csv:3:area_ha"]


def test_a_file_far_too_large_for_a_register_is_not_read(tmp_path: Path) -> None:
    folder = write_folder(tmp_path, FOLDER)
    with (folder / "clocks.csv").open("r+b") as stream:
        stream.truncate(51 << 20)
    (error,) = errors_of(folder)
    assert (error.file, error.allowed) == ("clocks.csv", "at most 50 MiB")


def test_a_meter_wired_and_calibrated_but_in_no_plot_is_told_for_each_row(tmp_path: Path) -> None:
    errors = errors_of(write_folder(tmp_path, replaced("meters.csv", "N1,N,75,150,bore-75,600,2019-10-01,\n", "")))
    assert {(error.file, error.line) for error in errors} == {
        ("wiring.csv", 2),
        ("wiring.csv", 3),
        ("calibrations.csv", 2),
        ("calibrations.csv", 3),
        ("calibrations.csv", 4),
        ("outages.csv", 2),
    }
    assert all("a meter that stands in no plot" in error.found for error in errors)


def test_a_wired_direction_without_any_calibration_is_told(tmp_path: Path) -> None:
    files = replaced("calibrations.csv", "N1,reverse,8.2,1.5,2019-10-01,,bench,2019-09-20\n", "")
    (error,) = errors_of(write_folder(tmp_path, files))
    assert (error.file, error.line) == ("wiring.csv", 3)
    assert "calibrations.csv has none" in error.found


def test_wiring_before_the_record_needs_no_calibration(tmp_path: Path) -> None:
    files = replaced("wiring.csv", "east,n2,N1,reverse,interval,,2019-10-01", "east,n2,N1,reverse,interval,,2019-01-01")
    assert load_site(write_folder(tmp_path, files)).wiring[1].start.year == 2019


def test_rows_that_touch_do_not_overlap(tmp_path: Path) -> None:
    files = replaced("calibrations.csv", "8.1,1.0,2020-10-01", "8.1,1.0,2020-10-01T06:00Z")
    assert len(load_site(write_folder(tmp_path, files)).calibrations) == 6


def test_a_row_inside_a_longer_one_overlaps_it_even_after_others(tmp_path: Path) -> None:
    files = dict(FOLDER)
    files["clocks.csv"] = (
        b"logger,from,to,shift_s\nwest,2020-01-01,,1\nwest,2020-02-01,2020-03-01,2\nwest,2020-04-01,2020-05-01,3\n"
    )
    errors = errors_of(write_folder(tmp_path, files))
    assert places(errors) == ["clocks.csv:3:from", "clocks.csv:4:from"]
    assert all("clocks.csv:2" in error.found for error in errors)


@pytest.mark.parametrize(
    ("name", "meant"), [("outage.csv", "outages.csv"), ("Gauges.CSV", "gauges.csv"), ("site.yml", "site.yaml")]
)
def test_a_file_with_nearly_the_right_name_is_not_passed_over(tmp_path: Path, name: str, meant: str) -> None:
    files = {(name if file == meant else file): text for file, text in FOLDER.items()}
    errors = errors_of(write_folder(tmp_path, files))
    assert any(error.file == name and f"Did you mean {meant}?" in error.advice for error in errors)


def test_an_absent_folder_is_a_sentence(tmp_path: Path) -> None:
    (error,) = errors_of(tmp_path / "nowhere")
    assert error.sentence.startswith(f"{tmp_path / 'nowhere'}: found no such folder; allowed: a site folder. ")


def test_a_folder_in_place_of_a_register_is_a_sentence(tmp_path: Path) -> None:
    folder = write_folder(tmp_path, {name: text for name, text in FOLDER.items() if name != "plots.csv"})
    (folder / "plots.csv").mkdir()
    (error,) = errors_of(folder)
    assert (error.file, "cannot be read" in error.found) == ("plots.csv", True)


@pytest.mark.skipif(os.geteuid() == 0, reason="nothing is closed to the superuser")
def test_a_register_that_may_not_be_read_is_a_sentence(tmp_path: Path) -> None:
    folder = write_folder(tmp_path, FOLDER)
    (folder / "plots.csv").chmod(0)
    (error,) = errors_of(folder)
    assert (error.file, "cannot be read" in error.found) == ("plots.csv", True)


@pytest.mark.parametrize("opener", ["[", "{a: ", "- "])
def test_yaml_nested_without_end_is_a_sentence(tmp_path: Path, opener: str) -> None:
    errors = errors_of(write_folder(tmp_path, {**FOLDER, "site.yaml": opener.encode() * 5000}))
    assert errors[0].file == "site.yaml"


# whatever stands in a folder, a Site or sentences come of it


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_folder(tmp_path_factory.mktemp("site"), FOLDER)


def outcome(folder: Path, file: str, content: bytes) -> Site | SiteErrors:
    try:
        return load_site(write_folder(folder, {file: content}))
    except SiteErrors as errors:
        return errors
    finally:
        write_folder(folder, {file: FOLDER[file]})


def told_well(errors: SiteErrors) -> bool:
    texts = [(error.sentence, error.found, error.allowed, error.advice) for error in errors.errors]
    return bool(texts) and all(all(parts) and "\n" not in parts[0] for parts in texts)


file_names = st.sampled_from(sorted(FOLDER))
cells = st.one_of(
    st.text(max_size=12),
    st.sampled_from(
        ["", "0", "-1", "nan", "1e400", "9" * 400, "2019-10-01", "2019-13-01", "0001-01-01", "9999-12-31T23:59:59-14:00",
         "forward", "running", "N", "N1", "S", "east", "bore-75", '"', '""', "=1+1", "\x00", "\ufeff", "%", "{", "*a", "&a", "!!x"]
    ),
)  # fmt: skip


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    file=file_names,
    flips=st.lists(st.tuples(st.integers(0, 2000), st.integers(0, 255)), min_size=1, max_size=4),
)
@example(file="site.yaml", flips=[(0, 0x25)])
@example(file="plots.csv", flips=[(0, 0x22)])
def test_flipped_bytes_give_a_site_or_sentences(folder: Path, file: str, flips: list[tuple[int, int]]) -> None:
    content = bytearray(FOLDER[file])
    for place, byte in flips:
        content[place % len(content)] = byte
    result = outcome(folder, file, bytes(content))
    assert isinstance(result, Site) or told_well(result)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(file=file_names, place=st.tuples(st.integers(0, 60), st.integers(0, 20)), cell=cells)
def test_replaced_cells_give_a_site_or_sentences(folder: Path, file: str, place: tuple[int, int], cell: str) -> None:
    separator = ": " if file == "site.yaml" else ","
    lines = [line.split(separator) for line in FOLDER[file].decode().split("\n")]
    line = lines[place[0] % len(lines)]
    line[place[1] % len(line)] = cell
    content = "\n".join(separator.join(parts) for parts in lines).encode(errors="replace")
    result = outcome(folder, file, content)
    assert isinstance(result, Site) or told_well(result)


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    file=file_names,
    content=st.one_of(st.binary(max_size=300), st.text(max_size=200).map(lambda text: text.encode(errors="replace"))),
)
@example(file="site.yaml", content=b'"\\UFFFFFFFF"')
@example(file="site.yaml", content=b"- a\n- b\n")
@example(file="site.yaml", content=b"word")
@example(file="site.yaml", content=b"? {a: b}\n: c")
@example(file="site.yaml", content=b"%YAML 9.9\n---\na: b")
@example(file="site.yaml", content=b"a: &x {b: *x}")
@example(file="site.yaml", content=b"<<: {a: b}")
def test_any_content_gives_a_site_or_sentences(folder: Path, file: str, content: bytes) -> None:
    result = outcome(folder, file, content)
    assert isinstance(result, Site) or told_well(result)
