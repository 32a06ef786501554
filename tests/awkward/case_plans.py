"""Awkward names and places of files (classes 38 and 39) and plans (44 to 48) of docs/reliability.md."""

from __future__ import annotations

import codecs
import os
from collections.abc import Callable, Iterator

from setting import Case, Folder

Spoil = Callable[[Folder], object]
PLAN = ("plan.toml",)


def put(old: str, new: str) -> Spoil:
    return lambda folder: folder.replace(old, new)


def plan_bytes(change: Callable[[bytes], bytes]) -> Spoil:
    return lambda folder: folder.write("plan.toml", change((folder.path / "plan.toml").read_bytes()))


def moved(name: str) -> Spoil:
    """The stops under another name."""

    def spoil(folder: Folder) -> None:
        folder.replace('stops = "stops.csv"', f'stops = "{name}"')
        (folder.path / name).parent.mkdir(parents=True, exist_ok=True)
        (folder.path / "stops.csv").rename(folder.path / name)

    return spoil


def instead(make: Callable[[Folder], object]) -> Spoil:
    """Something that is no file of stops in its place."""

    def spoil(folder: Folder) -> None:
        (folder.path / "stops.csv").rename(folder.path / "elsewhere.csv")
        make(folder)

    return spoil


def paths() -> Iterator[Case]:
    for name in (
        "st\u00f6ps f\u00fcr Ada.csv", "\u7530.csv", "\U0001f41b.csv", "it's mine.csv", "-rf.csv", "STOPS.CSV", "stops",
        "a" * 190 + ".csv", "below/here/stops.csv", "stops.csv.txt", "con.csv", "caf\u0065\u0301.csv",
    ):  # fmt: skip
        yield Case(number=38, name=f"stops are called {name[:20]}", spoil=moved(name))
    link = instead(lambda folder: os.symlink("elsewhere.csv", folder.path / "stops.csv"))
    yield Case(number=38, name="a link to the stops", spoil=link)
    loop = instead(lambda folder: os.symlink("stops.csv", folder.path / "stops.csv"))
    yield Case(number=38, name="a loop of links", spoil=loop, told=("stops.csv", "cannot be opened"))
    dangling = instead(lambda folder: os.symlink("nowhere.csv", folder.path / "stops.csv"))
    yield Case(number=38, name="a link to nowhere", spoil=dangling, told=("stops.csv", "no such file"))
    yield Case(number=38, name="targets that differ in letter case alone", spoil=_twins, told=("'Reed aphid'",))
    for name, make, told in (
        ("no stops file", lambda folder: None, "no such file"),
        ("a folder for stops", lambda folder: (folder.path / "stops.csv").mkdir(), "not a regular file"),
        ("a pipe that nobody fills", lambda folder: os.mkfifo(folder.path / "stops.csv"), "not a regular file"),
    ):
        yield Case(number=39, name=name, spoil=instead(make), told=("stops.csv", told))
    for path in ("/dev/zero", "/etc/hostname", "../stops.csv", "below/../../stops.csv", "C:stops.csv", "~/stops.csv"):
        yield Case(number=48, name=f"stops at {path}", spoil=put("stops.csv", path), told=(path,))
    for path in ("http://127.0.0.1:9/stops.csv", "/vsicurl/http://127.0.0.1:9/stops.csv", '{\\"type\\": 1}'):
        yield Case(number=48, name=f"stops from {path}", spoil=put("stops.csv", path), told=("'", "Copy the file")[:1])
        yield Case(number=48, name=f"boundary from {path}", spoil=put("boundary.geojson", path), told=("'",))


def _twins(folder: Folder) -> None:
    folder.add('[[target]]\nname = "Reed aphid"\nmeasure = "severity"\nthreshold = 5\nsource = "own"')


