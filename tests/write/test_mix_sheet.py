"""The mix sheet: what stands in it adds up, and no cell computes."""

from __future__ import annotations

import csv
import math
from decimal import Decimal
from pathlib import Path

import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from rxmap.grid import Frame
from rxmap.passes.loads import LoadItem, LoadPlan, Treated, plan_loads
from rxmap.plan import Machine, Product
from rxmap.records import Field
from rxmap.write.mix_sheet import apportioned, measured, mix_lines, neutral, write_mix_sheet

FRAME = Frame(lon=17.4, lat=53.1)


def loads_of(
    name: str = "Rowan",
    rate: str = "0.3 L/ha",
    *,
    tank: str = "700 L",
    label: tuple[str, str] = ("0.2 L/ha", "0.4 L/ha"),
    **keys: object,
) -> LoadPlan:
    ground = shapely.box(0, 0, 437, 361)
    rig = Machine.model_validate(
        {"kind": "ground", "swath": "24 m", "carrier": "150 L/ha", "tank": tank, "reserve": "20 L"} | keys
    )
    unit = rate.split(" ")[1].split("/")[0]
    limits = {"min": label[0], "max": label[1]}
    product = Product.model_validate({"name": name, "rate": rate, "label": limits, "cost": f"1 EUR/{unit}"})
    rates = (product.full_rate.magnitude,)
    treated = Treated(ground=ground, area_ha=ground.area / 1e4, volume=150.0, rates=rates)
    field = Field(name="block", boundary=ground, ground=ground, frame=FRAME, area_ha=treated.area_ha)
    return plan_loads([treated], [product], machine=rig, field=field)


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def item(amount: float, unit: str) -> LoadItem:
    return LoadItem(item="Rowan", amount=amount, unit=unit)


@pytest.mark.parametrize("fill", ["equal", "full"])
def test_rows_of_an_item_add_up_to_its_rounded_total(tmp_path: Path, fill: str) -> None:
    plan = loads_of(fill=fill)
    write_mix_sheet(tmp_path / "mix_sheet.csv", plan, units="metric")
    rows = rows_of(tmp_path / "mix_sheet.csv")
    assert list(rows[0]) == ["load", "area_ha", "item", "amount", "unit"]
    total = 0.3 * 437 * 361 / 1e4
    amounts = [Decimal(row["amount"]) for row in rows if row["item"] == "Rowan"]
    assert sum(amounts) == Decimal(total).quantize(amounts[0])
    areas = {row["load"]: Decimal(row["area_ha"]) for row in rows}
    assert sum(areas.values()) == Decimal(f"{437 * 361 / 1e4:.4f}")


def test_water_is_an_item_and_what_is_not_sprayed_a_line_of_its_own() -> None:
    items = [line.item for line in mix_lines(loads_of(), "metric") if line.load == 1]
    assert items == [
        "water",
        "Rowan",
        "water (stays in the tank)",
        "Rowan (stays in the tank)",
        "water (hoses and overlap)",
    ]


def on_the_ground(plan: LoadPlan) -> list[tuple[float, float]]:
    """Litres of product on the sheet for each load, and its area."""
    lines = [line for line in mix_lines(plan, "metric") if line.item == "Rowan"]
    return [
        (float(line.amount) / {"L": 1, "mL": 1000}[line.unit], load.area_ha)
        for line, load in zip(lines, plan.loads, strict=True)
    ]


@pytest.mark.parametrize("rate", ["0.307 L/ha", "0.313 L/ha", "0.331 L/ha"])
def test_at_the_label_maximum_no_load_is_measured_above_it(rate: str) -> None:
    plan = loads_of(rate=rate, label=("0.1 L/ha", rate))
    most = float(rate.split()[0])
    for litres, hectares in on_the_ground(plan):
        assert litres <= most * hectares * (1 + 1e-12)
        assert litres > most * hectares - 0.01  # the step of the jug


@pytest.mark.parametrize("rate", ["0.307 L/ha", "0.313 L/ha", "0.331 L/ha"])
def test_at_the_label_minimum_no_load_is_measured_below_it(rate: str) -> None:
    plan = loads_of(rate=rate, label=(rate, "0.9 L/ha"))
    least = float(rate.split()[0])
    for litres, hectares in on_the_ground(plan):
        assert least * hectares * (1 - 1e-12) <= litres < least * hectares + 0.01


def test_spray_that_stays_in_the_tank_is_not_mixed_stronger_than_the_label_either() -> None:
    plan = loads_of(rate="0.313 L/ha", label=("0.1 L/ha", "0.313 L/ha"))
    (extra,) = [line for line in mix_lines(plan, "metric") if line.item == "Rowan (stays in the tank)"]
    assert extra.amount <= Decimal("0.0417")  # 20 L at 0.313 L in 150 L are 0.04173 L


bounds = st.tuples(st.floats(0, 1e4), st.floats(0, 1), st.floats(0, 1))


@given(st.lists(bounds, min_size=1, max_size=20), st.sampled_from(["0.01", "0.1", "1"]))
def test_no_rounded_value_leaves_its_limits_where_a_step_lies_inside(rows: list[tuple[float, ...]], step: str) -> None:
    values = [least + share * width for least, width, share in rows]
    limits = [(least, least + width) for least, width, _ in rows]
    for value, new, (least, most) in zip(
        values, apportioned(values, Decimal(step), limits=limits), limits, strict=True
    ):
        inside = math.floor(most / float(step)) * float(step) >= least
        assert abs(float(new) - value) < float(step) * 1.000001
        assert float(new) <= most * (1 + 1e-9)
        assert float(new) >= least * (1 - 1e-9) or not inside


