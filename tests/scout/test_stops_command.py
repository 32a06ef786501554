"""`rxmap stops` as its users meet it."""

from __future__ import annotations

import hashlib
import json
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
import shapely

from rxmap.cli import main
from rxmap.cli.app import DONE, REFUSED
from rxmap.pipeline import check
from rxmap.walk import find_stops

ROOT = Path(__file__).parent.parent.parent


class Ended(NamedTuple):
    returncode: int
    stdout: str
    stderr: str


Run = Callable[..., Ended]


@pytest.fixture
def rxmap(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Run the command line in this process: a process each would cost the imports each time."""
    monkeypatch.chdir(tmp_path)

    def run(*words: object) -> Ended:
        monkeypatch.setattr(sys, "argv", ["rxmap", *map(str, words)])
        capsys.readouterr()
        with pytest.raises(SystemExit) as left:
            main()
        return Ended(left.value.code, *capsys.readouterr())

    return run


@pytest.fixture
def teasel(tmp_path: Path) -> Path:
    """A small sample field without its stops."""
    shutil.copytree(ROOT / "sample_layers/teasel", tmp_path / "teasel")
    (tmp_path / "teasel/stops.csv").unlink()
    return tmp_path / "teasel"


@pytest.fixture(scope="module")
def burnet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The further stops of a sample field that has an image, keep-outs, an edge strip and a hand-drawn part."""
    out = tmp_path_factory.mktemp("next") / "walk"
    find_stops(ROOT / "sample_layers/burnet/plan.toml", out, count=5)
    return out


def digests(folder: Path) -> dict[str, str]:
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(folder.iterdir())}


def test_the_first_visit_is_printed_and_published_and_the_same_each_time(rxmap, teasel, tmp_path):
    first = rxmap("stops", "teasel/plan.toml", "--out", "one")
    again = rxmap("stops", "teasel/plan.toml", "--out", "two", "--json")
    assert (first.returncode, again.returncode) == (DONE, DONE), first.stderr + again.stderr
    assert first.stderr == again.stderr == ""
    assert "stops inside the field" in first.stdout
    assert json.loads(again.stdout)["kind"] == "first visit"
    assert digests(tmp_path / "one") == digests(tmp_path / "two")
    assert sorted(digests(tmp_path / "one")) == [
        "manifest.json", "stops.csv", "stops.geojson", "stops.gpx", "walk.json", "walk.pdf",
    ]  # fmt: skip


def test_a_folder_with_a_walk_is_replaced_only_when_asked_and_unchanged(rxmap, teasel, tmp_path):
    assert rxmap("stops", "teasel/plan.toml", "--out", "walk", "--count", 12).returncode == DONE
    before = digests(tmp_path / "walk")
    refused = rxmap("stops", "teasel/plan.toml", "--out", "walk", "--count", 14)
    assert (refused.returncode, digests(tmp_path / "walk")) == (REFUSED, before)
    assert "--replace" in refused.stderr
    (tmp_path / "walk/stops.csv").write_text("mine")
    changed = rxmap("stops", "teasel/plan.toml", "--out", "walk", "--replace")
    assert changed.returncode == REFUSED
    assert (tmp_path / "walk/stops.csv").read_text() == "mine"


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('[scouting]\n', '[scouting]\nstart = [50.0, 10.0]\n', "scouting.start: found [50, 10]"),
        ('boundary = "boundary.geojson"', 'boundary = "none.geojson"', "none.geojson"),
    ],
)  # fmt: skip
def test_a_plan_with_a_fault_is_refused_in_one_line_and_nothing_is_written(rxmap, teasel, tmp_path, old, new, said):
    plan = teasel / "plan.toml"
    text = plan.read_text(encoding="utf-8")
    assert old in text
    plan.write_text(text.replace(old, new), encoding="utf-8")
    refused = rxmap("stops", "teasel/plan.toml", "--out", "walk")
    assert refused.returncode == REFUSED
    assert said in refused.stderr
    assert refused.stderr.count("\n") == 1
    assert not (tmp_path / "walk").exists()


