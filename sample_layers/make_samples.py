"""Make the data files of the sample fields and of the template that `rxmap new` copies.

    python sample_layers/make_samples.py

Every field, name and number is invented. The same seed makes the same bytes, so a test holds the
files in the repository against this script. The plans (plan.toml) are written by hand.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely
from shapely.geometry import LineString, Point, Polygon, mapping
from shapely.geometry.base import BaseGeometry

from rxmap.grid import FloatArray, Frame

SEED = 2026
ROOT = Path(__file__).resolve().parent.parent
WAVES = 300  # of a noise field; its covariance is then right to about 0.06 in any one field, our choice
COLUMNS = ("stop", "lon", "lat", "date", "target", "n", "count", "severity_pct", "edge", "note")

Ground = Callable[[FloatArray, FloatArray], FloatArray]  # pressure at (easting, northing) [m]
Row = Mapping[str, object]

# Each frame sits on an arbitrary point of open land; the fields drawn around it do not exist.
LARKSPUR_FRAME = Frame(lon=-98.9, lat=44.3)
TEASEL_FRAME = Frame(lon=0.35, lat=46.9)
TEMPLATE_FRAME = Frame(lon=17.4, lat=53.1)

LARKSPUR_SHELL = [(-405, -264), (-264, -403), (407, -409), (412, 35), (405, 402), (-20, 407), (-408, 399)]
LARKSPUR_ROCKS = [(-152, -118), (-120, -131), (-92, -116), (-83, -88), (-101, -62), (-131, -58), (-155, -82)]
LARKSPUR_CREEK = [(232, 470), (251, 392), (238, 331), (287, 262), (316, 171), (371, 112), (384, 38), (455, -40)]
LARKSPUR_NOTES = {
    "A04": "thin stand, wet spot",
    "C07": "heads nodding, hard to count",
    "E02": "lodged row, took the next one",
    "G06": "most of them on one head",
}
TEASEL_SHELL = [(-104, -68), (98, -76), (109, 61), (31, 80), (-98, 72)]
TEMPLATE_SHELL = [(-191, -158), (188, -164), (196, 88), (120, 166), (-186, 158)]


@dataclass(frozen=True)
class Stop:
    """A place where somebody looked, in metres of the field's frame."""

    name: str
    easting: float
    northing: float
    edge: bool = False


def random_stream(number: int) -> np.random.RandomState:
    """Return one of the independent streams; the stream of RandomState is frozen for all numpy versions (NEP 19)."""
    return np.random.RandomState([SEED, number])


def smooth_noise(rng: np.random.RandomState, reach: float) -> Ground:
    """Draw a Gaussian random field of mean 0 and sd 1 whose correlation falls to 5 % at `reach` [m].

    The correlation is exp(-(h/a)^2) with a = reach / sqrt(3): a sum of plane waves whose wave vectors
    are normal with sd sqrt(2)/a (Rahimi & Recht 2007, Random features for large-scale kernel machines; from memory).
    """
    waves = rng.normal(0.0, np.sqrt(6.0) / reach, size=(WAVES, 2))
    phases = rng.uniform(0.0, 2.0 * np.pi, size=WAVES)

    def field(easting: FloatArray, northing: FloatArray) -> FloatArray:
        turns = np.multiply.outer(easting, waves[:, 0]) + np.multiply.outer(northing, waves[:, 1]) + phases
        return np.asarray(np.sqrt(2.0 / WAVES) * np.cos(turns).sum(axis=-1))

    return field


def hot_part(easting: FloatArray, northing: FloatArray, centre: tuple[float, float], reach: float) -> FloatArray:
    """Return a smooth hill of height 1 with its foot about 2 x `reach` [m] from its top."""
    return np.asarray(np.exp(-((easting - centre[0]) ** 2 + (northing - centre[1]) ** 2) / (2.0 * reach**2)))


def larkspur_weevils() -> Ground:
    """Return the true weevils per head in Larkspur Quarter."""
    noise = smooth_noise(random_stream(1), 350.0)
    return lambda e, n: 0.38 * np.exp(2.9 * hot_part(e, n, (130.0, 120.0), 235.0) + 0.3 * noise(e, n))


def larkspur_hoppers() -> Ground:
    """Return the true leafhoppers per head in Larkspur Quarter."""
    noise = smooth_noise(random_stream(2), 350.0)
    return lambda e, n: 0.4 * np.exp(0.3 * noise(e, n))


def template_flies() -> Ground:
    """Return the true stem flies per plant in the field of the template."""
    noise = smooth_noise(random_stream(5), 200.0)
    return lambda e, n: 0.18 * np.exp(2.6 * hot_part(e, n, (-100.0, -60.0), 110.0) + 0.15 * noise(e, n))


def field_shape(shell: list[tuple[int, int]], hole: list[tuple[int, int]] | None = None) -> Polygon:
    """Return the field in metres of its frame."""
    return shapely.geometry.polygon.orient(Polygon(shell, [hole] if hole else []))


def walk(ground: Polygon, spacing: float, margin: float, rng: np.random.RandomState) -> list[Stop]:
    """Walk the field to and fro; stops `spacing` apart give or take a quarter, `margin` away from its edges [m]."""
    west, south, east, north = ground.bounds
    inner = shapely.buffer(ground, -margin)
    stops: list[Stop] = []
    lines = np.arange(south + spacing / 2.0, north, spacing)
    for line, northing in enumerate(lines):
        across = np.arange(west + spacing / 2.0, east, spacing)[:: -1 if line % 2 else 1]
        places = np.column_stack([across, np.full(across.size, northing)])
        places += rng.uniform(-spacing / 4.0, spacing / 4.0, size=places.shape)
        kept = [place for place in places if inner.contains(Point(place))]
        stops += [Stop(f"{chr(65 + line)}{i:02d}", float(e), float(n)) for i, (e, n) in enumerate(kept, start=1)]
    return stops


