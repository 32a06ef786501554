"""The plan as an adviser meets it: every fault names the key, what was found, and what to do."""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rxmap.errors import PlanError
from rxmap.plan import LARGEST_PLAN, Plan, read_plan
from rxmap.units import Quantity

PLAN = """
[field]
name = "Long Acre"
boundary = "boundary.geojson"
crop = "oats"
stage = 39
yield_goal = "6 t/ha"
price = "210 EUR/t"

[scouting]
stops = "stops.csv"

[[target]]
name = "grain midge"
measure = "count"
threshold = 8
source = "own"
loss = { per_unit = 0.006, cap = 0.35, source = "own" }

[[product]]
name = "Product Rowan"
controls = { "grain midge" = 0.8 }
rate = "0.3 L/ha"
cost = "110 EUR/L"
label = { min = "0.2 L/ha", max = "0.4 L/ha" }

[machine]
kind = "ground"
swath = "18 m"
carrier = "150 L/ha"
tank = "1500 L"
"""

# Words of the validator underneath, which mean nothing to whoever writes plans.
LEAKS = re.compile(r"nput should|valid (string|tuple|dict|int|number)|function-|constrained|literal\[|tuple\[|pydantic")


def write(tmp_path: Path, text: str | bytes) -> Path:
    path = tmp_path / "plan.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def faults(tmp_path: Path, old: str, new: str) -> tuple[str, ...]:
    assert old in PLAN
    with pytest.raises(PlanError) as error:
        read_plan(write(tmp_path, PLAN.replace(old, new, 1)))
    return error.value.faults


def test_a_plan_is_read_with_its_defaults(tmp_path):
    plan = read_plan(write(tmp_path, PLAN))
    assert plan.field.stage == "39"  # a number by value, as text
    assert plan.product[0].rates == (Quantity(0.3, "L/ha"),)
    assert (plan.units, plan.output.seed, plan.output.formats) == ("metric", 1, ("geojson", "shapefile"))
    assert plan.machine.speed_m_s == 5.0
    assert plan.target[0].unit == "per sample unit"
    assert plan.folder == tmp_path


def test_units_for_people_follow_the_carrier_unless_asked(tmp_path):
    us = PLAN.replace('"150 L/ha"', '"15 gal/acre"')
    assert read_plan(write(tmp_path, us)).units == "us"
    assert read_plan(write(tmp_path, us + '[output]\nunits = "metric"\n')).units == "metric"


def test_an_optional_key_may_be_a_list_or_one(tmp_path):
    plan = read_plan(write(tmp_path, PLAN.replace('stops = "stops.csv"', 'stops = ["a.csv", "b.csv"]')))
    assert plan.scouting.stops == ("a.csv", "b.csv")


def test_a_byte_order_mark_and_windows_line_ends_are_read(tmp_path):
    assert read_plan(write(tmp_path, b"\xef\xbb\xbf" + PLAN.replace("\n", "\r\n").encode())).field.name == "Long Acre"


