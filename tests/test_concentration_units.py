"""Units of concentration, held against molmass and pint, which have their own tables of atomic weights and of units."""

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st
from molmass import Formula

from pipeline.science.concentration_units import atoms, known_units, molar_mass_g_mol, unit_key, units_in_words
from pipeline.site.analytes import ANALYTES, PARTS

UNITS = pint.UnitRegistry()
NITRATE = ("N", ("NO3",), 1)
PHOSPHATE = ("P", ("PO4", "P2O5"))


def factor(written: str, *analyte) -> float:
    """mg/L in one of a unit, however it is written."""
    return {unit_key(name): value for name, value in known_units(*analyte).items()}[unit_key(written)]


@pytest.mark.parametrize("formula", sorted({formula for known in ANALYTES.values() for formula in known.species}))
def test_molar_masses_are_those_of_molmass(formula):
    # The ions' charges are electrons, which the molar mass of the formula leaves out.
    assert molar_mass_g_mol(formula) == pytest.approx(Formula(formula).mass, rel=1e-4)


@pytest.mark.parametrize(
    ("analyte", "species", "element_mass", "species_mass"),
    [
        (NITRATE, "NO3", Formula("N").mass, Formula("NO3").mass),
        (("N", ("NO2",), 1), "NO2", Formula("N").mass, Formula("NO2").mass),
        (("N", ("NH4", "NH3"), 1), "NH4", Formula("N").mass, Formula("NH4").mass),
        (("N", ("NH4", "NH3"), 1), "NH3", Formula("N").mass, Formula("NH3").mass),
        (PHOSPHATE, "PO4", Formula("P").mass, Formula("PO4").mass),
        (PHOSPHATE, "P2O5", 2 * Formula("P").mass, Formula("P2O5").mass),
    ],
)
def test_a_species_counts_as_much_of_the_element_as_it_holds(analyte, species, element_mass, species_mass):
    assert factor(f"mg/L as {species}", *analyte) == pytest.approx(element_mass / species_mass, rel=1e-4)


@pytest.mark.parametrize(
    ("written", "quantity"),
    [
        ("mg/L", 1 * UNITS.milligram / UNITS.litre),
        ("ug/L", 1 * UNITS.microgram / UNITS.litre),
        ("µg/L", 1 * UNITS.microgram / UNITS.litre),
        ("ng/L", 1 * UNITS.nanogram / UNITS.litre),
        ("g/L", 1 * UNITS.gram / UNITS.litre),
        ("g/m3", 1 * UNITS.gram / UNITS.metre**3),
        ("mg/m3", 1 * UNITS.milligram / UNITS.metre**3),
        # A millionth and a milliardth part of a kilogram, which is the mass of a litre of dilute water.
        ("ppm", 1e-6 * UNITS.kilogram / UNITS.litre),
        ("ppb", 1e-9 * UNITS.kilogram / UNITS.litre),
    ],
)
def test_measures_by_mass_are_those_of_pint(written, quantity):
    assert factor(written, *NITRATE) == pytest.approx(quantity.to("mg/L").magnitude, rel=1e-12)


@pytest.mark.parametrize("written", ["mol/L", "mmol/L", "umol/L", "µmol/L", "nmol/L"])
@pytest.mark.parametrize(("analyte", "element"), [(NITRATE, "N"), (PHOSPHATE, "P")])
def test_measures_by_amount_are_those_of_pint_and_molmass(written, analyte, element):
    molar_mass = Formula(element).mass * UNITS.gram / UNITS.mole
    expected = (UNITS.Quantity(1, written) * molar_mass).to("mg/L").magnitude
    assert factor(written, *analyte) == pytest.approx(expected, rel=1e-4)


def test_a_mole_of_p2o5_holds_two_of_phosphorus():
    assert factor("mmol/L as P2O5", *PHOSPHATE) == pytest.approx(2 * Formula("P").mass, rel=1e-4)


def test_an_equivalent_of_an_ion_of_one_charge_is_a_mole():
    assert factor("meq/L", *NITRATE) == factor("mmol/L", *NITRATE)
    assert factor("µeq/L as NO3", *NITRATE) == factor("umol/L", *NITRATE)


