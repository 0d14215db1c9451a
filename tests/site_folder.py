"""A small valid site folder, as the bytes of its files.

Belongs here: the folder and how a test changes and writes it.
Does not: the demo site (tests/field), expectations (test_site.py, test_site_errors.py).
"""

from __future__ import annotations

from pathlib import Path

SITE_YAML = """\
site: reed-fen
title: Reed Fen drainage experiment
clock: {utc_offset: "-06:00"}
water_year_starts: "10-01"
first_day: 2019-10-01
last_day: 2021-09-30
analytes: [nitrate_n]
logger_layouts:
  plain:
    delimiter: ";"
    encoding: utf-8
    decimal: ","
    lines_before_data: 3
    names_on_line: 2
    timestamp: {column: when, format: "%d.%m.%Y %H:%M", stamps: end, utc_offset: "-06:00"}
    interval: 10min
    missing: ["---", ""]
  two_columns:
    delimiter: ","
    lines_before_data: 1
    names_on_line: 1
    timestamp:
      column: [date, clock]
      format: "%Y-%m-%d %H:%M:%S"
      stamps: start
      timezone: America/Chicago
    interval: 15min
loggers:
  east: {layout: plain, files: "logger/east_*.csv"}
  west: {layout: two_columns, files: "logger/west_*.csv"}
weather: {interval: 1h, stamps: end}
policies: {}
"""

FOLDER = {
    name: text.encode()
    for name, text in {
        "site.yaml": SITE_YAML,
        "plots.csv": "plot,title,area_ha\nN,North plot,2.5\nS,South plot,1.25\n",
        "treatments.csv": "plot,treatment,from,to\n"
        "N,free drainage,2019-10-01,2020-11-15\n"
        "N,controlled drainage,2020-11-15,\n"
        "S,free drainage,2019-10-01,\n",
        "meters.csv": "meter,plot,bore_mm,main_mm,accuracy,top_l_min,from,to\n"
        "N1,N,75,150,bore-75,600,2019-10-01,\n"
        "S1,S,100,200,bore-100,1100,2019-10-01,2020-12-01\n"
        "S2,S,100,200,bore-100,1100,2020-12-01,\n",
        "accuracy.csv": "accuracy,flow_l_min,error_pct\n"
        "bore-75,2.0,12\nbore-75,4.2,5\nbore-75,20,1\nbore-100,3.6,12\nbore-100,7.5,5\nbore-100,36,1\n",
        "accuracy_classes.csv": "accuracy,q3_m3_h,ratio\nplate-80,63,160\nplate-100,100,200\n",
        "wiring.csv": "logger,column,meter,direction,counts,modulus,from,to\n"
        "east,n1,N1,forward,interval,,2019-10-01,\n"
        "east,n2,N1,reverse,interval,,2019-10-01,\n"
        "west,c1,S1,forward,running,65536,2019-10-01,2020-12-01\n"
        "west,c2,S1,reverse,running,65536,2019-10-01,2020-12-01\n"
        "west,c1,S2,forward,running,65536,2020-12-01,\n",
        "gauges.csv": "gauge,logger,column,quantity,unit,plot,from,to\n"
        "supply,east,volts,supply_voltage,V,,2019-10-01,\n"
        "well,east,level,water_level,m,N,2019-10-01,\n",
        "calibrations.csv": "meter,direction,litres_per_pulse,expanded_uncertainty_pct,from,to,evidence,entered\n"
        "N1,forward,8.0,1.0,2019-10-01,2020-10-01,bench,2019-09-20\n"
        "N1,forward,8.1,1.0,2020-10-01,,bench,2020-10-02\n"
        "N1,reverse,8.2,1.5,2019-10-01,,bench,2019-09-20\n"
        "S1,forward,5.0,1.0,2019-10-01,2020-12-01,bench,2019-09-20\n"
        "S1,reverse,5.1,1.5,2019-10-01,2020-12-01,bench,2019-09-20\n"
        "S2,forward,5.2,1.0,2020-12-01,,bench,2020-12-01\n",
        "outages.csv": "scope,name,from,to,cause,note\n"
        "meter,N1,2020-06-01T14:30,2020-06-03,lightning,pump failed\n"
        "logger,west,2020-07-01,2020-07-02,lightning,\n",
        "clocks.csv": "logger,from,to,shift_s,shift_at_end_s\nwest,2020-01-01,2020-02-01,-3600,\n",
    }.items()
}


def replaced(file: str, old: str, new: str) -> dict[str, bytes]:
    """The folder with one piece of text in one file replaced; the piece must stand there exactly once."""
    text = FOLDER[file].decode()
    assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in {file}"
    return {**FOLDER, file: text.replace(old, new).encode()}


def write_folder(folder: Path, files: dict[str, bytes]) -> Path:
    """Write the files into a folder and return it."""
    for name, content in files.items():
        (folder / name).write_bytes(content)
    return folder
