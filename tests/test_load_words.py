"""What a run says of loads in sentences."""

from pathlib import Path

import pandas as pd
import pytest

from pipeline.lake import Lake
from pipeline.publish.load_words import NAMES, WHAT_SHRINKS_IT, empty_loads, largest_uncertainties
from pipeline.site import load_site
from pipeline.tables import table

SITE = load_site(Path(__file__).parents[1] / "configs" / "sedge-hollow")
SOURCES = set(table("uncertainty_budget").column("source").codes)


def stored(folder: Path, name: str, rows: list[dict]) -> Lake:
    lake = Lake(folder)
    declared = table(name)
    nothing = {column.name: None if column.nullable else 0 for column in declared.columns}
    frame = pd.DataFrame([nothing | {"plot": "P1", "analyte": "nitrate_n", "water_year": 2020} | row for row in rows])
    lake.write_frame(declared, frame, "test", SITE.site, 2020)
    return lake


def test_every_source_has_a_name_and_something_that_shrinks_it():
    assert set(NAMES) == set(WHAT_SHRINKS_IT) == SOURCES


@pytest.mark.parametrize("source", sorted(SOURCES))
def test_the_largest_source_is_named_with_what_would_shrink_it(tmp_path, source):
    rows = [{"source": each, "sd_kg_ha": 1.0, "variance_share": 0.6 if each == source else 0.4 / 7} for each in SOURCES]
    (sentence,) = largest_uncertainties(stored(tmp_path, "uncertainty_budget", rows), SITE)
    name = NAMES[source][0].upper() + NAMES[source][1:]
    assert sentence == (
        f"{name} makes the load of P1 in 2020 most uncertain (60 % of the variance); what would shrink it: {WHAT_SHRINKS_IT[source]}."
    )


def test_analytes_are_named_where_there_are_several(tmp_path):
    row = {"source": "sampling", "sd_kg_ha": 1.0, "variance_share": 1.0}
    lake = stored(tmp_path, "uncertainty_budget", [row, row | {"analyte": "total_p"}])
    assert [sentence.split(" most uncertain")[0] for sentence in largest_uncertainties(lake, SITE)] == [
        "The concentration between samples makes the load of nitrate_n of P1 in 2020",
        "The concentration between samples makes the load of total_p of P1 in 2020",
    ]


def test_loads_of_the_same_largest_source_share_a_sentence_and_the_commonest_source_comes_first(tmp_path):
    rows = [
        {"plot": "P1", "water_year": 2020, "source": "laboratory", "variance_share": 0.5},
        {"plot": "P1", "water_year": 2021, "source": "sampling", "variance_share": 0.7},
        {"plot": "P2", "water_year": 2020, "source": "sampling", "variance_share": 0.9},
        {"plot": "P2", "water_year": 2021, "source": "sampling", "variance_share": 0.8},
    ]
    lake = stored(tmp_path, "uncertainty_budget", [{"sd_kg_ha": 1.0} | row for row in rows])
    first, second = largest_uncertainties(lake, SITE)
    assert first.startswith(
        "The concentration between samples makes the loads of P1 in 2021, P2 in 2020 and 2021 most uncertain "
        "(70 to 90 % of the variance, most in P2 2020)"
    )
    assert second.startswith("The laboratory makes the load of P1 in 2020 most uncertain (50 % of the variance)")


def test_one_source_of_all_loads_is_told_once(tmp_path):
    rows = [{"plot": plot, "source": "sampling", "sd_kg_ha": 1.0, "variance_share": 0.6} for plot in ("P1", "P2")]
    (sentence,) = largest_uncertainties(stored(tmp_path, "uncertainty_budget", rows), SITE)
    assert sentence.startswith("The concentration between samples makes every annual load most uncertain")


def test_without_any_error_nothing_is_said(tmp_path):
    lake = stored(tmp_path, "uncertainty_budget", [{"source": "sampling", "sd_kg_ha": 0.0}])
    assert largest_uncertainties(lake, SITE) == []


def test_an_empty_load_is_explained_and_what_is_known_of_it_told(tmp_path):
    row = {
        "hours": 8784,
        "unfilled_hours": 1031,
        "why_empty": "unfilled_hours",
        "volume_known_mm": 245.0,
        "load_known_kg_ha": 20.14,
    }
    (sentence,) = empty_loads(stored(tmp_path, "loads_annual", [row]), SITE)
    assert sentence == (
        "Load of P1 in 2020 is not known: 1,031 of its 8,784 hours could not be filled (over the hours that are known: "
        "245 mm of drainage and 20.1 kg/ha)."
    )


def test_an_analyte_without_results_is_named_as_the_reason(tmp_path):
    row = {"hours": 8784, "why_empty": "no_results", "volume_known_mm": 300.0}
    (sentence,) = empty_loads(stored(tmp_path, "loads_annual", [row]), SITE)
    assert "no usable result of nitrate_n is near" in sentence


def test_a_known_load_needs_no_words(tmp_path):
    assert empty_loads(stored(tmp_path, "loads_annual", [{"hours": 8784, "load_kg_ha": 20.0}]), SITE) == []


def test_nothing_is_said_before_anything_is_computed(tmp_path):
    assert empty_loads(Lake(tmp_path), SITE) == largest_uncertainties(Lake(tmp_path), SITE) == []
