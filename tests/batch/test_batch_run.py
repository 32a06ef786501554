"""A run over many fields on this machine: same bytes as one by one, nobody stopped by a neighbour, again and again."""

from __future__ import annotations

import csv
import io
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from rxmap.batch import run_batch
from rxmap.batch.folder import claimed
from rxmap.batch.work import attempt
from rxmap.errors import CheckError, InputError, OutputError
from rxmap.pipeline import build
from rxmap.write.publish import held

HOSTILE = "=cmd|' /C calc'!A0 <script>alert(1)</script> \u202e"
STAYS = {"threshold = 3.0": "threshold = 90.0"}  # nothing reaches it


@pytest.fixture(scope="module")
def ran(plant, tmp_path_factory):
    """Three fields and a refused one, built by two workers."""
    folder = tmp_path_factory.mktemp("many")
    plant(folder / "fields", "north/creek")
    plant(folder / "fields", "north-creek", {'"north-creek"': json.dumps(HOSTILE)})
    plant(folder / "fields", "stays", STAYS)
    plant(folder / "fields", "bad").with_name("stops.csv").write_text("stop,lon\nA,\n")
    run = run_batch(folder / "fields", folder / "out", workers=2)
    return folder, run


def test_a_field_built_among_others_is_the_one_built_alone(ran, tree, tmp_path):
    folder, _ = ran
    build(folder / "fields/north/creek/plan.toml", tmp_path / "alone")
    creeks = sorted((folder / "out/fields").glob("north-creek-*"))  # two of one name
    named = {json.loads((path / "summary.json").read_text())["field"]["name"]: path for path in creeks}
    assert len(named) == 2
    assert tree(named["north/creek"]) == tree(tmp_path / "alone")


def test_a_refused_field_is_listed_with_its_reasons_and_stops_nobody(ran):
    folder, run = ran
    assert dict(run.counts) == {"done": 3, "refused": 1}
    (bad,) = run.overview.not_done
    assert bad.plan == "bad/plan.toml"
    assert all(line.startswith("stops.csv: ") for line in bad.lines)
    assert not (folder / "out/fields/bad").exists()
    assert bad.lines[0] in (folder / "out/logs/bad.txt").read_text()
    assert "bad/plan.toml" in (folder / "out/index.html").read_text()


def test_the_log_of_a_field_says_when_each_step_began(ran):
    folder, _ = ran
    log = (folder / "out/logs/stays.txt").read_text().splitlines()
    assert log[0] == "stays/plan.toml"
    assert any("fitting the pressure" in line for line in log)
    assert log[-1].startswith("done after ")
    assert log[-1].endswith(" MB so far")


def test_table_layer_and_record_say_the_same_and_compute_nothing(ran):
    folder, _ = ran
    text = (folder / "out/fields.csv").read_bytes().decode()
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    layer = json.loads((folder / "out/fields.geojson").read_text())["features"]
    record = json.loads((folder / "out/batch.json").read_text())
    assert [row["plan"] for row in rows] == [one["properties"]["plan"] for one in layer]
    assert [row["plan"] for row in rows] == [one["plan"] for one in record["fields"]]
    assert rows[-1]["decision"] == "none"
    assert rows[-1]["next_look"]
    for row, one in zip(rows, layer, strict=True):
        kept = {key: "" if value is None else str(value) for key, value in one["properties"].items()}
        assert {key: value.removeprefix("'") for key, value in row.items()} == kept
    assert not any(cell[:1] in "=+-@\t" for row in rows for cell in row.values() if cell and not _number(cell))
    hostile = next(row for row in rows if "calc" in row["field"])
    assert hostile["field"].startswith("'=cmd")


def _number(cell: str) -> bool:
    return cell.lstrip("-").replace(".", "", 1).isdigit()


def test_totals_are_those_of_the_result_folders(ran):
    folder, _ = ran
    record = json.loads((folder / "out/batch.json").read_text())
    summaries = [json.loads(path.read_text()) for path in (folder / "out/fields").glob("*/summary.json")]
    totals, (order,) = record["totals"], record["orders"]
    assert totals["area_ha"] == pytest.approx(sum(one["field"]["area_ha"] for one in summaries), abs=2e-4)
    assert totals["treated_ha"] == pytest.approx(sum(one["passes"][0]["treated_ha"] for one in summaries), abs=2e-4)
    decided = sum(one["money"][one["passes"][0]["decision"]] for one in summaries)
    assert totals["money"]["EUR"]["decided"] == pytest.approx(decided, abs=0.02)
    # a mix sheet is written in steps of 0.01 L, and what stays in the tank comes on top
    product = sum(one["passes"][0]["products"][0]["total"] for one in summaries)
    assert product - 0.02 <= order["total"] <= 1.05 * product


