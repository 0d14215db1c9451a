"""What the bytes of a raw file tell before any layout is known.

Belongs here: size, digest, encoding, line ends and first lines of one file, in one pass and bounded memory.
Does not: what a line means (stages/layout_proposal.py), reading by a declared layout (stages/intake.py).
"""

from __future__ import annotations

import codecs
import contextlib
import hashlib
import zlib
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.stages.raw_text import CHUNK
from pipeline.stages.raw_text import byte_pieces as pieces_of_text

FIRST_BYTES = 1 << 20
"""Bytes of the text from which its encoding and its first lines are told."""
MOST_LINES = 2000
LONGEST_LINE = 2000
BYTE_ORDER_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
ARCHIVES = (
    (b"PK\x03\x04", "a ZIP archive, as spreadsheets (.xlsx, .ods) are; save the sheet as CSV"),
    (b"\xd0\xcf\x11\xe0", "an old spreadsheet or document (.xls, .doc); save the sheet as CSV"),
    (b"%PDF", "a PDF; have the logger's software write text"),
    (b"\x1f\x8b", "compressed with gzip, but its name does not end in .gz; give it that ending"),
)
MOST_CONTROLS = 0.05
"""Share of control characters from which on bytes are no text."""


@dataclass(frozen=True)
class FirstLook:
    """A file's bytes.

    `encoding` is the one that fits the bytes; `marked` says that a byte-order mark names it. `line_ends` counts each kind:
    CR LF, LF, CR. `no_text` says what the file is instead, if it is no text. `damage` says why a compressed file could not be
    read whole. `first_bytes` is the begin of the text, up to `FIRST_BYTES` and to the end of a line if it is longer.
    """

    size: int
    digest: str
    encoding: str
    marked: bool
    line_ends: dict[str, int]
    ends_open: bool
    nul_bytes: int
    text_size: int
    first_bytes: bytes = field(repr=False)
    no_text: str | None = None
    damage: str | None = None

    @property
    def whole(self) -> bool:
        """Whether `first_bytes` is all of the text."""
        return len(self.first_bytes) == self.text_size

    @property
    def first_lines(self) -> list[str]:
        """Up to `MOST_LINES` lines from the begin, without line ends, each cut to `LONGEST_LINE` characters."""
        text = self.first_bytes.decode(self.encoding, errors="replace").removeprefix("\ufeff")
        lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n", MOST_LINES)[:MOST_LINES]
        if lines and not lines[-1]:
            lines.pop()
        return [line[:LONGEST_LINE] for line in lines]


def look_at(path: Path) -> FirstLook:
    """Read a file once.

    Raises:
        OSError: the file cannot be read.
    """
    digest = hashlib.sha256()
    with path.open("rb") as stream:
        while piece := stream.read(CHUNK):
            digest.update(piece)
        size = stream.tell()
    first = bytearray()
    ends = {"CR LF": 0, "LF": 0, "CR": 0}
    text_size = nul_bytes = 0
    last, damage = b"", None
    try:
        for piece in pieces_of_text(path):
            if len(first) < FIRST_BYTES:
                first += piece[: FIRST_BYTES - len(first)]
            text_size += len(piece)
            nul_bytes += piece.count(b"\0")
            pairs = piece.count(b"\r\n") + (last == b"\r" and piece[:1] == b"\n")
            ends["CR LF"] += pairs
            ends["LF"] += piece.count(b"\n") - pairs
            ends["CR"] += piece.count(b"\r") - pairs
            last = piece[-1:] or last
    except (EOFError, zlib.error) as error:
        damage = f"the compressed file cannot be read to its end ({error}); what came before is used"
    encoding, marked = _encoding(bytes(first))
    if encoding in ("utf-16", "utf-16-le", "utf-16-be", "utf-32"):
        ends, last = _wide_line_ends(path, encoding)
        nul_bytes = 0
    return FirstLook(
        size=size,
        digest=digest.hexdigest(),
        encoding=encoding,
        marked=marked,
        line_ends={kind: count for kind, count in ends.items() if count},
        ends_open=bool(last) and last not in (b"\n", b"\r"),
        nul_bytes=nul_bytes,
        text_size=text_size,
        first_bytes=_whole_lines(bytes(first), text_size),
        no_text=_no_text(bytes(first), encoding),
        damage=damage,
    )


def _whole_lines(first: bytes, text_size: int) -> bytes:
    if len(first) == text_size:
        return first
    return first[: first.rfind(b"\n") + 1] or first


def _encoding(first: bytes) -> tuple[str, bool]:
    """The encoding that fits the first bytes, and whether a byte-order mark says so."""
    for mark, encoding in BYTE_ORDER_MARKS:
        if first.startswith(mark):
            return encoding, True
    for encoding, nul_place in (("utf-16-le", 1), ("utf-16-be", 0)):
        sample = first[:4096]
        if (
            len(sample) > 8
            and sample[nul_place::2].count(0) > 0.4 * len(sample[::2])
            and not sample[1 - nul_place :: 2].count(0)
        ):
            return encoding, False
    text = first.decode("utf-8", errors="replace")
    strange = text.count("\ufffd")
    if strange <= sum(character > "\x7f" for character in text) - strange or strange <= 1:
        return "utf-8", False
    try:
        first.decode("cp1252")
    except UnicodeDecodeError:
        return "latin-1", False
    return "cp1252", False


def _wide_line_ends(path: Path, encoding: str) -> tuple[dict[str, int], bytes]:
    """Line ends of a text whose characters take two bytes or four, and the kind of its last character."""
    ends = {"CR LF": 0, "LF": 0, "CR": 0}
    decoder = codecs.getincrementaldecoder(encoding)("replace")
    last = ""
    with contextlib.suppress(EOFError, zlib.error):
        for piece in pieces_of_text(path):
            text = decoder.decode(piece)
            pairs = text.count("\r\n") + (last == "\r" and text[:1] == "\n")
            ends["CR LF"] += pairs
            ends["LF"] += text.count("\n") - pairs
            ends["CR"] += text.count("\r") - pairs
            last = text[-1:] or last
    return ends, last.encode(errors="replace")[-1:]


def _no_text(first: bytes, encoding: str) -> str | None:
    """What the file is instead of text; none if it is text."""
    for begin, what in ARCHIVES:
        if first.startswith(begin):
            return what
    text = first[: 1 << 16].decode(encoding, errors="replace").replace("\0", "")
    if first and not text:
        return "nothing but NUL bytes"
    controls = sum(
        not character.isprintable() and character not in "\t\r\n\f\v\x1a\ufeff\u00a0\u202f" for character in text
    )
    return "no text: its bytes stand for no letters" if text and controls > MOST_CONTROLS * len(text) else None
