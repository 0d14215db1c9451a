"""What the receiver of a package reads first.

Belongs here: README.md of the package: what must be known before a number is used, what lies where, how to open it.
Does not: methods (methods.py), what programs read (descriptors.py).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from importlib.metadata import version

import duckdb
import pandas as pd

from pipeline.lake import Lake
from pipeline.orchestration.history import NOW
from pipeline.publish.share.descriptors import data_title, state_digest
from pipeline.publish.share.markdown import plain, text_table
from pipeline.site import Person, Site
from pipeline.site.analytes import ANALYTES
from pipeline.tables import Table, table
from pipeline.tables.declared.loads import CONCENTRATION_BASIS
from pipeline.tables.declared.words import BASIS, NEGATIVE_IS_REAL

UNKNOWN = "–"
MOST_CHANGES = 60

BEFORE_A_NUMBER_IS_USED = """\
## Before you use a number

**1. Negative flow is a measurement.** {negative}
{backward}

**2. `basis` says where an hour's number comes from.** `csv/hourly_flow.csv` and `csv/concentration.csv` have a row for every hour of every
plot, without holes. What was not measured was estimated, and says so:

{flow_basis}

{concentration_basis}

In the tables of loads, `share_measured` and `share_filled` say how much of a period's water was metered and estimated, and
`share_below_range` how much ran slower than the meter is accurate.

**3. `_p05` and `_p95` are the ends of a 90 % interval**: the 5th and 95th percentiles of what the true value may be, given all that is
known. The value between them is the best estimate. Values add up: days to months and years, events and what ran between them to
years. **Ends of intervals never add up**, because errors that hours share (a calibration, a gap) do not average out, and others do:
take the interval from the table of the period that you need, and do not make one from the ends of shorter periods.

**4. Empty is not zero.** An empty cell is unknown. Where a load is empty, `why_empty` says why, and `load_known_kg_ha` is the sum
of the hours that are known, which is not the period's load. A result below the detection limit is `censored`, and its number is a
placeholder.

**5. Times are UTC**, by ISO 8601 (`2020-01-31T06:00:00Z`). Days, months and water years are those of the site's standard time, UTC{offset}:
its midnight is {midnight} UTC. A water year begins on {water_year} and bears the number of the calendar year in which it ends.

**6. Units are in the names of the columns**, and with every column's meaning in `dictionary.csv`. {counted}
"""

OPENING = """\
## How to open it

The files of `csv/` are comma-separated text in UTF-8 (RFC 4180), those of `parquet/` hold the same rows with their types. Both open
without options:

    pandas.read_parquet("parquet/loads_annual.parquet")          # Python
    FROM 'parquet/loads_annual.parquet';                         -- DuckDB; the .csv likewise
    readr::read_csv("csv/loads_annual.csv")                      # R