def forms() -> Iterator[Case]:
    """The text of the plan."""
    yield Case(number=44, name="a plan with a byte-order mark", spoil=plan_bytes(lambda d: codecs.BOM_UTF8 + d))
    yield Case(
        number=44, name="a plan with line ends of Windows", spoil=plan_bytes(lambda d: d.replace(b"\n", b"\r\n"))
    )
    for name, change, told in (
        ("a syntax error", lambda d: d.replace(b"[scouting]", b"[scouting"), "line 11"),
        ("a key twice in the plan", lambda d: d.replace(b"crop =", b'crop = "rye"\ncrop ='), "line"),
        ("an empty plan", lambda d: b"", "field"),
        ("a plan in a legacy code page", lambda d: d.replace(b"Invented", b"F\xfcr"), "line 2"),
        ("a plan in UTF-16", lambda d: d.decode().encode("utf-16"), "UTF-8"),
        ("a plan in JSON", lambda d: b'{"field": {"name": "A"}}', "plan.toml"),
        ("a plan in YAML", lambda d: b"field:\n  name: !!python/object/apply:os.system [id]\n", "plan.toml"),
        ("a serialised object", lambda d: b"\x80\x04\x95\x1d\x00\x00\x00cos\nsystem\n.", "plan.toml"),
        ("a plan of two megabytes", lambda d: d + b"#" * 2_000_000, "too large"),
        ("a plan nested 5000 deep", lambda d: d + b"\n[odd]\na = " + b"[" * 5000 + b"]" * 5000, "plan.toml"),
        ("a plan with NUL bytes", lambda d: d + b"\x00", "plan.toml"),
    ):
        yield Case(number=44, name=name, spoil=plan_bytes(change), told=(*PLAN, told))
    for name, old, new, told in (
        ("a misspelt key", "yield_goal", "yield_gaol", "yield_goal"),
        ("an unknown key", 'stage = "39"', 'stage = "39"\nmood = "fine"', "field.mood"),
        ("a key in the wrong section", 'stage = "39"', 'stage = "39"\nswath = "9 m"', "[machine]"),
        ("a missing key", 'crop = "oats"\n', "", "field.crop"),
        ("a missing section", "[scouting]\n", "[output.scouting]\n", "scouting"),
        ("a section in place of a list", "[[target]]", "[target]", "target"),
        ("something to expand", '"oats"', '"${HOME}"', ""),
    ):
        if told:
            yield Case(number=44, name=name, spoil=put(old, new), told=(*PLAN, told))
        else:
            yield Case(number=44, name=name, spoil=put(old, new), proof=lambda p, i: p.field.crop == "${HOME}")


