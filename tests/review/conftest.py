from __future__ import annotations

import importlib.util
import shutil
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

import pytest

from rxmap.pipeline import build

ROOT = Path(__file__).parent.parent.parent
COARSE = '\n[output]\ncell = "9 m"\n'  # quick to build; the strips are as on fine cells


def load(path: Path) -> ModuleType:
    """Import a file that lies in no package."""
    spec = importlib.util.spec_from_file_location(path.stem, path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[path.stem] = module  # a dataclass looks its own module up
    spec.loader.exec_module(module)
    return module


@dataclass(frozen=True)
class Case:
    """An invented season: the plan of its review and the result that it reviews."""

    plan: Path
    result: Path

    @property
    def folder(self) -> Path:
        return self.plan.parent

    def edit(self, name: str, old: str, new: str) -> None:
        text = (self.folder / name).read_text(encoding="utf-8")
        assert old in text, f"{name}: no {old!r}"
        (self.folder / name).write_text(text.replace(old, new, 1), encoding="utf-8")


@pytest.fixture(scope="session")
def seasons() -> ModuleType:
    return load(ROOT / "sample_layers/make_season.py")


@pytest.fixture(scope="session")
def sampled(seasons: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Case:
    """Larkspur Quarter after its pass; never change it."""
    folder = tmp_path_factory.mktemp("season")
    field = Path(shutil.copytree(ROOT / "sample_layers/larkspur", folder / "larkspur"))
    plan = field / "plan.toml"
    plan.write_text(plan.read_text(encoding="utf-8") + COARSE, encoding="utf-8")
    build(plan, folder / "result")
    seasons.CELL, seasons.STEP = 40.0, 8.0  # fewer rows, to read quickly
    return Case(seasons.make_season(field, folder / "result"), folder / "result")


@pytest.fixture
def case(sampled: Case, tmp_path: Path) -> Case:
    """A copy of the season, for one test to change; the result is shared."""
    folder = Path(shutil.copytree(sampled.folder, tmp_path / "larkspur"))
    return Case(folder / sampled.plan.name, sampled.result)


@pytest.fixture(scope="module")
def no_paper() -> Iterator[None]:
    """Leave the drawing of the PDF out where a test does not look at it: half of the time of a small review."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("rxmap.review.paper.review_pdf", lambda review, season: b"%PDF-1.4\n%%EOF\n")
        yield


@pytest.fixture(scope="session")
def simulated() -> ModuleType:
    return load(Path(__file__).parent / "simulated.py")


@pytest.fixture(scope="session")
def command() -> Callable[..., tuple[int, str, str]]:
    """Run the command line in this process: exit code, what it printed, what it said on standard error."""
    import contextlib
    import io

    def run(*arguments: str) -> tuple[int, str, str]:
        from rxmap.cli import main

        out, err = io.StringIO(), io.StringIO()
        before, sys.argv = sys.argv, ["rxmap", *arguments]
        try:
            with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), pytest.raises(SystemExit) as left:
                main()
        finally:
            sys.argv = before
        return left.value.code, out.getvalue(), err.getvalue()

    return run
