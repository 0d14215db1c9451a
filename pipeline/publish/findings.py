"""What the record says against its meters, for the person who goes to look.

Belongs here: findings in sentences, the line that a run ends with.
Does not: finding (stages/meter_findings.py), when it is shown (cli.py).
"""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from pipeline.lake import Lake
from pipeline.site import Site
from pipeline.tables import table
from pipeline.tables.declared.meters import FINDING_KINDS

KIND_WORDS = {
    "silence": ("silent meter", "silent meters"),
    "stuck_counter": ("stuck counter", "stuck counters"),
    "impossible_rate": ("impossible rate", "impossible rates"),
    "step": ("step", "steps"),
    "direction_swapped": ("meter with exchanged directions", "meters with exchanged directions"),
    "columns_swapped": ("meter with another's counts", "meters with another's counts"),
}
AS_GAPS = "Hours in which a meter is found silent or stuck are filled like any gap (policy detected_outages: gap)."
AS_REPORTED = (
    "Hours in which a meter is found silent or stuck stand as they were counted (policy detected_outages: report)."
)


def stored_findings(lake: Lake, site: Site) -> pd.DataFrame | None:
    """Rows of `meter_findings` of all years; none where none are stored."""
    declared = table("meter_findings")
    years = lake.years(declared, site.site)
    return lake.frame(declared, site.site, years) if years else None


def findings_note(lake: Lake, site: Site) -> str:
    """How many findings of which kind there are, and where to read more; an empty text where there are none."""
    found = stored_findings(lake, site)
    if found is None or found.empty:
        return ""
    counts = found["kind"].value_counts().to_dict()
    words = [f"{counts[kind]} {names[counts[kind] > 1]}" for kind, names in KIND_WORDS.items() if kind in counts]
    return (
        f"The record speaks against meters of {site.title}: {', '.join(words)}. `drainledger meters` says what, when, how strongly and "
        "what to check."
    )


def findings_text(lake: Lake, site: Site) -> Iterator[str]:
    """A paragraph per finding, in order of plot and time, times in the site's standard time."""
    found = stored_findings(lake, site)
    if found is None:
        yield f"{site.title}: nothing has been looked for yet; `drainledger run` does."
        return
    if found.empty:
        yield f"{site.title}: the record speaks against no meter."
        return
    yield f"{site.title}: {len(found)} finding{'s' if len(found) > 1 else ''} (standard time; the clock of the registers)."
    for row in found.sort_values(["plot", "start", "kind"]).to_dict("records"):
        start, end = (f"{row[name] + site.utc_offset:%Y-%m-%d %H:%M}" for name in ("start", "end"))
        yield (
            f"{row['plot']}, {start} to {end}: {FINDING_KINDS[row['kind']]}. Evidence {row['strength']} (10^{row['evidence']:.1f} times "
            f"better than a sound meter explains it).\n  {row['finding']}\n  Check {row['check']}."
        )
    if found["kind"].isin(["silence", "stuck_counter"]).any():
        yield AS_GAPS if site.policies.detected_outages == "gap" else AS_REPORTED
