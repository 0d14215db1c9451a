"""Asking for what a new site folder needs.

Belongs here: questions to a person at a terminal, reading `--plot`, what is allowed for an answer.
Does not: what is made of the answers (new_site.py).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from pipeline.publish.new_site import Answers, NewPlot, NewSiteError
from pipeline.site.errors import listed, quoted
from pipeline.site.structure import SiteName
from pipeline.site.values import Day, Name, Offset, Percentage, PositiveNumber, WholeNumber, allowed_and_advice
from pipeline.stages.first_look import look_at
from pipeline.stages.layout_proposal import LayoutProposal, NoProposalError, propose_layout

Ask = Callable[[str], str]
KINDS: Mapping[str, Any] = {
    "name": Name,
    "area_ha": PositiveNumber,
    "column": Name,
    "reverse": Name,
    "litres_per_pulse": PositiveNumber,
    "bore_mm": PositiveNumber,
    "main_mm": PositiveNumber,
    "expanded_uncertainty_pct": Percentage,
    "modulus": WholeNumber,
}
COUNTS = ("interval", "running")
NEEDED = ("name", "area_ha", "column", "litres_per_pulse", "bore_mm")
PLOT_KEYS = tuple(one.name for one in fields(NewPlot))


@dataclass(frozen=True)
class Said:
    """What the command line says already; none where it does not."""

    folder: Path
    title: str | None = None
    utc_offset: str | None = None
    first_day: str | None = None
    last_day: str | None = None
    stamps: str | None = None
    analytes: str | None = None
    plots: Sequence[str] = ()
    file: Path | None = None


def answers(said: Said, ask: Ask | None) -> Answers:
    """All answers: what was said, and, where somebody can be asked, the rest.

    Args:
        said: from the command line.
        ask: puts one question and gives the answer; none: nobody is there to be asked.

    Raises:
        NewSiteError: an answer is missing or is none that is allowed, or the file tells nothing.
    """
    site = said.folder.name
    check("The folder's name, which becomes the site's", SiteName, site)
    proposal, encoding = _proposal(said.file)
    if proposal is not None and ask is not None:
        print(f"{said.file}: {proposal.reading_lines:,} readings, columns {listed(_values_of(proposal))}")
    first = _first_day(proposal)
    title = _answer(said.title, ask, "--title", "What is the experiment called?", Name, None)
    offset = _answer(
        said.utc_offset, ask, "--utc-offset", "UTC offset of its standard time (such as -06:00)?", Offset, None
    )
    first_day = _answer(said.first_day, ask, "--first-day", "First day of the record (such as 2019-10-01)?", Day, first)
    stamps = said.stamps or (
        _choice(ask, "Does a time stamp mark the start or the end of its interval?", ("end", "start")) if ask else None
    )
    plots = [read_plot(text) for text in said.plots]
    if not plots and ask is None:
        raise NewSiteError(
            "No plot is named. Say each with --plot, such as --plot name=north,area_ha=1.6,column=Flow,litres_per_pulse=5,bore_mm=75"
        )
    while ask is not None and not said.plots:
        plots.append(_ask_plot(ask, proposal))
        if _choice(ask, "Another plot?", ("no", "yes")) == "no":
            break
    if proposal is not None:
        _columns_of_the_file(plots, proposal, said.file)
    return Answers(
        site=site,
        title=title,
        utc_offset=offset,
        first_day=first_day,
        last_day=None if said.last_day is None else check("--last-day", Day, said.last_day),
        stamps=stamps or "end",
        stamps_said=stamps is not None,
        analytes=tuple(part.strip() for part in (said.analytes or "nitrate_n").split(",")),
        plots=tuple(plots),
        file=said.file,
        proposal=proposal,
        encoding=encoding,
    )


def read_plot(text: str) -> NewPlot:
    """A plot from `key=value` parts between commas; a comma within a value is written twice.

    Raises:
        NewSiteError: a key is unknown, missing or twice there, or its value is none that is allowed.
    """
    parts = [part.replace("\0", ",") for part in text.replace(",,", "\0").split(",")]
    given: dict[str, str] = {}
    for part in parts:
        key, equals, value = part.partition("=")
        key = key.strip()
        if not equals or key not in PLOT_KEYS or key in given:
            raise NewSiteError(
                f"--plot {text}: found {quoted(part)}; allowed: each of {listed(PLOT_KEYS)} once, with = and its value, parted by commas."
            )
        given[key] = value.strip()
    return _plot(given, f"--plot {text}")


def _plot(given: Mapping[str, str], where: str) -> NewPlot:
    missing = [key for key in NEEDED if not given.get(key)]
    if missing:
        raise NewSiteError(f"{where}: {listed(missing)} is missing. Needed are {listed(NEEDED)}.")
    values: dict[str, Any] = {}
    for key, text in given.items():
        if key == "counts":
            if text not in COUNTS:
                raise NewSiteError(f"{where}: found {quoted(text)} for counts; allowed: {listed(COUNTS)}.")
            values[key] = text
        elif text:
            check(f"{where}, {key}", KINDS[key], text)
            values[key] = TypeAdapter(KINDS[key]).validate_python(text)
    if values.get("counts") == "running" and "modulus" not in values:
        raise NewSiteError(
            f"{where}: a running total needs modulus, the count at which it starts again at zero, such as 65536."
        )
    return NewPlot(**values)


def check(where: str, kind: Any, text: str) -> str:
    """The text, if it is one that is allowed.

    Raises:
        NewSiteError: it is not; says what is allowed.
    """
    try:
        TypeAdapter(kind).validate_python(text)
    except ValidationError as error:
        allowed, advice = allowed_and_advice(error.errors()[0])
        raise NewSiteError(f"{where}: found {quoted(text)}; allowed: {allowed}. {advice}.") from error
    return text


def _answer(said: str | None, ask: Ask | None, flag: str, question: str, kind: Any, default: str | None) -> str:
    if said is not None:
        return check(flag, kind, said)
    if ask is None:
        if default is not None:
            return default
        raise NewSiteError(f"{flag} is missing, and nobody is there to be asked. {question}")
    while True:
        text = ask(f"{question}{f' [{default}]' if default else ''} ").strip() or (default or "")
        try:
            return check("that", kind, text)
        except NewSiteError as error:
            print(error)


def _choice(ask: Ask, question: str, words: Sequence[str]) -> str:
    while True:
        text = ask(f"{question} [{'/'.join(words)}] ").strip().lower() or words[0]
        if text in words:
            return text
        print(f"Please answer {' or '.join(words)}.")


def _ask_plot(ask: Ask, proposal: LayoutProposal | None) -> NewPlot:
    known = f" (one of {listed(_values_of(proposal))})" if proposal else ""
    questions = {
        "name": "Name of a plot?",
        "area_ha": "Area that its drain drains, in ha?",
        "column": f"Column that counts its pulses{known}?",
        "reverse": "Column that counts water running back (empty: none)?",
        "litres_per_pulse": "Litres of one pulse?",
        "bore_mm": "Bore of its meter, in mm?",
    }
    given: dict[str, str] = {}
    for key, question in questions.items():
        if key == "reverse":
            given[key] = ask(f"{question} ").strip()
        else:
            given[key] = _answer(None, ask, key, question, KINDS[key], None)
    given["counts"] = _choice(ask, "Does the column hold pulses of each interval, or a running total?", COUNTS)
    if given["counts"] == "running":
        given["modulus"] = _answer(
            None, ask, "modulus", "Count at which the total starts again at zero?", WholeNumber, "65536"
        )
    return _plot(given, "that plot")


def _columns_of_the_file(plots: Sequence[NewPlot], proposal: LayoutProposal, file: Path | None) -> None:
    for plot in plots:
        for column in filter(None, (plot.column, plot.reverse)):
            if column not in proposal.names:
                raise NewSiteError(
                    f"Plot {plot.name}: {file} has no column {quoted(column)}. Its columns of values are {listed(_values_of(proposal))}."
                )


def _values_of(proposal: LayoutProposal) -> list[str]:
    return [name for name in proposal.names if name not in proposal.time_columns]


def _proposal(file: Path | None) -> tuple[LayoutProposal | None, str]:
    if file is None:
        return None, "utf-8"
    try:
        look = look_at(file)
    except OSError as error:
        raise NewSiteError(
            f"{file} cannot be read: {error.strerror or error}. Name one logger file with --from."
        ) from error
    if look.no_text is not None:
        raise NewSiteError(f"{file} is {look.no_text}. Name a logger's text file with --from.")
    try:
        return propose_layout(look.first_lines), look.encoding
    except NoProposalError as error:
        raise NewSiteError(
            f"{file}: no layout can be proposed. {error}. Leave --from out, and write the layout by hand."
        ) from error


def _first_day(proposal: LayoutProposal | None) -> str | None:
    """The day of the first reading, where its time can be read in one way only."""
    if proposal is None or proposal.rival_formats:
        return None
    found = re.search(r"read as (\d{4}-\d{2}-\d{2})", proposal.remarks.get("format", ""))
    return found[1] if found else None