In a spreadsheet, open `csv/loads_annual.csv`. So that no cell is taken for a formula and executed, a text that begins with
= + - @ (or a tabulator or a line's end) has an apostrophe before it, and so has what follows a semicolon, tabulator or line's end
inside a text, if it begins like that. A text that has an apostrophe there by itself has one more; in a column that may be missing, a lone
apostrophe is a text without words. Taking one apostrophe away at each of these places gives the text back. Numbers, times and the
Parquet files hold no such marks.

Numbers are written with as many digits as they need to be read back exactly (some older versions of pandas do so only with
`float_precision="round_trip"`). `datapackage.json` describes every column for programs (Frictionless Data Package): types, units,
meanings, codes, keys and allowed ranges. `provenance.json` has the SHA-256 of every raw file and register, and the fingerprint of
every table, that the package was made of. `sha256sum -c SHA256SUMS` tells whether a file has changed since.
"""


def readme_text(
    session: duckdb.DuckDBPyConnection,
    lake: Lake,
    site: Site,
    tables: Sequence[Table],
    rows: Mapping[str, int],
    absent: Sequence[str],
    stale: Sequence[str],
    time_series: str | None,
) -> str:
    """README.md of the package.

    Args:
        session: counts hours.
        lake: the lake.
        site: the experiment.
        tables: the declarations of what the package holds.
        rows: their numbers of rows.
        absent: tables that it would hold if they were in the lake.
        stale: what of the lake is not up to date, in sentences.
        time_series: path of the netCDF file; none: there is none.
    """
    parts = [
        f"# {plain(data_title(site))}",
        _what_this_is(lake, site),
        *([_warning(stale)] if stale else []),
        _before_a_number_is_used(session, lake, site),
        "## What lies where",
        text_table(("table", "rows", "a row is"), ((f"`{one.name}`", f"{rows[one.name]:,}", one.row) for one in tables)),
        "Tables whose names begin with `register_` are the experiment's registers: plots, meters, calibrations and what else people enter.",
        *([f"Not computed, and so not here: {', '.join(f'`{name}`' for name in absent)}."] if absent else []),
        *(
            [f"`{time_series}` holds the hours of all plots once more, as CF-convention time series (netCDF)."]
            if time_series
            else []
        ),
        "`METHODS.md` says how the numbers were made, with the choices of this site and the calibrations in force.",
        OPENING.rstrip(),
        "## Rights and questions",
        _rights(site),
        "## What changed",
        _changes(lake, site),
    ]
    return "\n\n".join(parts) + "\n"


def _what_this_is(lake: Lake, site: Site) -> str:
    annual = table("loads_annual")
    years = lake.years(annual, site.site)
    analytes = ", ".join(ANALYTES[name].meaning for name in site.analytes)
    return (
        f"{plain(site.title)}: {len(site.plots)} drained plots, water years {years[0]} to {years[-1]}; {analytes}. "
        f"Made by drainledger {version('drainledger')}; state `{state_digest(lake, site)[:12]}`. Whoever quotes a number should quote "
        "the state with it: numbers change when a calibration is corrected, and the state then changes too."
    )


def _warning(stale: Sequence[str]) -> str:
    return "\n".join(
        ["**Not up to date when this package was made:**", "", *(f"- {plain(sentence)}" for sentence in stale)]
    )


def _before_a_number_is_used(session: duckdb.DuckDBPyConnection, lake: Lake, site: Site) -> str:
    month, day = site.water_year_starts
    midnight = site.midnight(datetime(2001, 1, 1, tzinfo=UTC).date())
    return BEFORE_A_NUMBER_IS_USED.format(
        negative=NEGATIVE_IS_REAL,
        backward=_backward(session, lake, site),
        flow_basis=_shares(session, lake, site, "hourly_flow", "flow", BASIS),
        concentration_basis=_shares(session, lake, site, "concentration", "concentration", CONCENTRATION_BASIS),
        offset=_signed_hours(site.utc_offset),
        midnight=f"{midnight:%H:%M}",
        water_year=f"{day} {datetime(2001, month, 1):%B}",
        counted=" ".join(
            f"Of `{name}`, concentrations and loads are those of the element {ANALYTES[name].element}."
            for name in site.analytes
        ),
    ).rstrip()


def _signed_hours(offset: timedelta) -> str:
    minutes = round(offset.total_seconds() / 60)
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


def _backward(session: duckdb.DuckDBPyConnection, lake: Lake, site: Site) -> str:
    declared = table("hourly_flow")
    hours = lake.relation(session, declared, site.site, lake.years(declared, site.site))
    ((backward, metered),) = hours.aggregate(
        "count(*) FILTER (net_l < 0 AND basis LIKE 'measured%'), count(*) FILTER (basis LIKE 'measured%')"
    ).fetchall()
    if not backward:
        return f"In this record no metered hour is negative, of {metered:,}."
    return f"In this record that is so in {backward:,} of {metered:,} metered plot-hours."


def _shares(
    session: duckdb.DuckDBPyConnection, lake: Lake, site: Site, name: str, what: str, meanings: Mapping[str, str]
) -> str:
    declared = table(name)
    stored = lake.relation(session, declared, site.site, lake.years(declared, site.site))
    counted = dict(stored.aggregate("basis, count(*)").fetchall())
    whole = sum(counted.values())
    rows = [
        (f"`{basis}`", meaning, f"{100 * counted.get(basis, 0) / whole:.1f} %" if whole else UNKNOWN)
        for basis, meaning in meanings.items()
    ]
    return text_table((f"basis of a {what}", "meaning", "of all hours"), rows)


def _rights(site: Site) -> str:
    people = "; ".join(_person(person) for person in site.creators)
    lines = [
        f"- Made by: {people}."
        if people
        else "- Made by: site.yaml names no creators; ask whoever sent you this package.",
        f"- Licence: {plain(site.licence)}."
        if site.licence
        else "- Licence: none is stated. Ask before you use or pass on the data.",
        f"- Questions: {_person(site.contact)}." if site.contact else "- Questions: to whoever sent you this package.",
        "- To cite: `CITATION.cff`"
        + (f", https://doi.org/{plain(site.citation.doi)}." if site.citation.doi else ", and the state above."),
    ]
    return "\n".join(lines)


def _person(person: Person) -> str:
    also = [person.affiliation, person.email, f"ORCID {person.orcid}" if person.orcid else None]
    said = ", ".join(plain(one) for one in also if one)
    return f"{plain(person.name)} ({said})" if said else plain(person.name)


def _changes(lake: Lake, site: Site) -> str:
    """What moved since the last published state."""
    revisions = lake.frame(table("revisions"), site.site)
    if revisions.empty:
        return "No state of these loads has been published before, so there is none to compare with."
    last = revisions.sort_values("revision").iloc[-1]
    told = (
        f"The last published state is revision {last['revision']} of {last['made_at']:%Y-%m-%d}: {plain(last['reason'])}."
    )
    changes = lake.frame(table("load_changes"), site.site)
    since = (
        (changes["from_revision"] == last["revision"]) & (changes["to_revision"] == NOW) & (changes["kind"] == "annual")
    )
    rows = changes[since].to_dict("records")
    if not rows:
        return f"{told} No annual load has moved since."
    moved = text_table(
        ("plot", "analyte", "water year", "before (kg/ha)", "after (kg/ha)", "change (%)", "what changed"),
        (
            (
                plain(row["plot"]),
                plain(row["analyte"]),
                row["water_year"],
                number(row["before"], 3),
                number(row["after"], 3),
                number(row["change_pct"], 2),
                plain(row["detail"]),
            )
            for row in rows[:MOST_CHANGES]
        ),
    )
    more = f"\n\nand {len(rows) - MOST_CHANGES} more" if len(rows) > MOST_CHANGES else ""
    return f"{told} Annual loads that have moved since:\n\n{moved}{more}\n\n`load_changes` has these, and those of months and events."


def number(value: object, decimals: int) -> str:
    """A number as people read it, or a dash where it is unknown."""
    return UNKNOWN if value is None or pd.isna(value) else f"{value:,.{decimals}f}"  # type: ignore[call-overload]
