"""A process that writes tables without end, killed again and again at random instants.

Belongs here: the writer, the killing, and what is found of its tables afterwards, printed as JSON; run as a process of its own, since a
fork of a process with threads is none to rely on.
Does not: the promise (test_crashes.py).
"""

from __future__ import annotations

import json
import os
import random
import signal
import sys
import time
from collections.abc import Iterator
from itertools import count
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq

from pipeline.lake import Lake, open_session
from pipeline.tables import table

ROWS = 20_000
TABLE, SMALL = table("known_totals"), table("rejected_lines")


def versions(first: int) -> Iterator[tuple[str, pd.DataFrame, pd.DataFrame]]:
    """Contents that say in every row which version they are."""
    hours = pd.date_range("2020-01-01", periods=ROWS, freq="h", tz="UTC").as_unit("us")
    for number in count(first):
        large = pd.DataFrame({"plot": "P1", "start": hours, "end": hours, "net_l": float(number)})
        small = pd.DataFrame({"file_id": "0", "path": "a", "line": [1], "reason": [str(number)], "text": ""})
        yield str(number), large, small


def write_without_end(lake: Lake, first: int, tell: int) -> None:
    """Replace two tables by ever new versions, by both ways of writing, and tell through a pipe when that has begun."""
    with open_session(threads=1) as session:
        for version, large, small in versions(first):
            lake.write_frame(TABLE, large, version, "small", 2020)
            rows = session.from_df(small).project("file_id, path, line::BIGINT AS line, reason, text")
            lake.write_relation(SMALL, rows, version, "small")
            if version == str(first):
                os.write(tell, b"!")


def faults(lake: Lake) -> list[str]:
    """What is wrong with the two tables: each must be whole and of the version that its metadata names."""
    found = []
    for declared, year, column in ((TABLE, 2020, "net_l"), (SMALL, None, "reason")):
        path = lake.path(declared, "small", year)
        if not path.exists():
            continue
        stored = pq.ParquetFile(path).read()
        told = lake.made_from(declared, "small", year)
        values = {f"{float(value):g}" for value in stored.column(column).to_pylist()}
        if values != {told}:
            found.append(f"{declared.name} says {told} and holds {sorted(values)}")
        if len(stored) != (ROWS if declared is TABLE else 1):
            found.append(f"{declared.name} has {len(stored)} rows")
    return found


def main(folder: Path, kills: int) -> None:
    """Kill, look, clear, and again."""
    lake, draw = Lake(folder), random.Random(5)
    account: dict[str, object] = {"faults": [], "unfinished": 0, "versions": [], "litter": 0}
    for number in range(kills):
        listen, tell = os.pipe()
        child = os.fork()
        if not child:
            try:
                write_without_end(lake, 1000 * number, tell)
            finally:
                os._exit(1)
        os.read(listen, 1)
        os.close(listen)
        os.close(tell)
        time.sleep(draw.uniform(0.0, 0.05))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        account["faults"] += faults(lake)  # type: ignore[operator]
        account["versions"].append(lake.made_from(TABLE, "small", 2020))  # type: ignore[attr-defined]
        account["unfinished"] += hidden(folder)  # type: ignore[operator]
        lake.clear_leftovers()
        account["litter"] += hidden(folder)  # type: ignore[operator]
        account["faults"] += faults(lake)  # type: ignore[operator]
    print(json.dumps(account))


def hidden(folder: Path) -> int:
    """Files that are no tables."""
    return sum(path.is_file() for path in folder.rglob(".*"))


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
