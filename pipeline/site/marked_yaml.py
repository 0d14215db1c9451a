"""YAML with the place of every key.

Belongs here: text to plain values (texts, lists, keys with values), where each stands, and what YAML itself refuses.
Does not: what the keys mean (structure.py).

Every scalar stays the text that was written: -06:00 is an offset here and not, as YAML 1.1 has it, a number of minutes.
"""

from __future__ import annotations

from typing import Any

import yaml

from pipeline.site.errors import SiteError, quoted

Path = tuple[str | int, ...]
Mark = tuple[int, int]
NOTHING = ("", "~", "null", "Null", "NULL")
ADVICE = "Look at the quotes, brackets, colons and the indentation (blanks, no tabulators) here and just before"


class _Composer(yaml.SafeLoader):
    """Composes nodes without following aliases, so that no value can contain itself."""

    def __init__(self, text: str) -> None:
        super().__init__(text)
        self.aliases: list[yaml.Mark] = []

    def compose_node(self, parent: yaml.Node | None, index: Any) -> yaml.Node | None:
        """As the parent class, but an alias becomes an empty text and is remembered."""
        if self.check_event(yaml.AliasEvent):
            event = self.get_event()
            self.aliases.append(event.start_mark)
            return yaml.ScalarNode("tag:yaml.org,2002:str", "", event.start_mark, event.end_mark, style='"')
        return super().compose_node(parent, index)


class MarkedYaml:
    """The values of a YAML file, the place of each, and what was wrong with the text.

    `value` is None where the text cannot be read at all.
    """

    def __init__(self, file: str, text: str) -> None:
        self.file = file
        self.errors: list[SiteError] = []
        self._marks: dict[Path, Mark] = {(): (1, 1)}
        self.value: Any = None
        try:
            composer = _Composer(text)
            node = composer.get_single_node()
            self.value = self._plain(node, ()) if node is not None else {}
        except yaml.MarkedYAMLError as error:
            mark = error.problem_mark or error.context_mark
            self._refuse(
                mark, f"text that is not YAML ({error.problem or error.context})", "YAML, one key a line", ADVICE
            )
        except yaml.reader.ReaderError as error:
            before = text[: error.position]
            self._refuse_at(
                (before.count("\n") + 1, error.position - before.rfind("\n")),
                f"the character {quoted(chr(error.character)) if isinstance(error.character, int) else error.character!r}",
                "printable characters",
                "Delete the character",
            )
        except (yaml.YAMLError, ValueError, OverflowError, RecursionError) as error:
            self._refuse_at(
                (1, 1), f"text that YAML cannot take ({type(error).__name__})", "YAML, one key a line", ADVICE
            )
        else:
            for mark in composer.aliases:
                self._refuse(
                    mark, "a reference to another place (*)", "values written out", "Write out what it stands for"
                )

    def place(self, path: Path) -> Mark:
        """Line and column of a key or list item, from 1; of the nearest one around it where it is not in the file."""
        while path not in self._marks:
            path = path[:-1]
        return self._marks[path]

    def _plain(self, node: yaml.Node, path: Path) -> Any:
        if isinstance(node, yaml.ScalarNode):
            return None if node.style is None and node.value in NOTHING else node.value
        if isinstance(node, yaml.SequenceNode):
            for place, item in enumerate(node.value):
                self._marks[(*path, place)] = _place(item.start_mark)
            return [self._plain(item, (*path, place)) for place, item in enumerate(node.value)]
        values: dict[str, Any] = {}
        for key, value in node.value:
            if not isinstance(key, yaml.ScalarNode):
                self._refuse(key.start_mark, "a key that is no word", "a word as key", "Write a word before the colon")
            elif key.value in values:
                line, _ = self._marks[(*path, key.value)]
                self._refuse(
                    key.start_mark,
                    f"the key {quoted(key.value)} again, after {self.file}:{line}",
                    "each key once",
                    "Delete one of the two",
                )
            else:
                self._marks[(*path, key.value)] = _place(key.start_mark)
                values[key.value] = self._plain(value, (*path, key.value))
        return values

    def _refuse(self, mark: yaml.Mark | None, found: str, allowed: str, advice: str) -> None:
        self._refuse_at(_place(mark) if mark else (1, 1), found, allowed, advice)

    def _refuse_at(self, place: Mark, found: str, allowed: str, advice: str) -> None:
        self.errors.append(SiteError(self.file, *place, found, allowed, advice))


def _place(mark: yaml.Mark) -> Mark:
    return mark.line + 1, mark.column + 1
