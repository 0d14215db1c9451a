"""Fuzzing of intake: mutated raw files by the thousand, and the promises that must hold for each.

Run `python -m tests.bench.fuzz_intake --files 20000` for random mutations, or with `--guided 20000` for mutations that are guided by
the coverage of the project's own code (needs the `atheris` package, which is no dependency).

Held for every file: no exception but `IntakeError`; lines = header + blank + reading + rejected; every rejected line and unread value has
its row; every reading's file and line exist; the line count is that of an independent count. Peak memory is printed.

Belongs here: mutations and these promises. Does not: what a certain damage must lead to (tests/test_raw_as_it_comes.py).
"""

from __future__ import annotations

import argparse
import datetime
import gzip
import importlib
import random
import resource
import sys
import tempfile
from pathlib import Path

import duckdb

from pipeline.lake import open_session
from pipeline.site import Site
from pipeline.stages.intake import read_raw_files
from tests.small_site import HEADER, LAYOUT, small_site

LAYOUTS = (
    LAYOUT,
    LAYOUT.replace("%Y-%m-%d %H:%M", "%d.%m.%Y %H:%M") + 'decimal: ","\nthousands: "."\n',
    LAYOUT.replace('utc_offset: "-06:00"', "timezone: America/Chicago"),
    LAYOUT.replace("lines_before_data: 2", "lines_before_data: 3") + 'comment: "#"\n',
    LAYOUT + "encoding: latin-1\n",
    LAYOUT.replace("%Y-%m-%d %H:%M", "ISO 8601").replace("stamps: end", "stamps: start"),
)
PIECES = (
    b"\0", b"\0" * 50, b"\r\n", b"\r", b"\n", b"\n\n", b";", b";;;;", b'"', b'""', b"'", b"\x01", b"\x1e", b"\x1f", b"\x1a", b"\xff\xfe",
    b"\xef\xbb\xbf", b"\xc3", b"---", b"NaN", b"#", b"24:00", b"2020-11-01 01:30", b"2020-03-08 02:30", b"43831.25", b"1e400", b"-1",
    b"99999999999999999999", b"12,5", b"1.234", b"5 pulses", b"12.5V", b"when", b"when;a\n", HEADER.encode(), b"\xe2\x80\xa8", b"\\", b"%",
)  # fmt: skip


def clean_file(randomly: random.Random) -> bytes:
    """A record of a few dozen lines in one of several time formats."""
    form = randomly.choice(["%Y-%m-%d %H:%M", "%d.%m.%Y %H:%M", "%Y-%m-%dT%H:%M"])
    at = datetime.datetime(2020, randomly.choice([1, 3, 11]), randomly.randrange(1, 28), randomly.randrange(24))
    step = datetime.timedelta(minutes=randomly.choice([5, 10, 10, 10, 60]))
    rows = []
    for number in range(randomly.randrange(60)):
        cells = (
            randomly.randrange(300),
            randomly.randrange(3),
            randomly.randrange(300),
            0,
            f"{randomly.random() * 14:.2f}",
        )
        rows.append(f"{at + number * step:{form}};{';'.join(map(str, cells))}\n")
    return (HEADER + "".join(rows)).encode()


def mutate(data: bytes, randomly: random.Random) -> bytes:
    """A few damages: bytes flipped, cut out, doubled, moved, strange pieces put in, the end cut off, lines shuffled."""
    for _ in range(randomly.randrange(6)):
        at, end = sorted(randomly.randrange(len(data) + 1) for _ in range(2))
        kind = randomly.randrange(8)
        if kind == 0 and data:
            place = randomly.randrange(len(data))
            data = data[:place] + bytes([randomly.randrange(256)]) + data[place + 1 :]
        elif kind == 1:
            data = data[:at] + data[min(end, at + 40) :]
        elif kind == 2:
            data = data[:end] + data[at:end] + data[end:]
        elif kind in (3, 4):
            data = data[:at] + randomly.choice(PIECES) + data[at:]
        elif kind == 5:
            data = data[:end]
        elif kind == 6:
            lines = data.splitlines(keepends=True)
            randomly.shuffle(lines)
            data = b"".join(lines)
        else:
            data = data[:at] + randomly.randbytes(randomly.randrange(80)) + data[at:]
    return data


