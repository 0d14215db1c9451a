"""How the inspection of one raw file is shown.

Belongs here: layout, order and wording of what is known of the file; the block to paste.
Does not: finding it out (publish/inspection.py).

What a file holds is shown with its unprintable characters written out, so that it cannot steer a terminal.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

import pandas as pd
from rich.box import SIMPLE_HEAD
from rich.console import RenderableType
from rich.table import Table as TextTable
from rich.text import Text

from pipeline.publish.inspection import Inspection, Reading, Reason
from pipeline.publish.inspection_overlap import Overlap
from pipeline.site import Site
from pipeline.site.errors import quoted
from pipeline.stages.first_look import FirstLook
from pipeline.stages.intake import WEATHER

LINE_END_NAMES = {"CR LF": "Windows (CR LF)", "LF": "Unix (LF)", "CR": "old Macintosh (CR)"}
OTHER_FOLDERS = ("samples", "lab", "bench")
MOST_FILES = 5
NEW_LAYOUT = "new_layout"


def inspection_text(inspection: Inspection, utc_offset: timedelta | None) -> Iterator[RenderableType]:
    """Everything that is known of a file, from what it is to what to do.

    Args:
        inspection: the file.
        utc_offset: the site's standard time, which a proposed layout takes until a person decides; none: UTC.
    """
    yield Text(_safe(str(inspection.path)), style="bold")
    yield from map(Text, _bytes(inspection.look))
    for failure in inspection.failures:
        yield Text(f"Could not be looked at: {failure}", style="red")
    if inspection.look.size == 0:
        return
    folder = (inspection.name_in_lake or "").split("/")[0]
    if folder in OTHER_FOLDERS:
        yield Text(f"It lies in {folder}/, and inspect looks at the files of loggers and of the weather only.")
        return
    yield from _by_layout(inspection)
    if not inspection.fits:
        yield from _proposal(inspection, utc_offset)


def _by_layout(inspection: Inspection) -> Iterator[RenderableType]:
    """What the declared layouts make of the file."""
    reading = inspection.reading
    if reading is None:
        if inspection.layouts_tried:
            yield Text("\nNo declared layout reads it, and none is like it.", style="red")
        return
    yield Text("")
    yield _verdict(inspection, reading)
    yield from (Text(f"  - {_safe(difference)}") for difference in inspection.differences)
    if inspection.name_in_lake is not None and not reading.pattern:
        yield Text(
            "It lies in the lake, and no pattern under loggers in site.yaml finds it there: `drainledger run` passes it over. "
            "Correct the pattern, or the file's name or folder.",
            style="red",
        )
    if reading.account["reading_lines"] or reading.fits:
        yield from _reading(reading)


def _bytes(look: FirstLook) -> Iterator[str]:
    yield f"{look.size:,} bytes, SHA-256 {look.digest}"
    if look.size == 0:
        yield "The file is empty."
        return
    if look.no_text is not None:
        yield f"The file is {look.no_text}."
        return
    by_mark = ", as its first bytes say" if look.marked else ""
    ends = [f"{LINE_END_NAMES[kind]} {count:,} times" for kind, count in look.line_ends.items()]
    alone = LINE_END_NAMES[next(iter(look.line_ends))] if len(ends) == 1 else "mixed: " + " and ".join(ends)
    yield f"Encoding: {look.encoding}{by_mark}. Line ends: {alone if ends else 'none'}."
    if look.ends_open:
        yield "The last line has no line end: the file may have been cut there."
    if look.nul_bytes:
        yield f"{look.nul_bytes:,} NUL bytes stand in it, as they do where a transfer failed or a memory was not written."
    if look.damage is not None:
        yield f"{look.damage[:1].upper()}{look.damage[1:]}."


def _family(reading: Reading) -> str:
    if reading.logger == WEATHER:
        return f"the weather files of {reading.site.title}"
    if reading.logger not in reading.site.loggers:
        return f"the layout {reading.form.layout_name} of {reading.site.title} (which no logger has)"
    return f"the layout {reading.form.layout_name} (logger {reading.logger} of {reading.site.title})"


def _verdict(inspection: Inspection, reading: Reading) -> Text:
    family = _family(reading)
    why = (
        f"whose pattern {reading.form.files} finds it" if reading.pattern else "which reads most of all declared layouts"
    )
    if reading.fits and int(reading.account["reading_lines"]) == 0:
        return Text(f"Its column names are those of {family}; it holds no readings.", style="green")
    if reading.fits:
        also = f" {', '.join(reading.alike)} would read it as well: its place decides." if reading.alike else ""
        return Text(f"It is read by {family}, {why}.{also}", style="green")
    differs = " It differs:" if inspection.differences else ""
    if reading.pattern:
        return Text(f"It cannot be read by {family}, {why}.{differs}", style="red")
    return Text(f"No declared layout reads it. Nearest is {family}.{differs}", style="red")


def _reading(reading: Reading) -> Iterator[RenderableType]:
    account = reading.account
    yield Text(
        f"Lines: {account['lines']:,} = {account['header_lines']:,} before the data + {account['blank_lines']:,} blank or comment "
        f"+ {account['reading_lines']:,} readings + {account['rejected_lines']:,} rejected."
    )
    note = account.get("note")
    if isinstance(note, str) and note:
        for sentence in note.split("; "):
            yield Text(f"Note: {sentence}.")
    if not pd.isna(account["first_time"]):
        yield from map(Text, _times(reading))
    yield from _columns(reading)
    yield from _reasons("Rejected lines by reason", reading.rejected)
    yield from _reasons(
        "Values that cannot be used, by column (the other values of their lines are used)", reading.unread
    )
    for sentence in reading.sums:
        yield Text(f"{sentence}.", style="yellow")
    if reading.overlap is not None:
        yield from map(Text, _overlap(reading.overlap, reading.site))


def _times(reading: Reading) -> Iterator[str]:
    first, last = reading.account["first_time"], reading.account["last_time"]
    offset = reading.site.utc_offset
    yield (
        f"Time: {_local(first, offset)} to {_local(last, offset)} in the site's standard time ({_offset(offset)}); "
        f"{first:%Y-%m-%d %H:%M} to {last:%Y-%m-%d %H:%M} UTC."
    )
    declared = reading.form.layout.interval
    seen = ", ".join(f"{_length(step)} in {count:,}" for step, count in reading.steps)
    yield f"Interval: {_length(declared)} declared" + (f"; steps from interval to interval: {seen}." if seen else ".")


def _local(moment: datetime, offset: timedelta) -> str:
    return f"{moment + offset:%Y-%m-%d %H:%M}"


def _offset(offset: timedelta) -> str:
    minutes = abs(offset) // timedelta(minutes=1)
    return f"{'-' if offset < timedelta() else '+'}{minutes // 60:02d}:{minutes % 60:02d}"


def _length(step: timedelta) -> str:
    """A length of time in words, such as 3 h 50 min."""
    seconds = step.total_seconds() % 60
    minutes = step // timedelta(minutes=1)
    parts = [(minutes // 1440, "d"), (minutes // 60 % 24, "h"), (minutes % 60, "min"), (seconds, "s")]
    return " ".join(f"{count:,g} {unit}" for count, unit in parts if count) or "0 s"


def _columns(reading: Reading) -> Iterator[TextTable]:
    shown = TextTable(box=SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0))
    shown.add_column("column")
    shown.add_column("what it is")
    shown.add_column("values", justify="right")
    shown.add_column("unusable", justify="right")
    for column in reading.columns:
        name = Text(_plain(column.name) or "(no name)")
        if column.absent:
            shown.add_row(name, Text(f"{column.use}: NOT IN THE FILE", style="red"), "", "")
        else:
            counts = ("" if count is None else f"{count:,}" for count in (column.values, column.unread))
            shown.add_row(name, Text(column.use), *counts)
    if reading.columns:
        yield shown


def _plain(text: str) -> str:
    """A text with unprintable characters written out, without the marks of a quotation."""
    return quoted(text)[1:-1]


def _reasons(what: str, reasons: tuple[Reason, ...]) -> Iterator[Text]:
    if reasons:
        yield Text(f"{what}:", style="yellow")
    for reason in reasons:
        where = f"in column {_plain(reason.column)}" if reason.column else _safe(reason.reason)
        often = "once" if reason.count == 1 else f"{reason.count:,} times"
        yield Text(f"  {often}: {where}")
        for line, text in reason.examples:
            yield Text(f"    line {line:,}: {_safe(text) if reason.column else quoted(text or '')}")


def _safe(sentence: str) -> str:
    return "".join(letter if letter.isprintable() else f"\\u{ord(letter):04x}" for letter in sentence)


def _overlap(overlap: Overlap, site: Site) -> Iterator[str]:
    if not overlap.stored_files:
        yield "The lake holds no files of the site yet; nothing is compared."
        return
    if overlap.as_it_is:
        yield "The lake holds the file as it is here."
    if overlap.changed:
        yield "The lake holds other content under the file's name: the file changed after it was read."
    for path in overlap.same_content:
        yield f"The same content is in the lake as {path}."
    if overlap.same_times:
        spans = [
            f"{one.path} ({_local(one.first_time, site.utc_offset)} to {_local(one.last_time, site.utc_offset)})"
            for one in overlap.same_times[:MOST_FILES]
        ]
        more = f" and {len(overlap.same_times) - MOST_FILES} more" if len(overlap.same_times) > MOST_FILES else ""
        yield f"Its time overlaps that of {', '.join(spans)}{more}."
    yield (
        f"Of its intervals (one for each meter) {overlap.adds:,} are new to the lake, {overlap.repeats:,} are there with the same "
        f"counts, {overlap.contradicts:,} with others."
    )
    for one in overlap.contradictions:
        yield (
            f"  meter {one.meter}, {_local(one.interval_start, site.utc_offset)}: {_counts(one.in_file)} in the file, "
            f"{_counts(one.in_lake)} in the lake"
        )


def _counts(counts: tuple[int | None, int | None]) -> str:
    forward, reverse = ("unknown" if count is None else f"{count:,}" for count in counts)
    return f"{forward} forward and {reverse} reverse"


def _proposal(inspection: Inspection, utc_offset: timedelta | None) -> Iterator[Text]:
    proposal = inspection.proposal
    if proposal is None:
        if inspection.look.no_text is None:
            yield Text(f"\nNo layout can be proposed. {_safe(inspection.no_proposal or '')}.")
        return
    yield Text("")
    for obstacle in proposal.obstacles:
        yield Text(f"{_safe(obstacle[:1].upper() + obstacle[1:])}.", style="yellow")
    yield Text("A layout that may fit, to be pasted under logger_layouts in site.yaml:")
    yield Text("")
    yield Text(proposal.block(NEW_LAYOUT, _offset(utc_offset or timedelta()), inspection.look.encoding))
    yield Text(
        f"Decide what is marked, give it a name of its own in place of {NEW_LAYOUT}, and name it as layout of the logger under "
        "loggers, with the pattern of its files; then write its columns into wiring.csv and gauges.csv."
    )
