"""The application record: every element that a rule asks for, filled with what is known and nothing more.

Lists of elements: 7 CFR 110.3(a) from the text of 2006; 40 CFR 171.303(b)(6) and (7) read; 7 CFR 110.3(b)
and 40 CFR 170.311(b) from memory.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from rxmap.plan import Plan
from rxmap.records import Result
from rxmap.write.record import controlled, machine_digests, quantity, record_document, write_record
from rxmap.write.summary import summary

ASKED_BY = {
    "7 CFR 110.3(a)(1)": {"product_name", "registration_number"},
    "7 CFR 110.3(a)(2)": {"total_applied"},
    "7 CFR 110.3(a)(3)": {"field_name", "area_treated", "crop"},
    "7 CFR 110.3(a)(3)(i)": {"location_section"},
    "7 CFR 110.3(a)(3)(ii)": {"location_map"},
    "7 CFR 110.3(a)(3)(iii)": {"location_usda"},
    "7 CFR 110.3(a)(3)(iv)": {"location_legal"},
    "7 CFR 110.3(a)(4)": {"date"},
    "7 CFR 110.3(a)(5)": {"applicator_name", "certification_number"},
    "7 CFR 110.3(b)": {"spot_application"},
    "40 CFR 171.303(b)": {
        "customer", "field_name", "area_treated", "crop", "date", "start_time", "end_time", "product_name",
        "registration_number", "total_applied", "applicator_name", "certification_number", "noncertified",
    },
    "40 CFR 170.311(b)": {
        "product_name", "registration_number", "active_ingredients", "crop", "location_centre", "date", "start_time",
        "end_time", "re_entry", "safety_data_sheet",
    },
}  # fmt: skip
HAPPENS = ("total_applied", "rate", "area_treated", "date", "start_time", "end_time", "spray_volume", "speed")


@pytest.fixture(scope="module")
def document(result: Result) -> dict[str, Any]:
    return record_document(result, result.plan, files={"passes/hopper-pass/machine/hopper.shp": "ab", "other": "cd"})


def element(record: dict[str, Any], key: str) -> dict[str, Any]:
    return next(each for each in record["elements"] if each["element"] == key)


@pytest.mark.parametrize("rule", ASKED_BY)
def test_each_rule_finds_its_elements(document: dict[str, Any], rule: str) -> None:
    named = {each["element"] for each in document["records"][0]["elements"] if rule in each["source"].split("; ")}
    assert named == ASKED_BY[rule]


def test_what_happens_in_the_field_is_planned_and_never_a_fact(document: dict[str, Any]) -> None:
    record = document["records"][0]
    assert [element(record, key)["value"] for key in HAPPENS] == [None] * len(HAPPENS)
    people = [each["value"] for each in record["elements"] if each["section"] in ("People", "Weather")]
    assert set(people) == {None}


def test_planned_amounts_are_those_of_the_summary(result: Result, document: dict[str, Any]) -> None:
    record, one = document["records"][0], summary(result)["passes"][0]
    total = element(record, "total_applied")
    assert (total["planned"], total["unit"]) == (one["products"][0]["total"], one["products"][0]["total_unit"])
    area = element(record, "area_treated")
    # international acre: 4046.8564224 m2 (NIST Handbook 44, appendix C, from memory); four decimals are written
    assert area["planned"] == pytest.approx(one["treated_ha"] * 1e4 / 4046.8564224, abs=6e-5)
    assert area["unit"] == "acre"
    assert element(record, "date")["planned"] == "2031-07-15"
    assert element(record, "location_centre")["value"].startswith("50.10")


def test_why_the_pass_goes_out_is_on_record(document: dict[str, Any]) -> None:
    record = document["records"][0]
    assert element(record, "target")["value"] == "Marsh leafhopper"
    assert element(record, "threshold")["value"] == "8 per 25 sweeps, own"
    assert element(record, "stops")["value"] == "13 of 15, 2031-07-14"
    assert {each["value"] for each in record["elements"] if each["element"] == "target"} == {"Marsh leafhopper"}


def test_a_pass_at_home_leaves_a_record_of_why(result: Result, document: dict[str, Any]) -> None:
    record = document["records"][1]
    assert record["kind"] == "no spray"
    assert element(record, "reason")["value"] == result.passes[1].reason
    assert element(record, "pressure")["value"] == 1.75
    assert element(record, "next_look")["planned"] == "look again in 10 days"
    assert {each["source"] for each in record["elements"]} == {"good practice"}


def test_a_result_without_passes_has_a_record_too(result: Result) -> None:
    records = record_document(replace(result, passes=()), result.plan)["records"]
    assert [record["kind"] for record in records] == ["no spray"]
    assert {e["value"] for e in records[0]["elements"] if e["element"] == "target"} == {
        "Marsh leafhopper",
        "Ring speck",
    }


# A tenth of an acre is 404.68564224 m2.
@pytest.mark.parametrize(("treated_ha", "spot"), [(0.0404, "yes"), (0.0405, "no")])
def test_under_a_tenth_of_an_acre_is_a_spot_application(result: Result, treated_ha: float, spot: str) -> None:
    one = replace(result.passes[0], treated_ha=treated_ha)
    record = record_document(replace(result, passes=(one,)), result.plan)["records"][0]
    assert element(record, "spot_application")["planned"] == spot


def test_machine_files_stand_with_their_digest(result: Result, document: dict[str, Any], written: Path) -> None:
    files = machine_digests(written, result)
    name = "passes/hopper-pass/machine/hopper.geojson"
    assert files[name] == hashlib.sha256((written / name).read_bytes()).hexdigest()
    found = [each for each in document["records"][0]["elements"] if each["element"] == "machine_file"]
    assert [(each["of"], each["value"]) for each in found] == [("passes/hopper-pass/machine/hopper.shp", "ab")]


def test_label_limits_are_read_from_a_plan_as_understood(result: Result, plan_of: Callable[..., Plan]) -> None:
    plan = plan_of({"product.0.name": "Exampline 200", "product.0.label.rei": "12 hour", "product.0.label.group": "3A"})
    dumped = plan.model_dump(mode="json", by_alias=True, exclude_defaults=True)
    record = record_document(result, dumped)["records"][0]
    assert element(record, "re_entry")["value"] == "12 hour"
    assert element(record, "group")["value"] == "3A"
    assert element(record, "date")["planned"] == "2031-07-18"
    assert quantity(dumped["product"][0]["cost"]) == "100 EUR/L"


def test_times_to_keep_it_are_told_with_their_source(document: dict[str, Any]) -> None:
    told = " ".join(f"{each['rule']} {each['source']}" for each in document["keeping"])
    assert all(words in told for words in ("14 days", "two years", "30 days", "7 CFR 110.3(c)", "from memory"))
    assert [each["rule"] for each in document["sources"]] == [
        "7 CFR 110.3", "40 CFR 171.303(b)", "40 CFR 170.311(b)", "good practice",
    ]  # fmt: skip


def test_the_file_is_strict_json_and_keeps_hostile_names(
    result: Result, document: dict[str, Any], tmp_path: Path
) -> None:
    write_record(tmp_path / "record.json", document)
    read = json.loads((tmp_path / "record.json").read_text(encoding="utf-8"))
    assert read["field"] == result.field.name
    assert read == document


def test_a_product_that_only_rides_along_controls_nothing(result: Result) -> None:
    # a plan leaves out what is the default: a product without `controls` has no such key
    rider = {"name": "Exampline 200", "rate": "9 floz/acre"}
    assert controlled(result, result.passes[0], {"product": [rider]}) == []
