"""What a reader must know: targets that nothing is done about, and stops that a map leaves untreated."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
import shapely

from rxmap import pipeline
from rxmap.cautions import input_cautions
from rxmap.records import Result

LARKSPUR = Path(pipeline.__file__).parents[1] / "sample_layers/larkspur"
WEEVIL = "amber seed weevil"


def solved(folder: Path, *, without: str = "") -> Result:
    """Solve larkspur, or larkspur without a product."""
    shutil.copytree(LARKSPUR, folder)
    plan = folder / "plan.toml"
    if without:
        text = plan.read_text()
        parts = re.split(r"(?m)^(?=\[\[product\]\])", text)
        kept = [part for part in parts if f'name = "{without}"' not in part.split("\n[[")[0]]
        assert len(kept) == len(parts) - 1
        plan.write_text("".join(kept))
    return pipeline.solve(*pipeline.check(plan))


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Result:
    return solved(tmp_path_factory.mktemp("whole") / "field")


@pytest.fixture(scope="module")
def without(tmp_path_factory: pytest.TempPathFactory) -> Result:
    return solved(tmp_path_factory.mktemp("without") / "field", without="Product Alder")


def told(result: Result) -> dict[str, str]:
    return {caution.code: caution.text for caution in result.cautions}


def test_a_target_that_no_product_controls_is_named_with_the_ground_above_its_threshold(without: Result) -> None:
    said = told(without)
    assert said["no_control"] == f"{WEEVIL}: no product of the plan controls it, so nothing is decided on it."
    share = int(
        re.search(r"about (\d+) % of the field is expected above its threshold of 9,", said["over_uncontrolled"])[1]
    )
    assert 20 < share < 50  # about a third, by the surface


def test_zeros_that_nobody_wrote_are_asked_for(tmp_path: Path) -> None:
    shutil.copytree(LARKSPUR, tmp_path / "field")
    stops = tmp_path / "field/stops.csv"
    lines = stops.read_text().splitlines()
    place = lines[0].split(",").index("count")
    kept = [line for line in lines if line.split(",")[place] != "0"]
    stops.write_text("\n".join(kept) + "\n")
    plan, inputs = pipeline.check(tmp_path / "field/plan.toml")
    said = [caution.text for caution in input_cautions(plan, inputs) if caution.code == "stops_without_row"]
    missing = [int(re.search(r": (\d+) of", text)[1]) for text in said]
    assert missing
    assert sum(missing) <= len(lines) - len(kept)  # edge stops, and stops that lost both rows, are not among them


def test_where_every_target_is_controlled_nothing_is_said(whole: Result) -> None:
    assert {"no_control", "over_uncontrolled"} & set(told(whole)) == set()


def test_every_stop_above_the_threshold_is_treated_or_named(whole: Result) -> None:
    alder = whole.passes[0]
    treated = shapely.union_all([part.polygon for part in alder.parts if part.treat])
    high = {
        row.stop
        for row in whole.observations
        if row.used
        and row.target == WEEVIL
        and 5 * row.value / row.n > 9.0
        and not treated.intersects(shapely.Point(row.lon, row.lat))
    }
    named = set(re.search(r"threshold at (.*), on ground", told(whole)["high_untreated"])[1].split(", "))
    assert named == high
    assert high  # else the test shows nothing
