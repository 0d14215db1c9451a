"""Bottles and results: what the samplers take and what the laboratory says of it.

Belongs here: grabs, flow-paced composites, duplicates, blanks, batches, units, detection limits.
Does not: true concentrations (nitrate.py), files (raw_files.py).

Conventions of the two tables:
  samples  One row per bottle. `from` and `to` are the site's standard time without offset; a grab has no `to`. A field
           duplicate is a bottle of its own with the plot and time of the one it repeats. A field blank names no plot.
  lab      One row per result. `role` says what it is: result, field_duplicate (of a bottle of its own), lab_duplicate
           (a second analysis of the same bottle), field_blank (of a bottle without plot), lab_blank (the laboratory's
           own water: its sample appears in no field book). A result below the limit is "<" and gives the limit as its
           value.
"""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tests.field.plan import Plan
from tests.field.plots import Plot
from tests.field.water import column
from tests.field.weather import Floats

NITROGEN_G_MOL = 14.007
NITRATE_G_MOL = NITROGEN_G_MOL + 3 * 15.999
"""IUPAC standard atomic weights, abridged."""

PER_MG_L_AS_N = {
    "mg/L as N": 1.0,
    "mg/L as NO3": NITRATE_G_MOL / NITROGEN_G_MOL,
    "umol/L": 1000 / NITROGEN_G_MOL,
}
DECIMALS = {"mg/L as N": 2, "mg/L as NO3": 1, "umol/L": 0}
BATCH_DAYS = 28
ION_BATCH = 6
MOLAR_BATCH = 8
DILUTED_BATCH = 20
DETECTION_LIMIT_MG_L = 0.2
DILUTED_DETECTION_LIMIT_MG_L = 8.5

SAMPLE_COLUMNS = ["sample", "plot", "kind", "from", "to", "bottle", "note"]
LAB_COLUMNS = [
    "sample",
    "analyte",
    "value",
    "unit",
    "qualifier",
    "detection_limit",
    "analysed",
    "batch",
    "role",
]


def stamps(times: NDArray[np.datetime64]) -> NDArray[np.str_]:
    return np.datetime_as_string(times, unit="m")


def numbered(prefix: str, count: int) -> list[str]:
    return [f"{prefix}{number:05d}" for number in range(1, count + 1)]


def hourly_grabs(plan: Plan, plots: list[Plot], nitrate: Floats) -> pd.DataFrame:
    """A grab at the middle of every hour at every plot, with its true concentration."""
    names = np.array([plot.plot for plot in plots])
    middle = plan.hours_local + np.timedelta64(30, "m")
    return pd.DataFrame(
        {
            "plot": np.repeat(names, plan.hours),
            "kind": "grab",
            "start": np.tile(middle, len(plots)),
            "end": np.datetime64("NaT", "s"),
            "mg_l": nitrate.ravel(),
            "note": "",
        }
    )