def command(*words: object, cwd: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "rxmap", "batch", *map(str, words)],
        cwd=cwd, capture_output=True, text=True, timeout=120, check=False, env={**os.environ, "COLUMNS": "200"},
    )  # fmt: skip


def test_a_second_run_by_the_command_builds_only_what_is_not_done_and_ends_with_two(ran, tree):
    folder, run = ran
    before = tree(folder / "out")
    stamps = {path: path.stat().st_mtime_ns for path in (folder / "out/fields").rglob("*")}
    again = command("fields", "--out", "out", "--json", "--workers", "1", cwd=folder)
    assert again.returncode == 2
    assert json.loads(again.stdout) == run.record
    assert again.stderr.splitlines() == [f"rxmap: bad/plan.toml: {line}" for line in run.overview.not_done[0].lines]
    assert {path: path.stat().st_mtime_ns for path in (folder / "out/fields").rglob("*")} == stamps
    after = tree(folder / "out")
    assert all(after[name] == before[name] for name in before if not name.startswith("logs/"))


def test_nothing_of_the_run_is_left_beside_its_folder(ran):
    folder, _ = ran
    assert sorted(path.name for path in folder.iterdir()) == ["fields", "out"]
    assert not list((folder / "out").rglob(".*"))


# --- whose the folder is ---


def taken(folder: Path) -> None:
    (folder / "mine.txt").write_text("by hand")


def edited(folder: Path) -> None:
    with claimed(folder):
        pass
    (folder / "fields.csv").write_text("by hand")


def odd(folder: Path) -> None:
    (folder / "batch.json").write_text('{"files": [], "rxmap": "1"}')


@pytest.mark.parametrize("spoil", [taken, edited, odd])
def test_a_folder_in_which_something_could_be_lost_is_refused(tmp_path, tree, spoil):
    (tmp_path / "fields").mkdir()
    (tmp_path / "fields/plan.toml").write_text("")
    (tmp_path / "out").mkdir()
    spoil(tmp_path / "out")
    before = tree(tmp_path)
    with pytest.raises(OutputError, match="rxmap"):
        run_batch(tmp_path / "fields", tmp_path / "out")
    assert tree(tmp_path) == before


def test_a_second_run_into_the_same_folder_is_refused_while_the_first_lasts(tmp_path):
    (tmp_path / "plan.toml").write_text("")
    with held(tmp_path / "out"), pytest.raises(OutputError, match="another run"):
        run_batch(tmp_path, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_kill_between_two_files_of_the_overview_does_no_harm(tmp_path, monkeypatch):
    from rxmap.batch import folder as module
    from rxmap.show.overview_rows import Overview

    out = tmp_path / "out"
    with claimed(out):
        pass
    module.write_overview(out, Overview(fields=(), not_done=(), orders=(), seasons=()))
    real, written = module.write_bytes, []

    def failing(path: Path, content: bytes) -> None:
        written.append(path.name)
        if len(written) == 3:  # the record with both hashes, the page, and then
            raise KeyboardInterrupt
        real(path, content)

    monkeypatch.setattr(module, "write_bytes", failing)
    with pytest.raises(KeyboardInterrupt):
        module.write_overview(out, Overview(fields=(), not_done=(), orders=(), seasons=(), notes=("another",)))
    assert written == ["batch.json", "index.html", "fields.csv"]
    with claimed(out):  # not refused as edited by hand
        pass


# --- what becomes of a field ---


@pytest.mark.parametrize(
    ("error", "state"),
    [(InputError("a: b"), "refused"), (OutputError("a: b"), "refused"), (CheckError("a"), "not proved"),
     (ValueError("a"), "fault"), (MemoryError(), "fault")],
)  # fmt: skip
def test_whatever_happens_to_a_field_has_a_word_and_a_line(error, state):
    def job(tell: object) -> None:
        raise error

    outcome = attempt(job)
    assert (outcome.state, len(outcome.lines)) == (state, 1)
    assert ("Traceback" in "".join(outcome.log)) == (state == "fault")
