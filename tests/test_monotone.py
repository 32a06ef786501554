"""What must move one way: a field decided again with one figure of the plan changed."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from pathlib import Path

import pytest
from pydantic import BaseModel

from rxmap import pipeline
from rxmap.plan import Plan
from rxmap.records import Inputs, Result

TEMPLATE = Path(pipeline.__file__).parent / "template" / "plan.toml"


@pytest.fixture(scope="module")
def template() -> tuple[Plan, Inputs]:
    return pipeline.check(TEMPLATE)


@pytest.fixture(scope="module")
def solved(template) -> Callable[..., Result]:
    """Decide the template's field with some keys replaced; each plan is solved once."""
    plan, inputs = template
    known: dict[str, Result] = {}

    def run(**keys: object) -> Result:
        if repr(keys) not in known:
            document = plan.model_copy(update={part: _changed(getattr(plan, part), new) for part, new in keys.items()})
            known[repr(keys)] = pipeline.solve(document, inputs)
        return known[repr(keys)]

    return run


def _changed(section: object, new: dict[str, object]) -> object:
    if isinstance(section, tuple):
        return tuple(_changed(one, new) for one in section)
    old = {key: getattr(section, key) for key in new}
    update = {key: _changed(old[key], v) if isinstance(old[key], BaseModel) else v for key, v in new.items()}
    # through the model, so that text becomes quantities
    given = {key: getattr(section, key) for key in type(section).model_fields}
    return type(section).model_validate({**given, **update})


def treated(result: Result) -> float:
    """Ground where treating pays [ha]: with the check strips in it, of which one more may fit into a larger area."""
    strips = [part.area_ha for one in result.passes for part in one.parts if part.reason == "check strip"]
    return sum(one.treated_ha for one in result.passes) + sum(strips)


# Polygons are simplified after the decision; their area may move by a hundredth of a hectare either way.
SLACK = 0.02


def falls(areas: list[float]) -> bool:
    return all(later <= earlier + SLACK for earlier, later in itertools.pairwise(areas))


def test_a_higher_price_never_shrinks_the_treated_area(solved):
    areas = [treated(solved(field={"price": f"{price} EUR/t"})) for price in (840, 210, 52.5)]
    assert falls(areas), areas
    assert areas[0] > areas[-1]


def test_a_higher_threshold_never_enlarges_it(solved):
    areas = [treated(solved(target={"threshold": threshold})) for threshold in (4, 8, 16, 99)]
    assert falls(areas), areas
    assert areas[-1] == 0


def test_a_dearer_product_never_enlarges_it(solved):
    areas = [treated(solved(product={"cost": f"{cost} EUR/L"})) for cost in (10, 110, 440, 1760)]
    assert falls(areas), areas
    assert areas[-1] == 0


@pytest.mark.long
def test_a_dearer_machine_and_trip_never_enlarge_it(solved):
    for key, costs in (("cost", ("0 EUR/ha", "14 EUR/ha", "60 EUR/ha")), ("trip", ("0 EUR", "9000 EUR"))):
        areas = [treated(solved(machine={key: cost})) for cost in costs]
        assert falls(areas), areas


@pytest.mark.long
def test_a_better_product_never_shrinks_it(solved):
    areas = [treated(solved(product={"controls": {"banded stem fly": share}})) for share in (1.0, 0.8, 0.2)]
    assert falls(areas), areas


def test_a_lower_maximum_of_the_label_never_raises_a_rate(solved):
    rates = []
    for most, rate in (("0.4 L/ha", "0.3 L/ha"), ("0.29996 L/ha", "0.29996 L/ha")):
        result = solved(product={"label": {"max": most}, "rate": rate})
        rates.append(max(part.rate for one in result.passes for part in one.parts))
    assert rates == [0.3, 0.299]


def test_scouting_costs_every_decision_alike(solved):
    free, paid = solved(), solved(scouting={"cost": "6 EUR/ha"})
    walked = 6 * free.field.area_ha
    for kind in ("map", "all", "none"):
        assert getattr(free.money, kind) - getattr(paid.money, kind) == pytest.approx(walked)
    assert paid.money.none == pytest.approx(-walked)
    assert paid.money.range == pytest.approx(free.money.range)
    assert treated(free) == treated(paid)


def test_the_money_of_the_map_lies_in_its_range(solved):
    for price in (840, 210):
        money = solved(field={"price": f"{price} EUR/t"}).money
        if money.range:
            low, high = money.range
            assert low <= high
            assert 0.0 <= money.p_map <= 1.0
