"""Where a text departs from a declared layout, in sentences.

Belongs here: declared layout against what the lines themselves tell (stages/layout_proposal.py) and the names that they hold.
Does not: judging single lines (stages/line_format.py).
"""

from __future__ import annotations

import codecs
from collections.abc import Collection, Iterator, Sequence
from difflib import get_close_matches

import duckdb

from pipeline.site import LoggerLayout
from pipeline.site.structure import DIRECTIVE, ISO_8601
from pipeline.stages.layout_proposal import LayoutProposal, length_of_time

DELIMITER_NAMES = {";": "semicolons", ",": "commas", "\t": "tabulators", "|": "bars (|)", " ": "blanks"}
MARK_NAMES = {".": "points", ",": "commas"}


def time_columns(layout: LoggerLayout) -> tuple[str, ...]:
    """The columns that make up the time."""
    column = layout.timestamp.column
    return (column,) if isinstance(column, str) else tuple(column)


def layout_differences(
    session: duckdb.DuckDBPyConnection,
    layout: LoggerLayout,
    wired: Collection[str],
    names: Sequence[str],
    encoding: str,
    proposal: LayoutProposal | None,
) -> Iterator[str]:
    """Sentences about everything in which a text departs from a declared layout.

    Args:
        session: any; it reads a time by the declared format.
        layout: the declared layout.
        wired: columns that are needed besides the time.
        names: the column names as the layout finds them in the text.
        encoding: the one that the text's bytes fit.
        proposal: what the lines themselves tell; none if they tell nothing.
    """
    if _other_encoding(layout.encoding, encoding):
        yield f"The bytes are {encoding}; the layout says {layout.encoding}."
    found = list(names)
    if proposal is not None:
        if proposal.delimiter != layout.delimiter:
            yield (
                f"Values are separated by {_delimiter(proposal.delimiter)}; the layout says {_delimiter(layout.delimiter)} "
                "(delimiter)."
            )
        if proposal.named:
            found = list(proposal.names)
            if proposal.names_on_line != layout.names_on_line:
                yield (
                    f"The column names stand on line {proposal.names_on_line}; the layout says line {layout.names_on_line} "
                    "(names_on_line)."
                )
        else:
            yield "No line above the readings has as many names as they have values."
            found = []
    yield from _names(layout, wired, found)
    if proposal is not None:
        yield from _stamps_and_marks(session, layout, proposal)


def _other_encoding(declared: str, seen: str) -> bool:
    known, other = codecs.lookup(declared).name, codecs.lookup(seen).name
    return known != other and not other.startswith(known) and not (other == "utf-8" and known in ("ascii", "utf-8-sig"))


def _delimiter(character: str) -> str:
    return DELIMITER_NAMES.get(character, f"«{character}»")


def _names(layout: LoggerLayout, wired: Collection[str], found: list[str]) -> Iterator[str]:
    """What is missing among the names, what it may be called, and names that stand twice."""
    if not found:
        return
    needed = dict.fromkeys(wired, "is wired") | dict.fromkeys(time_columns(layout), "holds the time")
    extra = [name for name in found if name and name not in needed]
    for name, purpose in needed.items():
        if name not in found:
            hint = _nearest(name, extra)
            yield f"No column is called «{name}», which {purpose}{f'; perhaps it is «{hint}»' if hint else ''}."
    for name in dict.fromkeys(name for name in found if name in needed and found.count(name) > 1):
        yield f"The column name «{name}» stands twice, so that its values cannot be told apart."


def _nearest(name: str, candidates: Sequence[str]) -> str | None:
    by_plain = {_plain(candidate): candidate for candidate in candidates}
    near = get_close_matches(_plain(name), by_plain, n=1, cutoff=0.6)
    return by_plain[near[0]] if near else None


def _plain(name: str) -> str:
    """A name without case and punctuation."""
    return "".join(character for character in name.casefold() if character.isalnum())


def _order(form: str) -> list[str]:
    """The parts of a date in the order of a format; by ISO 8601 the year comes first."""
    parts = {"Y": "year", "y": "year", "m": "month", "b": "month", "B": "month", "d": "day", "j": "day of year"}
    if form == ISO_8601:
        return ["year", "month", "day"]
    used = (directive.lstrip("-") for directive in DIRECTIVE.findall(form))
    return [parts[directive] for directive in used if directive in parts]


def _stamps_and_marks(
    session: duckdb.DuckDBPyConnection, layout: LoggerLayout, proposal: LayoutProposal
) -> Iterator[str]:
    rule = layout.timestamp
    reads = "try_cast($stamp AS TIMESTAMP)" if rule.format == ISO_8601 else "try_strptime($stamp, $format)"
    given = {"stamp": proposal.first_stamp} | ({} if rule.format == ISO_8601 else {"format": rule.format})
    (read,) = session.execute(f"SELECT {reads} IS NOT NULL", given).fetchone() or (False,)
    if not read:
        yield (
            f"The time «{proposal.first_stamp}» in line {proposal.first_reading} is not of the form {rule.format}; "
            f"it is of the form {proposal.time_format} (timestamp: format)."
        )
    elif _order(rule.format) != _order(proposal.time_format) and rule.format not in proposal.rival_formats:
        yield f"The times fit {proposal.time_format} better than {rule.format} (timestamp: format)."
    if len(time_columns(layout)) != len(proposal.time_columns):
        yield (
            f"The time stands in {len(proposal.time_columns)} columns ({', '.join(proposal.time_columns)}); the layout says "
            f"{len(time_columns(layout))} ({', '.join(time_columns(layout))})."
        )
    if proposal.decimal is not None and proposal.decimal != layout.decimal:
        yield f"Numbers have decimal {MARK_NAMES[proposal.decimal]}; the layout says {MARK_NAMES[layout.decimal]} (decimal)."
    if proposal.thousands is not None and proposal.thousands != layout.thousands:
        yield f"Thousands are marked with «{proposal.thousands}»; the layout says nothing of it (thousands)."
    if proposal.interval is not None and proposal.interval != layout.interval:
        yield f"Most lines are {length_of_time(proposal.interval)} apart; the layout says {length_of_time(layout.interval)} (interval)."
