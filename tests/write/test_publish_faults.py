"""Every call of the system fails once, and runs are killed at random moments: old or new, always whole."""

from __future__ import annotations

import errno
import itertools
import json
import os
import random
import subprocess
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from rxmap.errors import OutputError
from rxmap.records import Result
from rxmap.write import publish
from rxmap.write.files import write_bytes
from rxmap.write.folder import write_result
from rxmap.write.manifest import differences, write_manifest
from rxmap.write.publish import staged

PUBLISHING = Path(__file__).with_name("publishing.py")
Tree = Callable[[Path], dict[str, str]]
Start = Callable[..., subprocess.Popen[str]]
SCAN = os.scandir
Fill = Callable[[Path, int], None]


def fill_small(stage: Path, seed: int) -> None:
    write_bytes(stage / "below" / "run.txt", f"run {seed}".encode())
    write_manifest(stage, inputs=[], seed=seed, plan={})


class Failing:
    """Let the N-th call of the system that makes, writes, syncs or moves something fail."""

    def __init__(self, patch: pytest.MonkeyPatch) -> None:
        self.calls, self.fail_at, self.reached = 0, 0, 0
        for name in ("open", "write", "fsync", "replace", "rename", "mkdir", "scandir"):
            patch.setattr(os, name, self._counted(getattr(os, name)))
        patch.setattr(publish, "_exchange", self._counted(publish._exchange))

    def _counted(self, call: Callable[..., object]) -> Callable[..., object]:
        def counted(*arguments: object, **more: object) -> object:
            # shutil tidies up by handles of folders; what it cannot remove is left to the next run
            tidying = "dir_fd" in more or (call is SCAN and isinstance(arguments[0], int))
            if not tidying:
                self.calls += 1
                if self.calls == self.fail_at:
                    self.reached = self.calls
                    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            return call(*arguments, **more)

        return counted


def sweep(folder: Path, failing: Failing, *, fill: Fill, tree: Tree) -> int:
    """Fail call 1, 2, 3, ... until none is left; a run that reports an error must have changed nothing."""
    before = tree(folder)
    out = folder / "out" if before else folder / "new" / "out"
    for number in itertools.count(1):
        failing.calls, failing.fail_at = 0, number
        try:
            with staged(out, True) as stage:
                fill(stage, 2)
            through = True  # no call was left to fail, or the run did not need the one that failed
        except OutputError:
            through = False
        failing.fail_at = 0  # looking at what is left takes calls too
        if not through:
            assert tree(folder) == before, f"call {number} failed and left something"
        elif failing.reached < number:
            return number
        else:
            assert differences(out) == []
            assert os.listdir(out.parent) == ["out"]
            before = tree(folder)


@pytest.mark.parametrize("over_an_old_result", [False, True])
@pytest.mark.parametrize("exchange", [True, False])
def test_any_one_failing_call_leaves_everything_as_it_was(
    tmp_path: Path, tree: Tree, monkeypatch: pytest.MonkeyPatch, over_an_old_result: bool, exchange: bool
) -> None:
    if not exchange:
        monkeypatch.setattr(publish, "_exchange", lambda *_: False)
    if over_an_old_result:
        with staged(tmp_path / "out", False) as stage:
            fill_small(stage, 1)
    calls = sweep(tmp_path, Failing(monkeypatch), fill=fill_small, tree=tree)
    assert calls > 15  # two files: open, write, sync, move each, folders, lock, publishing
    (out,) = tmp_path.rglob("out")
    assert differences(out) == []
    assert json.loads((out / "manifest.json").read_text())["seed"] == 2
    assert os.listdir(out.parent) == ["out"]


@pytest.mark.long
def test_any_one_failing_call_of_a_whole_result_leaves_everything_as_it_was(
    tmp_path: Path, tree: Tree, monkeypatch: pytest.MonkeyPatch, result: Result
) -> None:
    def fill(stage: Path, seed: int) -> None:
        write_result(replace(result, seed=seed), stage, pages={"map.html": "page"})

    with staged(tmp_path / "out", False) as stage:
        fill(stage, 1)
    assert sweep(tmp_path, Failing(monkeypatch), fill=fill, tree=tree) > 60


def kill_while_publishing(out: Path, start: Start, what: str, moments: list[float]) -> None:
    """Kill runs that publish over and over, and look at what is there each time."""
    for moment in moments:
        run = start(PUBLISHING, out, "forever", what)
        assert run.stdout.readline() == "ready\n"
        time.sleep(moment)
        run.kill()
        run.communicate()
        assert differences(out) == []
        seed = json.loads((out / "manifest.json").read_text())["seed"]
        texts = {path.read_text() for path in out.rglob("*.txt")}
        assert texts <= {f"{seed}\n" * 5000}, "two runs are mixed"
    with staged(out, True) as stage:
        fill_small(stage, 1)
    assert os.listdir(out.parent) == [out.name]  # the debris of the dead is gone


def test_a_kill_at_any_moment_leaves_the_old_result_or_the_new(tmp_path: Path, start: Start) -> None:
    moments = random.Random(1)
    kill_while_publishing(tmp_path / "out", start, "small", [moments.uniform(0, 0.06) for _ in range(8)])


@pytest.mark.long
@pytest.mark.parametrize("what", ["small", "whole"])
def test_many_kills_leave_the_old_result_or_the_new(tmp_path: Path, start: Start, what: str) -> None:
    moments = random.Random(2)
    kill_while_publishing(tmp_path / "out", start, what, [moments.uniform(0, 0.5) for _ in range(40)])


def test_two_runs_at_once_never_mix(tmp_path: Path, start: Start) -> None:
    out = tmp_path / "out"
    with staged(out, False) as stage:
        fill_small(stage, 1)
    runs = [start(PUBLISHING, out, "once", "small") for _ in range(3)]
    said = [run.communicate()[1] for run in runs]
    assert any(run.returncode == 0 for run in runs)
    assert all(run.returncode == 0 or "another run is writing it" in text for run, text in zip(runs, said, strict=True))
    assert differences(out) == []
    assert os.listdir(tmp_path) == ["out"]
