"""Random bench tests against the truth: which column is which, and is litres per pulse within its stated uncertainty.

Run `python -m tests.bench.bench_proofs [--benches 1000]`. Each bench is written as a file and read back through the stage, as a
person's would be: 2 to 5 meters of one logger on columns in random order with idle ones between, 3 to 12 runs at random flows,
a reference of random uncertainty, repeatability, an error that follows each meter's own curve within its error curve, pulses from
half a litre to 300 L. Meters count forward and reverse; some files say which way the water ran, some which meters were in line.

Belongs here: the invented benches, what came of them. Does not: assertions (tests/test_bench_proofs.py takes a few of these).
"""

from __future__ import annotations

import argparse
import tempfile
import time
import zlib
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.site import Site
from pipeline.site.registers import AccuracyPoint, Calibration, Meter, Wiring
from pipeline.stages.bench_proofs import BenchProofs, bench_proofs
from tests.small_site import small_site

SINCE = datetime(2019, 10, 1, 6, tzinfo=UTC)
CURVE = ((2.0, 12.0), (4.2, 5.0), (20.0, 1.0), (200.0, 0.2))
DIRECTIONS = ("forward", "reverse")
KINDS = ("curve", "curve and repeatability", "repeatability", "constant error", "error at each flow")
APART = 0.03
"""Registers of two meters that lie at least so far apart can be told by litres per pulse; nearer ones only by runs without one."""


@dataclass(frozen=True)
class Invented:
    """A bench test and its truth.

    Attributes:
        kind: what the meters' errors are made of.
        site: with registers whose litres per pulse lie about half their uncertainty beside the truth.
        text: the bench file.
        litres: true litres per pulse by column name.
        wires: true meter and direction by column name.
        can_tell: whether the runs can tell all meters apart.
        says_direction, says_in_line: which optional columns the file has.
    """

    kind: str
    site: Site
    text: str
    litres: dict[str, float]
    wires: dict[str, tuple[str, str]]
    can_tell: bool
    says_direction: bool
    says_in_line: bool


def curve_limit(flow_l_min: np.ndarray) -> np.ndarray:
    """Limit of the error as a share: straight on logarithmic axes, 1/flow below the lowest point."""
    at, limit = np.array(CURVE).T
    inside = np.exp(np.interp(np.log(flow_l_min), np.log(at), np.log(limit)))
    return inside * np.maximum(at[0] / flow_l_min, 1.0) / 100


def _error(kind: str, flow: np.ndarray, generator: np.random.Generator) -> np.ndarray:
    """A meter's relative error in each run."""
    limit = curve_limit(flow)
    error = np.zeros(flow.size)
    if kind.startswith("curve"):
        wave = generator.uniform(0.4, 0.9) * np.sin(
            generator.uniform(0.4, 1.5) * np.log(flow) + generator.uniform(0, 2 * np.pi)
        )
        error = wave * limit
    elif kind == "constant error":
        error = generator.uniform(-1, 1) * limit
    elif kind == "error at each flow":
        levels, of_run = np.unique(np.round(np.log(flow), 1), return_inverse=True)
        error = generator.uniform(-1, 1, levels.size)[of_run] * limit
    if "repeatability" in kind:
        error = error + np.exp(generator.uniform(np.log(2e-4), np.log(5e-3))) * generator.standard_normal(flow.size)
    return error


def _registers_litres(meters: int, generator: np.random.Generator, apart: float) -> np.ndarray:
    """Litres per pulse of the registers, forward and reverse, shape (meters, 2); meters of one make, so all alike."""
    typical = np.exp(generator.uniform(np.log(0.5), np.log(200.0)))
    while True:
        forward = typical * np.exp(generator.uniform(-0.35, 0.35, meters))
        gaps = np.diff(np.sort(np.log(forward)))
        if gaps.size == 0 or gaps.min() > apart:
            return forward[:, None] * np.array([1.0, 1.0 + generator.uniform(-0.02, 0.02)])


