"""The process that parses rasters: whatever becomes of it ends in one line, and it is gone afterwards."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import rasterio
from affine import Affine
from shapely.geometry import box

from rxmap.errors import InputError
from rxmap.grid import Frame, make_grid
from rxmap.plan import Plan
from rxmap.read import reader
from rxmap.read.imagery import Raster, read_raster
from rxmap.read.inputs import read_inputs
from rxmap.read.reader import PixelReader

FRAME = Frame(lon=10.1035, lat=50.1018)
GRID = make_grid(box(-60, -45, 60, 45), 3.0)
IMAGE = '[[covariate]]\nfile = "{}"\nname = "{}"\n'
SPOILT = "import rasterio, time, os, signal\nfrom rxmap.read import pixels\nrasterio.open = {}\npixels.main()"
posix = pytest.mark.skipif(os.name == "nt", reason="limits and signals of POSIX")


@pytest.fixture
def image(tmp_path: Path) -> Path:
    """An image of one band over the field, 1 m pixels."""
    path = tmp_path / "image.tif"
    form = {"crs": FRAME.wkt, "transform": Affine(1, 0, -300, 0, -1, 300), "width": 600, "height": 600}
    with rasterio.open(path, "w", driver="GTiff", count=1, dtype="uint8", **form) as out:
        out.write(np.random.default_rng(1).integers(1, 99, (1, 600, 600), np.uint8))
    return path


@pytest.fixture
def program(monkeypatch: pytest.MonkeyPatch) -> Callable[[str], None]:
    """Let another program take the place of the one that parses."""
    return lambda code: monkeypatch.setattr(reader, "PROGRAM", ("-c", code))


def read(image: Path, pixels: PixelReader) -> Raster:
    return read_raster(image, image.name, [1], grid=GRID, frame=FRAME, reader=pixels)


def refusal(image: Path) -> str:
    with PixelReader() as pixels, pytest.raises(InputError) as caught:
        read(image, pixels)
    (line,) = caught.value.faults
    return line


ENDS = {
    "a fault in the library": ("lambda *a, **k: os.kill(os.getpid(), signal.SIGSEGV)", "(signal SIGSEGV)"),
    "an end without a word": ("lambda *a, **k: os._exit(3)", "(code 3)"),
    "all memory asked for": ("lambda *a, **k: bytearray(10**11)", "more than 3000 MB of memory"),
    "a file opened for writing": ("lambda *a, **k: os.write(os.open('left', 66), b'x')", "cannot be read"),
    "an error that nobody thought of": (
        "lambda *a, **k: 1 / 0",
        "cannot be read ('ZeroDivisionError: division by zero')",
    ),
    "many files held open": ("lambda *a, **k: [os.open(os.devnull, 0) for _ in range(999)]", "cannot be read"),
}


@posix
@pytest.mark.parametrize("case", ENDS)
def test_whatever_ends_the_parser_is_one_line_that_names_the_file(
    case: str, image: Path, program: Callable[[str], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    does, says = ENDS[case]
    program(SPOILT.format(does))
    monkeypatch.chdir(image.parent)
    line = refusal(image)
    assert line.startswith("image.tif: ")
    assert says in line
    assert [path.stat().st_size for path in image.parent.glob("left")] in ([], [0])


def test_a_standstill_is_ended(image: Path, program: Callable[[str], None], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reader, "SILENCE", 0.2)
    program("import time; time.sleep(60)")
    assert "came to a standstill for 0.2 s" in refusal(image)


def test_a_long_reading_is_no_standstill(
    image: Path, program: Callable[[str], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reader, "SILENCE", 3.0)
    slow = "lambda add=blocks.add_blocks: lambda *a: (time.sleep(0.4), add(*a))"
    program(
        "import time\nfrom rxmap.read import blocks, pixels\nblocks.STRIP_BYTES = 30_000\n"
        f"blocks.add_blocks = ({slow})()\npixels.main()"
    )
    with PixelReader() as pixels:  # 12 parts of 0.4 s
        assert np.isfinite(read(image, pixels).values).all()


@posix
def test_endless_work_is_ended_by_the_limit_of_processor_time(image: Path, program: Callable[[str], None]) -> None:
    program("import resource\nresource.setrlimit(resource.RLIMIT_CPU, (1, 2))\nwhile True: pass")
    assert "more than 600 s of the processor" in refusal(image)


@pytest.mark.parametrize(
    "said", ["hello", "[1]", '{"arrays": [[-1]]}', '{"arrays": [[9999999999]]}', '{"arrays": [[2]]}']
)
def test_an_answer_that_makes_no_sense_is_no_answer(said: str, image: Path, program: Callable[[str], None]) -> None:
    program(f"print({said!r}, flush=True)")
    assert "image.tif: reading it ended the process" in refusal(image)


@posix
def test_the_limits_are_those_that_are_said() -> None:
    code = """if True:
        import json, resource as r
        from rxmap.read import pixels
        pixels.bound()
        names = ("AS", "CPU", "NOFILE", "FSIZE", "CORE")
        print(json.dumps({name: r.getrlimit(getattr(r, f"RLIMIT_{name}"))[0] for name in names}))
    """
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    due = {"AS": 3_000_000_000, "CPU": 600, "NOFILE": 64, "FSIZE": 0, "CORE": 0}
    found = json.loads(done.stdout)
    assert found == {
        name: min(most, found[name]) for name, most in due.items()
    }  # never above; lower where we are bound


def test_the_next_raster_is_read_though_one_ended_the_parser(
    image: Path, program: Callable[[str], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    sound = reader.PROGRAM
    program("raise SystemExit(3)")
    with PixelReader() as pixels:
        with pytest.raises(InputError):
            read(image, pixels)
        monkeypatch.setattr(reader, "PROGRAM", sound)
        assert np.isfinite(read(image, pixels).values).all()


def test_all_faults_are_told_though_an_image_ends_the_parser(
    make_plan: Callable[..., Plan], program: Callable[[str], None], image: Path
) -> None:
    program("raise SystemExit(3)")
    rest = IMAGE.format("image.tif", "a") + IMAGE.format("gone.tif", "b")
    plan = make_plan({"stops.csv": "stop,lon\n1,2\n"}, rest=rest)
    with pytest.raises(InputError) as caught:
        read_inputs(plan)
    told = [line.partition(":")[0] for line in caught.value.faults]
    assert {"stops.csv", "image.tif", "gone.tif"} <= set(told)


def test_no_process_is_started_without_a_raster(
    make_plan: Callable[..., Plan], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(subprocess, "Popen", lambda *_, **__: pytest.fail("was started"))
    assert read_inputs(make_plan()).layers == ()


def test_one_process_reads_all_rasters_and_none_is_left(
    make_plan: Callable[..., Plan], image: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    started: list[subprocess.Popen[bytes]] = []
    popen = subprocess.Popen
    monkeypatch.setattr(subprocess, "Popen", lambda *a, **k: started.append(popen(*a, **k)) or started[-1])
    inputs = read_inputs(make_plan(rest=IMAGE.format("image.tif", "a") + IMAGE.format("image.tif", "b")))
    assert [layer.name for layer in inputs.layers] == ["a", "b"]
    assert [process.returncode is not None for process in started] == [True]


def test_the_parser_ends_when_reading_is_broken_off(image: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pixels = PixelReader()
    process = pixels._started()._process
    monkeypatch.setattr(reader._Running, "answer", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
    with pytest.raises(KeyboardInterrupt):
        read(image, pixels)
    assert process.poll() is not None


@posix
def test_the_parser_ends_with_who_started_it(image: Path) -> None:
    code = """if True:
        import os, signal
        from rxmap.read.reader import PixelReader
        pixels = PixelReader()
        print(pixels._started()._process.pid, flush=True)
        os.kill(os.getpid(), signal.SIGKILL)
    """
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == -signal.SIGKILL
    pid = int(done.stdout)
    for _ in range(200):
        if not Path(f"/proc/{pid}/cmdline").exists() or not Path(f"/proc/{pid}/cmdline").read_bytes():
            return
        signal.sigtimedwait([], 0.05)
    raise AssertionError("it is still there")


def test_variables_of_other_programs_do_not_reach_the_parser(image: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GDAL_SKIP", "GTiff")
    monkeypatch.setenv("PROJ_DATA", "/nonexistent")
    with PixelReader() as pixels:
        assert np.isfinite(read(image, pixels).values).all()


def test_nothing_is_imported_from_the_folder_in_which_it_is_called(
    image: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("numpy.py", "rasterio.py", "json.py", "rxmap.py"):
        (image.parent / name).write_text("raise SystemExit(9)")
    monkeypatch.chdir(image.parent)
    monkeypatch.setattr(sys, "path", [way for way in sys.path if way])
    with PixelReader() as pixels:
        assert np.isfinite(read(image, pixels).values).all()
