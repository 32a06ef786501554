"""Gates, with the conditions that bulletins print; every bulletin is cited from memory."""

from __future__ import annotations

import datetime as dt

import pytest

from rxmap.decide.gates import closed_gate, infested_share
from rxmap.errors import InputError
from rxmap.plan import Target
from rxmap.records import Observation

# Ragsdale et al. (2007), J. Econ. Entomol. 100:1258-1267: 250 aphids per plant, R1 to R5, most plants infested.
APHID = {"target.0.threshold": 250, "target.0.gates": {"stage": ["R1", "R5"], "infested_share": 0.8}}


def seen(value: float, n: int = 20, positives: int | None = None) -> Observation:
    place = {"lon": 0.0, "lat": 0.0, "easting": 0.0, "northing": 0.0, "place": "stops.csv: row 2"}
    return Observation(stop="1", target="midge", n=n, value=value, positives=positives, **place)


def gate(plan, observations=()):
    return closed_gate(plan, plan.target[0], observations)


@pytest.mark.parametrize(
    ("stage", "infested", "says"),
    [
        ("R4", 17, None),
        ("R5", 16, None),
        ("R6.5", 17, "stage R6.5 is outside R1 to R5, where this threshold holds"),
        ("V5", 17, "stage V5 is outside R1 to R5"),
        ("R4", 15, "75 % of the sample units are infested, the gate asks for 80 %"),
        ("R6", 15, "stage R6 is outside"),  # the first that is closed
    ],
)
def test_aphids_are_treated_only_while_every_condition_holds(plan_of, stage, infested, says):
    found = gate(plan_of(APHID | {"field.stage": stage}), [seen(20 * 300, positives=infested)])
    assert (found is None) == (says is None)
    assert says is None or says in found


def test_a_share_just_short_is_not_rounded_into_the_gate(plan_of):
    found = gate(plan_of(APHID), [seen(900, n=1000, positives=796)])
    assert "79.6 %" in found


def test_infested_share_counts_units_and_not_stops():
    target = Target(name="midge", measure="count", threshold=1, source="own")
    assert infested_share(target, [seen(9, 5, 5), seen(1, 45, 0)]) == pytest.approx(0.1)
    incidence = Target(name="midge", measure="incidence", threshold=1, source="own")
    assert infested_share(incidence, [seen(3, 10), seen(0, 20)]) == pytest.approx(0.1)


def test_a_count_without_positives_says_which_column_is_missing(plan_of):
    with pytest.raises(InputError, match=r"stops\.csv: row 2.*column positives.*Add it, or remove the gate"):
        gate(plan_of(APHID), [seen(9, positives=3), seen(9)])


def test_stages_by_name_are_compared_by_name(plan_of):
    gates = {"target.0.gates.stages": ["bloom", "pod fill"]}
    assert gate(plan_of(gates | {"field.stage": "bloom"})) is None
    assert gate(plan_of(gates | {"field.stage": "R3"})) == (
        "stage R3 is not one of bloom, pod fill, where this threshold holds"
    )


def test_a_target_of_the_next_crop_never_opens(plan_of):
    # corn rootworm beetles decide about next year's corn (University of Wisconsin, from memory)
    assert "next crop: a note, never a pass" in gate(plan_of({"target.0.decides": "next crop"}), [seen(99)])


def test_a_target_without_gates_is_open(plan_of):
    assert gate(plan_of()) is None
    assert gate(plan_of({"field.stage": None})) is None


def visit(stop: str, value: float, day: str) -> Observation:
    place = {"lon": 0.0, "lat": 0.0, "easting": 0.0, "northing": 0.0, "place": "stops.csv: row 2"}
    return Observation(stop=stop, target="midge", n=20, value=value, date=dt.date.fromisoformat(day), **place)


@pytest.mark.parametrize(("then", "now", "is_open"), [(4000, 6000, True), (6000, 6000, False), (7000, 6000, False)])
def test_a_rising_gate_compares_the_stops_that_were_visited_twice(plan_of, then, now, is_open):
    """Ragsdale et al. 2007 (from memory): 300 aphids per plant and not increasing is a reason to wait."""
    plan = plan_of({"target.0.gates": {"rising": True}})
    newest = [visit("1", now, "2031-07-14"), visit("2", 0, "2031-07-14")]
    found = closed_gate(plan, plan.target[0], newest, [visit("1", then, "2031-07-07"), visit("9", 1, "2031-07-07")])
    assert (found is None) == is_open
    assert is_open or "not rising since the last visit" in found


def test_a_rising_gate_takes_the_last_of_several_earlier_visits(plan_of):
    plan = plan_of({"target.0.gates": {"rising": True}})
    earlier = [visit("1", 10, "2031-07-01"), visit("1", 90, "2031-07-08"), visit("1", 20, "2031-07-04")]
    assert "not rising" in closed_gate(plan, plan.target[0], [visit("1", 50, "2031-07-14")], earlier)


def test_without_an_earlier_visit_nobody_can_say_that_it_rises(plan_of):
    plan = plan_of({"target.0.gates": {"rising": True}})
    assert "no earlier visit" in closed_gate(plan, plan.target[0], [visit("1", 50, "2031-07-14")])


@pytest.mark.parametrize(
    ("silks", "pollination", "is_open"), [(False, True, False), (True, False, False), (True, True, True)]
)
def test_every_confirmed_condition_must_have_been_seen(plan_of, silks, pollination, is_open):
    """Beetles in corn: silks under half an inch and pollination under half (extension bulletins, memory)."""
    confirmed = {"silks under 1/2 in": silks, "pollination under 50 %": pollination}
    found = gate(plan_of({"target.0.gates": {"confirmed": confirmed}}))
    assert (found is None) == is_open
