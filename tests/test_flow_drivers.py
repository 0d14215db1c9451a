"""What flow tells of concentration: a full drain is no trickle, and members of the flow tell what the flow would if it were theirs."""

import numpy as np
import pytest

from pipeline.science.flow_drivers import drivers_beside, flow_drivers


def flows(seed=0, hours=600) -> np.ndarray:
    return np.random.default_rng(seed).gamma(0.5, 60, hours)


def test_the_first_regressor_is_the_logarithm_of_flow_over_mean_flow():
    net_l = flows()
    # But for a twentieth of the mean, below which a logarithm would tell of the meter.
    assert flow_drivers(net_l)[:, 0] == pytest.approx(np.log(net_l / net_l.mean() + 0.05))


def test_water_that_runs_back_is_told_by_what_left_and_leaves_none_behind():
    net_l = flows()
    back, none = net_l.copy(), net_l.copy()
    back[300:310], none[300:310] = -500.0, 0.0
    back[298:300], none[298:300] = [1000.0, 4500.0], [1000.0, 4500.0]
    of_none, of_back = flow_drivers(none), flow_drivers(back)
    # The last 4500 L left in the hour before, the 500 L before them in that before it.
    np.testing.assert_allclose(of_back[300:309, :3], [of_none[299, :3]] * 9)
    np.testing.assert_allclose(of_back[309, :3], of_none[298, :3])
    np.testing.assert_allclose(of_back[310:], of_none[310:])


def test_water_that_runs_back_before_any_left_is_told_by_the_mean_of_hours_that_drain():
    net_l = flows()
    net_l[0] = -100.0
    drivers = flow_drivers(net_l)
    np.testing.assert_allclose(drivers[0, :3], drivers[1:, :3].mean(axis=0))


@pytest.mark.parametrize("first", [0, 200])
def test_regressors_of_a_history_are_those_of_a_flow_that_runs_so(first):
    net_l = flows()
    history = net_l.copy()
    # The same water in another order, so that the mean is the same.
    history[250:400] = net_l[250:400][::-1]
    beside = drivers_beside(net_l, first, np.stack([history[first:], net_l[first:]]))
    assert beside.shape == (4, 2, 600 - first)
    np.testing.assert_allclose(beside[:, 0].T, (flow_drivers(history) - flow_drivers(net_l))[first:], atol=1e-5)
    assert not beside[:, 1].any()
    assert not beside[:, 0, : 250 - first].any()