@given(st.lists(st.floats(0, 1e5), min_size=1, max_size=30), st.sampled_from(["0.01", "0.1", "1"]))
def test_apportioned_values_add_up_and_move_less_than_a_step(values: list[float], step: str) -> None:
    rounded = apportioned(values, Decimal(step))
    assert abs(sum(rounded) - sum(map(Decimal, values))) <= Decimal(step) / 2 * Decimal("1.000001")
    assert all(abs(float(new) - old) < float(step) * 1.000001 for new, old in zip(rounded, values, strict=True))


@pytest.mark.parametrize(
    ("amount", "units", "shown"),
    [
        (item(640, "floz"), "us", "5.00 gal"),  # 128 fl oz to the gallon
        (item(583.62, "floz"), "us", "4.56 gal"),  # 13.7 fl oz x 42.6 acres = 4.5595 gal
        (item(47.52, "floz"), "us", "47.5 floz"),
        (item(3.3, "pt"), "us", "3.30 pt"),
        (item(0.75, "pt"), "us", "12.0 floz"),  # 16 fl oz to the pint
        (item(0.75, "L"), "metric", "750 mL"),
        (item(5283.0, "mL"), "metric", "5.28 L"),
        (item(12.0, "oz_wt"), "us", "12.0 oz_wt"),
        (item(40.0, "oz_wt"), "us", "2.50 lb"),  # 16 ounces to the pound
        (item(1.5, "lb"), "metric", "680 g"),  # 453.59237 g to the pound
        (item(2.0, "impgal"), "us", "2.00 impgal"),
        (item(3.456, "mL"), "metric", "3.46 mL"),  # finer where a whole millilitre would be 13 % off
    ],
)
def test_amounts_stand_in_what_a_jug_or_scale_shows(amount: LoadItem, units: str, shown: str) -> None:
    (value,), unit = measured([amount], units)
    assert f"{value:f} {unit}" == shown


@given(st.lists(st.floats(50, 5e3), min_size=1, max_size=9), st.sampled_from(["us", "metric"]))
def test_rounding_moves_no_load_by_more_than_a_percent(amounts: list[float], units: str) -> None:
    values, unit = measured([item(amount, "mL") for amount in amounts], units)
    factor = {"mL": 1, "L": 1000, "gal": 3785.411784, "floz": 29.5735295625}[unit]
    for value, amount in zip(values, amounts, strict=True):
        assert float(value) * factor == pytest.approx(amount, rel=0.010001)


COMPUTING = (
    "=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "  =1", "\u200b=1", "\ufeff +1", "\uff1d1", "\uff0b1",
    "\uff0d1", "\uff201", "\u2060\u00a0-1",
)  # fmt: skip


@pytest.mark.parametrize("text", COMPUTING)
def test_a_cell_that_would_compute_gets_an_apostrophe(text: str) -> None:
    assert neutral(text) == "'" + text


@pytest.mark.parametrize("text", ["Rowan 200", "2,4-D", "a=b", "\u00d6l", ""])
def test_a_plain_cell_stays_as_it_is(text: str) -> None:
    assert neutral(text) == text


def test_a_hostile_name_is_one_harmless_cell(tmp_path: Path) -> None:
    name = '=HYPERLINK("http://x.example","a"),\n"b"'
    write_mix_sheet(tmp_path / "m.csv", loads_of(name), units="metric")
    assert {row["item"] for row in rows_of(tmp_path / "m.csv")} >= {"'" + name, "water"}


def test_equal_plans_give_equal_bytes(tmp_path: Path) -> None:
    for name in ("a.csv", "b.csv"):
        write_mix_sheet(tmp_path / name, loads_of(), units="us")
    assert (tmp_path / "a.csv").read_bytes() == (tmp_path / "b.csv").read_bytes()


def test_a_last_load_of_little_leaves_the_steps_of_the_others_alone() -> None:
    # 3 full loads of 4 gal and 0.1234 gal: 1 % of the last is 0.001 gal, of the others 0.04
    loads = [item(4.0, "gal"), item(4.0, "gal"), item(4.0, "gal"), item(0.1234, "gal")]
    amounts, unit = measured(loads, "us")
    assert ([str(amount) for amount in amounts], unit) == (["4.00", "4.00", "4.00", "0.123"], "gal")


@given(st.lists(st.floats(0.5, 20.0), min_size=1, max_size=6), st.floats(0.001, 0.05))
def test_no_amount_is_moved_by_more_than_a_hundredth(amounts: list[float], little: float) -> None:
    loads = [item(amount, "L") for amount in (*amounts, little)]
    rounded, unit = measured(loads, "metric")
    for load, told in zip(loads, rounded, strict=True):
        assert float(told) * (1.0 if unit == "L" else 0.001) == pytest.approx(load.amount, rel=0.011)
    total = sum(load.amount for load in loads)
    assert float(sum(rounded)) * (1.0 if unit == "L" else 0.001) == pytest.approx(total, rel=0.01)
