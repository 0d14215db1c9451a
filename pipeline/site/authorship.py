"""Whose data it is: who made it, whom to ask, under which licence, how to cite it.

Belongs here: what site.yaml says of people and rights.
Does not: the words and files that are made of it (publish/share/).
"""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import AfterValidator, Field

from pipeline.site.values import Day, Name, Strict, refusal


def _orcid(text: str) -> str:
    """An ORCID: 16 characters, the last a check character by ISO 7064 (MOD 11-2)."""
    digits = text.replace("-", "")
    total = 0
    if re.fullmatch(r"([0-9]{4}-){3}[0-9]{3}[0-9X]", text):
        for digit in digits[:-1]:
            total = (total + int(digit)) * 2
        check = (12 - total % 11) % 11
        if digits[-1] == ("X" if check == 10 else str(check)):
            return text
    raise refusal(
        "an ORCID: four groups of four digits whose last is a check character",
        "Copy it from the person's record, such as 0000-0002-1825-0097, without https://orcid.org/",
    )


def _email(text: str) -> str:
    if not re.fullmatch(r"[^@\s<>()\",;:]+@[^@\s<>()\",;:]+\.[^@\s<>()\",;:.]+", text):
        raise refusal("an address such as name@example.org", "Write the address alone, without a name before it")
    return text


def _doi(text: str) -> str:
    if not re.fullmatch(r"10\.[0-9]{4,9}/[^\s<>\"]+", text):
        raise refusal("a DOI, which begins with 10.", "Write it such as 10.5555/12345678, without https://doi.org/")
    return text


class Person(Strict):
    """Someone who made the data, or whom to ask."""

    name: Name
    affiliation: Name | None = None
    orcid: Annotated[str, AfterValidator(_orcid)] | None = None
    email: Annotated[str, AfterValidator(_email)] | None = None


class Citation(Strict):
    """How the data is to be cited: its title where that is another than the site's, its DOI, when it was released."""

    title: Name | None = None
    doi: Annotated[str, AfterValidator(_doi)] | None = None
    released: Day | None = None


def _people(people: list[Person]) -> list[Person]:
    names = [person.name for person in people]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise refusal("each person once", f"Delete one of those that are called {', '.join(twice)}")
    return people


Creators = Annotated[list[Person], AfterValidator(_people), Field(default_factory=list)]
