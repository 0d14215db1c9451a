"""Units of concentration: from whatever a laboratory writes to mg/L of the element.

Belongs here: molar masses, conversion factors, the spellings of a unit that are understood.
Does not: which analytes there are (site/analytes.py), reading results (stages/), volumes and areas (units.py).

A unit is a measure, such as mg/L or µmol/L, and may say what it counts: `as N`, `as NO3`. Without that it counts the element:
mg/L of nitrate_n is mg of nitrogen. 1 ppm is taken as 1 mg/L and 1 ppb as 1 µg/L: the water is dilute, so that a litre of it
weighs a kilogram.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from functools import cache

ATOMIC_WEIGHTS: Mapping[str, float] = {"H": 1.008, "N": 14.007, "O": 15.999, "P": 30.974}
"""g/mol: IUPAC standard atomic weights, abridged to five digits."""

MG_L_PER_MEASURE: Mapping[str, float] = {
    "mg/L": 1.0,
    "ug/L": 1e-3,
    "µg/L": 1e-3,
    "ng/L": 1e-6,
    "g/L": 1e3,
    "g/m3": 1.0,
    "mg/m3": 1e-3,
    "ppm": 1.0,
    "ppb": 1e-3,
}
"""mg/L in one of each."""

MMOL_L_PER_MEASURE: Mapping[str, float] = {
    "mol/L": 1e3,
    "mmol/L": 1.0,
    "umol/L": 1e-3,
    "µmol/L": 1e-3,
    "nmol/L": 1e-6,
}
"""mmol/L in one of each."""

MEQ_L_PER_MEASURE: Mapping[str, float] = {"meq/L": 1.0, "ueq/L": 1e-3, "µeq/L": 1e-3}
"""meq/L in one of each."""

_ATOM = re.compile(r"([A-Z][a-z]?)(\d*)")
_PER_LITRE = re.compile(r"(?:/| per )(?:l|dm3|litre|liter)$|[ .·*]?(?:l|dm)\^?\(?-[13]\)?$")
_PER_CUBIC_METRE = re.compile(r"(?:/| per )(?:m3|m\^3|cubic metre|cubic meter)$|[ .·*]m\^?\(?-3\)?$")
_SPELLED = re.compile(r"^(milli|micro|nano|)(gram|mole|equivalent)s?\b")
_SHORT = {"milli": "m", "micro": "u", "nano": "n", "": "", "gram": "g", "mole": "mol", "equivalent": "eq"}


def atoms(formula: str) -> dict[str, int]:
    """How many atoms of each element a formula has: NO3 has one N and three O."""
    return {symbol: int(number or 1) for symbol, number in _ATOM.findall(formula)}


def molar_mass_g_mol(formula: str) -> float:
    """Molar mass of a formula without brackets, g/mol."""
    return sum(ATOMIC_WEIGHTS[symbol] * number for symbol, number in atoms(formula).items())


@cache
def known_units(
    element: str, species: tuple[str, ...] = (), equivalents_per_mole: int | None = None
) -> Mapping[str, float]:
    """Units in which a result may stand, and the mg/L of the element in one of each.

    Args:
        element: symbol of the element that is counted, such as N.
        species: formulas that a result may be stated as, such as NO3.
        equivalents_per_mole: charge of the ion; none: results in equivalents are not understood.

    Returns:
        mg/L (of the element) per unit, by the unit's name: each measure alone, and with `as` the element or a species.
    """
    per_mmol = ATOMIC_WEIGHTS[element]
    factors: dict[str, float] = {}
    for measure, mg_l in MG_L_PER_MEASURE.items():
        factors[measure] = mg_l
        for formula in (element, *species):
            share = atoms(formula)[element] * per_mmol / molar_mass_g_mol(formula)
            factors[f"{measure} as {formula}"] = mg_l * share
        factors |= {f"{measure} as {formula}-{element}": mg_l for formula in species}
    for measure, mmol_l in MMOL_L_PER_MEASURE.items():
        factors[measure] = mmol_l * per_mmol
        for formula in (element, *species):
            factors[f"{measure} as {formula}"] = mmol_l * atoms(formula)[element] * per_mmol
        factors |= {f"{measure} as {formula}-{element}": mmol_l * per_mmol for formula in species}
    if equivalents_per_mole is not None:
        for measure, meq_l in MEQ_L_PER_MEASURE.items():
            factors[measure] = meq_l / equivalents_per_mole * per_mmol
            factors |= {f"{measure} as {formula}": factors[measure] for formula in (element, *species)}
    return factors


def units_in_words(units: Iterable[str]) -> str:
    """The known units as a person reads them: measures once, then what they may count."""
    named = list(units)
    measures = [name for name in named if " as " not in name]
    counted = list(dict.fromkeys(name.partition(" as ")[2] for name in named if " as " in name))
    return f"{', '.join(measures)}, each alone or followed by {' or '.join(f'as {formula}' for formula in counted)}"


def unit_key(name: str) -> str:
    """A unit's name without what does not matter, so that two spellings of one unit have one key.

    Capitals, blanks, the two signs for micro (and u in their place), `per litre` as a power, and the place of the species do
    not matter: `mg/L as NO3`, `mg NO3/L`, `mg/l NO3-` and `mg NO3 L⁻¹` are one. `NO3-N` is nitrogen that is held by nitrate.
    """
    text = " ".join(unicodedata.normalize("NFKC", name).casefold().split())
    text = text.replace("\u03bc", "u").replace("\u2212", "-").replace("\u2013", "-")
    text = _SPELLED.sub(lambda found: _SHORT[found[1]] + _SHORT[found[2]], text)
    text, species = _without_species(text)
    text = _PER_LITRE.sub("/l", text.strip())
    text = _PER_CUBIC_METRE.sub("/m3", text).replace(" ", "")
    text = {"mm": "mmol/l", "um": "umol/l", "nm": "nmol/l"}.get(text, text)
    return f"{text} as {species}" if species else text


_SPECIES = r"(no3|no2|nh4|nh3|po4|p2o5|n|p)"
_CHARGE = r"(?:\s?\^?\(?\d?[+-]\)?)?"
_HELD = r"(?:\s?[-_]\s?(n|p))?"
_AT_END = re.compile(rf"(?<=[\s/(-])(?:\(?as\s)?\(?{_SPECIES}{_CHARGE}{_HELD}\)?$")
_BEFORE_VOLUME = re.compile(
    rf"^([mun]?g|[mun]?mol)[\s-]?{_SPECIES}{_CHARGE}{_HELD}(?=\s?/|[ .·*]?(?:l|dm|m)\^?\(?-|\sper\b)"
)


def _without_species(text: str) -> tuple[str, str]:
    """A unit without the species that it counts, and that species: `n`, `no3`, or `no3-n` for nitrogen held by nitrate."""
    found = _BEFORE_VOLUME.search(text)
    if found:
        rest, formula, held = found[1] + text[found.end() :], found[2], found[3]
    else:
        found = _AT_END.search(text)
        if not found:
            return text, ""
        rest, formula, held = text[: found.start()].rstrip(" -("), found[1], found[2]
        rest = re.sub(r"\s\(?as$", "", rest)
    return rest, f"{formula}-{held}" if held else formula