# what stands in the plan, what is written instead, the place that is named, words of what to do
FAULTS = [
    ("threshold = 8", 'threshold = "8"', "target[1].threshold: found '8'", "without quotes"),
    ("threshold = 8", "threshold = true", "target[1].threshold: found 'true'", "write a number"),
    ("threshold = 8", "threshold = nan", "target[1].threshold: found 'nan'", "finite"),
    ("threshold = 8", "threshold = inf", "target[1].threshold: found 'inf'", "finite"),
    ("threshold = 8", "threshold = -inf", "target[1].threshold: found '-inf'", "finite"),
    ("threshold = 8", f"threshold = 1{'0' * 400}", "target[1].threshold: found '1000", "below 1e+12"),
    ("threshold = 8", "threshold = -3", "target[1].threshold: found '-3'", "more than 0"),
    ("threshold = 8", "threshold = [8]", "target[1].threshold: found", "write a number"),
    ("threshold = 8", "threshold = 8\nper = 0", "target[1].per: found '0'", "more than 0"),
    ("threshold = 8", "threshold = 8\nscale = 5", "target[1].scale: found '5'", "'horsfall-barratt'"),
    ("threshold = 8", "threshold = 8\nscale = { 1 = 200 }", "target[1].scale.1: found '200'", "at most 100"),
    ("threshold = 8", "threshold = 8\nbreak_even = 1", "target[1].break_even: found '1'", "less than 1"),
    ("threshold = 8", 'threshold = 8\ngates = { rising = "yes" }', "target[1].gates.rising: found 'yes'", "true or"),
    ("threshold = 8", "threshold = 8\ngates = { stage = [31] }", "target[1].gates.stage[2]", "two values"),
    ("threshold = 8", "threshold = 8\ngates = { stage = [1, 2, 3] }", "target[1].gates.stage: found a list", "2 are"),
    ('measure = "count"', 'measure = "counts"', "target[1].measure: found 'counts'", "write 'count', 'incidence'"),
    ('source = "own"', 'source = ""', "target[1].source: found ''", "is empty"),
    ('source = "own"', "source = 5", "target[1].source: found '5'", "in quotes"),
    ('swath = "18 m"', "swath = 18", "machine.swath: found '18'", 'with its unit, such as "30 m"'),
    ('swath = "18 m"', "swath = true", "machine.swath: found 'true'", "with its unit"),
    ('swath = "18 m"', 'swath = "18"', "machine.swath: found '18'", "Write for example '30 m'"),
    ('swath = "18 m"', 'swath = "0 m"', "machine.swath: found '0 m'", "more than 0"),
    ('swath = "18 m"', 'swath = "18 L/ha"', "machine.swath: found '18 L/ha'", "L/ha is not a length"),
    ('swath = "18 m"', 'swath = "18 m"\nreserve = "-1 L"', "machine.reserve: found '-1 L'", "not be negative"),
    ('swath = "18 m"', 'swath = "18 m"\nsections = 6.5', "machine.sections: found '6.5'", "whole number"),
    ('swath = "18 m"', 'swath = "18 m"\nsections = "six"', "machine.sections: found 'six'", "write a number"),
    ('swath = "18 m"', 'swath = "18 m"\nsections = true', "machine.sections: found 'true'", "write a number"),
    ('swath = "18 m"', 'swath = "18 m"\nheading = 360', "machine.heading: found '360'", "less than 360"),
    ('swath = "18 m"', 'swath = "18 m"\nrefill = [10, 95]', "machine.refill[2]: found '95'", "at most 90"),
    ('swath = "18 m"', 'swath = "18 m"\nrefill = "gate"', "machine.refill: found 'gate'", "write a list"),
    ('"grain midge" = 0.8', '"grain midge" = 80', "controls.\"grain midge\": found '80'", "0.8 for 80 %"),
    ('controls = { "grain midge" = 0.8 }', "controls = 0.8", "product[1].controls: found '0.8'", "write a table"),
    ('rate = "0.3 L/ha"', "rate = 0.3", "product[1].rate: found '0.3'", '"9 floz/acre"'),
    ('rate = "0.3 L/ha"', 'rate = ["0.3 L/ha", 4]', "product[1].rate[2]: found '4'", "with its unit"),
    ('rate = "0.3 L/ha"', "rate = []", "product[1].rate: found a list", "is empty"),
    ('rate = "0.3 L/ha"', 'rate = "0.3 oz/acre"', "product[1].rate: found '0.3 oz/acre'", "floz (US fluid ounce"),
    ("stage = 39", "stage = true", "field.stage: found 'true'", "in quotes"),
    ("stage = 39", 'spray_date = "2026-07-18"', "field.spray_date: found '2026-07-18'", "without quotes"),
    ("stage = 39", "spray_date = 20260718", "field.spray_date: found '20260718'", "2026-07-18"),
    ("stage = 39", "spray_date = 2026-07-18T10:00:00", "field.spray_date: found '2026-07-18 10:00:00'", "a time"),
    ("[[target]]", "[target]", "target: found a table", "write [[target]]"),
    ("[machine]", "[[machine]]", "machine: found a list", "write [machine]"),
    ('crop = "oats"', "", "field.crop", "is missing. Add it."),
    ("[field]", "[fields]", "field: is missing", "[field]"),
    ("[[target]]", "[[targets]]", "target: is missing", "[[target]]"),
    ("[machine]", "[machine]\nsectoins = 3", "machine.sectoins: unknown key", "mean sections?"),
    ("[machine]", '[machine]\nsetback = "3 m"', "machine.setback: unknown key", "[product.label] or [[keep_out]]"),
    ("[machine]", "[machine]\nwings = 2", "machine.wings: unknown key", "Known here: kind, swath"),
    ("[machine]", "[machine]\npath = 2", "machine.path: unknown key", "Did you mean swath?"),
    ("[field]", 'path = "x"\n[field]', "path: unknown key", "Known here: field, scouting"),
    ("[machine]", "[sprayer]\na = 1\n[machine]", "sprayer: unknown key", "Known here: field"),
]


