"""What a task controller is told, against the data dictionary of ISO 11783-11 and the exact units of NIST Handbook 44.

Entities and resolutions are from public copies of the data dictionary; gallon 3.785411784 L, acre
4046.8564224 m2 and pound 0.45359237 kg from Handbook 44, appendix C (from memory).
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rxmap.errors import InputError
from rxmap.records import PassResult, ProductUse, Result
from rxmap.write.task_dose import dose_of, raw_value

GALLON, ACRE, POUND = Fraction("3.785411784"), Fraction("4046.8564224"), Fraction("0.45359237")


def _with_label(one: PassResult, **limits: float) -> PassResult:
    """Give the pass with another label of its first product."""
    first, *others = one.products
    return replace(one, products=(replace(first, **limits), *others))


# Steps: 1 L/ha = 100 mm3/m2 = 10,000 steps of 0.01; 1 kg/ha = 100 mg/m2 = 100 steps of 1.
@pytest.mark.parametrize(
    ("rate", "unit", "exact", "value"),
    [
        (2, "gal/acre", 2 * GALLON / ACRE * 10**8, 187_079),
        (10, "gal/acre", 10 * GALLON / ACRE * 10**8, 935_396),
        (15, "gal/acre", 15 * GALLON / ACRE * 10**8, 1_403_093),
        (13.6, "floz/acre", Fraction("13.6") * GALLON / 128 / ACRE * 10**8, 9_939),
        (1, "qt/acre", GALLON / 4 / ACRE * 10**8, 23_385),
        (1, "pt/acre", GALLON / 8 / ACRE * 10**8, 11_692),
        (100, "L/ha", Fraction(1_000_000), 1_000_000),
        (5, "lb/acre", 5 * POUND / ACRE * 10**6, 560),
        (8, "oz_wt/acre", POUND / 2 / ACRE * 10**6, 56),
        (10, "kg/ha", Fraction(1000), 1000),
    ],
)
def test_a_rate_becomes_the_steps_of_the_data_dictionary(rate: float, unit: str, exact: Fraction, value: int) -> None:
    assert value == round(exact)
    assert raw_value(rate, unit) == value


def test_a_step_is_rounded_to_the_inside_of_a_limit() -> None:
    """10 gal/acre are 935395.62 steps, 15 gal/acre 1403093.43: nearest is above and below."""
    assert raw_value(10, "gal/acre", most=10) == 935_395
    assert raw_value(15, "gal/acre", least=15) == 1_403_094
    assert raw_value(100, "L/ha", least=100, most=100) == 1_000_000


@pytest.mark.parametrize(
    ("rate", "unit", "limits"),
    [
        (8, "oz_wt/acre", (8, 8)),  # 56.04 steps: none lies on the only rate that the label allows
        (0.02, "oz_wt/acre", (0.01, 1)),  # 0.14 steps
        (3, "g/ha", (2, 10)),  # 0.3 steps would become 0
        (300_000, "L/ha", (1, 400_000)),  # 3e9 steps: more than 2^31 - 1
    ],
)
def test_a_rate_that_steps_cannot_tell_is_refused(rate: float, unit: str, limits: tuple[float, float]) -> None:
    with pytest.raises(InputError, match="cannot be told in steps"):
        raw_value(rate, unit, least=limits[0], most=limits[1])


@given(
    unit=st.sampled_from(["floz/acre", "gal/acre", "L/ha", "mL/ha", "lb/acre", "kg/ha"]),
    thousandths=st.integers(5_000, 10**7),
    below=st.floats(0.5, 1.0),
    above=st.floats(1.0, 2.0),
)
def test_what_is_told_never_leaves_the_label(unit: str, thousandths: int, below: float, above: float) -> None:
    rate = thousandths / 1000
    per_unit = {
        "floz/acre": GALLON / 128 / ACRE * 10**8, "gal/acre": GALLON / ACRE * 10**8, "L/ha": Fraction(10**4),
        "mL/ha": Fraction(10), "lb/acre": POUND / ACRE * 10**6, "kg/ha": Fraction(100),
    }[unit]  # fmt: skip
    least, most = rate * below, rate * above
    try:
        value = raw_value(rate, unit, least=least, most=most)
    except InputError:
        return
    # 1e-9: binary numbers; 1e-5 below the least where no step lies between the limits
    assert value <= Fraction(most) * per_unit * (1 + Fraction(1, 10**9))
    assert value >= Fraction(least) * per_unit * (1 - Fraction(1, 10**5))
    assert abs(value - Fraction(rate) * per_unit) <= Fraction(rate) * per_unit / 100


def test_the_zones_hold_the_spray_or_the_product_and_say_which(result: Result) -> None:
    one = result.passes[0]
    spray, product = dose_of(one, "spray"), dose_of(one, "product")
    assert (spray.entity, spray.values, spray.what) == (1, (0, 187_079, 0, 187_079, 0), "Spray with Exampline 200")
    # 9 floz/acre of 128 to the gallon: 6577.00 steps
    assert (product.entity, product.values, product.what) == (1, (0, 6577, 0, 6577, 0), "Exampline 200")


def test_a_dry_product_is_told_as_mass(result: Result) -> None:
    one = result.passes[0]
    parts = tuple(replace(part, rate=5.0 * part.treat, unit="lb/acre") for part in one.parts)
    dry = _with_label(replace(one, parts=parts), least=3.0, most=5.001)
    assert dose_of(dry, "product").values == (0, 560, 0, 560, 0)
    assert dose_of(dry, "product").entity == 6


@pytest.mark.parametrize(
    ("label", "value"),
    [
        ({}, 935_396),
        ({"most": 9.0}, 935_395),  # more spray would carry more product than the label allows
        ({"least_volume": float(10 * GALLON / ACRE * 10**4)}, 935_396),
        ({"least": 9.0, "most": 9.0}, 935_395),
    ],
)
def test_the_spray_keeps_every_limit_of_the_label(result: Result, label: dict[str, float], value: int) -> None:
    one = result.passes[0]
    parts = tuple(replace(part, volume=10.0 * part.treat) for part in one.parts)
    assert max(dose_of(_with_label(replace(one, parts=parts), **label), "spray").values) == value


def test_the_label_of_what_rides_along_holds_too(result: Result) -> None:
    one = result.passes[0]
    parts = tuple(replace(part, volume=10.0 * part.treat) for part in one.parts)
    rider = ProductUse(name="Samplazole", rate=0.6, unit="L/ha", total=1.0, total_unit="L", most=0.6)
    assert max(dose_of(replace(one, parts=parts, products=(*one.products, rider)), "spray").values) == 935_395
