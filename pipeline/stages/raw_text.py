"""From bytes to countable lines.

Belongs here: reading a raw file once for its digest and its number of lines; making a plain copy in the session's own folder
where its bytes are not plain UTF-8 text with one kind of line end; finding where column names stand again in mid-file.
Does not: what a line of values means (stages/line_format.py). The raw file itself is never written.
"""

from __future__ import annotations

import codecs
import contextlib
import csv
import hashlib
import io
import mmap
import re
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

CHUNK = 1 << 20
HEAD_BYTES = 1 << 16
"""Where a file's only line of column names is looked for."""
LONGEST_LINE = 100_000
"""Characters of a line that are kept in a plain copy; a longer line is no reading, and is rejected as it is."""
FIELD_SEPARATOR = "\x01"
"""Stands in no text line: DuckDB is told to split there, and so gives whole lines."""
BYTE_ORDER_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


@dataclass(frozen=True)
class NameLine:
    """How a line of column names is told from other lines: it holds all time columns, and stands on a declared line.

    `above` and `below` are how many other lines belong to the head of a file, before and after the names.
    """

    delimiter: str
    quote: str | None
    times: tuple[str, ...]
    above: int
    below: int

    def names(self, line: str) -> tuple[str, ...]:
        """The cells of a line, trimmed, without quotes (RFC 4180); none if it cannot be split."""
        if self.quote is None or self.quote not in line:
            return tuple(cell.strip() for cell in line.split(self.delimiter))
        try:
            (cells,) = csv.reader([line], delimiter=self.delimiter, quotechar=self.quote)
        except csv.Error:
            return ()
        return tuple(cell.strip() for cell in cells)

    def is_one(self, line: str) -> bool:
        """Whether the line holds the name of every time column."""
        names = self.names(line)
        return all(time in names for time in self.times)


@dataclass(frozen=True)
class Section:
    """Lines of a file that share their column names.

    `first_line` is the number of lines of the file above the section. `names` are the column names; none if the section
    stands above the first line of names. `head` lines at its begin are no readings; up to `below` lines after them, and
    `tail` lines at its end, belong to a head as well unless they can be read. `width` is how many names there are, or will be
    in the next section; none if the file has no names at all.
    """

    readable: Path
    first_line: int
    lines: int
    names: tuple[str, ...] | None
    head: int
    below: int = 0
    tail: int = 0
    width: int | None = None


@dataclass(frozen=True)
class RawText:
    """One raw file, scanned.

    `name` is its path below the site's raw folder, `bytes` its size as it is stored. `open_end` is the last line if it has
    no line end, so that it may be cut short. `notes` say in sentences what is unusual about the file as a whole.
    """

    name: str
    file_id: str
    lines: int
    sections: tuple[Section, ...]
    bytes: int = 0
    open_end: str | None = None
    notes: tuple[str, ...] = ()


@dataclass
class _Bytes:
    """What one pass over a file's bytes tells."""

    digest: str
    start: bytes
    line_feeds: int
    carriage_returns: int
    pairs: int
    ends_open: bool
    plain: bool
    names: int
    size: int = 0

    @property
    def one_kind_of_line_end(self) -> bool:
        return self.carriage_returns == 0 or self.carriage_returns == self.pairs == self.line_feeds


def _look_at_bytes(stream: BinaryIO, name: bytes) -> _Bytes:
    digest = hashlib.sha256()
    decoder = codecs.getincrementaldecoder("utf-8")("strict")
    seen = _Bytes("", b"", 0, 0, 0, False, True, 0)
    last = b"\n"
    while chunk := stream.read(CHUNK):
        digest.update(chunk)
        seen.size += len(chunk)
        if not seen.start:
            seen.start = chunk[:64]
            seen.plain = not any(chunk.startswith(mark) for mark, _ in BYTE_ORDER_MARKS)
        in_chunk = chunk.count(b"\n")
        seen.line_feeds += in_chunk
        seen.names += chunk.count(name)
        if b"\r" in chunk or last == b"\r":
            seen.carriage_returns += chunk.count(b"\r")
            seen.pairs += chunk.count(b"\r\n") + (last == b"\r" and chunk[:1] == b"\n")
        if b"\0" in chunk or FIELD_SEPARATOR.encode() in chunk or (len(chunk) == CHUNK and in_chunk == 0):
            seen.plain = False
        if seen.plain and not (chunk.isascii() and not decoder.getstate()[0]):
            try:
                decoder.decode(chunk)
            except UnicodeDecodeError:
                seen.plain = False
        last = chunk[-1:]
    if decoder.getstate()[0]:
        seen.plain = False
    seen.digest, seen.ends_open = digest.hexdigest(), last not in (b"\n", b"\r")
    return seen