def values() -> Iterator[Case]:
    """Numbers, contradictions, units, references."""
    for number, name, old, new, told in (
        (45, "a threshold of NaN", "threshold = 8", "threshold = nan", "target[1].threshold"),
        (45, "a threshold of infinity", "threshold = 8", "threshold = inf", "target[1].threshold"),
        (45, "a threshold of 400 digits", "threshold = 8", "threshold = 1" + "0" * 400, "target[1].threshold"),
        (45, "a threshold of zero", "threshold = 8", "threshold = 0", "target[1].threshold"),
        (45, "a negative threshold", "threshold = 8", "threshold = -1", "target[1].threshold"),
        (45, "a threshold of text", "threshold = 8", 'threshold = "8"', "target[1].threshold"),
        (45, "a threshold of true", "threshold = 8", "threshold = true", "target[1].threshold"),
        (45, "a fraction of a section", "sections = 6", "sections = 6.5", "machine.sections"),
        (45, "no section", "sections = 6", "sections = 0", "machine.sections"),
        (45, "a swath of zero", '"18 m"', '"0 m"', "machine.swath"),
        (45, "a negative swath", '"18 m"', '"-18 m"', "machine.swath"),
        (45, "a threshold of almost nothing", "threshold = 8", "threshold = 5e-324", "target[1].threshold"),
        (45, "a swath of a millimetre", '"18 m"', '"0.001 m"', "machine.swath: 0.001 m makes"),
        (45, "a swath of 10 km", '"18 m"', '"10 km"', "machine.swath: 10 km is wider"),
        (45, "a tank of a drop", '"1500 L"', '"1 mL"', "machine.tank: 1 mL makes"),
        (45, "a flood", '"150 L/ha"', '"1000000000 L/ha"', "machine.tank"),
        (45, "an hour to switch", "sections = 6", 'sections = 6\ndelay = "1 hour"', "machine.delay"),
        (45, "a battery for a moment", "sections = 6", 'sections = 6\nendurance = "0.1 s"', "machine.endurance"),
        (45, "cells larger than the field", '"6 m"', '"1000 km"', "plan.toml: output.cell"),
        (45, "cells absurdly small", '"6 m"', '"1 mm"', "output.cell"),
        (45, "far too many cells", '"6 m"', '"0.05 m"', "output.cell"),
        (45, "far too many zones", 'cell = "6 m"', "zones = 500", "output.zones"),
        (45, "a seed beyond 32 bits", 'cell = "6 m"', "seed = 99999999999", "output.seed"),
        (45, "a per of 1e-300", "per = 10", "per = 1e400", "target[1].per"),
        (46, "a rate above the label", '"0.3 L/ha"', '"0.5 L/ha"', "product[1]"),
        (46, "a rate below the label", '"0.3 L/ha"', '"0.1 L/ha"', "product[1]"),
        (46, "a minimum above the maximum", 'min = "0.2', 'min = "0.6', "product[1].label"),
        (46, "a share in percent", '"reed aphid" = 0.8', '"reed aphid" = 80', "product[1].controls"),
        (46, "a control of no target", '"reed aphid" = 0.8', '"marsh rust" = 0.8', "product[1].controls"),
        (46, "a loss without a price", 'price = "210 EUR/t"\n', "", "field.price"),
        (46, "harvest before spraying", "2031-08-20", "2031-05-20", "field.harvest"),
        (46, "a tank that holds nothing", 'tank = "1500 L"', 'tank = "1500 L"\nreserve = "1500 L"', "machine.reserve"),
        (46, "no machine", "[machine]", "[weather]", "machine"),
        (47, "a bare ounce", '"0.3 L/ha"', '"9 oz/acre"', "product[1].rate"),
        (47, "no unit", '"0.3 L/ha"', '"0.3"', "product[1].rate"),
        (47, "a number where a quantity is due", '"0.3 L/ha"', "0.3", "product[1].rate"),
        (47, "an unknown unit", '"0.3 L/ha"', '"0.3 jug/ha"', "product[1].rate"),
        (47, "a blank unit", '"18 m"', '"18 "', "machine.swath"),
        (47, "a mass for a volume", '"0.3 L/ha"', '"0.3 kg/ha"', "product[1]"),
        (47, "a length for a rate", '"0.3 L/ha"', '"0.3 m"', "product[1].rate"),
        (47, "mixed currencies", '"14 EUR/ha"', '"14 USD/ha"', "currencies"),
        (47, "a decimal comma in a quantity", '"0.3 L/ha"', '"0,3 L/ha"', "product[1].rate"),
        (47, "a bare ton", '"6 t/ha"', '"6 ton/ha"', "field.yield_goal"),
        (47, "millilitres taken for litres", '"0.3 L/ha"', '"300 L/ha"', "product[1]"),
        (48, "a date in quotes", "2031-06-10", '"2031-06-10"', "field.spray_date"),
        (48, "a time for a date", "2031-06-10", "2031-06-10T10:00:00", "field.spray_date"),
        (48, "a coordinate system for a key", 'crop = "oats"', 'crop = "oats"\ncrs = "http://127.0.0.1:9/crs"', "crs"),
        (48, "a time zone for a key", 'crop = "oats"', 'crop = "oats"\ntime_zone = "Mars/Base"', "time_zone"),
        (48, "an empty product name", '"Rowan"', '""', "product[1].name"),
    ):
        yield Case(number=number, name=name, spoil=put(old, new), told=(*PLAN, told))
    for text in ("=1+1", "<script>alert(1)</script>", "{{7*7}}"):
        spoil = put('"Rowan"', f'"{text}"')
        proof = lambda plan, inputs, text=text: plan.product[0].name == text  # noqa: E731
        yield Case(number=48, name=f"a product called {text}", spoil=spoil, proof=proof)
    yield Case(
        number=46, name="a setback that leaves no field", spoil=_kept_out, proof=lambda p, i: len(i.keep_outs) == 1
    )


def _kept_out(folder: Folder) -> None:
    folder.write("ditch.geojson", folder.text("boundary.geojson"))
    folder.add('[[keep_out]]\nfile = "ditch.geojson"\nsetback = "900 m"\nreason = "ditch"')


CASES = [*paths(), *forms(), *values()]
