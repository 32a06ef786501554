"""Flow and work rate, against worked values of sprayer handbooks."""

from __future__ import annotations

import pytest

from rxmap.passes.work import flow, pace, work_rate
from rxmap.plan import Machine
from rxmap.units import convert

MPH, INCH, FT = 1609.344 / 3600, 0.0254, 0.3048  # exact: NIST Handbook 44, appendix C (from memory)


# GPM = GPA x MPH x inches / 5940, as extension sheets on sprayer calibration print it
@pytest.mark.parametrize(("gpa", "mph", "inches", "gpm"), [(15, 12, 20, 0.60606), (20, 6, 20, 0.40404)])
def test_flow_of_a_nozzle_in_gallons(gpa: float, mph: float, inches: float, gpm: float) -> None:
    litres = flow(convert(gpa, "gal/acre", "L/ha"), mph * MPH, inches * INCH)
    assert convert(litres, "L", "gal") == pytest.approx(gpm, abs=5e-6)
    assert gpm == pytest.approx(gpa * mph * inches / 5940, abs=5e-6)


def test_flow_of_a_nozzle_in_litres() -> None:
    # L/min = L/ha x km/h x m / 600
    assert flow(100.0, 10 / 3.6, 0.5) == pytest.approx(100 * 10 * 0.5 / 600)


# ac/h = mph x ft x efficiency / 8.25 and ha/h = km/h x m x efficiency / 10, ASABE EP496 (from memory)
@pytest.mark.parametrize(("mph", "feet", "acres"), [(12, 90, 85.09), (6.5, 60, 30.73)])
def test_field_capacity_in_acres(mph: float, feet: float, acres: float) -> None:
    done = convert(work_rate(mph * MPH, feet * FT, 0.65), "ha", "acre")
    assert done == pytest.approx(acres, abs=0.005)


def test_field_capacity_in_hectares() -> None:
    assert work_rate(10 / 3.6, 24.0, 0.65) == pytest.approx(15.6)


def test_the_pace_is_told_in_the_units_of_the_carrier() -> None:
    keys = {"kind": "drone", "swath": "9 m", "carrier": "2 gal/acre", "tank": "10 gal"}
    told = pace(Machine.model_validate(keys), [convert(2.0, "gal/acre", "L/ha")])
    # 18.7079 L/ha x 5 m/s x 9 m: 5.051 L/min; 16.2 ha/h
    assert told == "1.334 gal/minute over the whole swath at 5 m/s, the plan gives none; 40 acre/hour while it sprays"
    assert "at 12 mph; " in pace(Machine.model_validate(keys | {"speed": "12 mph"}), [18.7])


def test_of_several_rates_the_flow_of_each_is_told() -> None:
    keys = {"kind": "ground", "swath": "24 m", "speed": "10 km/hour", "carrier": "100 L/ha", "tank": "1000 L"}
    # L/ha x km/h x m / 600, the sprayer formula with the swath for the nozzle spacing (common practice, no source)
    told = "20 L/minute for 50 L/ha, 40 L/minute for 100 L/ha, over the whole swath at 10 km/hour; "
    assert pace(Machine.model_validate(keys), {100.0, 50.0}).startswith(told)
