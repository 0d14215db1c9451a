"""From a site folder to a Site, or to everything that is wrong with the folder.

Belongs here: which files a folder has, the order in which they are looked at, gathering all errors.
Does not: any rule about content (structure.py, registers.py, agreement.py).
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterable, Iterator
from datetime import UTC, date, datetime, time, timedelta
from difflib import get_close_matches
from pathlib import Path
from types import NoneType, UnionType
from typing import Any, TypeVar, get_args, get_origin

from pydantic import TypeAdapter, ValidationError

from pipeline.site.agreement import KnownStructure, disagreements
from pipeline.site.errors import SiteError, SiteErrors, listed, or_nearest, quoted
from pipeline.site.marked_yaml import MarkedYaml
from pipeline.site.reading import Register, read_register, read_text
from pipeline.site.registers import REGISTERS, Calibration
from pipeline.site.site import Site
from pipeline.site.structure import FILE, Logger, LoggerLayout, SiteClock, SiteStructure
from pipeline.site.values import DAY, Day, allowed_and_advice

KindT = TypeVar("KindT")


def load_site(folder: Path) -> Site:
    """Read and validate a site folder whole.

    Args:
        folder: holds site.yaml and the registers.

    Returns:
        The experiment; its registers in the order of their files.

    Raises:
        SiteErrors: anything is wrong; holds all errors of all files.
    """
    folder = Path(folder)
    if not folder.is_dir() or not os.access(folder, os.R_OK | os.X_OK):
        closed = "a folder that may not be opened" if folder.is_dir() else "a file"
        found = closed if os.path.lexists(folder) else "no such folder"
        advice = "Give the path of a folder that holds site.yaml and the registers"
        raise SiteErrors([SiteError(str(folder), None, None, found, "a site folder", advice)])
    errors = list(_misnamed_files(folder))
    structure, known = _read_structure(folder / FILE, errors)
    registers: dict[str, Register[Any]] = {
        name: read_register(folder / model.file, model, known.utc_offset) for name, model in REGISTERS.items()
    }
    for register in registers.values():
        errors += register.errors
    errors += disagreements(registers, known)
    if errors or structure is None:
        order = {name: place for place, name in enumerate([FILE, *(model.file for model in REGISTERS.values())])}
        raise SiteErrors(sorted(errors, key=lambda error: (order.get(error.file, -1), error.line or 0)))
    said: dict[str, Any] = {name: getattr(structure, name) for name in SiteStructure.model_fields}
    said |= {name: register.rows for name, register in registers.items()}
    said |= {"folder": folder, "utc_offset": said.pop("clock").utc_offset, "analytes": tuple(structure.analytes)}
    said |= {"periods": tuple(structure.periods), "creators": tuple(structure.creators)}
    said["calibrations"] = tuple(_named(registers["calibrations"].rows, known.utc_offset))
    return Site(**said)


def _misnamed_files(folder: Path) -> Iterator[SiteError]:
    """Files whose names nearly are those of the folder's own files: read by nobody, and surely meant."""
    known = [FILE, *(model.file for model in REGISTERS.values())]
    absent = {Path(name).stem: name for name in known if not (folder / name).exists()}
    for path in sorted(folder.iterdir()):
        if path.name not in known and path.suffix.casefold() in (".csv", ".yaml", ".yml"):
            for stem in get_close_matches(path.stem.casefold(), absent, n=1, cutoff=0.85):
                advice = f"Did you mean {absent[stem]}? Rename it, or move it elsewhere"
                yield SiteError(path.name, None, None, "a file that nothing reads", listed(known), advice)


def _read_structure(path: Path, errors: list[SiteError]) -> tuple[SiteStructure | None, KnownStructure]:
    """site.yaml as a whole if nothing is wrong with it, and in any case what can be known of it."""
    if not path.exists():
        advice = "Write site.yaml into the folder"
        errors.append(SiteError(FILE, None, None, "no such file", "the structure of the site", advice))
        return None, KnownStructure()
    text = read_text(path, errors)
    if text is None:
        return None, KnownStructure()
    marked = MarkedYaml(FILE, text)
    errors += marked.errors
    if marked.value is None:
        return None, KnownStructure()
    known = _known(marked.value)
    try:
        structure = SiteStructure.model_validate(marked.value)
    except ValidationError as error:
        errors += _structure_errors(error, marked)
        structure = None
    errors += _structure_disagreements(marked, known)
    return structure, known


