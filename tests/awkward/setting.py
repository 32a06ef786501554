"""An invented field on the disk, sound until a case spoils it, and what a case is.

Place, names, product and money are invented.
"""

from __future__ import annotations

import csv
import io
import json
import random
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import rasterio
from affine import Affine

from rxmap.records import Result

WEST, SOUTH, EAST, NORTH = 10.1, 50.1, 10.105, 50.1034
RING = [[WEST, SOUTH], [EAST, SOUTH], [EAST, NORTH], [WEST, NORTH], [WEST, SOUTH]]
COLUMNS = ("stop", "lon", "lat", "date", "target", "n", "count", "note")
TARGET = "reed aphid"

PLAN = """\
[field]
name = "Invented field"
boundary = "boundary.geojson"
crop = "oats"
stage = "39"
yield_goal = "6 t/ha"
price = "210 EUR/t"
spray_date = 2031-06-10
harvest = 2031-08-20

[scouting]
stops = "stops.csv"

[[target]]
name = "reed aphid"
measure = "count"
threshold = 8
source = "own"
per = 10

[target.loss]
per_unit = 0.006
cap = 0.35
source = "own"

[[product]]
name = "Rowan"
controls = { "reed aphid" = 0.8 }
rate = "0.3 L/ha"
cost = "110 EUR/L"

[product.label]
min = "0.2 L/ha"
max = "0.4 L/ha"
setback = "10 m"

[machine]
kind = "ground"
swath = "18 m"
sections = 6
carrier = "150 L/ha"
tank = "1500 L"
cost = "14 EUR/ha"

[output]
cell = "6 m"
"""


class Folder:
    """The files of one plan, and the ways to spoil them.

    Parameters
    ----------
    path : Path
        An empty folder.
    chance : random.Random
        Chooses the row to spoil.
    """

    def __init__(self, path: Path, chance: random.Random) -> None:
        self.path, self.chance = path, chance
        self.rows = [dict(zip(COLUMNS, row, strict=True)) for row in _walk()]
        self.save()
        self.write("boundary.geojson", polygon(RING))
        self.write("plan.toml", PLAN)

    @property
    def plan_path(self) -> Path:
        return self.path / "plan.toml"

    def write(self, name: str, content: str | bytes | dict) -> None:
        path = self.path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        text = json.dumps(content) if isinstance(content, dict) else content
        path.write_bytes(text.encode() if isinstance(text, str) else text)

    def text(self, name: str) -> str:
        return (self.path / name).read_bytes().decode()

    def replace(self, old: str, new: str, name: str = "plan.toml") -> None:
        text = self.text(name)
        assert old in text, f"the case is stale: {old!r} is not in {name}"
        self.write(name, text.replace(old, new, 1))

    def add(self, text: str) -> None:
        """Add a section to the plan."""
        self.write("plan.toml", f"{self.text('plan.toml')}\n{text}\n")

    def save(self, **form: str) -> None:
        """Write the rows as a table."""
        out = io.StringIO(newline="")
        table = csv.DictWriter(out, list(self.rows[0]), lineterminator="\n", **form)
        table.writeheader()
        table.writerows(self.rows)
        self.write("stops.csv", out.getvalue())

    def some_row(self) -> int:
        """Position of a row; two more make it the editor's number."""
        return self.chance.randrange(1, len(self.rows))

    def cell(self, column: str, text: str) -> str:
        """Write one cell of some row, and return where that is."""
        row = self.some_row()
        self.rows[row][column] = text
        self.save()
        return f"stops.csv: row {row + 2}, column {column}"

    def column(self, column: str, texts: Callable[[dict[str, str]], str]) -> None:
        """Write one column of all rows."""
        for row in self.rows:
            row[column] = texts(row)
        self.save()

    def points(self, name: str, **members: object) -> None:
        """Give the stops as a GeoJSON file instead of a table."""
        self.write(name, {**features(*(point(row) for row in self.rows)), **members})
        self.replace('stops = "stops.csv"', f'stops = "{name}"')

    def image(self, name: str = "image.tif", *, size: int = 40, pixel: float = 15.0, **profile: object) -> Path:
        """Write a raster over the field in UTM zone 32 N, and make it a covariate of the plan."""
        self.add(f'[[covariate]]\nfile = "{name}"\nname = "wetness"')
        values = profile.pop("values", None)
        kind = str(profile.pop("dtype", "float32"))
        # north-west corner of the field and a margin, from pyproj, EPSG:32632
        place = {"crs": "EPSG:32632", "transform": Affine(pixel, 0.0, 578_600.0, 0.0, -pixel, 5_550_800.0)}
        form = {"driver": "GTiff", "width": size, "height": size, "count": 1, "dtype": kind, **place, **profile}
        with rasterio.open(self.path / name, "w", **form) as file:
            for band in range(1, int(form["count"]) + 1):
                file.write(plane(size).astype(kind) if values is None else values.astype(kind), band)
        return self.path / name


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One awkward input and what must come of it.

    Parameters
    ----------
    number : int
        Class of awkward input, as listed in docs/reliability.md.
    name : str
        In words.
    spoil : callable
        Makes a sound folder awkward; may return a place that the refusal must name.
    told : tuple of str
        Parts of what the user is told when it is refused.
    caution : str
        Start of the code of a caution with which it goes on.
    proof : callable
        For what goes on without a caution: true of plan and inputs when all is well.
    solved : callable
        The same of the result, for what shows only there.
    """

    number: int
    name: str
    spoil: Callable[[Folder], object]
    told: tuple[str, ...] = ()
    caution: str = ""
    proof: Callable[..., bool] | None = None
    solved: Callable[[Result], bool] | None = None

    @property
    def outcome(self) -> str:
        """Refused, goes on with a caution, goes on as told, or gives what the clean form gives."""
        if self.told:
            return "refused"
        return "caution" if self.caution else "goes on" if self.proof or self.solved else "same"


def plane(size: int):  # type: ignore[no-untyped-def]
    """Values that rise to the south-east, of no sense but never alike."""
    import numpy as np

    return 20.0 + np.add.outer(np.arange(size), 2.0 * np.arange(size))


def polygon(*rings: list, **members: object) -> dict:
    """A boundary as a feature collection of one polygon."""
    return {**features(feature({"type": "Polygon", "coordinates": list(rings)})), **members}


def feature(geometry: object, **properties: object) -> dict:
    return {"type": "Feature", "properties": properties, "geometry": geometry}


def features(*found: dict) -> dict:
    return {"type": "FeatureCollection", "features": list(found)}


def point(row: dict[str, str]) -> dict:
    place = {"type": "Point", "coordinates": [float(row["lon"]), float(row["lat"])]}
    return feature(place, **{key: value for key, value in row.items() if key not in ("lon", "lat")})


def _walk() -> list[tuple[str, ...]]:
    """24 stops on a crooked lattice, more aphids to the east."""
    chance = random.Random(3)
    out = []
    for number in range(24):
        lon = WEST + (EAST - WEST) * (number % 6 + 0.3 + 0.4 * chance.random()) / 6
        lat = SOUTH + (NORTH - SOUTH) * (number // 6 + 0.3 + 0.4 * chance.random()) / 4
        count = round(3 + 4 * (number % 6) + 3 * chance.random())
        out.append((f"S{number:02d}", f"{lon:.7f}", f"{lat:.7f}", "2031-06-08", TARGET, "10", str(count), ""))
    return out
