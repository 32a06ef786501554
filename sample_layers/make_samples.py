"""Make the data files of the sample fields and of the template that `rxmap new` copies.

    python sample_layers/make_samples.py

Every field, name and number is invented. The same seed makes the same bytes (of the image: with the same
GDAL), so a test holds the files in the repository against this script. The plans (plan.toml) are written by hand.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyproj
import shapely
from numpy.typing import NDArray
from rasterio import Affine
from rasterio.io import MemoryFile
from shapely.geometry import LineString, Point, Polygon, mapping
from shapely.geometry.base import BaseGeometry

from rxmap.grid import FloatArray, Frame

SEED = 2026
ROOT = Path(__file__).resolve().parent.parent
WAVES = 300  # of a noise field; its covariance is then right to about 0.06 in any one field, our choice
MEASURES = ("n", "count", "positives", "severity_pct", "rating")
COLUMNS = ("stop", "lon", "lat", "date", "target", *MEASURES, "edge", "note")

Ground = Callable[[FloatArray, FloatArray], FloatArray]  # pressure at (easting, northing) [m]
Row = Mapping[str, object]

# Each frame sits on an arbitrary point of open land; the fields drawn around it do not exist.
LARKSPUR_FRAME = Frame(lon=-98.9, lat=44.3)
TEASEL_FRAME = Frame(lon=0.35, lat=46.9)
BURNET_FRAME = Frame(lon=13.35, lat=55.55)
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
BURNET_SHELL = [(-349, -484), (291, -239), (595, -107), (475, 235), (269, 456), (-182, 291), (-588, 120), (-490, -176)]
BURNET_HEDGE = [(277, 462), (41, 378), (-184, 295), (-396, 206), (-594, 121)]
BURNET_POND = [(151, 36), (179, 35), (194, 59), (176, 81), (146, 75), (136, 52)]
BURNET_LODGED = [(26, -292), (107, -262), (84, -199), (3, -229)]
BURNET_NOTES = {"B03": "dense, wet at noon", "D06": "tractor tracks, went 5 m east", "E02": "volunteer cereals"}
BURNET_UTM = 32633  # EPSG code of WGS84 / UTM zone 33N, the zone of the frame
BURNET_PIXEL = 3.0  # [m]
BURNET_ROOM = 20.0  # [m] that the image shows around the field; nothing beyond
NO_DATA = 0
# Upper bounds of the classes 1 to 11 of Horsfall and Barratt (1945), Phytopathology 35:655 (from memory) [percent];
# of what is none we make less than 0.1, which an eye misses
CLASS_BOUNDS = (0.1, 3.0, 6.0, 12.0, 25.0, 50.0, 75.0, 87.0, 94.0, 97.0, 99.9)
BURNET_FIRST, BURNET_NOW, BURNET_DAYS = dt.datetime(2026, 5, 16), dt.datetime(2026, 5, 18, 18), 9  # weather
BURNET_SHOWERS = {(1, 5): 2.4, (1, 6): 0.8, (4, 7): 0.6, (4, 8): 1.9, (4, 9): 0.4, (7, 15): 3.1}  # (day, hour): mm
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


def burnet_canopy() -> Ground:
    """Return how closed the crop of Burnet Long Field stands, from about 0 (thin) to 1 (rank)."""
    noise = smooth_noise(random_stream(7), 260.0)

    def canopy(e: FloatArray, n: FloatArray) -> FloatArray:
        rank = 3.4 * hot_part(e, n, (183.0, 160.0), 170.0) + 2.0 * hot_part(e, n, (-330.0, 70.0), 90.0)
        return np.asarray(1.0 / (1.0 + np.exp(1.4 - rank - 0.8 * noise(e, n))))

    return canopy


def burnet_blight() -> Ground:
    """Return the true percent of infected plants in Burnet Long Field: a rank crop stays wet, and its image tells."""
    canopy, noise = burnet_canopy(), smooth_noise(random_stream(8), 300.0)
    return lambda e, n: np.asarray(100.0 / (1.0 + np.exp(4.6 - 4.4 * canopy(e, n) - 0.6 * noise(e, n))))


def burnet_miners() -> Ground:
    """Return the true percent of mined leaf area in Burnet Long Field: from the boundary, with a patch inside."""
    ring = field_shape(BURNET_SHELL).exterior

    def miners(e: FloatArray, n: FloatArray) -> FloatArray:
        flown = 16.0 * np.exp(-shapely.distance(ring, shapely.points(e, n)) / 12.0)
        return np.asarray(1.5 + flown + 32.0 * hot_part(e, n, (230.0, -80.0), 95.0))

    return miners


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
) -> list[Row]:
    """Count a target at each stop: Poisson around a pressure that itself varies with shape `clumping` (gamma)."""
    rows: list[Row] = []
    for stop, n in zip(stops, units, strict=True):
        mean = n * float(pressure(np.array(stop.easting), np.array(stop.northing)))
        rows.append({"target": target, "n": n, "count": int(rng.poisson(mean * rng.gamma(clumping, 1.0 / clumping)))})
    return rows


def incidence_rows(
    stops: Iterable[Stop], pressure: Ground, target: str, *, units: int, clumping: float, rng: np.random.RandomState
) -> list[Row]:
    """Look at plants: binomial around a percentage that itself varies (beta, `clumping` the sum of its shapes)."""
    rows: list[Row] = []
    for stop in stops:
        share = float(pressure(np.array(stop.easting), np.array(stop.northing))) / 100.0
        found = int(rng.binomial(units, rng.beta(clumping * share, clumping * (1.0 - share))))
        rows.append({"target": target, "n": units, "positives": found})
    return rows


def rating_rows(
    stops: Iterable[Stop], pressure: Ground, target: str, *, clumping: float, rng: np.random.RandomState
) -> list[Row]:
    """Rate a percentage by eye in the classes of Horsfall and Barratt; it varies with shape `clumping` (gamma)."""
    rows: list[Row] = []
    for stop in stops:
        percent = float(pressure(np.array(stop.easting), np.array(stop.northing))) * rng.gamma(clumping, 1.0 / clumping)
        rows.append({"target": target, "rating": 1 + int(np.searchsorted(CLASS_BOUNDS, percent))})
    return rows


def stops_csv(frame: Frame, stops: list[Stop], observed: list[list[Row]], common: Callable[[Stop], Row]) -> bytes:
    """Write the scouting file in long form: one row per stop, target and visit; an empty one was not looked at."""
    rows = []
    for i, stop in enumerate(stops):
        lon, lat = frame.to_lonlat(stop.easting, stop.northing)
        place = {"stop": stop.name, "lon": f"{lon:.6f}", "lat": f"{lat:.6f}", "edge": int(stop.edge)}
        rows += [{**place, **common(stop), **target[i]} for target in observed if target[i]]
    used = [name for name in COLUMNS if any(name in row for row in rows)]
    out = io.StringIO()
    writer = csv.DictWriter(out, used, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue().encode()


def layer(frame: Frame, ground: BaseGeometry, name: str) -> bytes:
    """Write one geometry as GeoJSON (RFC 7946), on the 1e-7 degree grid."""
    lonlat = shapely.transform(frame.geometry_to_lonlat(ground), lambda xy: np.round(xy, 7))
    feature = {"type": "Feature", "properties": {"name": name}, "geometry": mapping(lonlat)}
    return json.dumps({"type": "FeatureCollection", "features": [feature]}).encode() + b"\n"


def image_bands(canopy: FloatArray, rng: np.random.RandomState) -> NDArray[np.uint16]:
    """Return green, red, red edge and near infrared, 10,000 being all light: a closed crop is dark but for the last.

    Normalised differences rise with the canopy: NDVI from 0.45 to 0.9, a little noise of the camera beside it.
    """
    ndvi = 0.45 + 0.45 * canopy + rng.normal(0.0, 0.006, size=canopy.shape)
    nir = 2600.0 + 2200.0 * canopy
    red = nir * (1.0 - ndvi) / (1.0 + ndvi)
    bands = np.stack([0.8 * red + 260.0, red, 0.6 * red + 0.3 * nir, nir])
    return np.asarray(np.round(bands), np.uint16)


def image_of(frame: Frame, ground: Polygon, canopy: Ground, rng: np.random.RandomState) -> bytes:
    """Write what a drone saw of a field and `BURNET_ROOM` around it: a tiled GeoTIFF in UTM, no data beyond."""
    to_utm = pyproj.Transformer.from_crs(4326, BURNET_UTM, always_xy=True)
    around = shapely.buffer(ground, BURNET_ROOM)
    x, y = to_utm.transform(*frame.to_lonlat(*np.array(around.exterior.coords).T))
    (west, east), (south, north) = (
        (BURNET_PIXEL * np.floor(axis.min() / BURNET_PIXEL), BURNET_PIXEL * np.ceil(axis.max() / BURNET_PIXEL))
        for axis in (x, y)
    )
    columns = np.arange(west, east, BURNET_PIXEL) + BURNET_PIXEL / 2.0
    rows = np.arange(north, south, -BURNET_PIXEL) - BURNET_PIXEL / 2.0
    lon, lat = to_utm.transform(*np.meshgrid(columns, rows), direction="INVERSE")
    easting, northing = frame.to_metres(lon, lat)
    closed = np.stack([canopy(e, n) for e, n in zip(easting, northing, strict=True)])  # a row at a time, for memory
    seen = shapely.contains_xy(around, easting, northing)
    return geotiff(np.where(seen, image_bands(closed, rng), np.uint16(NO_DATA)), west, north)


def geotiff(bands: NDArray[np.uint16], west: float, north: float) -> bytes:
    """Write bands to a GeoTIFF whose every tag is told here, so that a second run writes the same bytes."""
    place = Affine(BURNET_PIXEL, 0.0, west, 0.0, -BURNET_PIXEL, north)
    with MemoryFile() as memory:
        with memory.open(
            driver="GTiff", count=len(bands), height=bands.shape[1], width=bands.shape[2], dtype="uint16",
            crs=f"EPSG:{BURNET_UTM}", transform=place, nodata=NO_DATA,
            tiled=True, blockxsize=128, blockysize=128, interleave="band", photometric="MINISBLACK", alpha="NO",
            compress="DEFLATE", predictor=2, zlevel=9, num_threads=1,
        ) as image:  # fmt: skip
            image.write(bands)
            image.descriptions = ("green", "red", "red edge", "near infrared")
            image.update_tags(TIFFTAG_DATETIME="2026:05:18 12:00:00", TIFFTAG_IMAGEDESCRIPTION="invented")
        return bytes(memory.getbuffer())


def larkspur() -> dict[str, bytes]:
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


def teasel() -> dict[str, bytes]:
    """Teasel Piece: 3 ha of sugar beet, ten stops, disease alike everywhere."""
    ground = field_shape(TEASEL_SHELL)
    rng = random_stream(4)
    stops = walk(ground, 51.0, 12.0, rng)
    severity = [float(np.round(x * 2.0) / 2.0) for x in rng.gamma(9.0, 7.0 / 9.0, size=len(stops))]
    rows: list[Row] = [{"target": "ochre leaf fleck", "severity_pct": value} for value in severity]
    return {
        "boundary.geojson": layer(TEASEL_FRAME, ground, "Teasel Piece"),
        "stops.csv": stops_csv(TEASEL_FRAME, stops, [rows], lambda _: {"date": "2026-07-14", "note": ""}),
    }


def burnet() -> dict[str, bytes]:
    """Burnet Long Field: 66 ha of winter rapeseed, an image, a disease in the rank crop, an insect along the edge."""
    ground, rng = field_shape(BURNET_SHELL), random_stream(9)
    inside, edge = walk(ground, 107.0, 40.0, rng), edge_stops(ground, 8, 10.0)
    stops = [*inside, *edge]
    nothing: Row = {}
    blight = incidence_rows(inside, burnet_blight(), "russet petal blight", units=25, clumping=40.0, rng=rng)
    miners = rating_rows(stops, burnet_miners(), "slate leaf miner", clumping=5.0, rng=rng)
    revisited, truth = [stop for stop in inside if stop.name[0] in "ACE"], burnet_miners()
    seen = rating_rows(revisited, lambda e, n: 0.4 * truth(e, n), "slate leaf miner", clumping=0.7, rng=rng)
    before: dict[str, Row] = {
        stop.name: {**row, "date": "2026-05-08"} for stop, row in zip(revisited, seen, strict=True)
    }
    earlier = [before.get(stop.name, nothing) for stop in stops]
    return {
        "boundary.geojson": layer(BURNET_FRAME, ground, "Burnet Long Field"),
        "hedge.geojson": layer(BURNET_FRAME, LineString(BURNET_HEDGE), "hedge"),
        "pond.geojson": layer(BURNET_FRAME, Polygon(BURNET_POND), "pond"),
        "by_hand.geojson": layer(BURNET_FRAME, field_shape(BURNET_LODGED), "lodged crop"),
        "weather.csv": burnet_weather(),
        "image.tif": image_of(BURNET_FRAME, ground, burnet_canopy(), rng),
        "stops.csv": stops_csv(
            BURNET_FRAME,
            stops,
            [[*blight, *[nothing] * len(edge)], earlier, miners],
            lambda stop: {"date": "2026-05-18", "note": BURNET_NOTES.get(stop.name, "")},
        ),
    }


def burnet_weather() -> bytes:
    """Nine days of hours around the walk, from the second evening on a forecast: a breeze that rises with the day."""
    rng, out = random_stream(10), io.StringIO(newline="")
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow(["time", "temp_c", "rh_pct", "rain_mm", "wind_ms", "forecast"])
    gust = 0.0
    for hour in range(24 * BURNET_DAYS):
        time, gust = BURNET_FIRST + dt.timedelta(hours=hour), 0.8 * gust + rng.normal(scale=0.5)
        sun = np.cos((time.hour - 15) / 24 * 2 * np.pi)  # warmest and windiest at three in the afternoon
        rain = BURNET_SHOWERS.get((hour // 24, time.hour), 0.0)
        warmth, wind = 12.0 + 5.5 * sun + 0.3 * gust - rain / 2, max(2.9 + 1.3 * sun + gust, 0.2)
        humidity = min(76.0 - 19.0 * sun + 6.0 * rain + rng.normal(scale=2.0), 100.0)
        rows.writerow(
            [f"{time:%Y-%m-%dT%H:%M}", f"{warmth:.1f}", f"{humidity:.0f}", f"{rain:.1f}", f"{wind:.1f}",
             int(time >= BURNET_NOW)]
        )  # fmt: skip
    return out.getvalue().encode("ascii")


def template() -> dict[str, bytes]:
    """Build the small field that `rxmap new` copies: 12 ha, thirty stops, one hot part."""
    ground = field_shape(TEMPLATE_SHELL)
    rng = random_stream(6)
    stops = walk(ground, 58.3, 15.0, rng)
    flies = count_rows(stops, template_flies(), "banded stem fly", units=[10] * len(stops), clumping=10.0, rng=rng)
    return {
        "boundary.geojson": layer(TEMPLATE_FRAME, ground, "Example field"),
        "stops.csv": stops_csv(TEMPLATE_FRAME, stops, [flies], lambda _: {"date": "2026-06-08", "note": ""}),
    }


def make() -> dict[str, bytes]:
    """Make the bytes of every data file, by its path from the top of the repository."""
    fields = {
        "sample_layers/larkspur": larkspur(),
        "sample_layers/teasel": teasel(),
        "sample_layers/burnet": burnet(),
        "rxmap/template": template(),
    }
    return {f"{folder}/{name}": data for folder, files in fields.items() for name, data in files.items()}


def main() -> None:
    """Write every data file."""
    for path, data in make().items():
        (ROOT / path).write_bytes(data)


if __name__ == "__main__":
    main()
