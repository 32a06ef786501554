from __future__ import annotations

import hashlib
import json
import re
import shutil
from pathlib import Path

import pytest
import shapely

from rxmap.errors import InputError, OutputError
from rxmap.review.run import review
from rxmap.write.manifest import differences

pytestmark = pytest.mark.usefixtures("no_paper")


@pytest.fixture(scope="module")
def reviewed(no_paper, sampled, tmp_path_factory) -> Path:
    out = tmp_path_factory.mktemp("review") / "review"
    review(sampled.plan, sampled.result, out)
    return out


@pytest.fixture(scope="module")
def told(reviewed):
    return json.loads((reviewed / "review.json").read_text(encoding="utf-8"))


def test_a_review_is_five_files_that_its_manifest_knows(reviewed):
    assert sorted(path.name for path in reviewed.iterdir()) == [
        "manifest.json", "review.html", "review.json", "review.pdf", "season.json",
    ]  # fmt: skip
    assert differences(reviewed) == []


def test_the_true_gain_is_in_the_range(told, seasons):
    found = told["passes"][0]["gain"]
    assert found["unit"] == "lb/acre"
    assert found["gain"]["low"] < seasons.GAIN < found["gain"]["high"]


def test_the_control_that_was_made_is_found(told):
    (fall,) = told["passes"][0]["pressure"]
    assert fall["target"] == "amber seed weevil"
    assert fall["control"]["low"] < 0.85 < fall["control"]["high"]


def test_what_was_applied_is_held_against_the_plan(told):
    done = told["passes"][0]["applied"]
    assert done["logged"] == "spray volume"
    assert done["rate"]["value"] == pytest.approx(2.0, rel=0.01)
    # moved by 1.3 m, beside a perimeter of about 3 km with its strips
    assert 0.1 < done["missed_ha"]["value"] < 0.4
    assert done["products"][0]["used"]["value"] == pytest.approx(done["products"][0]["planned"], rel=0.02)


def test_every_harvest_point_is_used_or_counted(told, sampled):
    harvest = told["harvest"]
    rows = len((sampled.folder / "harvest.csv").read_text().splitlines()) - 1
    assert harvest["read"] == rows == harvest["used"] + sum(row["points"] for row in harvest["removed"])


def test_treated_and_untreated_zones_are_never_compared(told, reviewed):
    texts = " ".join(one["text"] for one in told["answers"])
    assert "untreated zone" not in texts
    assert "are not compared" in (reviewed / "review.html").read_text(encoding="utf-8")


def test_sprayed_setbacks_are_told_in_the_unit_of_the_plan(told):
    (caution,) = [each["text"] for each in told["cautions"] if each["code"] == "setback_was_sprayed"]
    assert re.search(r"about [0-9.]+ acres of keep-outs", caution)


def test_an_earlier_review_is_replaced_only_when_asked(sampled, reviewed, tmp_path):
    out = Path(shutil.copytree(reviewed, tmp_path / "review"))
    with pytest.raises(OutputError, match="--replace"):
        review(sampled.plan, sampled.result, out)
    review(sampled.plan, sampled.result, out, replace=True)
    assert differences(out) == []


def test_the_command_prints_the_answers(case, command, tmp_path):
    out = tmp_path / "review"
    code, said, _ = command("review", str(case.plan), "--result", str(case.result), "--out", str(out))
    assert code == 0
    assert "Did it pay?" in said
    assert "Only check strips" in said
    assert said.isascii()


def test_an_edited_result_is_refused_and_nothing_is_written(case, command, tmp_path):
    result = Path(shutil.copytree(case.result, tmp_path / "result"))
    strips = result / "check_strips.geojson"
    strips.write_text(strips.read_text().replace("-98.", "-98.0", 1))
    code, said, wrong = command("review", str(case.plan), "--result", str(result), "--out", str(tmp_path / "review"))
    assert (code, said) == (2, "")
    assert wrong.count("\n") == 1
    assert "'check_strips.geojson' was changed" in wrong
    assert not (tmp_path / "review").exists()


