"""The manifest lists everything, and nothing of the machine that wrote it."""

from __future__ import annotations

import getpass
import json
import os
import platform
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from rxmap.errors import CheckError
from rxmap.records import Result
from rxmap.write.files import write_json
from rxmap.write.manifest import differences


@pytest.fixture
def copied(written: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(written, tmp_path / "copied"))


def test_an_outside_program_confirms_every_hash(written: Path, program: Callable[[str], str], tmp_path: Path) -> None:
    rows = json.loads((written / "manifest.json").read_text("utf-8"))["files"]
    listing = tmp_path / "sums"
    listing.write_text("".join(f"{row['sha256']}  {row['path']}\n" for row in rows))
    command = [program("sha256sum"), "--check", "--strict", str(listing)]
    done = subprocess.run(command, cwd=written, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout
    there = {path.relative_to(written).as_posix() for path in written.rglob("*") if path.is_file()}
    assert {row["path"] for row in rows} == there - {"manifest.json"}
    assert all((written / row["path"]).stat().st_size == row["bytes"] for row in rows)


def test_it_names_inputs_versions_seed_and_plan(written: Path, result: Result) -> None:
    manifest = json.loads((written / "manifest.json").read_text("utf-8"))
    assert [row["name"] for row in manifest["inputs"]] == ["boundary.geojson", "plan.toml", "stops.csv"]
    assert manifest["seed"] == 1
    assert manifest["plan"] == result.plan
    assert {"python", "numpy", "shapely", "GEOS", "PROJ"} <= manifest["libraries"].keys()


def test_nothing_tells_where_when_or_by_whom(written: Path) -> None:
    everything = b"".join(path.read_bytes() for path in written.rglob("*") if path.is_file())
    for secret in (platform.node(), getpass.getuser(), str(written.parent), os.getcwd(), ".stage-"):
        assert len(secret) < 4 or secret.encode() not in everything  # a three-letter name may occur by chance


def test_an_untouched_folder_does_not_differ(copied: Path) -> None:
    assert differences(copied) == []


@pytest.mark.parametrize(
    ("touch", "says"),
    [
        (lambda at: (at / "summary.json").write_text("{}"), ["'summary.json' was changed"]),
        (lambda at: (at / "summary.json").unlink(), ["'summary.json' is missing"]),
        (lambda at: (at / "passes/own.txt").write_text("mine"), ["'passes/own.txt' was added"]),
        (lambda at: (at / "empty").mkdir(), ["'empty' was added"]),
        (lambda at: (at / "link").symlink_to(at), ["'link' was added"]),
        (lambda at: (at / "manifest.json").write_text("[]"), ["it has no manifest.json that rxmap wrote"]),
        (lambda at: (at / "manifest.json").unlink(), ["it has no manifest.json that rxmap wrote"]),
        (
            lambda at: ((at / "map.html").rename(at / "kept.html"), (at / "map.html").symlink_to("kept.html")),
            ["'kept.html' was added", "'map.html' was changed"],
        ),
    ],
)
def test_every_touch_of_a_hand_is_seen(copied: Path, touch: Callable[[Path], object], says: list[str]) -> None:
    touch(copied)
    assert differences(copied) == says


def test_a_folder_that_cannot_be_read_is_an_error_and_not_left_out(
    copied: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else a file of the user's in it would not be seen, and go with the old result."""
    scan = os.scandir

    def closed(path: object) -> object:
        if str(path).endswith("surfaces"):
            raise PermissionError(13, "Permission denied", str(path))
        return scan(path)

    monkeypatch.setattr(os, "scandir", closed)
    with pytest.raises(PermissionError):
        differences(copied)


@pytest.mark.parametrize("text", ['{"files": []}', '{"rxmap": "", "files": 3}', "[" * 100_000, "\ufeff{}", "\x00"])
def test_a_manifest_of_somebody_else_is_not_ours(copied: Path, text: str) -> None:
    (copied / "manifest.json").write_text(text, "utf-8")
    assert differences(copied) != []


def test_a_document_with_two_equal_keys_or_no_number_is_refused(tmp_path: Path) -> None:
    for document in ({1: "a", "1": "b"}, {"mean": float("nan")}):
        with pytest.raises(CheckError, match=r"a\.json: what was written is not what was meant"):
            write_json(tmp_path / "a.json", document)