@pytest.mark.parametrize(("old", "new", "where", "advice"), FAULTS, ids=[f"{f[2]}-{f[1][:20]}" for f in FAULTS])
def test_a_fault_names_the_key_the_value_and_the_way_out(tmp_path, old, new, where, advice):
    found = faults(tmp_path, old, new)
    line = next((line for line in found if line.startswith(f"plan.toml: {where}") or where in line), None)
    assert line is not None, found
    assert advice in line
    assert not LEAKS.search("\n".join(found)), found


def test_one_slip_gives_one_line(tmp_path):
    # a key twice removed from its place costs two: what is missing and what is unknown
    slips = [fault for fault in FAULTS if "is missing" not in fault[2]]
    assert {len(faults(tmp_path, old, new)) for old, new, *_ in slips} == {1}


def test_a_misspelt_section_costs_two_lines(tmp_path):
    assert faults(tmp_path, "[field]", "[fields]") == (
        "plan.toml: field: is missing. Add a section [field].",
        "plan.toml: fields: unknown key. Did you mean field?",
    )


def test_ten_faults_are_shown_then_counted(tmp_path):
    extra = "".join(f"wish_{number} = 1\n" for number in range(14))
    with pytest.raises(PlanError) as error:
        read_plan(write(tmp_path, PLAN.replace("[machine]\n", f"[machine]\n{extra}")))
    lines = error.value.lines()
    assert len(lines) == 11
    assert lines[-1] == "and 4 more"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[field\n", "line 1: found '[field': not TOML"),
        ("[field]\nname = Long Acre\n", "line 2: found 'name = Long Acre'"),
        ('[field]\nname = "x"\nname = "y"\n', "line 3: found 'name = \"y\"': this key or section stands above"),
        ('[field]\nname = "x"\n[field]\n', "line 3: found '[field]': this key or section stands above"),
        ('[field]\nname = "x', "Is a bracket or a quote left open?"),
        ('[field]\nname = """x\n', "left open"),
        (b'[field]\nname = "M\xfcller"\n', "line 2: not UTF-8 text. Save the plan as UTF-8."),
        ("[field]\n".encode("utf-16"), "line 1: not UTF-8"),
        (f"a = 1{'0' * 5000}", "a number of thousands of digits"),
        (f"a = {'[' * 5000}", "nested too deep"),
        ("#" * (LARGEST_PLAN + 1), "1000001 bytes is too large for a plan"),
        ("", "field: is missing. Add a section [field]."),
        ("\x00", "line 1"),
    ],
)
def test_what_is_not_a_plan_is_refused_with_the_line(tmp_path, text, says):
    with pytest.raises(PlanError) as error:
        read_plan(write(tmp_path, text))
    assert says in str(error.value)


def test_a_missing_plan_and_a_folder_say_how_to_start(tmp_path):
    for path, found in ((tmp_path / "none.toml", "no such plan file"), (tmp_path, "a folder")):
        with pytest.raises(PlanError, match=found) as error:
            read_plan(path)
        assert "rxmap new DIR" in str(error.value)


def test_dates_of_the_plan_are_dates(tmp_path):
    plan = read_plan(write(tmp_path, PLAN.replace("stage = 39", "spray_date = 2026-07-18")))
    assert plan.field.spray_date == dt.date(2026, 7, 18)


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8) | st.dates() | st.datetimes(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=4,
)


@given(value=VALUES, key=st.sampled_from(sorted(Plan.model_fields)), data=st.data())
@settings(max_examples=100, deadline=None)
def test_whatever_stands_in_a_plan_is_accepted_or_refused_in_our_words(value, key, data, tmp_path_factory):
    from pydantic import ValidationError  # the validator's own error must not come out of read_plan

    from rxmap.plan_faults import fault_lines

    document = {"field": {"name": "x", "boundary": "b", "crop": "c"}, "scouting": {}, key: value}
    if isinstance(value, dict) and data.draw(st.booleans()):
        document[key] = {**value, "name": value}
    try:
        Plan.model_validate(document)
    except ValidationError as error:
        lines = fault_lines(error, document)
        assert lines
        assert not LEAKS.search("\n".join(lines)), lines
