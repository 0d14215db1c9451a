"""What a batch shows of precision and bias, the rule by which it warns, and what one result is worth."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipeline.site import load_site
from pipeline.stages.laboratory_batches import FEWEST_PAIRS, FEWEST_RECOVERIES
from pipeline.stages.samples import SampleResults, sample_results
from pipeline.tables import table

ROOT = Path(__file__).parents[1]
SITE = load_site(ROOT / "configs" / "sedge-hollow")
BOOK = "sample,plot,kind,from,to,duplicate_of\n"
SHEET = "sample,analyte,value,unit,qualifier,detection_limit,analysed,batch,role,added\n"


@pytest.fixture
def worked(tmp_path):
    """Results of one laboratory: pairs of values by kind and batch, and further lines as they stand."""

    def read(pairs=(), lines=(), site=SITE) -> SampleResults:
        book, sheet = [BOOK], [SHEET]
        for number, (kind, batch, first, second) in enumerate(pairs):
            moment = pd.Timestamp("2020-03-01") + pd.Timedelta(hours=number)
            book.append(f"S{number},P1,grab,{moment:%Y-%m-%dT%H:%M},,\n")
            sheet.append(f"S{number},nitrate_n,{first},mg/L as N,,0.2,2020-05-01,{batch},result,\n")
            if kind == "field":
                book.append(f"D{number},P1,grab,{moment:%Y-%m-%dT%H:%M},,S{number}\n")
                sheet.append(f"D{number},nitrate_n,{second},mg/L as N,,0.2,2020-05-01,{batch},field_duplicate,\n")
            else:
                sheet.append(f"S{number},nitrate_n,{second},mg/L as N,,0.2,2020-05-01,{batch},lab_duplicate,\n")
        sheet += [line + "\n" for line in lines]
        for folder, name, text in (("samples", "book.csv", book), ("lab", "sheet.csv", sheet)):
            (tmp_path / folder).mkdir(exist_ok=True)
            (tmp_path / folder / name).write_text("".join(text))
        return sample_results(site, tmp_path, [tmp_path / "samples/book.csv"], [tmp_path / "lab/sheet.csv"])

    return read


def batch(read: SampleResults, name: str = "B1") -> pd.Series:
    (row,) = read.batches[read.batches["batch"] == name].to_dict("records")
    return row


def test_columns_are_those_of_the_declaration(worked):
    assert tuple(worked().batches.columns) == table("laboratory_batches").names


def test_a_batch_counts_its_results_and_their_limits(worked):
    lines = [
        "S0,nitrate_n,9.5,mg/L as N,,1,2020-05-03,B1,result,",
        "LB,nitrate_n,,mg/L as N,<,0.05,2020-05-02,B1,lab_blank,",
    ]
    shown = batch(worked([("lab", "B1", 9, 11)], lines))
    assert (shown["results"], shown["blanks"], shown["lab_duplicate_pairs"]) == (2, 1, 1)
    assert (shown["detection_limit_lowest_mg_l"], shown["detection_limit_highest_mg_l"]) == (0.2, 1.0)


def test_pairs_show_the_standard_deviation_of_one_result(worked):
    # By hand: differences of 20 % and 10 %; s² = (400 + 100) / 4.
    shown = batch(worked([("lab", "B1", 9, 11), ("lab", "B1", 9.5, 10.5)]))
    assert shown["lab_duplicate_deviation_pct"] == pytest.approx(np.sqrt(125))
    assert shown["lab_duplicate_largest_pct"] == pytest.approx(20.0)


def test_pairs_near_the_detection_limit_tell_no_relative_precision(worked):
    # A mean of 0.9 is less than five limits of 0.2.
    assert batch(worked([("lab", "B1", 0.8, 1.0)]))["lab_duplicate_pairs"] == 0


@pytest.mark.parametrize(
    ("pairs", "lines", "told"),
    [
        ([("lab", "B1", 8.9, 11.1)], [], "laboratory duplicates differ by up to 22 %"),
        ([("field", "B1", 8.4, 11.6)], [], "field duplicates differ by up to 32 %"),
        ([], ["LB,nitrate_n,0.3,mg/L as N,,0.2,2020-05-01,B1,lab_blank,"], "1 of 1 blanks hold the analyte, up to 0.3 mg/L"),
        ([], ["F1,nitrate_n,0.2,mg/L as N,,0.2,2020-05-01,B1,field_blank,"], "1 of 1 blanks hold the analyte"),
        (
            [("lab", "B1", 4, 4)],
            ["S0,nitrate_n,5.4,mg/L as N,,0.2,2020-05-01,B1,matrix_spike,2"],
            "the recovery of a spike differs from 100 % by 30 %",
        ),
        ([], ["CS,nitrate_n,7.9,mg/L as N,,0.2,2020-05-01,B1,control_sample,10"], "a control sample differs from what it holds by 21 %"),
    ],
)  # fmt: skip
def test_a_batch_outside_its_limits_warns_and_says_why(worked, pairs, lines, told):
    shown = batch(worked(pairs, lines))
    assert shown["warnings"] == 1
    assert told in shown["remark"]


@pytest.mark.parametrize(
    ("pairs", "lines"),
    [
        ([("lab", "B1", 9.1, 10.9)], []),
        ([("field", "B1", 8.6, 11.4)], []),
        ([], ["LB,nitrate_n,,mg/L as N,<,0.2,2020-05-01,B1,lab_blank,"]),
        ([("lab", "B1", 4, 4)], ["S0,nitrate_n,5.6,mg/L as N,,0.2,2020-05-01,B1,matrix_spike,2"]),
        ([], ["CS,nitrate_n,11.9,mg/L as N,,0.2,2020-05-01,B1,control_sample,10"]),
    ],
)
def test_a_batch_within_its_limits_does_not_warn(worked, pairs, lines):
    shown = batch(worked(pairs, lines))
    assert shown["warnings"] == 0
    assert pd.isna(shown["remark"])


def test_a_site_may_be_stricter(worked):
    policies = SITE.policies.model_copy(update={"lab_duplicate_limit_pct": 10.0})
    site = SITE.model_copy(update={"policies": policies})
    assert batch(worked([("lab", "B1", 9.1, 10.9)], site=site))["warnings"] == 1


def test_without_enough_pairs_half_the_policys_expanded_uncertainty_stands(worked):
    shown = batch(worked([("lab", "B1", 9, 11)]))
    assert (shown["uncertainty_from"], shown["random_uncertainty_pct"]) == ("policy", 2.5)


def test_pairs_of_all_batches_together_tell_the_precision_of_each(worked):
    read = worked([("lab", f"B{number}", 9.5, 10.5) for number in range(FEWEST_PAIRS)])
    # Every pair differs by 10 %: s = 10 / sqrt(2).
    assert read.batches["random_uncertainty_pct"].tolist() == pytest.approx([10 / np.sqrt(2)] * FEWEST_PAIRS)
    assert set(read.batches["uncertainty_from"]) == {"lab_duplicates"}


def test_a_batch_with_pairs_enough_speaks_for_itself(worked):
    own = [("lab", "B1", 9.5, 10.5)] * FEWEST_PAIRS
    others = [("lab", "B2", 10.0, 10.0)]
    read = worked([*own, *others])
    assert batch(read, "B1")["random_uncertainty_pct"] == pytest.approx(10 / np.sqrt(2))
    assert batch(read, "B2")["random_uncertainty_pct"] < batch(read, "B1")["random_uncertainty_pct"]


def test_field_duplicates_speak_before_those_of_the_laboratory(worked):
    pairs = [("field", "B1", 9.5, 10.5)] * FEWEST_PAIRS + [("lab", "B1", 10, 10)] * FEWEST_PAIRS
    assert batch(worked(pairs))["uncertainty_from"] == "field_duplicates"


def test_control_samples_tell_the_error_that_a_batch_shares(worked):
    lines = [f"CS{n},nitrate_n,10.4,mg/L as N,,0.2,2020-05-01,B{n},control_sample,10" for n in range(FEWEST_RECOVERIES)]
    read = worked([("lab", "B1", 9, 9)], lines)
    assert only_uncertainty(read)["batch_uncertainty_pct"] == pytest.approx(4.0)


def only_uncertainty(read: SampleResults) -> pd.Series:
    assert len(read.results) == 1
    return read.results.iloc[0]


def test_a_result_is_worth_what_its_batch_shows_and_a_part_of_its_limit(worked):
    result = only_uncertainty(worked([("lab", "B1", 10, 10)]))
    # 2.5 % of 10 by the policy, and 0.2 / 3.29 by the limit, in quadrature.
    assert result["uncertainty_mg_l"] == pytest.approx(np.hypot(0.25, 0.2 / 3.29))


def test_the_mean_of_four_analyses_is_twice_as_certain_as_one(worked):
    one = only_uncertainty(worked([("lab", "B1", 10, 10)]))
    again = [f"S0,nitrate_n,10,mg/L as N,,0.2,2020-05-0{day},B1,result," for day in (2, 3, 4)]
    four = only_uncertainty(worked([("lab", "B1", 10, 10)], again))
    assert four["results"] == 4
    assert four["uncertainty_mg_l"] == pytest.approx(one["uncertainty_mg_l"] / 2)


def test_a_batch_without_a_name_is_one_of_its_own(worked):
    assert "(none)" in set(worked([("lab", "", 9, 11)]).batches["batch"])


def test_the_demos_duplicates_show_the_precision_that_its_laboratory_has():
    raw = ROOT / "sample_lake" / "raw" / "sedge-hollow"
    batches = sample_results(SITE, raw, raw.glob("samples/*.csv*"), raw.glob("lab/*.csv*")).batches
    # tests/field/laboratory.py errs by 2 % a result; some 25 pairs know that to a seventh (1 / sqrt(2 n)), here held to three of these.
    assert set(batches["uncertainty_from"]) == {"field_duplicates"}
    assert batches["random_uncertainty_pct"].between(2 * (1 - 3 / 7), 2 * (1 + 3 / 7)).all()
