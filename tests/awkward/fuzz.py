"""Spoil sound files at random and see that every reader reads or refuses, and nothing else.

Run by hand, `python tests/awkward/fuzz.py MINUTES [SEED]`; what it found stands among the cases. Its
text is spliced from sound files, from each other and from words that break parsers.
"""

from __future__ import annotations

import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from setting import Folder

from rxmap import pipeline
from rxmap.errors import InputError

WORDS = [
    word.encode()
    for word in (
        "NaN -0 1e309 1e-320 \" ''' \"\" , ; [ ] { } [[ = null true [] {} \\u0000 \\ud800 \u202e \u0661 \u00bd type "
        "Polygon coordinates features crs EPSG:4326 EPSG:32632 floz/acre -1 2031-02-30 9999-12-31 horsfall-barratt "
        "incidence [[target]] [field] per stop lon 180 -180 90 360 1.0 0.0000000001 1_000 #REF! +5 <5 NA"
    ).split()
]
WORDS += [
    b"9" * 40,
    b"0" * 400,
    b"\x00",
    b"\xef\xbb\xbf",
    b"\xff",
    b"\r",
    b"\n\n",
    b"\t",
    b"nan L/ha",
    b"1e400 m",
    b"0 m",
]
SLOW = 10.0  # [s] of the processor
FILES = ("stops.csv", "boundary.geojson", "stops.geojson", "plan.toml")


def spoilt(data: bytes, others: list[bytes], chance: random.Random) -> bytes:
    """Data with one to five random edits."""
    out = bytearray(data)
    for _ in range(chance.choice((1, 1, 2, 3, 5))):
        start = chance.randrange(len(out) + 1)
        end = min(len(out), start + chance.choice((0, 1, 1, 3, 8, 40, 400)))
        other = chance.choice(others)
        at = chance.randrange(len(other) + 1)
        kind = chance.randrange(6)
        put = (
            b"", chance.choice(WORDS), bytes([chance.randrange(256)]), other[at : at + chance.choice((1, 5, 30, 300))],
            bytes(out[start:end]) * 2, chance.choice(WORDS) + bytes(out[start:end]),
        )[kind]  # fmt: skip
        out[start:end] = put
    return bytes(out)


def check(folder: Folder) -> str:
    """Read; any error but a refusal goes through."""
    try:
        pipeline.check(folder.plan_path)
    except InputError as error:
        lines = error.lines()
    else:
        return "read"
    return "refused" if all(line.isprintable() for line in lines) else "refused in signs that no terminal shows"


def run(minutes: float, seed: int, ends: Callable[[Folder], str] = check) -> Counter[str]:
    """Fuzz for some minutes of processor time; what ended otherwise is written out and counted."""
    chance, counts = random.Random(seed), Counter[str]()
    with tempfile.TemporaryDirectory() as path:
        folder = Folder(Path(path), chance)
        folder.points("stops.geojson")
        by_points = (folder.path / "plan.toml").read_bytes()
        by_table = by_points.replace(b"stops.geojson", b"stops.csv")
        sound = {name: (folder.path / name).read_bytes() for name in FILES}
        while time.process_time() < 60 * minutes:
            name = chance.choice(FILES)
            folder.write("plan.toml", by_points if name == "stops.geojson" else by_table)
            plan = {"plan.toml": by_table}
            data = spoilt({**sound, **plan}[name], list(sound.values()), chance)
            folder.write(name, data)
            started = time.process_time()
            try:
                how = ends(folder)
            except Exception as error:
                how = f"{type(error).__name__}: {error}"[:80]
            if time.process_time() - started > SLOW:
                how = "slow"
            if how not in ("read", "refused"):
                Path(tempfile.gettempdir(), f"find-{counts.total()}-{name}").write_bytes(data)
            counts[f"{name} {how}"] += 1
            folder.write(name, {**sound, **plan}[name])
    return counts


if __name__ == "__main__":
    for key, count in sorted(run(float(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 1).items()):
        print(f"{count:7d} {key}")
