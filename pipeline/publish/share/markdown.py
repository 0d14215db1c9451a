"""Words and tables in Markdown, so written that no text of a register or a file can be anything but text.

Belongs here: escaping, tables.
Does not: what is said (words.py, methods.py).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

SPECIAL = re.compile(r"([\\`*_\[\]|~$^]|^[#+\-=]|:(?=//)|(?<=www)\.)", re.IGNORECASE)
"""Characters with which something begins in Markdown or one of its common dialects, bare addresses included."""
ENTITIES = {"&": "&amp;", "<": "&lt;", ">": "&gt;"}


def plain(text: object) -> str:
    """A text that came from outside, on one line, harmless in Markdown and in the HTML that is made of it."""
    one_line = "".join(letter if letter.isprintable() else " " for letter in str(text)).strip()
    marked = SPECIAL.sub(r"\\\1", one_line)
    return "".join(ENTITIES.get(letter, letter) for letter in marked)


def text_table(headings: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """A table; texts among the cells must be harmless already, empty cells stay empty."""
    lines = ["| " + " | ".join(headings) + " |", "|" + " --- |" * len(headings)]
    lines += ["| " + " | ".join("" if cell is None else str(cell) for cell in row) + " |" for row in rows]
    return "\n".join(lines)
