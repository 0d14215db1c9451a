"""What a person is told about a site folder.

Belongs here: one error as a sentence, all errors of a folder as one exception, how found text is quoted.
Does not: finding errors (reading.py, marked_yaml.py, values.py, agreement.py).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches

LONGEST_QUOTE = 80


@dataclass(frozen=True)
class SiteError:
    """One thing that is wrong, and what to do about it.

    `file` is the file's name in the site folder, `line` counts from 1. `column` is the name of a register's column, or in
    site.yaml the place in the line, counted in characters from 1. A file that is not there has neither line nor column.
    """

    file: str
    line: int | None
    column: str | int | None
    found: str
    allowed: str
    advice: str

    @property
    def place(self) -> str:
        """File, line and column in words."""
        line = "" if self.line is None else f", line {self.line}"
        column = "" if self.column is None else f", column {self.column}"
        return f"{self.file}{line}{column}"

    @property
    def sentence(self) -> str:
        """Where, what was found, what is allowed, what to do."""
        return f"{self.place}: found {self.found}; allowed: {self.allowed}. {self.advice}."


class SiteErrors(Exception):  # noqa: N818 - it is many
    """Everything that is wrong with a site folder; the message is one sentence a line."""

    def __init__(self, errors: Iterable[SiteError]) -> None:
        self.errors = tuple(errors)
        super().__init__(self.errors)

    def __str__(self) -> str:
        return "\n".join(error.sentence for error in self.errors)


def quoted(text: str) -> str:
    """Text as found, between marks, on one line and not endless."""
    shown = "".join(letter if letter.isprintable() else f"\\u{ord(letter):04x}" for letter in text[:LONGEST_QUOTE])
    return f"«{shown}{'…' if len(text) > LONGEST_QUOTE else ''}»"


def listed(names: Iterable[str]) -> str:
    """Names in the order given, or a word for none."""
    return ", ".join(names) or "none"


def or_nearest(name: str, known: Iterable[str], otherwise: str) -> str:
    """Advice: the known name that is nearest to what was written, else what to do instead."""
    by_lower_case = {word.casefold(): word for word in known}
    nearest = get_close_matches(name.casefold(), by_lower_case, n=1, cutoff=0.7)
    return (
        f"Did you mean {by_lower_case[nearest[0]]}? Otherwise {otherwise[0].lower()}{otherwise[1:]}"
        if nearest
        else otherwise
    )
