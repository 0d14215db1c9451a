"""Water that ran back: which it is, what it carried, and that it is counted once."""

import numpy as np
import pandas as pd
import pytest

from pipeline.stages.backward_water import backward_water
from tests.test_concentration import HOURS, SITE, WEEK, grabs, of_plot

WAVES = np.tile([60.0] * 8 + [-40.0] * 4, HOURS // 12)
"""Eight hours out, four hours back, without end."""
SAWTOOTH = grabs(*((hour + 0.5, 8.0 * 1.5 ** (hour // WEEK % 3)) for hour in range(5, HOURS, WEEK)))


def ditch(*rows, plot=None) -> pd.DataFrame:
    """Rows (moment, mg/L) of receiving water."""
    columns = [
        "plot",
        "sample",
        "kind",
        "start",
        "end",
        "analyte",
        "mg_l",
        "censored",
        "detection_limit_mg_l",
        "uncertainty_mg_l",
    ]
    return grabs(*rows, plot=plot)[columns].assign(evidence="field_book")


def receiving_water(site=SITE):
    return site.model_copy(update={"policies": site.policies.model_copy(update={"backward_water": "receiving_water"})})


def test_water_that_ran_back_carries_what_left_last():
    made = of_plot(SAWTOOTH, net_l=WAVES)
    # The four hours back, 40 L each, take the last 160 L: 40 of hour 5, 60 of hour 6, 60 of hour 7; the first back has hour 7's.
    hour = np.flatnonzero(made.backward == 2000 // 12 * 12 + 8)[0]
    before = made.members[:, made.backward[hour] - 1]
    np.testing.assert_allclose(made.as_left_undoubted[:, hour], before, rtol=1e-5)


def test_the_load_counts_what_ran_back_and_out_again_once():
    made = of_plot(SAWTOOTH, net_l=WAVES)
    carried = made.members.copy()
    carried[:, made.backward] = made.as_left_undoubted
    # Of each wave 320 L stay out: its first five hours, and 20 L of the sixth.
    stays = np.tile([60.0] * 5 + [20.0] + [0.0] * 6, HOURS // 12)
    np.testing.assert_allclose(carried @ WAVES, made.members @ stays, rtol=1e-4)


def test_both_policies_stand_beside_the_load_where_the_ditch_was_sampled():
    made = of_plot(SAWTOOTH, net_l=WAVES, receiving=ditch((500.5, 2.0), (3000.5, 2.0), (6000.5, 2.0)))
    assert made.receiving_water.mean() == pytest.approx(2.0, rel=0.1)
    np.testing.assert_array_equal(made.members[:, made.backward], made.as_left)


def test_a_policy_gives_water_that_ran_back_the_concentration_of_the_ditch():
    made = of_plot(SAWTOOTH, net_l=WAVES, receiving=ditch((500.5, 2.0), (3000.5, 2.0)), site=receiving_water())
    np.testing.assert_array_equal(made.members[:, made.backward], made.receiving_water)


def test_a_policy_about_the_ditch_changes_nothing_where_nobody_sampled_it():
    one, other = (of_plot(SAWTOOTH, net_l=WAVES, site=site) for site in (SITE, receiving_water()))
    assert other.receiving_water is None
    np.testing.assert_array_equal(one.members, other.members)


def test_samples_of_another_plots_ditch_tell_nothing():
    assert of_plot(SAWTOOTH, net_l=WAVES, receiving=ditch((500.5, 2.0), plot="P2")).receiving_water is None


def test_the_doubt_is_half_of_the_difference_between_the_two_answers():
    made = of_plot(SAWTOOTH, net_l=WAVES, receiving=ditch(*((hour + 0.5, 2.0) for hour in range(0, HOURS, 700))))
    apart = made.receiving_water - made.as_left_undoubted
    share = (made.as_left - made.as_left_undoubted) / apart
    assert share.min() == pytest.approx(-0.5, abs=0.01)
    assert share.max() == pytest.approx(0.5, abs=0.01)
    assert np.ptp(share, axis=1).max() < 0.01


def test_water_that_left_days_ago_does_not_come_back():
    # A hundred hours out, thirty back: hour 100 + k back held what left in hour 99 - k, which is two days ago from k = 24 on.
    net = np.repeat([60.0, -60.0], [100, 30])
    members = np.tile(np.arange(130, dtype=np.float32), (200, 1))
    made = backward_water(net, members, members, None, ("test",))
    expected = [99 - k if 2 * k + 1 <= 48 else 100 + k for k in range(30)]
    np.testing.assert_allclose(made.undoubted[0], expected, rtol=1e-6)
