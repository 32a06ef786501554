"""The process beside the run: what it does is what this process would have done, and it never outlives its parent."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from concurrent.futures import Executor
from pathlib import Path

import pytest

from rxmap import beside
from rxmap.beside import Beside, Here
from rxmap.errors import InputError, shown

SOON_S = 20.0  # [s] for a process to start or to end on a busy machine


@pytest.mark.parametrize("executor", [Here, Beside])
def test_tasks_are_done_and_faults_come_back(executor: Callable[[], Executor]) -> None:
    with executor() as hands:
        assert hands.submit(divmod, 7, 2).result() == (3, 1)
        assert hands.submit(shown, "a field").result() == shown("a field")
        assert isinstance(hands.submit(int, "no number").exception(), ValueError)
        assert hands.submit(sum, [1, 2]).result() == 3


def test_a_fault_that_lists_several_comes_back_whole() -> None:
    with Beside() as hands:
        fault = hands.submit(_refuse).exception()
    assert isinstance(fault, InputError)
    assert fault.faults == InputError(["first", "second"]).faults


def _refuse() -> None:
    raise InputError(["first", "second"])


def test_what_a_task_prints_is_no_answer(capfd: pytest.CaptureFixture[str]) -> None:
    with Beside() as hands:
        hands.submit(print, "hello").result()
        assert hands.submit(len, "abc").result() == 3
    assert capfd.readouterr().out == ""


def test_a_process_that_dies_costs_no_task() -> None:
    with Beside() as hands:
        assert hands.submit(os.getpid).result() != os.getpid()
        hands._process.kill()
        assert hands.submit(os.getpid).result() == os.getpid()


def test_a_machine_without_a_second_process_does_the_task_here(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(beside.sys, "executable", "/nowhere/python")
    with Beside() as hands:
        assert hands.submit(os.getpid).result() == os.getpid()


def test_an_error_in_the_run_ends_the_process_without_waiting_for_its_task() -> None:
    started = time.monotonic()
    hands = Beside()
    process = hands._process
    hands.submit(time.sleep, 600)
    hands.__exit__(KeyError, KeyError(), None)
    assert process.poll() is not None
    assert time.monotonic() - started < SOON_S


def test_a_module_in_the_folder_of_the_user_is_not_imported(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "colorsys.py").write_text("raise SystemExit('a stranger')", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    with Beside(["colorsys"]) as hands:
        assert hands.submit(os.getpid).result() != os.getpid()


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="/proc is not there to look at processes")
def test_it_ends_with_a_parent_that_is_killed() -> None:
    code = (
        "import os, time; from rxmap.beside import Beside; b = Beside();"
        "print(b.submit(os.getpid).result(), flush=True); time.sleep(600)"
    )
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as parent:
        child = int(parent.stdout.readline())
        parent.send_signal(signal.SIGKILL)
    until = time.monotonic() + SOON_S
    while _runs(child) and time.monotonic() < until:
        time.sleep(0.05)
    assert not _runs(child)


def _runs(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False
