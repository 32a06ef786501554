"""The command line as its users meet it: exit codes, one line for each fault, nothing left behind."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from rxmap.cli import INTERRUPTED
from rxmap.cli.app import DONE, FAULT, NOT_PROVED, REFUSED

Run = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture
def rxmap(tmp_path: Path) -> Run:
    def run(*words: object, **more: object) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "rxmap", *map(str, words)],
            capture_output=True,
            text=True,
            encoding="utf-8",
            cwd=tmp_path,
            timeout=120,
            check=False,
            **more,  # type: ignore[call-overload]
        )

    return run


@pytest.fixture
def project(rxmap: Run, tmp_path: Path) -> Path:
    """The folder that `rxmap new` makes."""
    assert rxmap("new", "field").returncode == DONE
    return tmp_path / "field"


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One built result, to be copied by tests that change it."""
    folder = tmp_path_factory.mktemp("built")
    for words in (["new", "field"], ["build", "field/plan.toml", "--out", "result"]):
        subprocess.run([sys.executable, "-m", "rxmap", *words], cwd=folder, check=True, capture_output=True)
    return folder / "result"


def tree(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "folder"
        for path in sorted(folder.rglob("*"))
    }


def test_new_check_build_verify_run_as_the_help_says(rxmap: Run, project: Path, tmp_path: Path) -> None:
    assert rxmap("check", "field/plan.toml").returncode == DONE
    built = rxmap("build", "field/plan.toml", "--out", "result", "--json")
    assert built.returncode == DONE
    assert built.stderr == ""
    assert json.loads(built.stdout) == json.loads((tmp_path / "result/summary.json").read_text())
    assert rxmap("verify", "result").returncode == DONE


def test_what_is_printed_is_ascii_and_without_control_characters(rxmap: Run, project: Path) -> None:
    plan = project / "plan.toml"
    plan.write_text(plan.read_text().replace('"Example field"', '"Fj\u00f6ll \\u001b[31mred \u202e"'), encoding="utf-8")
    built = rxmap("build", plan, "--out", "result")
    assert built.returncode == DONE
    assert "treated" in built.stdout
    assert "\x1b" not in built.stdout
    narrow = rxmap("check", plan, env={**os.environ, "PYTHONIOENCODING": "ascii"})
    assert narrow.returncode == DONE


def test_a_result_is_replaced_only_when_asked_and_unchanged(
    rxmap: Run, project: Path, built: Path, tmp_path: Path
) -> None:
    shutil.copytree(built, tmp_path / "result")
    before = tree(tmp_path / "result")
    refused = rxmap("build", "field/plan.toml", "--out", "result")
    assert refused.returncode == REFUSED
    assert "--replace" in refused.stderr
    assert rxmap("build", "field/plan.toml", "--out", "result", "--replace").returncode == DONE
    assert tree(tmp_path / "result") == before  # same inputs, same bytes
    (tmp_path / "result/map.html").write_text("by hand")
    edited = rxmap("build", "field/plan.toml", "--out", "result", "--replace")
    assert edited.returncode == REFUSED
    assert (tmp_path / "result/map.html").read_text() == "by hand"


BAD_FILES = {
    "plan not toml": ("plan.toml", "[field\n", "not TOML"),
    "unknown key": ("plan.toml", 'boundry = "x"', "Did you mean boundary?"),
    "bare ounce": ("plan.toml", "oz/acre", "oz is ambiguous"),
    "stops cut in a row": ("stops.csv", "stop,lon\nA", "stops.csv"),
    "stops empty": ("stops.csv", "", "stops.csv"),
    "boundary not json": ("boundary.geojson", "{", "boundary.geojson"),
    "boundary a point": (
        "boundary.geojson",
        '{"type": "Feature", "properties": {}, "geometry": {"type": "Point", "coordinates": [10, 50]}}',
        "boundary.geojson",
    ),
}


@pytest.mark.parametrize("case", BAD_FILES)
def test_a_bad_file_gives_its_line_and_leaves_nothing(case: str, rxmap: Run, project: Path, tmp_path: Path) -> None:
    name, content, expected = BAD_FILES[case]
    path = project / name
    if case == "unknown key":
        content = path.read_text().replace("[field]", f"[field]\n{content}")
    if case == "bare ounce":
        content = path.read_text().replace("L/ha", content)
    path.write_text(content)
    before = tree(tmp_path)
    refused = rxmap("build", "field/plan.toml", "--out", "result")
    assert refused.returncode == REFUSED
    assert expected in refused.stderr
    assert "Traceback" not in refused.stderr
    assert refused.stdout == ""
    assert tree(tmp_path) == before


