"""Quantities against the exact definitions of NIST Handbook 44 appendix C (values from memory)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rxmap.errors import InputError
from rxmap.units import (
    AMBIGUOUS,
    CURRENCIES,
    SHAPES,
    UNITS,
    Kind,
    Quantity,
    convert,
    currency,
    denominator,
    dimension,
    factor,
    numerator,
    parse,
)

SIZES = st.floats(min_value=1e-6, max_value=1e6)

# NIST Handbook 44 appendix C, from memory: 1 gal = 231 in3 = 3.785411784 L, 1 ft = 0.3048 m, 1 lb = 0.45359237 kg.
# The acre is the international one, 43560 ft2; the US survey acre differs by 4e-6.
EXACT = [
    ("ft", "m", 0.3048),
    ("mi", "ft", 5280.0),
    ("inch", "m", 0.0254),
    ("acre", "m2", 43560 * 0.3048**2),
    ("ha", "acre", 1e4 / (43560 * 0.3048**2)),
    ("gal", "L", 231 * 0.0254**3 * 1000),
    ("gal", "floz", 128.0),
    ("gal", "pt", 8.0),
    ("gal", "qt", 4.0),
    ("impgal", "L", 4.54609),  # UK Weights and Measures Act 1985, from memory
    ("lb", "kg", 0.45359237),
    ("lb", "oz_wt", 16.0),
    ("short_ton", "lb", 2000.0),
    ("t", "kg", 1000.0),
    ("mph", "km/hour", 1.609344),
    ("gal/acre", "L/ha", 9.353956),
    ("floz/acre", "mL/ha", 73.07778),
    ("lb/acre", "kg/ha", 1.120851),
]


@pytest.mark.parametrize(("unit", "to", "expected"), EXACT)
def test_factors_are_those_of_the_handbook(unit, to, expected):
    assert factor(unit, to) == pytest.approx(expected, rel=5e-7)  # the last three are printed to seven digits


@pytest.mark.parametrize(
    ("text", "kind", "to", "expected"),
    [
        ("2 gal/acre", "rate", "L/ha", 18.70791),
        ("5 gal/acre", "rate", "L/ha", 46.76978),
        ("20 gal/acre", "rate", "L/ha", 187.0791),
        ("47 L/ha", "rate", "gal/acre", 5.024612),
        ("190 L/ha", "rate", "gal/acre", 20.31226),
        ("583.62 floz", "amount", "gal", 4.559531),  # 13.7 floz/acre on 42.6 acres
    ],
)
def test_spray_sums_come_out_as_worked_by_hand(text, kind, to, expected):
    assert parse(text, kind).to(to) == pytest.approx(expected, rel=1e-6)


def test_product_of_a_load_comes_out_as_worked_by_hand():
    acres = parse("1200 gal", "volume").magnitude / parse("15 gal/acre", "rate").magnitude
    assert acres == 80
    assert convert(8 * acres, "floz", "gal") == pytest.approx(5.0)
    drone = parse("40 L", "volume").to("gal") / 2  # acres of a 40 L tank at 2 gal/acre
    assert drone == pytest.approx(5.283, abs=5e-4)


@pytest.mark.parametrize("unit", UNITS)
@given(size=SIZES)
def test_every_unit_comes_back_through_every_unit_of_its_kind(unit, size):
    for other in UNITS:
        if dimension(other) == dimension(unit):
            # two multiplications, each off by half a unit in the last place, through factors that are off by one
            assert convert(convert(size, unit, other), other, unit) == pytest.approx(size, rel=1e-14)


@pytest.mark.parametrize("code", ["USD", "EUR", "BRL", "UAH", "INR"])
def test_a_currency_is_a_dimension_of_its_own(code):
    assert currency(f"{code}/acre") == code
    assert Quantity(1.0, f"{code}/acre").is_like(f"{code}/ha")
    assert not any(dimension(code) == dimension(other) for other in CURRENCIES if other != code)


def test_units_and_currencies_share_no_name():
    assert not set(UNITS) & set(CURRENCIES)
    assert not (set(UNITS) | set(CURRENCIES)) & set(AMBIGUOUS)
    assert len(set(CURRENCIES)) == len(CURRENCIES)


@pytest.mark.parametrize(
    ("text", "kind", "says"),
    [
        ("9 oz/acre", "rate", ("ambiguous", "floz", "oz_wt")),
        ("2 ton", "mass", ("ambiguous", "t (1000 kg)", "short_ton")),
        ("2 gallon", "volume", ("ambiguous", "gal (US)", "impgal")),
        ("2 tonne", "mass", ("Write t (1000 kg)",)),
        ("5 km/h", "speed", ("Write hour",)),
        ("3 $/acre", "money_per_area", ("currency code such as USD",)),
        ("3 usd/acre", "money_per_area", ("Did you mean USD?",)),
        ("2 Gal/acre", "rate", ("Did you mean gal?",)),
        ("2 galons/acre", "rate", ("Did you mean gal?",)),
        ("2 cubits", "length", ("Known units: m, km",)),
        ("18", "length", ("not a number with a unit", "'30 m'")),
        ("wide", "length", ("not a number with a unit",)),
        ("nan m", "length", ("not a number with a unit",)),
        ("inf m", "length", ("not a number with a unit",)),
        ("1,5 m", "length", ("decimal point",)),
        ("1,000 USD", "money", ("no comma",)),
        ("9 fl oz/acre", "rate", ("without spaces",)),
        ("5 k m", "length", ("without spaces",)),
        ("3 USD/ha/m", "money_per_area", ("two with a stroke",)),
        ("1e400 m", "length", ("too large",)),
        ("1e300 m", "length", ("too large",)),
        ("1e-200 m", "length", ("too small",)),
        ("9 USD", "rate", ("USD is not a rate",)),
        ("9 EUR/m", "money_per_area", ("not a money per area",)),
    ],
)
def test_a_quantity_that_could_be_misread_is_refused_with_the_way_out(text, kind, says):
    with pytest.raises(InputError) as error:
        parse(text, kind)
    assert text in str(error.value)
    assert all(part in str(error.value) for part in says), str(error.value)


@pytest.mark.parametrize(("text", "kind"), [("9 m", "rate"), ("30 L/ha", "length"), ("3 m3/m", "area")])
def test_a_unit_that_only_shares_the_dimension_is_refused(text, kind):
    # a volume per area is a length by dimension, but nobody means a swath of 30 L/ha
    with pytest.raises(InputError, match="is not a"):
        parse(text, kind)


@pytest.mark.parametrize("kind", SHAPES)
def test_the_example_that_a_refusal_names_is_accepted(kind: Kind):
    with pytest.raises(InputError) as error:
        parse("x", kind)
    example = str(error.value).split("'")[-2]
    assert str(parse(example, kind)) == str(parse(example.replace(" ", "  "), kind))


@given(size=SIZES)
def test_a_quantity_reads_back_what_it_writes(size):
    text = str(Quantity(size, "floz/acre"))
    assert parse(text, "rate").magnitude == pytest.approx(size, rel=1e-9)  # ten digits are written


def test_parts_of_a_unit():
    assert (numerator("USD/floz"), denominator("USD/floz")) == ("USD", "floz")
    assert currency("floz/acre") is None
