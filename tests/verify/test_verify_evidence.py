"""The evidence in the summary is held against stops, plan and field."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from rxmap.pipeline import build
from rxmap.verify import verify
from rxmap.verify.evidence import evidence_right, evidence_shown
from rxmap.verify.figures import summary_complete
from rxmap.verify.folder import Folder

SAMPLE = Path(__file__).parents[2] / "sample_layers" / "larkspur"


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The larkspur sample walked in its western half only, so that ground stays unsampled."""
    source, out = tmp_path_factory.mktemp("plan") / "larkspur", tmp_path_factory.mktemp("result") / "out"
    shutil.copytree(SAMPLE, source)
    head, *rows = (source / "stops.csv").read_text("utf-8").splitlines()
    middle = sorted(float(row.split(",")[1]) for row in rows)[len(rows) * 3 // 5]
    west = [row for row in rows if float(row.split(",")[1]) < middle]
    (source / "stops.csv").write_text("\n".join([head, *west, ""]), "utf-8")
    build(source / "plan.toml", out)
    return out


def test_ground_east_of_every_stop_is_not_sampled(built: Path) -> None:
    told = json.loads((built / "summary.json").read_text("utf-8"))["targets"][0]["evidence"]
    assert told["not_sampled_ha"] > 1.0
    features = json.loads((built / "not_sampled.geojson").read_text("utf-8"))["features"]
    assert features[0]["properties"]["area_ha"] == told["not_sampled_ha"]


def change(key: str, value: object, within: str | None = None) -> Callable[[Any], None]:
    def apply(told: Any) -> None:
        (told[within] if within else told)[key] = value

    return apply


@pytest.mark.parametrize(
    ("mutate", "words"),
    [
        (change("places", 7), "places is 7"),
        (change("spacing_m", 9.0), "spacing_m is 9.0"),
        (change("reach_m", 20.0), "reach_m is 20.0"),
        (change("not_sampled_ha", 0.0), "not_sampled_ha is 0.0"),
        (change("stops_mean", 1.0), "stops_mean is 1.0"),
        (change("even_mean", 1.0), "even_mean is 1.0"),
        (change("coverage", 0.1, "left_out"), "coverage is 0.1"),
        (change("wrong_side", 0.9, "left_out"), "wrong_side is 0.9"),
        (change("wrong_side_alike", 0.05, "left_out"), "wrong_side_alike is 0.05"),
        (change("chances", [], "left_out"), "chances count 0 stops"),
        (change("skill_blocks", 1.5, "left_out"), "skill_blocks is 1.5"),
        (change("crowded", "no"), "evidence.crowded is"),
        (change("coverage", 7, "left_out"), "left_out.coverage is"),
    ],
)
def test_a_figure_that_is_not_that_of_the_stops_is_found(
    built: Path, tmp_path: Path, mutate: Callable[[Any], None], words: str
) -> None:
    folder = tmp_path / "out"
    shutil.copytree(built, folder)
    summary = json.loads((folder / "summary.json").read_text("utf-8"))
    mutate(summary["targets"][0]["evidence"])
    (folder / "summary.json").write_text(json.dumps(summary), "utf-8")
    result = Folder(folder)
    findings = [*summary_complete(result)] or [*evidence_right(result)]
    assert [line for line in findings if words in line and line.startswith("summary.json")]


def test_the_result_as_built_is_proved(built: Path) -> None:
    report = verify(built)
    assert report.ok
    assert "the evidence of each target is that of its stops and the field" in report.checked


def test_a_page_that_shows_another_figure_is_found(built: Path, tmp_path: Path) -> None:
    folder = tmp_path / "out"
    shutil.copytree(built, folder)
    page = (folder / "map.html").read_text("utf-8")
    row = page.index("Evidence: each place")
    at = page.index("45</td>", row)
    (folder / "map.html").write_text(page[:at] + "46" + page[at + 2 :], "utf-8")
    assert [line for line in evidence_shown(Folder(folder)) if "Places is '46'" in line]