def test_many_faults_are_ten_lines_and_a_count(rxmap: Run, project: Path) -> None:
    stops = project / "stops.csv"
    header, *rows = stops.read_text().splitlines()
    n = header.split(",").index("n")
    bad = [",".join("ten" if i == n else cell for i, cell in enumerate(row.split(","))) for row in rows]
    stops.write_text("\n".join([header, *bad]) + "\n")
    refused = rxmap("check", "field/plan.toml")
    assert refused.returncode == REFUSED
    lines = refused.stderr.splitlines()
    assert len(lines) == 11
    assert lines[-1] == f"rxmap: and {len(rows) - 10} more"


def test_a_wrong_call_is_refused_in_one_line(rxmap: Run) -> None:
    for words in (["build"], ["bild"], ["build", "plan.toml"], ["check", "no.toml"], ["verify", "nowhere"]):
        refused = rxmap(*words)
        assert refused.returncode == REFUSED
        assert len(refused.stderr.splitlines()) == 1


def test_verify_ends_with_three_on_a_changed_result(rxmap: Run, built: Path, tmp_path: Path) -> None:
    shutil.copytree(built, tmp_path / "result")
    (tmp_path / "result/zones.geojson").write_text("{}")
    refused = rxmap("verify", "result")
    assert refused.returncode == NOT_PROVED
    assert "zones.geojson" in refused.stderr


def test_a_closed_pipe_is_not_a_failure(project: Path, tmp_path: Path) -> None:
    command = f"{sys.executable} -m rxmap build field/plan.toml --out result | true"
    done = subprocess.run(["bash", "-o", "pipefail", "-c", command], cwd=tmp_path, capture_output=True, check=False)
    assert done.returncode == DONE
    assert b"Traceback" not in done.stderr


INTERRUPTED_AT_IMPORT = """
import os, signal, sys
class Interrupting:
    def find_spec(self, name, path=None, target=None):
        if name == module:
            sys.meta_path.remove(self)
            os.kill(os.getpid(), signal.SIGINT)
module = sys.argv.pop(1)
signal.signal(signal.SIGINT, signal.default_int_handler)  # whoever runs the tests in the background turned it off
from rxmap.cli import main
sys.meta_path.insert(0, Interrupting())
main()
"""


@pytest.mark.parametrize("module", ["typer", "rxmap.errors", "numpy", "rxmap.pipeline", "scipy.linalg", "rxmap.verify"])
def test_interrupt_leaves_nothing_and_ends_with_130(project: Path, tmp_path: Path, module: str) -> None:
    """Ctrl-C comes while a module is looked for: no clock says where a run is when the machine is busy."""
    before = tree(tmp_path)
    command = [sys.executable, "-c", INTERRUPTED_AT_IMPORT, module, "build", "field/plan.toml", "--out", "result"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (
        INTERRUPTED,
        "rxmap: interrupted; what was not published yet left nothing behind\n",
    )
    assert tree(tmp_path) == before


@pytest.mark.long
def test_kill_at_any_moment_leaves_the_old_result_or_the_new_one(
    rxmap: Run, project: Path, built: Path, tmp_path: Path
) -> None:
    shutil.copytree(built, tmp_path / "result")
    old = tree(tmp_path / "result")
    plan = project / "plan.toml"
    plan.write_text(plan.read_text().replace('"Example field"', '"Another field"'))
    started = time.monotonic()
    assert rxmap("build", "field/plan.toml", "--out", "other").returncode == DONE
    whole = time.monotonic() - started
    new = tree(tmp_path / "other")
    for moment in (0.5, 0.8, 0.9, 0.97):
        process = subprocess.Popen(
            [sys.executable, "-m", "rxmap", "build", "field/plan.toml", "--out", "result", "--replace"],
            cwd=tmp_path,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        time.sleep(moment * whole)
        process.kill()
        process.wait()
        assert tree(tmp_path / "result") in (old, new)
    assert rxmap("build", "field/plan.toml", "--out", "result", "--replace").returncode == DONE
    assert not [path for path in tmp_path.iterdir() if path.name.startswith(".")]  # debris is swept


def test_a_fault_of_the_program_says_so_without_a_traceback(monkeypatch: pytest.MonkeyPatch, capsys) -> None:  # type: ignore[no-untyped-def]
    from rxmap.cli import app

    def broken() -> None:
        raise RuntimeError("wheel came off")

    assert app._ended(broken) == FAULT
    assert "a fault of the program" in capsys.readouterr().err


def test_help_imports_nothing_heavy() -> None:
    code = (
        "import sys; sys.argv = ['rxmap', '--help']\n"
        "from rxmap.cli import main\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        "print([m for m in ('numpy', 'shapely', 'pint', 'pydantic', 'rasterio', 'sklearn') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"
