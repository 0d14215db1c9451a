"""A small site for tests: one logger, two meters, written as a site folder and raw files.

Belongs here: the folder with its defaults, so that a test states only what it is about.
Does not: truth (tests/field).
"""

from __future__ import annotations

from pathlib import Path
from textwrap import dedent, indent

from pipeline.site import Site, load_site

LAYOUT = """
delimiter: ";"
lines_before_data: 2
names_on_line: 2
timestamp: {column: when, format: "%Y-%m-%d %H:%M", stamps: end, utc_offset: "-06:00"}
interval: 10min
missing: ["---", ""]
"""

REGISTERS = {
    "plots.csv": "plot,title,area_ha\nnorth,North plot,1.0\nsouth,South plot,2.0\n",
    "meters.csv": (
        "meter,plot,bore_mm,main_mm,accuracy,top_l_min,from,to\n"
        "M1,north,75,150,standard,400,2019-10-01,\nM2,south,75,150,standard,400,2019-10-01,\n"
    ),
    "accuracy.csv": "accuracy,flow_l_min,error_pct\nstandard,4.2,5.0\nstandard,42,1.0\nstandard,400,0.2\n",
    "wiring.csv": (
        "logger,column,meter,direction,counts,modulus,from,to\n"
        "east,a,M1,forward,interval,,2019-10-01,\neast,b,M1,reverse,interval,,2019-10-01,\n"
        "east,c,M2,forward,interval,,2019-10-01,\neast,d,M2,reverse,interval,,2019-10-01,\n"
    ),
    "gauges.csv": ("gauge,logger,column,quantity,unit,plot,from,to\nsupply,east,volt,supply_voltage,V,,2019-10-01,\n"),
    "calibrations.csv": (
        "meter,direction,litres_per_pulse,expanded_uncertainty_pct,from,to,evidence,entered\n"
        "M1,forward,5.0,1.0,2019-10-01,,bench,2019-09-01\nM1,reverse,5.0,1.0,2019-10-01,,bench,2019-09-01\n"
        "M2,forward,5.0,1.0,2019-10-01,,bench,2019-09-01\nM2,reverse,5.0,1.0,2019-10-01,,bench,2019-09-01\n"
    ),
}

HEADER = "logger east\nwhen;a;b;c;d;volt\n"


def small_site(folder: Path, layout: str = LAYOUT, weather: str = "", policies: str = "{}", **registers: str) -> Site:
    """Write a site folder and load it; a register is given by its name without the ending, as its whole text."""
    configs = folder / "configs" / "small"
    configs.mkdir(parents=True, exist_ok=True)
    (configs / "site.yaml").write_text(
        dedent(
            """
            site: small
            title: A small site
            clock: {utc_offset: "-06:00"}
            water_year_starts: "10-01"
            first_day: 2019-10-01
            last_day: 2021-09-30
            analytes: [nitrate_n]
            loggers:
              east: {layout: plain, files: "logger/east*"}
            """
        )
        + f"logger_layouts:\n  plain:\n{indent(dedent(layout).strip(), '    ')}\n{weather}\npolicies: {policies}\n"
    )
    for name, text in (REGISTERS | {f"{register}.csv": text for register, text in registers.items()}).items():
        (configs / name).write_text(text)
    return load_site(configs)


def raw_folder(folder: Path, **files: str | bytes) -> Path:
    """Write raw logger files; `__` in a name stands for the dot before the ending."""
    raw = folder / "lake" / "raw" / "small"
    (raw / "logger").mkdir(parents=True, exist_ok=True)
    for name, content in files.items():
        data = content if isinstance(content, bytes) else content.encode()
        (raw / "logger" / f"{name.replace('__', '.')}").write_bytes(data)
    return raw