def broken_promises(
    session: duckdb.DuckDBPyConnection, site: Site, raw: Path, paths: list[Path], copies: Path
) -> list[str]:
    """Read the files together and say in sentences which promises do not hold."""
    readings = read_raw_files(session, site, raw, paths, copies)
    files = readings.source_files
    parts = files[["header_lines", "blank_lines", "reading_lines", "rejected_lines"]].sum(axis=1)
    broken = [f"{path}: lines do not add up" for path in files.loc[files["lines"] != parts, "path"]]
    kept = readings.rejected_lines.df()
    by_path = kept.groupby("path").size().reindex(files["path"]).fillna(0).to_numpy()
    broken += [f"{path}: rejected lines are not all kept" for path in files["path"][by_path != files["rejected_lines"]]]
    if kept["reason"].isna().any() or (kept["reason"] == "").any():
        broken.append("a rejected line has no reason")
    if kept.duplicated(["path", "line"]).any():
        broken.append("a line is rejected twice")
    if readings.unread_values.df().isna().any(axis=None):
        broken.append("an unread value lacks something")
    record = readings.records["east"]
    stray = session.sql(
        f"SELECT count(*) FILTER (line < 1 OR interval_end <= interval_start) AS bad, max(line) AS last FROM {record.readings}"
    ).df()
    if stray["bad"].item() or stray["last"].fillna(0).item() > files["lines"].max():
        broken.append("a reading has no line or no length")
    return broken


def random_run(files: int, batch: int, seed: int) -> int:
    """Mutate and read `files` files, `batch` at a time; returns how many promises broke."""
    broken_in_all = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        sites = [small_site(folder / str(number), layout=layout) for number, layout in enumerate(LAYOUTS)]
        session = open_session(folder, memory_limit="400MB")
        for start in range(0, files, batch):
            randomly = random.Random(seed + start)
            raw = folder / "raw"
            (raw / "logger").mkdir(parents=True, exist_ok=True)
            paths = []
            for number in range(min(batch, files - start)):
                data = mutate(clean_file(randomly), randomly)
                packed = randomly.random() < 0.1
                path = raw / "logger" / (f"east{number:05d}.csv" + ".gz" * packed)
                if packed:
                    data = gzip.compress(data)
                    data = mutate(data, randomly) if randomly.random() < 0.5 else data
                path.write_bytes(data)
                paths.append(path)
            copies = folder / "copies"
            copies.mkdir(exist_ok=True)
            broken = broken_promises(session, sites[start // batch % len(sites)], raw, paths, copies)
            for sentence in broken:
                print(f"seed {seed + start}: {sentence}")
            broken_in_all += len(broken)
            for path in (*paths, *copies.iterdir()):
                path.unlink()
    return broken_in_all


def guided_run(files: int, seed: int) -> None:
    """Mutations guided by coverage; stops at the first promise that breaks."""
    import atheris

    global read_raw_files
    with atheris.instrument_imports(include=["pipeline.stages"]):
        for module in ("phrases", "raw_text", "line_format", "clock", "record_order", "repeats", "intake"):
            importlib.reload(sys.modules[f"pipeline.stages.{module}"])
    read_raw_files = sys.modules["pipeline.stages.intake"].read_raw_files
    folder = Path(tempfile.mkdtemp())
    site = small_site(folder)
    session = open_session(folder, memory_limit="400MB")
    raw = folder / "raw"
    (raw / "logger").mkdir(parents=True)
    path = raw / "logger" / "east.csv"

    def one(data: bytes) -> None:
        path.write_bytes(data)
        broken = broken_promises(session, site, raw, [path], folder)
        for copy in folder.glob("*.txt"):
            copy.unlink()
        if broken:
            raise AssertionError("; ".join(broken))

    corpus = folder / "corpus"
    corpus.mkdir()
    for number in range(30):
        randomly = random.Random(seed + number)
        (corpus / str(number)).write_bytes(mutate(clean_file(randomly), randomly))
    atheris.Setup(
        [sys.argv[0], f"-runs={files}", f"-seed={seed + 1}", "-max_len=4000", f"-artifact_prefix={folder}/", str(corpus)],
        one,
    )
    atheris.Fuzz()


def main() -> int:
    """Fuzz, print how many files were read and what broke."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--files", type=int, default=20_000, help="randomly mutated files (default 20,000)")
    parser.add_argument("--guided", type=int, default=0, help="files mutated under the guidance of coverage, instead")
    parser.add_argument("--seed", type=int, default=1, help="first seed (default 1)")
    wanted = parser.parse_args()
    if wanted.guided:
        guided_run(wanted.guided, wanted.seed)
        return 0
    broken = random_run(wanted.files, 100, wanted.seed)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{wanted.files:,} files, {broken} promises broken, peak memory {peak:,.0f} MB")
    return int(broken > 0)


if __name__ == "__main__":
    raise SystemExit(main())