BAD = {
    "a rate that is no number": ("applied.geojson", '"volume": 2', '"volume": "two', "not a rate"),
    "no such attribute": ("review.toml", 'rate = "volume"', 'rate = "dose"', "no attribute 'dose'"),
    "no such unit": ("review.toml", 'unit = "gal/acre" }', 'unit = "oz/acre" }', "oz is ambiguous"),
    "no such file": ("review.toml", '"harvest.csv"', '"yield.csv"', "no such file"),
    "a path out of the folder": ("review.toml", '"costs.csv"', '"../costs.csv"', "leads out of the plan's folder"),
    "a yield that is no number": ("harvest.csv", ",1.", ",n/a1.", "not a plain number"),
    "no such column": ("harvest.csv", "lon,lat,yield,", "lon,lat,yields,", "column 'yield', the yield, is missing"),
    "a harvest elsewhere": ("review.toml", 'unit = "lb/acre" }', 'unit = "lb" }', "not a yield"),
    "a strip that is none": ("stops_after.csv", ",1\n", ",9\n", "not a check strip"),
    "a stop without a day": ("stops_after.csv", "2026-08-05", "", "is blank. A second visit needs its day"),
    "a visit before the pass": ("review.toml", "spray_date = 2026-07-30", "spray_date = 2026-08-06", "no second visit"),
    "a price of nothing known": ("costs.csv", "trip", "fuel", "not one of crop, machine, trip, scouting"),
    "a price in another currency": ("costs.csv", "160 USD", "160 EUR", "the plan counts in USD"),
    "a price without a unit": ("costs.csv", "0.22 USD/lb", "0.22", "not a unit"),
}


@pytest.mark.parametrize(("name", "old", "new", "said"), BAD.values(), ids=BAD)
def test_one_bad_file_is_clear_lines_and_nothing_is_written(case, tmp_path, name, old, new, said):
    if old == '"volume": 2':
        new = '"volume": null, "was": 2'
    case.edit(name, old, new)
    with pytest.raises(InputError) as error:
        review(case.plan, case.result, tmp_path / "review")
    assert any(said in line for line in error.value.faults), error.value.faults
    assert not (tmp_path / "review").exists()


def test_a_plan_without_a_review_is_refused(case, tmp_path):
    with pytest.raises(InputError, match=r"plan.toml: review: names nothing to look at"):
        review(case.folder / "plan.toml", case.result, tmp_path / "review")


def test_the_plan_of_another_field_is_refused(case, tmp_path):
    case.edit("boundary.geojson", "44.3", "44.4")
    with pytest.raises(InputError):
        review(case.plan, case.result, tmp_path / "review")


@pytest.mark.parametrize(
    "section",
    [
        'stops = "stops_after.csv"',
        'harvest = { file = "harvest.csv", yield = "yield", unit = "lb/acre" }',
        'applied = { file = "applied.geojson", rate = "volume", unit = "gal/acre" }',
    ],
)
def test_any_one_thing_alone_can_be_reviewed(case, tmp_path, section):
    plan = case.folder / "plan.toml"
    plan.write_text(f"{plan.read_text()}\n[review]\n{section}\n")
    found, _ = review(plan, case.result, tmp_path / "review")
    assert found.money.cost > 0


def test_without_strips_nothing_is_claimed(case, tmp_path):
    result = Path(shutil.copytree(case.result, tmp_path / "result"))
    strips = result / "check_strips.geojson"
    strips.write_text(json.dumps({"type": "FeatureCollection", "features": []}))
    seal(result)
    case.edit("stops_after.csv", "strip", "row")
    review(case.plan, result, tmp_path / "review")
    told = json.loads((tmp_path / "review" / "review.json").read_text())
    assert told["passes"][0]["gain"]["gain"] is None
    assert told["money"]["map"] is None
    assert "no check strip, and nothing else can tell" in json.dumps(told["answers"])