def edge_stops(ground: Polygon, count: int, inset: float) -> list[Stop]:
    """Return stops spread evenly along the boundary, `inset` [m] inside it."""
    ring = shapely.buffer(ground, -inset).exterior
    places = [ring.interpolate((i + 0.5) / count, normalized=True) for i in range(count)]
    return [Stop(f"Z{i:02d}", place.x, place.y, edge=True) for i, place in enumerate(places, start=1)]


def count_rows(
    stops: Iterable[Stop],
    pressure: Ground,
    target: str,
    *,
    units: list[int],
    clumping: float,
    rng: np.random.RandomState,
) -> list[dict[str, object]]:
    """Count a target at each stop: Poisson around a pressure that itself varies with shape `clumping` (gamma)."""
    rows: list[dict[str, object]] = []
    for stop, n in zip(stops, units, strict=True):
        mean = n * float(pressure(np.array(stop.easting), np.array(stop.northing)))
        rows.append({"target": target, "n": n, "count": int(rng.poisson(mean * rng.gamma(clumping, 1.0 / clumping)))})
    return rows


def stops_csv(
    frame: Frame, stops: list[Stop], observed: list[list[dict[str, object]]], common: Callable[[Stop], Row]
) -> str:
    """Write the scouting file in long form: one row per stop and target, in walking order."""
    rows = []
    for i, stop in enumerate(stops):
        lon, lat = frame.to_lonlat(stop.easting, stop.northing)
        place = {"stop": stop.name, "lon": f"{lon:.6f}", "lat": f"{lat:.6f}", "edge": int(stop.edge)}
        rows += [{**place, **common(stop), **target[i]} for target in observed]
    used = [name for name in COLUMNS if any(name in row for row in rows)]
    out = io.StringIO()
    writer = csv.DictWriter(out, used, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def layer(frame: Frame, ground: BaseGeometry, name: str) -> str:
    """Write one geometry as GeoJSON (RFC 7946), on the 1e-7 degree grid."""
    lonlat = shapely.transform(frame.geometry_to_lonlat(ground), lambda xy: np.round(xy, 7))
    feature = {"type": "Feature", "properties": {"name": name}, "geometry": mapping(lonlat)}
    return json.dumps({"type": "FeatureCollection", "features": [feature]}) + "\n"


def larkspur() -> dict[str, str]:
    """Larkspur Quarter: 160 acres of sunflower, one hot part, a creek."""
    ground = field_shape(LARKSPUR_SHELL, LARKSPUR_ROCKS)
    rng = random_stream(3)
    stops = walk(ground, 88.0, 30.0, rng) + edge_stops(ground, 6, 8.0)
    units = [int(n) for n in rng.choice([5, 10], size=len(stops))]
    weevils = count_rows(stops, larkspur_weevils(), "amber seed weevil", units=units, clumping=8.0, rng=rng)
    hoppers = count_rows(stops, larkspur_hoppers(), "grey leafhopper", units=units, clumping=4.0, rng=rng)

    def common(stop: Stop) -> Row:
        date = "2026-07-27" if stop.name[0] in "ABCD" else "2026-07-28"  # two mornings of walking
        return {"date": date, "note": LARKSPUR_NOTES.get(stop.name, "")}

    return {
        "boundary.geojson": layer(LARKSPUR_FRAME, ground, "Larkspur Quarter"),
        "creek.geojson": layer(LARKSPUR_FRAME, LineString(LARKSPUR_CREEK), "creek"),
        "stops.csv": stops_csv(LARKSPUR_FRAME, stops, [weevils, hoppers], common),
    }


def teasel() -> dict[str, str]:
    """Teasel Piece: 3 ha of sugar beet, ten stops, disease alike everywhere."""
    ground = field_shape(TEASEL_SHELL)
    rng = random_stream(4)
    stops = walk(ground, 51.0, 12.0, rng)
    severity = [float(np.round(x * 2.0) / 2.0) for x in rng.gamma(9.0, 7.0 / 9.0, size=len(stops))]
    rows: list[dict[str, object]] = [{"target": "ochre leaf fleck", "severity_pct": value} for value in severity]
    return {
        "boundary.geojson": layer(TEASEL_FRAME, ground, "Teasel Piece"),
        "stops.csv": stops_csv(TEASEL_FRAME, stops, [rows], lambda _: {"date": "2026-07-14", "note": ""}),
    }


def template() -> dict[str, str]:
    """Build the small field that `rxmap new` copies: 12 ha, thirty stops, one hot part."""
    ground = field_shape(TEMPLATE_SHELL)
    rng = random_stream(6)
    stops = walk(ground, 58.3, 15.0, rng)
    flies = count_rows(stops, template_flies(), "banded stem fly", units=[10] * len(stops), clumping=10.0, rng=rng)
    return {
        "boundary.geojson": layer(TEMPLATE_FRAME, ground, "Example field"),
        "stops.csv": stops_csv(TEMPLATE_FRAME, stops, [flies], lambda _: {"date": "2026-06-08", "note": ""}),
    }


def make() -> dict[str, str]:
    """Make the text of every data file, by its path from the top of the repository."""
    fields = {"sample_layers/larkspur": larkspur(), "sample_layers/teasel": teasel(), "rxmap/template": template()}
    return {f"{folder}/{name}": text for folder, files in fields.items() for name, text in files.items()}


def main() -> None:
    """Write every data file."""
    for path, text in make().items():
        (ROOT / path).write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
