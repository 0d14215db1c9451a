"""Promises of the words: every command teaches by example, every option says what it is for, the README's contents lead somewhere."""

from __future__ import annotations

import argparse
import re
import shlex
from pathlib import Path

import pytest

from pipeline.cli import command_line

README = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")


def commands() -> dict[str, argparse.ArgumentParser]:
    (choices,) = (action.choices for action in command_line()._actions if isinstance(action, argparse._SubParsersAction))
    return dict(choices)


@pytest.mark.parametrize("name", list(commands()))
def test_every_command_explains_itself_with_an_example_that_can_be_given(name: str) -> None:
    command = commands()[name]
    examples = (command.epilog or "").split("example:")[1].split("\n\n")[0].replace("\\\n", " ").strip().splitlines()
    assert examples
    for example in examples:
        words = shlex.split(example.partition(" > ")[0])
        assert words[:2] == ["drainledger", name]
        command_line().parse_args(words[1:])
    assert len(command.description or "") > 60
    for action in command._actions:
        assert action.help, (name, action.dest)


def test_the_readme_names_every_command() -> None:
    for name in commands():
        assert re.search(rf"drainledger {name}\b", README), name


def test_the_contents_of_the_readme_lead_to_its_sections() -> None:
    """Anchors as code hosts make them of headings: lower case, blanks to hyphens, other marks left out."""
    anchors = {
        re.sub(r"[^a-z0-9 -]", "", heading.lower()).replace(" ", "-")
        for heading in re.findall(r"^## (.+)$", README, re.MULTILINE)
    }
    linked = set(re.findall(r"\]\(#([^)]+)\)", README))
    assert linked <= anchors
    assert anchors - linked == set()


def test_the_two_commands_come_first() -> None:
    first = README.split("\n## ")
    assert first[1].startswith("Two commands")
    assert README.index("drainledger run") < README.index("## What comes out")


def test_the_glossary_is_in_order_and_explains_each_word_once() -> None:
    rows = re.findall(r"^\| ([^|]+) \| [^|]+ \|$", README.split("\n## Glossary")[1].split("\n## ")[0], re.MULTILINE)[1:]
    words = [row for row in rows if set(row) != {"-"}]
    assert len(words) > 20
    assert words == sorted(words, key=str.casefold)
    assert len(set(words)) == len(words)
