"""Runs that are cut off at chosen moments: nothing half, nothing lost, and the next run finishes."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from rxmap.pipeline import build
from rxmap.write.manifest import differences

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="finds processes as Linux lists them"),
]

FIELDS = ("a", "b", "c", "d", "e", "f")
PATIENCE = 120.0  # [s] for anything that is waited for, on a machine under load


def start(folder: Path, *words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "rxmap", "batch", "fields", "--out", "out", *words],
        cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip


def workers(process: subprocess.Popen[str]) -> list[int]:
    """Processes that hold a field's job, those of Python's own book-keeping left out."""
    children = Path(f"/proc/{process.pid}/task/{process.pid}/children")
    found = [int(pid) for pid in children.read_text().split()] if children.exists() else []
    return [pid for pid in found if b"spawn_main" in Path(f"/proc/{pid}/cmdline").read_bytes()]


def wait_for(what: Callable[[], object], process: subprocess.Popen[str]) -> None:
    """Wait until something holds, or the run is over."""
    until = time.monotonic() + PATIENCE
    while not what() and process.poll() is None:
        assert time.monotonic() < until
        time.sleep(0.02)


def finished(folder: Path) -> list[Path]:
    return [path for path in (folder / "out/fields").glob("*") if not path.name.startswith(".")]


def everything_is_whole(folder: Path) -> None:
    assert [differences(path) for path in finished(folder)] == [[]] * len(finished(folder))


def alive(pid: int) -> bool:
    status = Path(f"/proc/{pid}/status")
    return status.exists() and "zombie" not in status.read_text()


@pytest.fixture
def folder(plant, tmp_path):
    for place in FIELDS:
        plant(tmp_path / "fields", place)
    return tmp_path


def test_interrupt_then_kill_then_a_dead_worker_and_all_fields_are_done(folder, tree):
    chance = random.Random(11)

    process = start(folder, "--workers", "1")
    wait_for(lambda: finished(folder), process)
    time.sleep(chance.uniform(0.0, 0.5))
    os.killpg(process.pid, signal.SIGINT)  # as a terminal does: everybody in it hears it
    _, said = process.communicate(timeout=PATIENCE)
    assert process.returncode == 130
    assert said.strip().splitlines()[-1].startswith("rxmap: interrupted; ")
    assert "of 6 fields are done" in said
    assert "Traceback" not in said
    everything_is_whole(folder)
    assert not list((folder / "out/fields").glob(".*"))  # no stage left

    for _ in range(3):
        process = start(folder, "--workers", "2")
        wait_for(lambda process=process: len(workers(process)) == 2, process)
        team = workers(process)
        time.sleep(chance.uniform(0.5, 5.0))
        process.kill()
        process.communicate(timeout=PATIENCE)
        everything_is_whole(folder)
        until = time.monotonic() + 20.0
        while any(map(alive, team)):
            assert time.monotonic() < until, "a worker outlived its run"
            time.sleep(0.05)

    process = start(folder, "--workers", "1")
    wait_for(lambda: list((folder / "out/fields").glob(".rxmap-*.lock")), process)  # a field is being written
    for pid in workers(process):
        os.kill(pid, signal.SIGKILL)
    _, said = process.communicate(timeout=PATIENCE)
    assert (process.returncode, said) == (0, "")
    assert sorted(path.name for path in finished(folder)) == list(FIELDS)
    assert not list((folder / "out").rglob(".*"))  # debris is swept
    for place in FIELDS[:2]:
        build(folder / "fields" / place / "plan.toml", folder / "alone" / place)
        assert tree(folder / "out/fields" / place) == tree(folder / "alone" / place)


def test_a_field_that_kills_its_workers_is_a_fault_and_stops_nobody(plant, tmp_path, monkeypatch):
    plant(tmp_path / "fields", "sound")
    poison = plant(tmp_path / "fields", "poison")
    # whoever computes this field dies, as of too little memory
    (tmp_path / "sitecustomize.py").write_text(
        "import os, signal, tomllib\n"
        "real = tomllib.loads\n"
        "def loads(text, **more):\n"
        "    if '\"poison\"' in text and os.environ.get('OPENBLAS_NUM_THREADS') == '1': os.kill(os.getpid(), 9)\n"
        "    return real(text, **more)\n"
        "tomllib.loads = loads\n"
    )
    monkeypatch.delenv("OPENBLAS_NUM_THREADS", raising=False)
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(tmp_path), *filter(None, sys.path)]))
    done = start(tmp_path, "--workers", "1")
    _, said = done.communicate(timeout=PATIENCE)
    assert poison.exists()
    assert done.returncode == 1
    assert "poison/plan.toml: its worker died 2 times (signal 9)" in said
    assert [path.name for path in finished(tmp_path)] == ["sound"]


def test_a_scheduler_that_is_killed_loses_nothing_and_the_next_run_finishes(folder):
    pytest.importorskip("distributed", reason="dask is not installed")
    file = folder / "scheduler.json"
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": folder}
    dask = [sys.executable, "-m", "distributed.cli.dask_"]
    scheduler = subprocess.Popen(
        [*dask[:2], f"{dask[2]}scheduler", "--port", "0", "--scheduler-file", file, "--no-dashboard"], **quiet
    )
    worker = subprocess.Popen(
        [*dask[:2], f"{dask[2]}worker", "--scheduler-file", file, "--nthreads", "1", "--no-nanny", "--no-dashboard"],
        **quiet,
    )
    try:
        wait_for(file.exists, scheduler)
        address = json.loads(file.read_text())["address"]
        process = start(folder, "--scheduler", address)
        wait_for(lambda: finished(folder), process)
        scheduler.kill()
        _, said = process.communicate(timeout=PATIENCE)
    finally:
        for one in (scheduler, worker):
            one.kill()
            one.wait()
    assert process.returncode == 2
    assert "lost on the way" in said
    everything_is_whole(folder)
    assert finished(folder)
    done = start(folder, "--workers", "1")
    done.communicate(timeout=PATIENCE)
    assert done.returncode == 0
    assert len(finished(folder)) == len(FIELDS)
