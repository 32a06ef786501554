"""The value of stops: closed form against Monte Carlo, exact Bayes, and what must always hold."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rxmap.scout.value import Belief, Call, choose_batch, expected_gain, perfect_gain, taken_away, weigh_batch
from rxmap.surface.covariance import correlation, distances
from rxmap.surface.joint import joint_spatial
from rxmap.surface.kriging import Kriging
from rxmap.surface.links import Bounded

EAST = np.linspace(0.0, 600.0, 60)
PLACES = np.column_stack([EAST, np.zeros(60)])
NOISE = 0.25


def line_field(fixed: float = 0.0) -> tuple[Belief, Call]:
    """60 places on a line; the margin is linear in a normal latent value, in the middle in doubt."""
    covariance = correlation(distances(PLACES, PLACES), "exponential", 200.0)
    belief = Belief(weights=np.ones(1), covariance=covariance[None], noise=np.full((1, 60), NOISE))
    call = Call(margin=np.linspace(-1.5, 1.0, 60), slopes=(np.full((1, 60), 0.7),), fixed=fixed)
    return belief, call


def monte_carlo(belief: Belief, call: Call, stops: list[int], draws: int) -> tuple[float, float]:
    """Draw what stops show, decide anew each time by exact Bayes: mean gain and its standard error."""
    random = np.random.default_rng(4)
    covariance = belief.covariance[0]
    seen = covariance[np.ix_(stops, stops)] + NOISE * np.eye(len(stops))
    gain = covariance[:, stops] @ np.linalg.inv(seen)
    root, now = np.linalg.cholesky(seen), np.maximum(call.margin, 0.0).sum()
    won = []
    for _ in range(8):  # in turns: all draws at once would fill the memory
        moves = 0.7 * gain @ (root @ random.standard_normal((len(stops), draws // 16)))
        both = [np.maximum(call.margin[:, None] + sign * moves, 0.0).sum(axis=0) for sign in (1.0, -1.0)]
        won.append((both[0] + both[1]) / 2 - now)
    drawn = np.concatenate(won)
    return float(drawn.mean()), float(drawn.std() / np.sqrt(len(drawn)))


def test_one_place_has_the_value_of_the_formula_worked_by_hand():
    # m = -0.5, s = 2, noise 1.5: s phi(m / s) - |m| Phi(-|m| / s) with s = 2, and with s = 4 / sqrt(4 + 1.5^2) = 1.6
    value = expected_gain(np.array([-0.5]), np.array([2.0, 1.6]))
    assert value == pytest.approx([0.5726894, 0.4192238], abs=5e-8)


@pytest.mark.parametrize("stops", [[30], [20, 41], [10, 25, 33, 40, 55]])
def test_closed_form_is_within_a_hundredth_of_monte_carlo(stops):
    belief, call = line_field()
    variance, now = np.zeros(60), belief
    for stop in stops:
        variance += taken_away([now], call, np.array([stop]))[:, 0]
        now = now.seen(stop)
    closed = float(expected_gain(call.margin, np.sqrt(variance)).sum())
    drawn, error = monte_carlo(belief, call, stops, 500_000)
    assert error < 0.003 * drawn
    assert closed == pytest.approx(drawn, rel=0.01)


def test_a_batch_is_worth_what_its_stops_add_and_less_than_knowing_all():
    belief, call = line_field()
    batch = choose_batch([belief], [call], np.arange(60), np.zeros(60), 5)
    assert list(batch.gains) == sorted(batch.gains, reverse=True)
    # 4000 draws of the batch: three standard errors are about 3 %
    assert weigh_batch([call], batch, seed=1, least=0.05)[0] == pytest.approx(sum(batch.gains), rel=0.03)
    assert sum(batch.gains) < perfect_gain([belief], [call])


def test_the_best_first_stop_is_the_best_of_all_single_stops():
    belief, call = line_field()
    alone = [choose_batch([belief], [call], np.array([at]), np.zeros(1), 1).gains[0] for at in range(60)]
    batch = choose_batch([belief], [call], np.arange(60), np.zeros(60), 1)
    assert batch.places[0] == int(np.argmax(alone))


def test_a_stop_on_clear_ground_is_worth_nothing_and_turns_no_call():
    belief, call = line_field()
    clear = Call(margin=np.full(60, -50.0), slopes=call.slopes, fixed=0.0)
    batch = choose_batch([belief], [clear], np.arange(60), np.zeros(60), 3)
    assert weigh_batch([clear], batch, seed=1, least=0.05) == (0.0, 0.0)


def test_a_trip_that_cannot_pay_takes_the_value_of_looking_away():
    belief, call = line_field()
    batch = choose_batch([belief], [call], np.arange(60), np.zeros(60), 5)
    dear = Call(margin=call.margin, slopes=call.slopes, fixed=1e6)
    assert weigh_batch([dear], batch, seed=1, least=0.05) == (0.0, 0.0)


def test_a_trip_that_nearly_pays_may_turn_the_call_where_no_place_alone_would():
    belief, call = line_field()
    batch = choose_batch([belief], [call], np.arange(60), np.zeros(60), 5)
    sure = Call(margin=np.full(60, 5.0), slopes=call.slopes, fixed=301.0)  # 60 places earn 300, the trip costs 301
    gain, turning = weigh_batch([sure], batch, seed=1, least=0.05)
    assert gain > 0.0
    assert turning == 1.0


def test_the_first_stops_of_a_batch_are_the_batch_of_fewer():
    belief, call = line_field()
    five, two = (choose_batch([belief], [call], np.arange(60), np.zeros(60), count) for count in (5, 2))
    assert five.first(2).places == two.places
    assert five.first(2).moves[0] == pytest.approx(two.moves[0])


def test_stops_of_equal_value_go_where_the_tie_breaker_says():
    flat = Belief(weights=np.ones(1), covariance=np.ones((1, 9, 9)), noise=np.ones((1, 9)))
    call = Call(margin=np.full(9, 0.1), slopes=(np.ones((1, 9)),), fixed=0.0)
    assert choose_batch([flat], [call], np.arange(9), np.eye(9)[7], 1).places == (7,)


@given(st.lists(st.integers(0, 59), min_size=1, max_size=6, unique=True), st.floats(-3, 3))
def test_more_stops_never_take_value_away(stops, shift):
    belief, call = line_field()
    call = Call(margin=call.margin + shift, slopes=call.slopes, fixed=0.0)
    assert all(gain >= -1e-9 for gain in choose_batch([belief], [call], np.array(stops), np.zeros(len(stops)), 6).gains)


def test_seeing_a_place_leaves_the_covariance_that_kriging_with_it_has():
    random = np.random.default_rng(8)
    stops, more = random.uniform(0, 600, (12, 2)), np.array([[310.0, 40.0]])
    nugget = 0.3
    before, after = (
        Kriging(at, np.zeros(len(at)), "exponential", 250.0, 1.4, nugget) for at in (stops, np.vstack([stops, more]))
    )
    where = np.vstack([more, random.uniform(0, 600, (6, 2))])

    def belief(system: Kriging) -> Belief:
        ensemble = SimpleNamespace(points=[SimpleNamespace(system=system, micro=0.0)], weights=np.ones(1))
        joint = joint_spatial(ensemble, Bounded(-1e9, 1e9), where, known=np.ones(len(where), bool), drift=None)
        assert np.diag(joint.covariance[0]) == pytest.approx(system.predict(where)[1], rel=1e-9)
        return Belief(weights=joint.weights, covariance=joint.covariance, noise=joint.noise)

    assert belief(before).seen(0).covariance == pytest.approx(belief(after).covariance, abs=1e-9)