def weekly_grabs(plan: Plan, plots: list[Plot], net_l: Floats, nitrate: Floats) -> pd.DataFrame:
    """Every Tuesday from the forenoon on, plot after plot, where water runs; now and then the round is skipped."""
    generator = plan.stream("grabs")
    first_tuesday = (1 - plan.first_day.weekday()) % 7
    days = np.arange(first_tuesday, plan.hours // 24, 7)
    days = days[generator.random(days.size) > 0.06]
    minute = generator.integers(0, 20, days.size) * 5 + 9 * 60
    at = plan.start_local + days * np.timedelta64(1, "D") + minute * np.timedelta64(1, "m")
    walk = np.arange(len(plots)) * np.timedelta64(20, "m")
    when = at + walk[:, None]
    hour = ((when - plan.start_local) // np.timedelta64(1, "h")).astype(int)
    plot = np.repeat(np.arange(len(plots)), days.size).reshape(when.shape)
    running = net_l[plot, hour] > 0.4 * 60
    names = np.array([p.plot for p in plots])
    return pd.DataFrame(
        {
            "plot": names[plot[running]],
            "kind": "grab",
            "start": when[running],
            "end": np.datetime64("NaT", "s"),
            "mg_l": nitrate[plot[running], hour[running]],
            "note": "",
        }
    )


def event_composites(
    plan: Plan, plots: list[Plot], forward_l: Floats, nitrate: Floats, missing: NDArray[np.bool_]
) -> pd.DataFrame:
    """Flow-paced composites over events: an aliquot for every 0.5 mm that the meter passes forward.

    A window opens when the drain passes more than 0.09 mm/h and closes when it passes less, or after three days. The
    sampler hears the meter through the logger: a window with a missing reading gives no bottle. Not deployed in January
    and February.
    """
    generator = plan.stream("composites")
    per_mm = column(plots, "area_ha")[:, None] * 10_000
    hourly = forward_l.reshape(len(plots), plan.hours, -1).sum(axis=2)
    month = plan.hours_local.astype("datetime64[M]").astype(int) % 12 + 1
    open_ = (hourly / per_mm > 0.09) & (month > 2)
    open_[:, [0, -1]] = False
    plot, begin = np.nonzero(~open_[:, :-1] & open_[:, 1:])
    _, finish = np.nonzero(open_[:, :-1] & ~open_[:, 1:])
    begin, finish = begin + 1, finish + 1
    pieces = np.ceil((finish - begin) / 72).astype(int)
    piece = np.arange(pieces.sum()) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    plot = np.repeat(plot, pieces)
    begin_piece = np.repeat(begin, pieces) + 72 * piece
    finish_piece = np.minimum(begin_piece + 72, np.repeat(finish, pieces))

    aliquots = np.diff(np.floor(np.cumsum(hourly, axis=1) / (0.5 * per_mm)), axis=1, prepend=0.0)
    lost = missing.reshape(len(plots), plan.hours, -1).any(axis=2)

    def within(hourly_values: Floats) -> Floats:
        total = np.pad(np.cumsum(hourly_values, axis=1), ((0, 0), (1, 0)))
        return total[plot, finish_piece] - total[plot, begin_piece]

    number = within(aliquots)
    mean = np.round(within(aliquots * nitrate) / np.maximum(number, 1), 4)
    good = (number >= 3) & (within(lost.astype(float)) == 0) & (generator.random(number.size) < 0.8)
    names = np.array([p.plot for p in plots])
    return pd.DataFrame(
        {
            "plot": names[plot[good]],
            "kind": "flow_composite",
            "start": plan.hours_local[begin_piece[good]],
            "end": plan.start_local + finish_piece[good] * np.timedelta64(1, "h"),
            "mg_l": mean[good],
            "note": [f"{aliquots:.0f} aliquots" for aliquots in number[good]],
        }
    )


def sample_table(bottles: pd.DataFrame) -> pd.DataFrame:
    """The field book: rows of bottles as the samples file shows them."""
    ended = bottles["end"].notna().to_numpy()
    end = np.where(ended, stamps(bottles["end"].to_numpy("datetime64[s]")), "")
    return pd.DataFrame(
        {
            "sample": bottles["sample"],
            "plot": bottles["plot"],
            "kind": bottles["kind"],
            "from": stamps(bottles["start"].to_numpy("datetime64[s]")),
            "to": end,
            "bottle": bottles["bottle"],
            "note": bottles["note"],
        }
    )[SAMPLE_COLUMNS]


def result_table(
    results: pd.DataFrame, unit: NDArray[np.str_], limit_mg_l: Floats, analysed: NDArray[np.datetime64]
) -> pd.DataFrame:
    """Results in the units and to the decimals of their batch; below the limit, the limit with "<"."""
    factor = pd.Series(unit).map(PER_MG_L_AS_N).to_numpy()
    scale = 10.0 ** pd.Series(unit).map(DECIMALS).to_numpy()
    limit = np.round(limit_mg_l * factor, 2)
    measured = np.round(np.round(results["mg_l"].to_numpy() * factor * scale, 3)) / scale
    below = measured < limit
    return pd.DataFrame(
        {
            "sample": results["sample"],
            "analyte": "nitrate_n",
            "value": [f"{value:.10g}" for value in np.where(below, limit, measured)],
            "unit": unit,
            "qualifier": np.where(below, "<", ""),
            "detection_limit": [f"{value:.10g}" for value in limit],
            "analysed": np.datetime_as_string(analysed, unit="D"),
            "batch": [f"B{number:03d}" for number in results["batch_number"]],
            "role": results["role"],
        }
    )[LAB_COLUMNS]


def exact_results(plan: Plan, bottles: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Field book and results of a laboratory that does not err."""
    bottles = bottles.assign(sample=numbered("H", len(bottles)), bottle=1)
    elapsed = bottles["start"].to_numpy("datetime64[s]") - plan.start_local
    batch = elapsed // np.timedelta64(BATCH_DAYS, "D")
    results = bottles.assign(role="result", batch_number=batch + 1)
    analysed = plan.start_local + (batch + 1) * np.timedelta64(BATCH_DAYS, "D")
    lab = result_table(
        results,
        np.full(len(results), "mg/L as N"),
        np.full(len(results), 0.01),
        analysed,
    )
    lab["value"] = [f"{value:.4f}" for value in bottles["mg_l"]]
    lab["qualifier"] = ""
    return sample_table(bottles), lab


def fallible_results(plan: Plan, bottles: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Field book and results with duplicates and blanks, batch by batch, each batch with an error of its own.

    One batch is reported as the ion, one in µmol/L, one was diluted so far that low results are censored.
    """
    generator = plan.stream("laboratory")
    grabs = np.flatnonzero(bottles["kind"] == "grab")
    repeated = bottles.iloc[grabs[generator.random(grabs.size) < 0.06]].assign(
        role="field_duplicate", bottle=2, note="field duplicate"
    )
    rounds = bottles.iloc[grabs]["start"].dt.normalize().drop_duplicates().sort_values()
    blanks_at = rounds.iloc[::5] + pd.Timedelta(hours=8, minutes=30)
    blanks = pd.DataFrame(
        {
            "plot": "",
            "kind": "grab",
            "start": blanks_at.to_numpy("datetime64[s]"),
            "end": np.datetime64("NaT", "s"),
            "mg_l": np.round(np.abs(generator.standard_normal(len(blanks_at))) * 0.06, 4),
            "note": "field blank",
            "role": "field_blank",
            "bottle": 1,
        }
    )
    field = pd.concat([bottles.assign(role="result", bottle=1), repeated, blanks], ignore_index=True)
    field = field.sort_values(["start", "plot", "bottle", "kind"], kind="stable", ignore_index=True)
    field["sample"] = numbered("S", len(field))

    handed_in = field["end"].fillna(field["start"]).to_numpy("datetime64[s]")
    field["batch_number"] = (handed_in - plan.start_local) // np.timedelta64(BATCH_DAYS, "D") + 1
    again = field[(field["role"] == "result") & (generator.random(len(field)) < 0.05)].assign(role="lab_duplicate")
    batches = np.sort(field["batch_number"].unique())
    lab_blanks = pd.DataFrame(
        {
            "sample": [f"LB{number:03d}" for number in batches],
            "mg_l": np.round(np.abs(generator.standard_normal(batches.size)) * 0.05, 4),
            "role": "lab_blank",
            "batch_number": batches,
        }
    )
    results = pd.concat([field, again, lab_blanks], ignore_index=True)
    results = results.sort_values(["batch_number", "role", "sample"], kind="stable", ignore_index=True)
    number = results["batch_number"].to_numpy()
    batch_error = 1 + 0.01 * generator.standard_normal(int(number.max()) + 1)
    own_error = 1 + 0.02 * generator.standard_normal(len(results))
    results["mg_l"] = np.round(results["mg_l"] * batch_error[number] * own_error, 5)
    unit = np.full(len(results), "mg/L as N", dtype="<U11")
    unit[number == ION_BATCH] = "mg/L as NO3"
    unit[number == MOLAR_BATCH] = "umol/L"
    blank = results["role"].str.endswith("blank").to_numpy()
    limit = np.where((number == DILUTED_BATCH) & ~blank, DILUTED_DETECTION_LIMIT_MG_L, DETECTION_LIMIT_MG_L)
    analysed = plan.start_local + number * np.timedelta64(BATCH_DAYS, "D") + np.timedelta64(3, "D")
    return sample_table(field), result_table(results, unit, limit, analysed)
