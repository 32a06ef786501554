from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from rxmap.errors import InputError
from rxmap.passes.label import label_faults
from rxmap.plan import read_plan
from rxmap.review.run import review

pytestmark = pytest.mark.usefixtures("no_paper")


def second_pass(case, *, date: str) -> None:
    """Turn the season's plan into that of a second pass, on another day."""
    case.edit("review.toml", "spray_date = 2026-07-30", f"spray_date = {date}")
    case.edit("review.toml", 'stops = "stops_after.csv"\n', "")


@pytest.fixture(scope="module")
def reviewed(no_paper, sampled, tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("season")
    review(sampled.plan, sampled.result, folder / "first")
    return folder


@pytest.fixture
def first(reviewed, tmp_path) -> Path:
    """A season folder with the review of the first pass in it."""
    return Path(shutil.copytree(reviewed, tmp_path / "season"))


def season(folder: Path) -> dict:
    return json.loads((folder / "season.json").read_text(encoding="utf-8"))


def test_one_review_is_a_season_of_its_own(first):
    told = season(first / "first")
    assert told["reviews"] == 1
    (alder,) = told["products"]
    assert alder["paste"] == 'applied = [{ date = 2026-07-30, rate = "3.2 floz/acre" }]'
    assert (alder["total"], alder["left"], alder["times"]) == pytest.approx((3.2, 4.4, 1))  # of 7.6 floz/acre
    assert alder["next_from"] == "2026-08-06"


def test_reviews_of_one_field_add_up(case, first):
    second_pass(case, date="2026-08-20")
    review(case.plan, case.result, first / "second", season=first)
    told = season(first / "second")
    assert told["reviews"] == 2
    (alder,) = told["products"]
    assert (alder["total"], alder["left"], alder["times"]) == pytest.approx((6.4, 1.2, 2))
    assert alder["paste"].count("date = ") == 2
    assert alder["broken"] == []


def test_a_season_over_the_label_is_told_with_its_sum(case, first):
    second_pass(case, date="2026-08-02")
    case.edit("review.toml", 'season_max = "7.6 floz/acre"', 'season_max = "6 floz/acre"')
    review(case.plan, case.result, first / "second", season=first)
    (alder,) = season(first / "second")["products"]
    told = " ".join(alder["broken"])
    assert "3.2 + 3.2 = 6.4 floz/acre is above label.season_max 6 floz/acre" in told
    assert "applied on 2026-07-30 + label.interval 7 day = 2026-08-06" in told


def test_the_pasted_line_holds_the_next_plan_to_the_season(case, first):
    line = season(first / "first")["products"][0]["paste"]
    plan = case.folder / "plan.toml"
    text = plan.read_text()
    key = 'pack = "1 gal"\n'
    assert text.count(key) == 1
    plan.write_text(text.replace(key, f"{key}{line}\n").replace("2026-07-30\nharvest", "2026-08-02\nharvest"))
    faults = label_faults(read_plan(plan))
    assert len(faults) == 1
    assert "2026-08-06; field.spray_date 2026-08-02 is earlier" in faults[0]


def test_replacing_a_review_does_not_count_it_twice(sampled, first):
    review(sampled.plan, sampled.result, first / "first", season=first, replace=True)
    assert season(first / "first")["reviews"] == 1


def test_a_changed_review_in_the_season_is_refused(sampled, first, tmp_path):
    (first / "first" / "review.json").write_text("{}")
    with pytest.raises(InputError, match=r"'review\.json' was changed"):
        review(sampled.plan, sampled.result, tmp_path / "out", season=first)
    assert not (tmp_path / "out").exists()


def test_a_review_of_another_field_in_the_season_is_refused(case, first, tmp_path):
    case.edit("review.toml", 'name = "Larkspur Quarter"', 'name = "Another"')
    with pytest.raises(InputError, match="a review of 'Larkspur Quarter', not of 'Another'"):
        review(case.plan, case.result, tmp_path / "out", season=first)


def test_a_season_folder_that_is_not_there_is_refused(sampled, tmp_path):
    with pytest.raises(InputError, match="no such season folder"):
        review(sampled.plan, sampled.result, tmp_path / "out", season=tmp_path / "none")


def test_other_folders_in_the_season_are_left_alone(sampled, first, tmp_path):
    shutil.copytree(sampled.result, first / "result")
    (first / "notes.txt").write_text("dry year")
    review(sampled.plan, sampled.result, tmp_path / "out", season=first)
    assert season(tmp_path / "out")["reviews"] == 2


def test_pressure_over_the_season_starts_with_the_first_walk(first):
    lines = {one["ground"]: one for one in season(first / "first")["curves"]}
    assert {"check strips", "treated ground"} == set(lines)
    assert lines["check strips"]["visits"][0] == {**lines["treated ground"]["visits"][0], "ground": "check strips"}
    assert lines["check strips"]["area"] > lines["treated ground"]["area"]
    assert lines["treated ground"]["unit"] == "per 5 heads x day"