def test_equivalents_of_phosphate_are_not_understood_since_its_charge_depends_on_the_ph():
    assert not any("eq" in name for name in known_units(*PHOSPHATE))


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("mg/l  AS n", "mg/L as N"),
        ("mg/L-N", "mg/L as N"),
        ("mg N/L", "mg/L as N"),
        ("mgN/L", "mg/L as N"),
        ("mg-N/L", "mg/L as N"),
        ("mg/L (as N)", "mg/L as N"),
        ("mg N L⁻¹", "mg/L as N"),
        ("mg N l-1", "mg/L as N"),
        ("g N m-3", "g/m3 as N"),
        ("mg L^-1", "mg/L"),
        ("mg·L⁻¹", "mg/L"),
        ("mg/dm3", "mg/L"),
        ("milligrams per litre as N", "mg/L as N"),
        ("mg/L NO3-N", "mg/L as NO3-N"),
        ("mg NO3-N/L", "mg/L as NO3-N"),
        ("mg/L NO3--N", "mg/L as NO3-N"),
        ("mg/l NO3-", "mg/L as NO3"),
        ("mg NO3 L⁻¹", "mg/L as NO3"),
        ("ppm NO3", "ppm as NO3"),
        ("μmol L⁻¹", "umol/L"),
        ("µM", "umol/L"),
        ("mM", "mmol/L"),
        ("umol N/L", "umol/L as N"),
        ("micrograms per liter", "ug/L"),
    ],
)
def test_spellings_of_one_unit_are_one(written, meant):
    assert unit_key(written) == unit_key(meant)
    assert factor(written, *NITRATE) == known_units(*NITRATE)[meant]


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("mg/L as N", "mg/L as NO3"),
        ("mg/L NO3-N", "mg/L NO3"),
        ("ug/L", "mg/L"),
        ("mmol/L", "umol/L"),
        ("ppm", "ppb"),
        ("mg/L", "mg/m3"),
        ("mg/L as N", "mg/L"),
    ],
)
def test_units_that_differ_stay_apart(one, other):
    assert unit_key(one) != unit_key(other)


@pytest.mark.parametrize("written", ["mg/L as NH4", "mg/L as P", "mg/kg", "mg", "L/mg", "lb/ac", "mg/L as", "%", ""])
def test_what_is_no_unit_of_nitrate_is_not_understood(written):
    assert unit_key(written) not in {unit_key(name) for name in known_units(*NITRATE)}


@pytest.mark.parametrize("analyte", ANALYTES)
def test_no_two_known_units_of_an_analyte_share_a_key_with_different_factors(analyte):
    known = ANALYTES[analyte]
    factors: dict[str, set[float]] = {}
    for name, value in known_units(known.element, known.species, known.equivalents_per_mole).items():
        factors.setdefault(unit_key(name), set()).add(value)
    assert all(len(values) == 1 for values in factors.values())


@pytest.mark.parametrize("name", [*known_units(*NITRATE), *known_units(*PHOSPHATE)])
def test_the_key_of_a_known_unit_is_its_own_key(name):
    assert unit_key(unit_key(name)) == unit_key(name)


MEASURES = st.sampled_from(["mg", "ug", "µg", "μmol", "mmol", "g"])
SPECIES = st.sampled_from(["N", "NO3", "NO3-N"])
PER_LITRE = st.sampled_from(["/L", "/l", " L-1", " l⁻¹", " per litre", "/dm3"])


@given(MEASURES, SPECIES, PER_LITRE, st.sampled_from([" ", "-"]), st.sampled_from([" as ", " ", " AS  "]))
def test_the_species_may_stand_before_or_behind_the_volume(measure, species, per_litre, joined, counted_as):
    before, behind = f"{measure}{joined}{species}{per_litre}", f"{measure}{per_litre}{counted_as}{species}"
    assert factor(before, *NITRATE) == factor(behind, *NITRATE)


def test_a_person_reads_measures_once_and_then_what_they_may_count():
    words = units_in_words(known_units("N"))
    assert words.startswith("mg/L, ug/L, µg/L, ")
    assert words.endswith(", each alone or followed by as N")
    assert words.count("mg/L") == 1


def test_atoms_are_counted():
    assert atoms("P2O5") == {"P": 2, "O": 5}


def test_parts_and_wholes_are_known_analytes_of_one_element():
    assert all(ANALYTES[part].element == ANALYTES[whole].element for part, whole in PARTS)
