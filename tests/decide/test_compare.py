from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from rxmap.decide.benefit import crop_value_ha
from rxmap.decide.compare import DRAWS, MOST_BLOCKS, Draws, compare, draw_surfaces, gain
from rxmap.grid import Grid, block_sum

FACTOR = 2  # blocks of four cells on the square field


@pytest.fixture(scope="module")
def compared(field_grid, decide):
    """Decide and compare; the drawn surfaces are the pressure with a random level on each block."""

    def run(plan, *stakes, scouting=0.0, seed=1, noise=0.3, mapped=None):
        decisions = decide(plan, *stakes, mapped=mapped)
        rng = np.random.default_rng(seed)
        blocks = np.ones((30, 30), dtype=bool)
        drawn = {}
        for stake in stakes:
            mean = block_sum(stake.mean.reshape(60, 60), FACTOR).ravel() / FACTOR**2
            drawn[stake.name] = mean * rng.gamma(1 / noise, noise, (DRAWS, 1)) * rng.gamma(9, 1 / 9, (DRAWS, 900))
        draws = Draws(factor=FACTOR, blocks=blocks, area_ha=np.full(900, 0.04), pressure=drawn)
        surfaces = [SimpleNamespace(target=target) for target in plan.target]
        return decisions, compare(
            decisions,
            stakes,
            surfaces,
            grid=field_grid,
            draws=draws,
            value_ha=crop_value_ha(plan.field),
            scouting=scouting,
            currency="EUR",
        )

    return run


# A hectare is worth 1200 EUR, treating costs 40 and prevents 0.8 of a loss of 1 % a midge: 12 ha with 30 midges
# gain 12 x (288 - 40) = 2976, 24 ha without any lose 24 x 40 = 960.
def test_money_of_a_map_by_hand(plan_of, make_stake, compared, patch):
    _, money = compared(plan_of({"machine.trip": "100 EUR"}), make_stake(patch(30, 0)), scouting=72.0)
    assert money.map == pytest.approx(2976 - 100 - 72)
    assert money.all == pytest.approx(2976 - 960 - 100 - 72)
    assert money.none == -72.0
    assert (money.best, money.currency) == ("map", "EUR")


def test_the_range_is_of_the_map_against_the_better_of_all_and_none(plan_of, make_stake, compared, patch):
    _, money = compared(plan_of(), make_stake(patch(30, 0)))
    low, high = money.range
    assert low <= money.map - max(money.all, money.none) <= high
    # nothing lives in the east of any drawn field: the map saves the 960 EUR of treating it in each
    assert low == pytest.approx(960)
    assert high == pytest.approx(960)
    assert money.p_map == 1.0


def test_the_range_widens_with_doubt_and_stays_ordered(plan_of, make_stake, compared, patch):
    widths = []
    for noise in (0.05, 0.3, 1.0):
        _, money = compared(plan_of(), make_stake(patch(30, 2), threshold=1.0), noise=noise)
        low, high = money.range
        assert low <= high
        assert 0.0 <= money.p_map <= 1.0
        widths.append(high - low)
    assert widths == sorted(widths)


def test_drawn_surfaces_are_shifted_to_the_expectation(plan_of, make_stake, compared, patch):
    # draws that lie far too high must not move the middle of the range away from map - all
    stake = make_stake(patch(30, 2), threshold=1.0)
    _, money = compared(plan_of(), stake, noise=0.01)
    spread = np.mean(money.range)
    assert spread == pytest.approx(money.map - money.all, abs=0.1 * (money.range[1] - money.range[0]) + 1)


def test_a_map_that_treats_where_it_pays_beats_all_and_none(plan_of, make_stake, compared, patch):
    for west, east in ((30, 0), (30, 2), (12, 4), (50, 1)):
        decisions, money = compared(plan_of(), make_stake(patch(west, east), threshold=1.0))
        assert decisions[0].kind == "map"
        assert money.map > max(money.all, money.none)
        assert money.best == "map"


def test_without_a_map_there_is_no_range(plan_of, make_stake, compared, patch):
    decisions, money = compared(plan_of(), make_stake(patch(30, 30)))
    assert decisions[0].kind == "all"
    assert (money.map, money.range, money.p_map, money.best) == (None, None, None, "all")
    assert money.all == pytest.approx(36 * 248)