def test_too_many_stops_for_a_field_are_refused(rxmap, teasel):
    plan = teasel / "plan.toml"
    plan.write_text(plan.read_text(encoding="utf-8") + '\n[output]\ncell = "30 m"\n', encoding="utf-8")
    refused = rxmap("stops", "teasel/plan.toml", "--out", "walk", "--count", 150)
    assert refused.returncode == REFUSED
    assert "room for" in refused.stderr


def test_further_stops_stand_where_they_may_and_say_what_they_are_worth(burnet):
    _, inputs = check(ROOT / "sample_layers/burnet/plan.toml")
    figures = json.loads((burnet / "walk.json").read_text())
    places = np.column_stack(
        inputs.field.frame.to_metres([s["lon"] for s in figures["stops"]], [s["lat"] for s in figures["stops"]])
    )
    points = shapely.points(places)
    assert figures["kind"] == "next stops"
    assert [stop["stop"] for stop in figures["stops"]] == ["N01", "N02", "N03", "N04", "N05"]
    assert shapely.covers(inputs.field.ground, points).all()
    for source in inputs.keep_outs:
        assert (shapely.distance(source.ground, points) >= source.setback_m).all()
    assert 0 < figures["worth"]["batch"] < figures["worth"]["perfect"]
    # trips pay here with or without the stops, so the batch is worth what its stops add up to; 4000 draws
    assert sum(stop["value"] for stop in figures["stops"]) == pytest.approx(figures["worth"]["batch"], rel=0.05)


def test_a_field_that_is_settled_is_told_so_with_numbers_and_without_stops(tmp_path):
    walk = find_stops(ROOT / "sample_layers/teasel/plan.toml", tmp_path / "walk")
    assert (walk.kind, walk.stops) == ("enough", ())
    assert walk.reasons[0].startswith("Stop looking: no further stop can change the decision.")
    assert "EUR at most" in walk.reasons[0]
    assert sorted(digests(tmp_path / "walk")) == ["manifest.json", "walk.json", "walk.pdf"]


def test_stops_that_cost_more_than_they_gain_are_not_proposed(tmp_path):
    shutil.copytree(ROOT / "sample_layers/burnet", tmp_path / "burnet")
    plan = tmp_path / "burnet/plan.toml"
    text = plan.read_text(encoding="utf-8")
    assert "30 SEK/ha" in text
    plan.write_text(text.replace("30 SEK/ha", "300 SEK/ha"), encoding="utf-8")
    walk = find_stops(plan, tmp_path / "walk")
    assert walk.kind == "enough"
    assert walk.worth.batch < walk.worth.cost
    assert "to cost about" in walk.reasons[0]


def test_a_closed_gate_leaves_nothing_to_decide(tmp_path):
    shutil.copytree(ROOT / "sample_layers/teasel", tmp_path / "teasel")
    plan = tmp_path / "teasel/plan.toml"
    text = plan.read_text(encoding="utf-8")
    plan.write_text(text.replace("[[target]]", '[[target]]\ngates = { confirmed = { "seen" = false } }', 1))
    walk = find_stops(plan, tmp_path / "walk", count=3)
    assert walk.kind == "enough"
    assert "no target may be treated now" in walk.reasons[0]


def test_without_a_product_there_is_no_decision_to_change(rxmap, tmp_path):
    shutil.copytree(ROOT / "sample_layers/teasel", tmp_path / "teasel")
    plan = tmp_path / "teasel/plan.toml"
    text = plan.read_text(encoding="utf-8")
    start = text.index("[[product]]")
    plan.write_text(text[:start], encoding="utf-8")
    refused = rxmap("stops", "teasel/plan.toml", "--out", "walk")
    assert refused.returncode == REFUSED
    assert "no decision that a further stop could change" in refused.stderr
