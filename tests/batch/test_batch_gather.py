"""What the fields add up to: packs, seasons, and the order in which a trip is worth most."""

from __future__ import annotations

import datetime as dt
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rxmap.batch.gather import Use, _by_product, _seasons, orders
from rxmap.show.overview_rows import by_worth, ranks
from rxmap.units import convert


def use(amount: float, unit: str = "L", pack: str | None = "5 L", product: str = "Rowan") -> Use:
    size = convert(float(pack.split()[0]), pack.split()[1], unit) if pack else None
    return Use(product=product, amount=amount, unit=unit, pack=pack, size=size)


@given(st.lists(st.floats(0.001, 500), min_size=1, max_size=30), st.sampled_from(["1 L", "5 L", "2.5 gal", "0.7 L"]))
def test_packs_for_all_fields_hold_what_goes_into_the_tanks_and_not_one_more(amounts, pack):
    (line,) = orders([use(amount, pack=pack) for amount in amounts])
    size = use(1.0, pack=pack).size
    total = math.fsum(amounts)
    assert line.packs * size >= total * (1 - 1e-8)
    assert (line.packs - 1) * size < total
    assert line.left == pytest.approx(max(line.packs * size - total, 0.0))


def test_an_exact_number_of_packs_is_not_one_more():
    (line,) = orders([use(0.1, pack="0.1 L")] * 3)  # 0.1 + 0.1 + 0.1 is more than 0.3 in binary
    assert line.packs == 3


def test_gallons_and_ounces_of_one_product_add_up_in_litres():
    (line,) = orders([use(1.0, "gal", "2.5 gal"), use(128.0, "floz", "2.5 gal")])
    # NIST Handbook 44 appendix C, from memory: a US gallon is 128 fluid ounces and 3.785411784 L
    assert (line.total, line.unit, line.packs) == (pytest.approx(2 * 3.785411784), "L", 1)


def test_another_pack_or_a_weight_is_a_line_of_its_own():
    lines = orders([use(1.0), use(1.0, pack="1 L"), use(1.0, pack=None), use(1.0, "kg", "5 kg")])
    assert [(line.unit, line.pack, line.packs) for line in lines] == [
        ("L", None, None), ("L", "1 L", 1), ("L", "5 L", 1), ("kg", "5 kg", 1),
    ]  # fmt: skip


def test_rows_of_a_mix_sheet_go_to_the_product_whose_name_fits_best(tmp_path):
    sheet = tmp_path / "mix_sheet.csv"
    rows = ["1,1,water,9,L", "1,1,A,1,L", "1,1,A (b),2,L", "1,1,A (stays in the tank),3,L", "1,1,'=A,5,L"]
    sheet.write_text("load,area_ha,item,amount,unit\r\n" + "\r\n".join(rows) + "\r\n")
    found = _by_product(sheet, ["A", "A (b)", "=A"])
    assert {name: [float(row["amount"]) for row in mine] for name, mine in found.items()} == {
        "A": [1.0, 3.0], "A (b)": [2.0], "=A": [5.0],
    }  # fmt: skip


@pytest.mark.parametrize(
    ("applied", "out", "room"),
    [(0, True, True), (0, False, True), (1, True, False), (1, False, True), (2, False, False)],
)
def test_a_season_has_room_only_for_one_more_within_both_limits(plan_of, field_line, applied, out, room):
    earlier = [{"date": dt.date(2031, 6, 1), "rate": "0.3 L/ha"}] * applied
    plan = plan_of({"product.0.applied": earlier, "product.0.label.season_max": "0.8 L/ha"})
    passes = [{"decision": "map" if out else "none", "products": [{"name": "Rowan", "rate": 0.3, "unit": "L/ha"}]}]
    (line,) = _seasons(field_line(), plan, passes)
    assert line.before + line.now == pytest.approx(0.3 * (applied + out))
    assert (line.times, line.room) == (applied + out, room)


def test_fields_stand_in_the_order_of_their_worth_and_those_that_stay_at_home_last(field_line):
    lines = [
        field_line("stays", decision="none", treated_ha=0.0),
        field_line("poor", map=150.0, treated_ha=10.0),
        field_line("unknown", map=None, all=None, none=None, currency=None),
        field_line("rich", map=140.0, treated_ha=2.0),
        field_line("abroad", map=5000.0, currency="USD"),
    ]
    ordered = by_worth(lines)
    assert [line.slug for line in ordered] == ["rich", "poor", "abroad", "unknown", "stays"]
    assert ranks(ordered) == [1, 2, 1, None, None]  # two currencies are not compared


def test_scouting_is_paid_either_way_and_not_in_the_gain(field_line):
    line = field_line(map=90.0, all=40.0, none=-10.0, treated_ha=5.0)
    assert (line.over_none, line.over_all, line.worth) == (100.0, 50.0, 20.0)
