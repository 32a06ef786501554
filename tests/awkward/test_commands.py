"""Awkward inputs and surroundings as their user meets them: exit codes, plain lines, nothing left or asked for."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import random
import re
import resource
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
import rasterio
from cases import CASES
from setting import Case, Folder

from rxmap import cli
from rxmap.cli import app
from rxmap.cli.app import DONE, REFUSED
from rxmap.read import reader

Done = subprocess.CompletedProcess[str]
MEMORY = 1_500_000_000  # [byte] of address space: what the libraries map is most of it
SECONDS = 60
SET = {"OPENBLAS_NUM_THREADS": "1", "PYTHONDONTWRITEBYTECODE": "1"}
EVERY = 10  # of the refused cases, one in as many is run as a whole command
SHORT = 5  # and of these as many by default


def rxmap(
    *words: object,
    cwd: Path,
    limits: dict[int, int] | None = None,
    program: Sequence[str] = ("-m", "rxmap"),
    **environment: str,
) -> Done:
    """Run a command in an environment of its own, under limits; one on files would cut byte code off in silence."""
    kept = {name: os.environ[name] for name in ("PATH", "LD_LIBRARY_PATH") if name in os.environ}
    bounds = {resource.RLIMIT_AS: MEMORY, **(limits or {})}

    def bound() -> None:
        for kind, most in bounds.items():
            resource.setrlimit(kind, (most, most))

    return subprocess.run(
        [sys.executable, *program, *map(str, words)],
        cwd=cwd, env={**kept, **SET, **environment}, preexec_fn=bound,
        capture_output=True, text=True, encoding="utf-8", timeout=SECONDS, check=False,
    )  # fmt: skip


def tree(path: Path) -> dict[str, str]:
    """Every name below a folder, with the hash of what it holds."""

    def essence(one: Path) -> str:
        if one.is_symlink():
            return f"link to {os.readlink(one)}"
        return hashlib.sha256(one.read_bytes()).hexdigest() if one.is_file() else "no file"

    return {str(one.relative_to(path)): essence(one) for one in sorted(path.rglob("*"))}


def sound(path: Path) -> Folder:
    path.mkdir(parents=True, exist_ok=True)
    return Folder(path, random.Random(1))


def plain(done: Done) -> bool:
    """Refused in lines of its own, each naming a place, and not a word more."""
    lines = done.stderr.splitlines()
    return (
        done.returncode == REFUSED
        and done.stdout == ""
        and 1 <= len(lines) <= 11
        and all(re.fullmatch(r"rxmap: (and \d+ more|.*: .+)", line) and line.isprintable() for line in lines)
    )


REFUSALS = [case for case in CASES if case.outcome == "refused"][::EVERY]


def _long(items: list, short: int) -> list:
    return [*items[:short], *(pytest.param(one, marks=pytest.mark.long) for one in items[short:])]


@pytest.mark.parametrize("case", _long(REFUSALS, SHORT), ids=lambda case: f"{case.number}-{case.name}")
def test_a_refusal_is_plain_and_leaves_nothing(case: Case, tmp_path: Path) -> None:
    folder = sound(tmp_path / "field")
    case.spoil(folder)
    before = tree(tmp_path)
    started = time.monotonic()
    done = rxmap("build", "field/plan.toml", "--out", "result", cwd=tmp_path)
    assert plain(done), done.stderr
    assert all(words in done.stderr for words in case.told)
    assert tree(tmp_path) == before
    assert time.monotonic() - started < SECONDS


def test_there_are_at_least_25_whole_commands() -> None:
    assert len(REFUSALS) >= 25


def a_file(path: Path) -> None:
    path.write_text("mine")


def own_files(path: Path) -> None:
    path.mkdir()
    (path / "notes.txt").write_text("mine")


def a_link_to_own_files(path: Path) -> None:
    own_files(path.with_name("notes"))
    path.symlink_to("notes")


def a_link_to_nowhere(path: Path) -> None:
    path.symlink_to("nowhere")


PLACES: list[Callable[[Path], None]] = [own_files, a_file, a_link_to_own_files, a_link_to_nowhere]


@pytest.mark.parametrize("make", _long(PLACES, 1))
def test_what_is_the_users_own_is_never_written_over(make: Callable[[Path], None], tmp_path: Path) -> None:
    sound(tmp_path / "field")
    make(tmp_path / "result")
    before = tree(tmp_path)
    for words in ([], ["--replace"]):
        assert plain(rxmap("build", "field/plan.toml", "--out", "result", *words, cwd=tmp_path))
    assert tree(tmp_path) == before


@pytest.mark.long
@pytest.mark.parametrize("out", ["field", "field/stops.csv", "no/../field", "field/plan.toml/below"])
def test_inputs_are_never_written_over(out: str, tmp_path: Path) -> None:
    sound(tmp_path / "field")
    before = tree(tmp_path)
    assert plain(rxmap("build", "field/plan.toml", "--out", out, "--replace", cwd=tmp_path))
    assert tree(tmp_path) == before


@pytest.mark.long
def test_a_disk_that_takes_no_more_is_refused(tmp_path: Path) -> None:
    sound(tmp_path / "field")
    before = tree(tmp_path)
    for most in (0, 5_000, 100_000):
        done = rxmap("build", "field/plan.toml", "--out", "r", cwd=tmp_path, limits={resource.RLIMIT_FSIZE: most})
        assert plain(done), done.stderr
        assert tree(tmp_path) == before


PARSERS = {
    "crashes": "import os; os.abort()",
    "asks for all memory": "import rasterio\nfrom rxmap.read import pixels\n"
    "rasterio.open = lambda *a, **k: bytearray(10**11)\npixels.main()",
    "works for ever": "import resource\nresource.setrlimit(resource.RLIMIT_CPU, (1, 2))\nwhile True: pass",
    "hangs": "import time; time.sleep(60)",
}


@pytest.mark.parametrize("what", _long(list(PARSERS), 1))
def test_an_image_whose_parser_fails_is_refused_and_leaves_nothing(what: str, tmp_path: Path) -> None:
    sound(tmp_path / "field").image()
    before = tree(tmp_path)
    code = f"from rxmap.read import reader\nreader.PROGRAM, reader.SILENCE = ('-c', {PARSERS[what]!r}), 5.0\n"
    program = ("-c", f"{code}from rxmap.cli import main\nmain()")
    done = rxmap("build", "field/plan.toml", "--out", "result", cwd=tmp_path, program=program)
    assert plain(done), done.stderr
    assert done.stderr.count("\n") == 1
    assert "image.tif: " in done.stderr
    assert tree(tmp_path) == before


@pytest.mark.long
def test_few_files_open_at_a_time_suffice_or_are_refused(tmp_path: Path) -> None:
    sound(tmp_path / "field").image()
    before = tree(tmp_path)
    ends = set()
    for most in (14, 64):
        done = rxmap("build", "field/plan.toml", "--out", "r", cwd=tmp_path, limits={resource.RLIMIT_NOFILE: most})
        ends.add(done.returncode)
        assert done.returncode == DONE or (plain(done) and tree(tmp_path) == before), (most, done.stderr)
        shutil.rmtree(tmp_path / "r", ignore_errors=True)
    assert DONE in ends


@pytest.mark.parametrize("before", [signal.SIG_IGN, signal.default_int_handler], ids=["turned off", "usual"])
def test_an_interrupt_that_was_turned_off_stays_so(before: signal.Handlers) -> None:
    """As a shell turns it off for what runs in its background, where Ctrl-C is meant for somebody else."""
    kept = signal.signal(signal.SIGINT, before)
    try:
        cli._count_interrupts()
        assert (signal.getsignal(signal.SIGINT) is signal.SIG_IGN) == (before is signal.SIG_IGN)
    finally:
        signal.signal(signal.SIGINT, kept)


def test_the_same_variables_are_kept_from_all_libraries() -> None:
    assert app.STEERING == reader.STEERING


# --- surroundings: the same bytes whatever they are (input hashes aside) ---


def essence(result: Path) -> dict[str, object]:
    manifest = json.loads((result / "manifest.json").read_text())
    for one in manifest["inputs"]:
        del one["sha256"], one["bytes"]
    return dict(manifest)


SURROUNDINGS = {
    "another time zone, tongue and hash seed, two threads": {
        "TZ": "Pacific/Kiritimati", "LANG": "tr_TR.UTF-8", "LC_ALL": "C", "PYTHONHASHSEED": "77",
        "OPENBLAS_NUM_THREADS": "2", "OMP_NUM_THREADS": "2",
    },
    "four threads and data of other programs": {
        "OPENBLAS_NUM_THREADS": "4", "OMP_NUM_THREADS": "4", "PROJ_DATA": "/nonexistent", "GDAL_DATA": "/nonexistent",
        "GDAL_SKIP": "GTiff", "PROJ_NETWORK": "ON", "HOME": "/nonexistent", "TMPDIR": "/nonexistent",
        "TZ": "Asia/Tokyo",
    },
}  # fmt: skip


def test_surroundings_and_row_order_change_no_byte(tmp_path: Path) -> None:
    folder = sound(tmp_path / "field")
    assert rxmap("build", "field/plan.toml", "--out", "result", cwd=tmp_path).returncode == DONE
    folder.rows.reverse()
    folder.save()
    for number, environment in enumerate(SURROUNDINGS.values()):
        elsewhere = tmp_path / "somewhere else" / str(number)
        shutil.copytree(tmp_path / "field", elsewhere / "field")
        done = rxmap("build", elsewhere / "field/plan.toml", "--out", "r", cwd=elsewhere, **environment)
        assert done.returncode == DONE, done.stderr
        assert essence(elsewhere / "r") == essence(tmp_path / "result")


def test_another_day_changes_no_byte(tmp_path: Path, program: Callable[[str], str]) -> None:
    sound(tmp_path / "field")
    clock = [program("faketime"), "-f", "@2041-02-03 04:05:06"]
    for out, before in (("today", []), ("later", clock)):
        command = [*before, sys.executable, "-m", "rxmap", "build", "field/plan.toml", "--out", out]
        steady = {**os.environ, "FAKETIME_DONT_FAKE_MONOTONIC": "1"}  # only the day differs: what waits, waits as ever
        subprocess.run(command, cwd=tmp_path, env=steady, capture_output=True, check=True, timeout=SECONDS)
    assert essence(tmp_path / "later") == essence(tmp_path / "today")


def redirected(how: str, *words: str, cwd: Path) -> Done:
    """Run a command with its streams as a shell redirects them."""
    command = ["bash", "-c", f'"$@" {how}', "bash", sys.executable, "-m", "rxmap", *words]
    return subprocess.run(command, cwd=cwd, capture_output=True, text=True, timeout=SECONDS, check=False)


def test_a_closed_output_ends_nothing(tmp_path: Path) -> None:
    sound(tmp_path / "field")
    done = redirected(">&- <&-", "check", "field/plan.toml", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (DONE, "")


def test_what_is_refused_is_not_told_on_the_output_where_errors_are_closed(tmp_path: Path) -> None:
    done = redirected("2>&-", "check", "gone.toml", cwd=tmp_path)
    assert (done.returncode, done.stdout) == (REFUSED, "")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full")
def test_an_output_on_a_full_disk_is_refused_in_words(tmp_path: Path) -> None:
    sound(tmp_path / "field")
    done = redirected(">/dev/full", "check", "field/plan.toml", cwd=tmp_path)
    assert plain(done), done.stderr
    assert "No space left on device" in done.stderr


def test_a_name_that_no_system_takes_is_refused(tmp_path: Path) -> None:
    done = rxmap("check", "a" * 5000, cwd=tmp_path)
    assert plain(done), done.stderr


# --- the network ---


@pytest.fixture
def loopback() -> Iterator[tuple[str, list[str]]]:
    """Address of a server on this machine, and what was asked of it."""
    asked: list[str] = []

    class Handler(BaseHTTPRequestHandler):
        def _note(self) -> None:
            asked.append(self.path)
            self.send_response(404)
            self.end_headers()

        do_GET = do_HEAD = do_POST = do_OPTIONS = do_CONNECT = _note  # noqa: N815

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}", asked
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def virtual(folder: Folder, url: str) -> None:
    from case_rasters import VIRTUAL

    folder.image().write_text(VIRTUAL.format(f"/vsicurl/{url}/a.tif"))


def drawn(text: str, name: str) -> Callable[[Folder, str], None]:
    def spoil(folder: Folder, url: str) -> None:
        folder.write(name, text.format(url=url))
        key, old = ("stops", "stops.csv") if name.endswith("gpx") else ("boundary", "boundary.geojson")
        folder.replace(f'{key} = "{old}"', f'{key} = "{name}"')

    return spoil


def path_of(old: str, form: str) -> Callable[[Folder, str], None]:
    return lambda folder, url: folder.replace(old, form.format(url=url))


def crs_link(folder: Folder, url: str) -> None:
    member = {"type": "link", "properties": {"href": f"{url}/crs.wkt", "type": "ogcwkt"}}
    folder.points("stops.geojson", crs=member)


def shapefile_link(folder: Folder, url: str) -> None:
    from case_layers import shapefile

    for suffix, data in {**shapefile(), ".prj": f"{url}/crs.wkt".encode(), ".cpg": f"{url}/cpg".encode()}.items():
        folder.write(f"stops{suffix}", data)
    folder.replace('"stops.csv"', '"stops.shp"')


def database_link(folder: Folder, url: str) -> None:
    import sqlite3

    from case_layers import geopackage

    folder.write("stops.gpkg", geopackage())
    with contextlib.closing(sqlite3.connect(folder.path / "stops.gpkg")) as base, base:
        base.execute("UPDATE gpkg_spatial_ref_sys SET organization = 'X', definition = ?", (f"{url}/crs.wkt",))
    folder.replace('"stops.csv"', '"stops.gpkg"')


def overviews_elsewhere(folder: Folder, url: str) -> None:
    with rasterio.open(folder.image(), "r+") as file:
        file.update_tags(ns="OVERVIEWS", OVERVIEW_FILE=f"/vsicurl/{url}/o.tif", MASK_FILE=f"/vsicurl/{url}/m.tif")


TEMPTING: dict[str, Callable[[Folder, str], None]] = {
    "a virtual raster": virtual,
    "overviews of an image at an address": overviews_elsewhere,
    "a system of a shapefile at an address": shapefile_link,
    "a system of a database at an address": database_link,
    "an image at an address": lambda folder, url: (
        folder.image(),
        folder.replace('"image.tif"', f'"/vsicurl/{url}/a.tif"'),
    ),
    "stops at an address": path_of("stops.csv", "{url}/stops.csv"),
    "stops behind a prefix": path_of("stops.csv", "/vsicurl/{url}/stops.csv"),
    "a boundary at an address": path_of("boundary.geojson", "{url}/field.geojson"),
    "a crs member that links": crs_link,
    "an entity in GPX": drawn('<!DOCTYPE gpx [<!ENTITY x SYSTEM "{url}/x">]><gpx version="1.1">&x;</gpx>', "stops.gpx"),
    "a schema in GPX": drawn(
        '<gpx version="1.1" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" '
        'xsi:schemaLocation="{url}/s {url}/s.xsd"/>',
        "stops.gpx",
    ),
    "an entity in KML": drawn('<!DOCTYPE kml SYSTEM "{url}/kml.dtd"><kml/>', "field.kml"),
    "a link in KML": drawn(
        "<kml><Document><NetworkLink><Link><href>{url}/a.kml</href></Link></NetworkLink></Document></kml>", "field.kml"
    ),
}


@pytest.mark.parametrize("name", TEMPTING)
def test_no_input_makes_the_program_ask_for_anything(
    name: str, tmp_path: Path, loopback: tuple[str, list[str]]
) -> None:
    from rxmap.errors import InputError
    from rxmap.pipeline import check

    url, asked = loopback
    folder = sound(tmp_path)
    TEMPTING[name](folder, url)
    with pytest.raises(InputError):
        check(folder.plan_path)
    assert asked == []


def test_the_server_of_these_tests_would_notice(loopback: tuple[str, list[str]]) -> None:
    from urllib.error import HTTPError
    from urllib.request import urlopen

    url, asked = loopback
    with pytest.raises(HTTPError) as caught:
        urlopen(f"{url}/x")
    caught.value.close()
    assert asked == ["/x"]


def test_a_build_needs_no_network(tmp_path: Path, program: Callable[[str], str]) -> None:
    sound(tmp_path / "field").image()
    words = [program("unshare"), "--user", "--map-root-user", "--net"]
    if subprocess.run([*words, "true"], capture_output=True, check=False).returncode:
        pytest.skip("unshare may not make an empty network here")
    done = subprocess.run(
        [*words, sys.executable, "-m", "rxmap", "build", "field/plan.toml", "--out", "result"],
        cwd=tmp_path, capture_output=True, text=True, timeout=SECONDS, check=False,
    )  # fmt: skip
    assert done.returncode == DONE, done.stderr
    assert (tmp_path / "result/map.html").is_file()