def byte_pieces(path: Path) -> Iterator[bytes]:
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
                    if not piece.strip(b"\0"):
                        return  # padding after the last member, as tapes and some modems leave it
                    member = zlib.decompressobj(wbits=31)
                yield member.decompress(piece, CHUNK)
                piece = member.unused_data if member.eof else member.unconsumed_tail
        if not member.eof:
            raise EOFError("its end is missing")


@dataclass(frozen=True)
class _Copy:
    lines: int
    ends_open: bool
    damage: str | None


def _copy_plain(path: Path, encoding: str, target: Path) -> _Copy:
    """Write the text as UTF-8 with line feeds, without the NUL characters that pad the begin of a line."""
    known = codecs.getincrementaldecoder("utf-8-sig" if _is_utf8(encoding) else encoding)("replace")
    decoder = io.IncrementalNewlineDecoder(known, translate=True)
    separator = str.maketrans({"\0": "\ufffd", FIELD_SEPARATOR: "\ufffd"})
    padding = re.compile(r"(?<=\n)\0+")
    overlong = re.compile(rf"([^\n]{{{LONGEST_LINE}}})[^\n]+")
    line_feeds, open_length, damage = 0, 0, None
    with target.open("w", encoding="utf-8", newline="") as writer:

        def put(text: str) -> None:
            nonlocal line_feeds, open_length
            if "\0" in text:
                text = padding.sub("", text.lstrip("\0") if not open_length else text)
            rest_of_line, line_feed, others = text.translate(separator).partition("\n")
            writer.write(rest_of_line[: max(LONGEST_LINE - open_length, 0)] + line_feed)
            writer.write(overlong.sub(r"\1", others) if _has_overlong_line(others) else others)
            line_feeds += text.count("\n")
            open_length = len(others) - others.rfind("\n") - 1 if line_feed else open_length + len(rest_of_line)

        try:
            for piece in byte_pieces(path):
                put(decoder.decode(piece))
        except (EOFError, zlib.error) as error:
            damage = f"the compressed file breaks off in line {line_feeds + 1} ({error}); what came before it is used"
        put(decoder.decode(b"", final=True))
    return _Copy(line_feeds + (open_length > 0), open_length > 0, damage)


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


@dataclass(frozen=True)
class _Names:
    """A line of column names: how many lines and bytes stand above it, and its cells."""

    above: int
    offset: int
    cells: tuple[str, ...]


def _name_lines(readable: Path, name_line: NameLine, search: int | None) -> list[_Names]:
    """Every line of column names among the first `search` bytes (all of them if none is given)."""
    if not readable.stat().st_size:
        return []
    quote, cut = re.escape((name_line.quote or "").encode()), re.escape(name_line.delimiter.encode())
    pattern = re.compile(
        re.escape(name_line.times[0].encode()) + (quote and b"(?:" + quote + b")?") + rb" *(?:" + cut + rb"|\r?$)", re.M
    )
    found: list[_Names] = []
    with readable.open("rb") as stream, mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as text:
        above, counted_to = 0, 0
        for match in pattern.finditer(text, 0, min(search or len(text), len(text))):
            start = text.rfind(b"\n", 0, match.start()) + 1
            if start < counted_to or (found and start == found[-1].offset):
                continue
            end = text.find(b"\n", start)
            line = text[start : len(text) if end < 0 else end].rstrip(b"\r").decode(errors="replace")
            above += _line_feeds(text, counted_to, start)
            counted_to = start
            if name_line.is_one(line):
                found.append(_Names(above, start, name_line.names(line)))
    return found


def _line_feeds(text: mmap.mmap, start: int, end: int) -> int:
    return sum(text[at : min(at + CHUNK, end)].count(b"\n") for at in range(start, end, CHUNK))


def _sections(
    readable: Path, lines: int, name_line: NameLine, copies: Path, digest: str, search: int | None
) -> tuple[Section, ...]:
    """Cut a readable file where column names stand, so that each section has one set of names."""
    found = _name_lines(readable, name_line, search)
    at_declared_line = bool(found) and found[0].above == name_line.above
    if at_declared_line:
        found[0] = _Names(0, 0, found[0].cells)
    cuts: list[tuple[int, int, tuple[str, ...] | None]] = [(names.above, names.offset, names.cells) for names in found]
    if not cuts or cuts[0][0] > 0:
        cuts.insert(0, (0, 0, None))
    sections = []
    for number, (above, offset, names) in enumerate(cuts):
        last = number + 1 == len(cuts)
        end_line, end_offset = (lines, None) if last else cuts[number + 1][:2]
        part = readable
        if len(cuts) > 1:
            part = copies / f"{digest}-part-{number}.txt"
            _copy_range(readable, offset, end_offset, part)
        of_names = (name_line.above if at_declared_line and number == 0 else 0) + 1
        sections.append(
            Section(
                readable=part,
                first_line=above,
                lines=end_line - above,
                names=names,
                head=0 if names is None else min(of_names, end_line - above),
                below=0 if names is None else name_line.below,
                tail=0 if last else name_line.above,
                width=len(names) if names is not None else (len(found[0].cells) if found else None),
            )
        )
    return tuple(sections)


