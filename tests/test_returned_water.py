"""Water that ran back: the last that left comes back first, and is counted once."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.science.returned_water import returned_shares


def by_a_stack(net: np.ndarray) -> np.ndarray:
    """The same account by pushing and taking, as one would do it by hand: shares of hours, shape (hours back, hours)."""
    rows, stack = [], []
    for hour, litres in enumerate(net):
        if litres >= 0:
            stack.append([hour, litres])
            continue
        row, wanted = np.zeros(net.size), -litres
        while stack and wanted > 0:
            taken = min(wanted, stack[-1][1])
            row[stack[-1][0]] += taken / -litres
            wanted -= taken
            stack[-1][1] -= taken
            if stack[-1][1] <= 0:
                stack.pop()
        rows.append(row)
    return np.array(rows).reshape(len(rows), net.size)


def test_what_comes_back_is_what_left_last():
    # 10 L, then 20 L out; 25 L back: all of the 20 and 5 of the 10.
    back, shares = returned_shares([10.0, 20.0, -25.0])
    assert back.tolist() == [2]
    np.testing.assert_allclose(shares.toarray(), [[0.2, 0.8, 0.0]])


def test_what_ran_back_before_anything_left_is_told_by_nothing():
    _, shares = returned_shares([-5.0, 3.0, -4.0])
    np.testing.assert_allclose(shares.toarray(), [[0, 0, 0], [0, 0.75, 0]])


def test_the_account_begins_anew_after_an_hour_that_is_not_known():
    _, shares = returned_shares([10.0, np.nan, -5.0, 6.0, -3.0])
    np.testing.assert_allclose(shares.toarray(), [[0, 0, 0, 0, 0], [0, 0, 0, 1.0, 0]])


@settings(max_examples=200, deadline=None)
@given(st.lists(st.integers(-20, 20), min_size=1, max_size=60))
def test_the_account_is_that_of_a_stack(net):
    litres = np.array(net, dtype=float)
    back, shares = returned_shares(litres)
    assert back.tolist() == np.flatnonzero(litres < 0).tolist()
    np.testing.assert_allclose(shares.toarray().reshape(back.size, litres.size), by_a_stack(litres), atol=1e-12)


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_the_load_is_that_of_every_litres_last_departure(seed):
    # Enough runs out first that nothing else comes back; by the stack, what is left in it at the end is the load.
    generator = np.random.default_rng(seed)
    net = np.append(1e4, generator.normal(0, 50, 300))
    mg_l = generator.uniform(1, 20, net.size)
    back, shares = returned_shares(net)
    carried = mg_l.copy()
    carried[back] = shares @ mg_l
    stack = []
    for hour, litres in enumerate(net):
        if litres >= 0:
            stack.append([hour, litres])
        wanted = max(-litres, 0.0)
        while wanted > 1e-12:
            taken = min(wanted, stack[-1][1])
            wanted -= taken
            stack[-1][1] -= taken
            if stack[-1][1] <= 1e-12:
                stack.pop()
    assert (net * carried).sum() == pytest.approx(sum(mg_l[hour] * litres for hour, litres in stack), rel=1e-9)