def invent(number: int, folder: Path, base: Site, kind: str | None = None) -> Invented:
    """One random bench test; the same number gives the same."""
    generator = np.random.Generator(np.random.PCG64([140, zlib.crc32(f"bench study {number}".encode())]))
    kind = kind or KINDS[number % len(KINDS)]
    meters = [f"M{one}" for one in range(1, int(generator.integers(2, 6)) + 1)]
    told_by_presence = generator.random() < 0.3
    says_direction = told_by_presence or generator.random() < 0.6
    register = _registers_litres(len(meters), generator, 0.0 if told_by_presence else APART)
    uncertainty_pct = np.array([1.0, 1.6])
    true = register * (1 + np.clip(generator.standard_normal(register.shape), -1.9, 1.9) * uncertainty_pct / 200)

    runs = int(generator.integers(3, 13))
    forward_runs = max(2, round(runs * 0.6)) if runs > 3 else 2
    backward = np.arange(runs) >= forward_runs
    levels = np.exp(generator.uniform(np.log(8.0), np.log(500.0), int(generator.integers(2, 6))))
    flow = generator.choice(levels, runs) * generator.uniform(0.98, 1.02, runs)
    volume = np.maximum(flow * generator.uniform(5, 20, runs), register.max() * generator.uniform(8, 60))
    standard = np.exp(generator.uniform(np.log(2e-4), np.log(5e-3))) * volume.mean()
    present = np.ones((len(meters), runs), dtype=bool)
    if told_by_presence:
        # Meters too much alike are told by runs without one of them: each leaves the line in a run of its own, once each way.
        for way in (False, True):
            own = np.flatnonzero(backward == way)
            for place in range(min(len(meters) - 1, own.size)):
                present[place, own[place]] = False
    can_tell = not told_by_presence or all(
        len({tuple(row) for row in present[:, backward == way]}) == len(meters) for way in (False, True)
    )

    columns = [f"c{one}" for one in range(1, 2 * len(meters) + 3)]
    order = generator.permutation(len(columns))
    table = pd.DataFrame({"run": np.arange(1, runs + 1)})
    if says_direction:
        table["direction"] = np.where(backward, "reverse", "forward")
    if told_by_presence:
        table["in_line"] = [";".join(np.array(meters)[present[:, run]]) for run in range(runs)]
    table["reference_l"] = np.round(volume + standard * generator.standard_normal(runs), 3)
    table["reference_u_l"] = f"{standard:.5g}"
    table["seconds"] = np.round(volume / flow * 60, 1)
    pulses = np.zeros((len(columns), runs), dtype=int)
    litres, wires = {}, {}
    for place, meter in enumerate(meters):
        for way, direction in enumerate(DIRECTIONS):
            column = order[2 * place + way]
            turned = volume * (1 + _error(kind, flow, generator)) / true[place, way]
            counted = np.floor(turned + generator.random(runs)).astype(int)
            pulses[column] = np.where((backward == bool(way)) & present[place], counted, 0)
            litres[columns[column]] = float(true[place, way])
            wires[columns[column]] = (meter, direction)
    for column, name in enumerate(columns):
        table[name] = pulses[column]
    site = base.model_copy(
        update={
            "meters": tuple(
                Meter(meter=meter, plot="north", bore_mm=75.0, main_mm=150.0, accuracy="curve", top_l_min=600.0, start=SINCE, end=None)
                for meter in meters
            ),
            "accuracy": tuple(AccuracyPoint(accuracy="curve", flow_l_min=at, error_pct=pct) for at, pct in CURVE),
            "wiring": tuple(
                Wiring(
                    logger="east", column=columns[2 * place + way], meter=meter, direction=direction, counts="interval", modulus=None,
                    start=SINCE, end=None,
                )
                for place, meter in enumerate(meters)
                for way, direction in enumerate(DIRECTIONS)
            ),
            "calibrations": tuple(
                Calibration(
                    meter=meter, direction=direction, litres_per_pulse=float(register[place, way]),
                    expanded_uncertainty_pct=float(uncertainty_pct[way]), start=SINCE, end=None, name=f"{meter} {direction}",
                )
                for place, meter in enumerate(meters)
                for way, direction in enumerate(DIRECTIONS)
            ),
        }
    )  # fmt: skip
    return Invented(kind, site, table.to_csv(index=False), litres, wires, can_tell, says_direction, told_by_presence)


def proved(invented: Invented, folder: Path) -> BenchProofs:
    """What the stage makes of a bench."""
    path = folder / "bench" / "east_2019-09-25.csv"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(invented.text)
    return bench_proofs(invented.site, folder, [path])


def outcomes(invented: Invented, found: BenchProofs) -> Iterator[dict[str, object]]:
    """For each column that counts: told right, wrong or not at all; litres per pulse beside the truth."""
    for proof in found.proofs.to_dict("records"):
        truth = invented.wires.get(proof["column"])
        told = (proof["meter"], proof["direction"]) if proof["assignment"] == "told" else None
        stated = proof["expanded_uncertainty_pct"]
        error = 100 * (proof["litres_per_pulse"] / invented.litres[proof["column"]] - 1)
        yield {
            "kind": invented.kind,
            "runs": proof["runs"],
            "told": "not told" if told is None else "right" if told == truth else "WRONG",
            "can_tell": invented.can_tell,
            "file": ("direction" if invented.says_direction else "no direction")
            + (", meters in line" if invented.says_in_line else ""),
            "covered": np.nan if pd.isna(stated) else float(abs(error) <= stated),
            "stated_pct": stated,
            "error_pct": error,
            "coarse": proof["counting_u_pct"] > proof["error_curve_u_pct"] + proof["reference_u_pct"],
        }


def study(benches: int, folder: Path) -> pd.DataFrame:
    """All outcomes of so many benches, one row per counting column."""
    base = small_site(folder)
    rows = []
    for number in range(benches):
        invented = invent(number, folder, base)
        rows += list(outcomes(invented, proved(invented, folder)))
    return pd.DataFrame(rows)


def main() -> None:
    """Print what came of the benches."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--benches", type=int, default=1000, help="how many (default: 1000)")
    benches = parser.parse_args().benches
    with tempfile.TemporaryDirectory() as folder:
        began = time.perf_counter()
        rows = study(benches, Path(folder))
    print(f"{benches} benches, {len(rows)} columns that counted, {time.perf_counter() - began:.0f} s\n")
    for (can_tell, file), part in rows.groupby(["can_tell", "file"]):
        count = Counter(part["told"])
        said = ", ".join(f"{word} {count[word]}" for word in ("right", "not told", "WRONG"))
        print(f"which column is which, {'the runs can tell' if can_tell else 'too few runs to tell'}, {file}: {said}")
    print("\nlitres per pulse within its own expanded uncertainty (95 %):")
    several = rows[rows["covered"].notna()]
    for name, part in [
        ("all", several),
        ("three runs and more", several[several["runs"] >= 3]),
        *((f"errors: {kind}", part) for kind, part in several.groupby("kind")),
        *((f"{runs} runs", part) for runs, part in several.groupby("runs")),
        ("counting the largest part", several[several["coarse"]]),
    ]:
        print(
            f"  {name}: {100 * part['covered'].mean():.1f} % of {len(part)}; stated ± {part['stated_pct'].median():.2f} % (median), "
            f"mean error {part['error_pct'].mean():+.3f} %"
        )


if __name__ == "__main__":
    main()