def _copy_range(source: Path, start: int, end: int | None, target: Path) -> None:
    with source.open("rb") as reader, target.open("wb") as writer:
        reader.seek(start)
        left = (source.stat().st_size if end is None else end) - start
        while left > 0 and (piece := reader.read(min(CHUNK, left))):
            writer.write(piece)
            left -= len(piece)


def scan(path: Path, name: str, encoding: str, name_line: NameLine, copies: Path) -> RawText:
    """Read a raw file once.

    Args:
        path: the file, plain or .gz.
        name: its path below the site's raw folder.
        encoding: the declared encoding; a byte-order mark overrules it; bytes that it does not know become the replacement
            character.
        name_line: how a line of column names is known.
        copies: folder for plain copies.

    Returns:
        Digest of the stored bytes, number of lines (a last line without a line end counts), sections.

    Raises:
        OSError: the file cannot be read.
    """
    with path.open("rb") as stream:
        seen = _look_at_bytes(stream, name_line.times[0].encode())
    notes: list[str] = []
    if path.suffix != ".gz" and seen.plain and _is_utf8(encoding) and seen.one_kind_of_line_end:
        readable, lines, ends_open = path, seen.line_feeds + seen.ends_open, seen.ends_open
    else:
        marked = _marked(seen.start if path.suffix != ".gz" else b"".join(_first_piece(path)))
        used = marked or encoding
        if marked is not None and codecs.lookup(marked) != codecs.lookup(encoding) and marked != "utf-8":
            notes.append(f"the file's first bytes mark it as {marked}, and it is read so; the layout says {encoding}")
        readable = copies / f"{seen.digest}-{codecs.lookup(used).name}.txt"
        copy = _copy_plain(path, used, readable)
        lines, ends_open = copy.lines, copy.ends_open
        if copy.damage:
            notes.append(copy.damage)
    if lines == 0:
        notes.append("the file is empty")
    search = HEAD_BYTES if readable is path and seen.names == 1 else None
    sections = _sections(readable, lines, name_line, copies, seen.digest, search) if lines else ()
    named = [section for section in sections if section.names is not None]
    if named and named[0].first_line + named[0].head != name_line.above + 1:
        notes.append(
            f"the column names stand on line {named[0].first_line + 1}; the layout expects them on line {name_line.above + 1}"
        )
    if len(named) > 1:
        again = ", ".join(str(section.first_line + 1) for section in named[1:6]) + (" ..." if len(named) > 6 else "")
        notes.append(f"the column names stand again on line {again}")
    open_end = _last_line(readable) if ends_open else None
    return RawText(name, seen.digest, lines, sections, seen.size, open_end, tuple(notes))


def lines_as_they_stand(path: Path, encoding: str) -> Iterator[str]:
    """Every line of a raw file, without its line end, numbered as `scan` does; bytes that the encoding does not know are replaced.

    Args:
        path: the file, plain or .gz; of a compressed file that breaks off, the lines before that.
        encoding: the declared encoding; a byte-order mark overrules it.

    Raises:
        OSError: the file cannot be read.
    """
    used = _marked(b"".join(_first_piece(path))) or encoding
    known = codecs.getincrementaldecoder("utf-8-sig" if _is_utf8(used) else used)("replace")
    decoder = io.IncrementalNewlineDecoder(known, translate=True)
    open_line = ""
    with contextlib.suppress(EOFError, zlib.error):
        for piece in byte_pieces(path):
            *whole, open_line = (open_line + decoder.decode(piece)).split("\n")
            yield from whole
    # A carriage return at the very end is told only now.
    *whole, open_line = (open_line + decoder.decode(b"", final=True)).split("\n")
    yield from whole
    if open_line:
        yield open_line


def _marked(start: bytes) -> str | None:
    """The encoding that a file's first bytes name."""
    return next((known for mark, known in BYTE_ORDER_MARKS if start.startswith(mark)), None)


def _last_line(readable: Path) -> str:
    with readable.open("rb") as stream:
        stream.seek(max(0, readable.stat().st_size - 4 * LONGEST_LINE))
        return stream.read().decode(errors="replace").splitlines()[-1]


def _first_piece(path: Path) -> Iterator[bytes]:
    """The first bytes of a .gz file, as far as they can be read."""
    try:
        yield next(byte_pieces(path), b"")
    except (EOFError, zlib.error):
        return