def seal(folder: Path) -> None:
    """Make the manifest of a folder right again."""
    manifest = json.loads((folder / "manifest.json").read_text())
    for row in manifest["files"]:
        content = (folder / row["path"]).read_bytes()
        row.update(bytes=len(content), sha256=hashlib.sha256(content).hexdigest())
    (folder / "manifest.json").write_text(json.dumps(manifest))


@pytest.mark.parametrize("broken", ["{}", "[]", '{"field": {"crs": 1, "area_ha": "much"}}'])
def test_a_result_of_another_form_is_refused_in_one_line(case, tmp_path, broken):
    result = Path(shutil.copytree(case.result, tmp_path / "result"))
    (result / "summary.json").write_text(broken)
    seal(result)
    with pytest.raises(InputError) as error:
        review(case.plan, result, tmp_path / "review")
    assert len(error.value.faults) == 1
    assert not (tmp_path / "review").exists()


def test_a_review_is_no_result(case, reviewed, tmp_path):
    with pytest.raises(InputError, match="no result of rxmap build"):
        review(case.plan, reviewed, tmp_path / "review")


def test_a_result_is_never_replaced_by_its_review(case, tmp_path):
    result = Path(shutil.copytree(case.result, tmp_path / "result"))
    with pytest.raises(OutputError, match="holds an input"):
        review(case.plan, result, result, replace=True)
    assert differences(result) == []


def hand_samples(case, gain: float) -> str:
    """Ears counted on each strip and on both sides of it: more kernels in a row where it was treated."""
    strips = json.loads((case.result / "check_strips.geojson").read_text())["features"]
    rows = []
    for number, strip in enumerate(strips):
        ring = shapely.geometry.shape(strip["geometry"])
        corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(ring))
        across = min((corners[1] - corners[0], corners[2] - corners[1]), key=lambda side: float(abs(side).sum()))
        for step in (-1.5, 0.0, 1.5):
            lon, lat = ring.centroid.x + step * across[0], ring.centroid.y + step * across[1]
            kernels = 30 + 0.1 * number + (gain if step else 0.0)
            rows.append(f"{lon:.7f},{lat:.7f},28,18,{kernels:.2f},90000")
    return "\n".join(["lon,lat,ears,rows,kernels,kernels_per_bu", *rows])


def test_hand_samples_tell_what_the_strips_tell(case, tmp_path):
    (case.folder / "hand.csv").write_text(hand_samples(case, gain=2.0))
    plan = case.folder / "plan.toml"
    plan.write_text(f'{plan.read_text()}\n[review]\nsamples = "hand.csv"\n')
    review(plan, case.result, tmp_path / "review")
    told = json.loads((tmp_path / "review" / "review.json").read_text())
    found = told["passes"][0]["hand_samples"]
    # two kernels in each row more: 28 x 1000 x 18 x 2 / 90,000
    assert found["gain"]["value"] == pytest.approx(11.2)
    assert found["unit"] == "bu/acre"
    # the plan sells by the pound, and a bushel of sunflower has no weight here
    assert told["money"]["map"] is None
    assert told["money"]["why"] == "a yield in bu/acre has no price in USD/lb"


def test_a_harvest_wider_than_the_strips_is_told(case, tmp_path):
    lines = (case.folder / "harvest.csv").read_text().splitlines()
    wide = [line.rsplit(",", 1)[0] + ",12.0" for line in lines[1:]]
    (case.folder / "harvest.csv").write_text("\n".join([lines[0], *wide]))
    found, _ = review(case.plan, case.result, tmp_path / "review")
    assert "wide_harvest" in {caution.code for caution in found.cautions}


def test_a_harvest_in_another_unit_than_is_said_is_refused(case, tmp_path):
    plan = case.plan.read_text()
    case.plan.write_text(plan.replace('yield = "yield", unit = "lb/acre"', 'yield = "yield", unit = "t/ha"'))
    with pytest.raises(InputError, match=r"review.harvest.unit: the harvest is .* t/ha on average, field.yield_goal"):
        review(case.plan, case.result, tmp_path / "review")
    assert not (tmp_path / "review").exists()
