"""Dagster's log of events, for a run in this process: the same files, with the connections kept open.

Belongs here: how long a connection to one of the log's files lives, and when it forces the disk.
Does not: which files there are, what stands in them (Dagster), where the folder is (instance.py).

Dagster's own storage makes an engine, with its cache of prepared statements, and a connection for every statement: the 558 events of
a run of the sample lake took 7 seconds of 65 there, by samples. Should a later version connect in another way, `_connect` is not
called: slower, and as right as it was.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from dagster._core.storage.event_log import SqliteEventLogStorage
from dagster._core.storage.event_log.sqlite.sqlite_event_log import INDEX_SHARD_NAME
from dagster._serdes import ConfigurableClassData
from sqlalchemy import Connection, Engine, create_engine, event

WAIT_S = 30
"""How long a statement waits for another process, such as the one that shows the page, to let go of a file."""


class KeptEventLog(SqliteEventLogStorage):
    """An event log that stays connected to its index and to the run that was written or read last."""

    def __init__(self, base_dir: str, inst_data: ConfigurableClassData | None = None) -> None:
        """For the files in one folder."""
        self._engines: dict[str, Engine] = {}
        super().__init__(base_dir, inst_data)

    @classmethod
    def from_config_value(cls, inst_data: ConfigurableClassData | None, config_value: Any) -> KeptEventLog:
        """As Dagster makes it, from its settings."""
        return cls(inst_data=inst_data, **config_value)

    @contextmanager
    def _connect(self, shard: str) -> Iterator[Connection]:
        with self._db_lock:
            engine = self._engine(shard)
            if shard not in self._initialized_dbs:
                self._initdb(engine)
                self._initialized_dbs.add(shard)
            with engine.begin() as connection:
                yield connection

    def _engine(self, shard: str) -> Engine:
        if shard not in self._engines:
            for other in [one for one in self._engines if one != INDEX_SHARD_NAME and shard != INDEX_SHARD_NAME]:
                self._engines.pop(other).dispose()
            self._engines[shard] = create_engine(self.conn_string_for_shard(shard), connect_args={"timeout": WAIT_S})
            event.listen(self._engines[shard], "connect", _without_forcing_the_disk)
        return self._engines[shard]

    def wipe(self) -> None:
        """Remove all events, with the files."""
        self._let_go()
        super().wipe()

    def dispose(self) -> None:
        """Let go of the files."""
        super().dispose()
        with self._db_lock:
            self._let_go()

    def _let_go(self) -> None:
        while self._engines:
            self._engines.popitem()[1].dispose()


def _without_forcing_the_disk(connection: Any, _: Any) -> None:
    """After a power failure the last events may be missing; the log stays whole, and no table needs it (SQLite's manual, PRAGMA
    synchronous, of NORMAL in WAL mode)."""
    connection.execute("PRAGMA synchronous=NORMAL")
