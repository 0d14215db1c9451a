"""From bytes to countable lines.

Belongs here: reading a raw file once for its digest, its number of lines and its first lines, and, where its bytes are not
plain UTF-8 text with one kind of line end, making a plain copy in the session's own folder.
Does not: what a line means (stages/intake.py). The raw file itself is never written.
"""

from __future__ import annotations

import codecs
import hashlib
import io
import re
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

CHUNK = 1 << 20
LONGEST_LINE = 100_000
"""Characters of a line that are kept in a plain copy; a longer line is no reading, and is rejected as it is."""
FIELD_SEPARATOR = "\x01"
"""Stands in no text line: DuckDB is told to split there, and so gives whole lines."""


@dataclass(frozen=True)
class RawText:
    """One raw file, scanned.

    `name` is its path below the site's raw folder, `readable` the file that DuckDB reads: the raw file itself, or its plain
    copy. `damage` says in a sentence what was wrong with the file as a whole, if anything.
    """

    name: str
    file_id: str
    lines: int
    head: tuple[str, ...]
    readable: Path
    damage: str | None = None


@dataclass
class _Bytes:
    """What one pass over a file's bytes tells."""

    digest: str
    line_feeds: int
    carriage_returns: int
    pairs: int
    ends_open: bool
    plain: bool

    @property
    def one_kind_of_line_end(self) -> bool:
        return self.carriage_returns == 0 or self.carriage_returns == self.pairs == self.line_feeds


def _look_at_bytes(stream: BinaryIO) -> _Bytes:
    digest = hashlib.sha256()
    decoder = codecs.getincrementaldecoder("utf-8")("strict")
    line_feeds = carriage_returns = pairs = 0
    plain, last = True, b"\n"
    first = True
    while chunk := stream.read(CHUNK):
        digest.update(chunk)
        in_chunk = chunk.count(b"\n")
        line_feeds += in_chunk
        if b"\r" in chunk or last == b"\r":
            carriage_returns += chunk.count(b"\r")
            pairs += chunk.count(b"\r\n") + (last == b"\r" and chunk[:1] == b"\n")
        if first and chunk.startswith((codecs.BOM_UTF8, codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
            plain = False
        if b"\0" in chunk or FIELD_SEPARATOR.encode() in chunk or (len(chunk) == CHUNK and in_chunk == 0):
            plain = False
        if plain and not (chunk.isascii() and not decoder.getstate()[0]):
            try:
                decoder.decode(chunk)
            except UnicodeDecodeError:
                plain = False
        last, first = chunk[-1:], False
    if decoder.getstate()[0]:
        plain = False
    return _Bytes(digest.hexdigest(), line_feeds, carriage_returns, pairs, last not in (b"\n", b"\r"), plain)


def _chunks(path: Path) -> Iterator[bytes]:
    """The file's bytes in pieces, decompressed where it is a .gz.

    Raises:
        EOFError: the compressed stream breaks off.
        zlib.error: the compressed stream is damaged.
    """
    with path.open("rb") as stream:
        if path.suffix != ".gz":
            while piece := stream.read(CHUNK):
                yield piece
            return
        member = zlib.decompressobj(wbits=31)
        while piece := stream.read(CHUNK):
            while piece:
                if member.eof:
                    member = zlib.decompressobj(wbits=31)
                yield member.decompress(piece, CHUNK)
                piece = member.unused_data if member.eof else member.unconsumed_tail
        if not member.eof:
            raise EOFError("its end is missing")


def _copy_plain(path: Path, encoding: str, target: Path) -> tuple[int, str | None]:
    """Write the text as UTF-8 with line feeds; returns the lines written and what broke off, if anything did."""
    known = codecs.getincrementaldecoder("utf-8-sig" if _is_utf8(encoding) else encoding)("replace")
    decoder = io.IncrementalNewlineDecoder(known, translate=True)
    unusable = str.maketrans({"\0": "\ufffd", FIELD_SEPARATOR: "\ufffd"})
    overlong = re.compile(rf"([^\n]{{{LONGEST_LINE}}})[^\n]+")
    line_feeds, open_length, damage = 0, 0, None
    with target.open("w", encoding="utf-8", newline="") as writer:

        def put(text: str) -> None:
            nonlocal line_feeds, open_length
            rest_of_line, line_feed, others = text.partition("\n")
            writer.write(rest_of_line[: max(LONGEST_LINE - open_length, 0)] + line_feed)
            writer.write(overlong.sub(r"\1", others) if _has_overlong_line(others) else others)
            line_feeds += text.count("\n")
            open_length = len(others) - others.rfind("\n") - 1 if line_feed else open_length + len(rest_of_line)

        try:
            for piece in _chunks(path):
                put(decoder.decode(piece).translate(unusable))
        except (EOFError, zlib.error) as error:
            damage = f"the compressed file breaks off in line {line_feeds + 1} ({error}); what came before it is used"
        put(decoder.decode(b"", final=True).translate(unusable))
    return line_feeds + (open_length > 0), damage


def _has_overlong_line(text: str) -> bool:
    start = 0
    while len(text) - start > LONGEST_LINE:
        line_feed = text.rfind("\n", start, start + LONGEST_LINE + 1)
        if line_feed < 0:
            return True
        start = line_feed + 1
    return False


def _is_utf8(encoding: str) -> bool:
    return codecs.lookup(encoding).name == "utf-8"


def _head(path: Path, encoding: str, lines: int) -> tuple[str, ...]:
    with path.open(encoding=encoding, errors="replace") as stream:
        return tuple(stream.readline(LONGEST_LINE).rstrip("\n") for _ in range(lines))


def scan(path: Path, name: str, encoding: str, head_lines: int, copies: Path) -> RawText:
    """Read a raw file once.

    Args:
        path: the file, plain or .gz.
        name: its path below the site's raw folder.
        encoding: the declared encoding; bytes that it does not know become the replacement character.
        head_lines: how many first lines to return.
        copies: folder for plain copies.

    Returns:
        Digest of the stored bytes, number of lines (a last line without a line end counts), first lines.

    Raises:
        OSError: the file cannot be read.
    """
    with path.open("rb") as stream:
        seen = _look_at_bytes(stream)
    ascii_alike = _is_utf8(encoding)
    if path.suffix != ".gz" and seen.plain and ascii_alike and seen.one_kind_of_line_end:
        lines = seen.line_feeds + seen.ends_open
        return RawText(name, seen.digest, lines, _head(path, "utf-8", min(head_lines, lines)), path)
    copy = copies / f"{seen.digest}-{codecs.lookup(encoding).name}.txt"
    lines, damage = _copy_plain(path, encoding, copy)
    return RawText(name, seen.digest, lines, _head(copy, "utf-8", min(head_lines, lines)), copy, damage)
