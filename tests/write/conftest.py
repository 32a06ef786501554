"""A result folder as it is published, and the means to look at folders whole."""

from __future__ import annotations

import hashlib
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

import rxmap
from rxmap.records import Result
from rxmap.write.folder import write_result
from rxmap.write.publish import staged

PAGES = {"map.html": "<!doctype html><title>map</title>\n", "passes/hopper-pass/mix_sheet.csv": b"load,area_ha\n"}


@pytest.fixture(scope="session")
def written(result: Result, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The published folder of the invented result; only to be read."""
    out = tmp_path_factory.mktemp("written") / "result"
    with staged(out, replace=False) as stage:
        write_result(result, stage, pages=PAGES)
    return out


@pytest.fixture(scope="session")
def tree() -> Callable[[Path], dict[str, str]]:
    """Everything below a folder: relative path to digest, or to the kind of what is no file."""

    def digests(folder: Path) -> dict[str, str]:
        return {
            path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
            if path.is_file()
            else "folder"
            for path in sorted(folder.rglob("*"))
        }

    return digests


@pytest.fixture(scope="session")
def start() -> Callable[..., subprocess.Popen[str]]:
    """Start a program of the tests in a process of its own, where our package can be imported."""

    def popen(script: Path, *arguments: str | Path, before: tuple[str, ...] = (), **more: object) -> subprocess.Popen:
        environment = {**os.environ, "PYTHONPATH": str(Path(rxmap.__file__).parents[1]), **more.pop("env", {})}
        command = [*before, sys.executable, str(script), *map(str, arguments)]
        before_it = signal.signal(signal.SIGINT, signal.default_int_handler)  # a runner in the background ignores it,
        try:  # and a child would inherit that
            return subprocess.Popen(
                command, env=environment, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE, **more
            )
        finally:
            signal.signal(signal.SIGINT, before_it)

    return popen