def test_where_nothing_goes_out_all_is_the_pass_that_would_lose_least(plan_of, make_stake, compared, patch):
    keys = {"product.1.name": "Elm", "product.1.cost": "80 EUR/L"}
    decisions, money = compared(plan_of(keys), make_stake(patch(2, 2)), scouting=10.0)
    assert {d.kind for d in decisions} == {"none"}
    # Elm: 36 x (1200 x 0.8 x 0.02 - 34); Rowan would lose 40 - 19.20 a hectare
    assert money.all == pytest.approx(36 * (19.2 - 34) - 10)
    assert (money.none, money.best) == (-10.0, "none")


def test_all_sends_every_pass_that_goes_out_over_the_whole_field(plan_of, make_stake, compared, patch):
    keys = {"target.1.name": "moth", "product.1.name": "Elm", "product.1.controls": {"moth": 0.5}}
    stakes = [make_stake(patch(30, 0)), make_stake(patch(20, 20), name="moth")]
    decisions, money = compared(plan_of(keys | {"machine.trip": "10 EUR"}), *stakes)
    assert [d.kind for d in decisions] == ["map", "all"]
    west, east = (1 - 0.2 * 0.3) * (1 - 0.1) - 0.7 * 0.8, 0.9 - 0.8
    assert money.all == pytest.approx(1200 * (12 * west + 24 * east) - 2 * 36 * 40 - 20)
    assert money.map == pytest.approx(1200 * (12 * west + 24 * east) - (12 + 36) * 40 - 20)


def test_keep_outs_earn_and_cost_nothing(plan_of, make_stake, decide, field_grid, patch):
    kept = np.zeros((60, 60))
    kept[:30] = 1.0
    stake = make_stake(patch(30, 30))
    (one,) = decide(plan_of(), stake, kept=kept)
    money = compare(
        [one], [stake], [], grid=field_grid, draws=None, value_ha=1200.0, scouting=0.0, currency="EUR"
    )  # fmt: skip
    assert money.all == pytest.approx(18 * 248)


def test_without_a_loss_there_is_no_money(plan_of, make_stake, compared, patch):
    plan = plan_of({"target.0.loss": None})
    stake = make_stake(patch(30, 0), loss=None)
    assert compared(plan, stake)[1] is None
    assert compared(plan, make_stake(patch(30, 0), loss=None, closed="stage"))[1] is None
    both = plan_of({"target.1.name": "moth", "product.0.controls": {"midge": 0.8, "moth": 0.5}})
    assert compared(both, make_stake(patch(30, 0)), make_stake(patch(9, 9), name="moth", loss=None))[1] is None


def test_a_gated_target_leaves_scouting_as_the_only_money(plan_of, make_stake, compared, patch):
    _, money = compared(plan_of(), make_stake(patch(30, 0), closed="stage"), scouting=12.0)
    assert (money.map, money.all, money.none, money.best) == (None, -12.0, -12.0, "none")


def test_blocks_cover_the_field_and_are_few(field_grid):
    def simulate(places, draws, seed):
        assert ((places > 0) & (places < 600)).all()
        return np.full((draws, len(places)), float(seed))

    surfaces = [SimpleNamespace(target=SimpleNamespace(name=name), simulate=simulate) for name in ("a", "b")]
    share = np.ones((60, 60))
    share[10:20, 7:31] = 0.0
    draws = draw_surfaces(surfaces, Grid(0.0, 600.0, 10.0, share), seed=5)
    assert np.count_nonzero(draws.blocks) <= MOST_BLOCKS
    assert draws.area_ha.sum() == pytest.approx(36 * share.mean())
    assert (draws.pressure["a"][0, 0], draws.pressure["b"][0, 0]) == (5.0, 6.0)
    assert (draws.p_mean_over("a", 4.0), draws.p_mean_over("a", 6.0)) == (1.0, 0.0)


def test_gain_by_hand_for_a_share_of_a_place(plan_of, make_stake, decide, patch):
    (one,) = decide(plan_of({"machine.trip": "7 EUR"}), make_stake(patch(30, 30)))
    case = SimpleNamespace(treated={"rowan": np.array([[0.5, 0.0]])})
    money = gain(
        case,
        {"midge": np.array([[0.3, 0.3], [0.1, 0.2]])},
        decisions=[one],
        area_ha=np.array([2.0, 3.0]),
        value_ha=1200.0,
    )
    assert money == pytest.approx([2 * 0.5 * (288 - 40) - 7, 2 * 0.5 * (96 - 40) - 7])