def _structure_errors(error: ValidationError, marked: MarkedYaml) -> Iterator[SiteError]:
    for detail in error.errors():
        path = tuple(part for part in detail["loc"] if part != "[key]")
        line, column = marked.place(path)
        key = ".".join(str(part) for part in path) or "the file"
        if detail["type"] == "extra_forbidden":
            known = _keys(path[:-1])
            found, allowed = f"the unknown key {key}", f"the keys {listed(known)}"
            advice = or_nearest(str(path[-1]), known, "Delete it")
        elif detail["type"] == "missing":
            found, allowed, advice = f"no key {key}", f"the key {path[-1]} is required", f"Add {path[-1]} here"
        else:
            allowed, advice = allowed_and_advice(detail)
            value = detail["input"]
            shown = quoted(value) if isinstance(value, str) else "nothing" if value is None else _kind(value)
            found = f"{shown} under {key}" if path else shown
        yield SiteError(FILE, line, column, found, allowed, advice)


def _kind(value: object) -> str:
    return "a list" if isinstance(value, list) else "keys with values" if isinstance(value, dict) else quoted(str(value))


def _keys(path: Iterable[str | int]) -> list[str]:
    """The keys that site.yaml may have at a place."""
    kind: Any = SiteStructure
    for part in path:
        kind = get_args(kind)[-1] if get_origin(kind) in (dict, list) else kind.model_fields[str(part)].annotation
        if get_origin(kind) is UnionType:
            kind = next(option for option in get_args(kind) if option is not NoneType)
    return [field.alias or name for name, field in kind.model_fields.items()]


def _usable(kind: type[KindT] | Any, value: Any) -> Any:
    """A part of site.yaml if it is right by itself, else None."""
    try:
        return TypeAdapter(kind).validate_python(value)
    except ValidationError:
        return None


def _known(tree: Any) -> KnownStructure:
    if not isinstance(tree, dict):
        return KnownStructure()
    clock = _usable(SiteClock, tree.get("clock"))
    offset = clock.utc_offset if clock else timedelta()
    first_day, last_day = _usable(Day, tree.get("first_day")), _usable(Day | None, tree.get("last_day"))
    record = None
    if first_day is not None and (last_day is not None or tree.get("last_day") is None):
        end = None if last_day is None else _midnight(last_day, offset) + DAY
        record = (_midnight(first_day, offset), end)
    loggers, layouts = tree.get("loggers"), tree.get("logger_layouts")
    return KnownStructure(
        utc_offset=offset,
        record=record,
        logger_names=frozenset(loggers) if isinstance(loggers, dict) else None,
        loggers=_usable_values(Logger, loggers),
        layouts=_usable_values(LoggerLayout, layouts),
    )


def _midnight(day: date, utc_offset: timedelta) -> datetime:
    return datetime.combine(day, time(), tzinfo=UTC) - utc_offset


def _usable_values(kind: type[KindT], values: Any) -> dict[str, KindT]:
    if not isinstance(values, dict):
        return {}
    usable = {name: _usable(kind, value) for name, value in values.items()}
    return {name: value for name, value in usable.items() if value is not None}


def _structure_disagreements(marked: MarkedYaml, known: KnownStructure) -> Iterator[SiteError]:
    """Loggers whose layout is not there, and loggers that would read the same files."""
    layouts = marked.value.get("logger_layouts") if isinstance(marked.value, dict) else None
    first: dict[str, str] = {}
    for name, logger in known.loggers.items():
        if isinstance(layouts, dict) and logger.layout not in layouts:
            line, column = marked.place(("loggers", name, "layout"))
            found = f"{quoted(logger.layout)} under loggers.{name}.layout"
            allowed = f"a name under logger_layouts ({listed(layouts)})"
            advice = or_nearest(logger.layout, layouts, "Describe the layout under logger_layouts")
            yield SiteError(FILE, line, column, found, allowed, advice)
        if logger.files in first:
            line, column = marked.place(("loggers", name, "files"))
            other, _ = marked.place(("loggers", first[logger.files], "files"))
            found = f"{quoted(logger.files)} under loggers.{name}.files ({FILE}:{line}) and again under "
            found += f"loggers.{first[logger.files]}.files ({FILE}:{other})"
            yield SiteError(FILE, line, column, found, "files of its own for each logger", "Correct one of the patterns")
        first.setdefault(logger.files, name)


def _named(calibrations: Iterable[Calibration], utc_offset: timedelta) -> Iterator[Calibration]:
    """Calibrations with their names: meter, direction and first day, with the time of day where a day has two."""
    rows = list(calibrations)
    starts = {row.line: row.start.replace(tzinfo=None) + utc_offset for row in rows}
    by_day = Counter((row.meter, row.direction, starts[row.line].date()) for row in rows)
    for row in rows:
        start = starts[row.line]
        alone = by_day[row.meter, row.direction, start.date()] == 1
        when = start.date().isoformat() if alone else start.isoformat(sep=" ")
        yield row.model_copy(update={"name": f"{row.meter} {row.direction} {when}"})
