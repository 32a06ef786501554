"""What must not change a decision, or must change it one way: the invented field, read and decided again.

`tests/test_monotone.py` moves price, threshold, costs and label; this moves files, place and scale.
"""

from __future__ import annotations

import codecs
import random
from collections.abc import Callable

import numpy as np
import pytest
from case_layers import in_system
from setting import EAST, NORTH, RING, SOUTH, WEST, Folder, polygon

from rxmap import pipeline
from rxmap.records import Result

Decide = Callable[..., Result]


@pytest.fixture(scope="module")
def decide(tmp_path_factory: pytest.TempPathFactory) -> Decide:
    """Decide the invented field after a change of its files; the unchanged one is decided once."""
    known: dict[object, Result] = {}

    def run(change: Callable[[Folder], object] | None = None) -> Result:
        if change not in known:
            folder = Folder(tmp_path_factory.mktemp("field"), random.Random(1))
            if change is not None:
                change(folder)
            known[change] = pipeline.solve(*pipeline.check(folder.plan_path))
        return known[change]

    return run


def parts(result: Result) -> list[tuple[object, ...]]:
    return [(p.polygon.wkt, p.treat, p.rate, p.volume, p.benefit) for one in result.passes for p in one.parts]


def treated_ha(result: Result) -> float:
    return sum(one.treated_ha for one in result.passes)


def surface(result: Result) -> np.ndarray:
    return result.targets[0].surface.mean[result.grid.inside]


def test_the_field_is_worth_a_map(decide: Decide) -> None:
    result = decide()
    assert result.targets[0].verdict == "map"
    assert 0.2 * result.field.area_ha < treated_ha(result) < 0.98 * result.field.area_ha


def test_mark_line_ends_row_order_and_delimiter_change_no_part(decide: Decide) -> None:
    def change(folder: Folder) -> None:
        random.Random(5).shuffle(folder.rows)
        folder.save(delimiter="\t", quotechar='"')
        text = folder.text("stops.csv").replace("\n", "\r\n")
        folder.write("stops.csv", codecs.BOM_UTF8 + text.encode())

    assert parts(decide(change)) == parts(decide())


@pytest.mark.parametrize("code", [32632, *(pytest.param(code, marks=pytest.mark.long) for code in (25832, 4258))])
def test_the_system_of_the_boundary_changes_no_part(code: int, decide: Decide) -> None:
    # all three are WGS84 to the centimetre of the file's coordinates, or taken as that by PROJ
    assert parts(decide(lambda folder: folder.write("boundary.geojson", in_system(code)))) == parts(decide())


def test_other_targets_and_columns_change_no_part(decide: Decide) -> None:
    def change(folder: Folder) -> None:
        folder.rows = [{**row, "crew": "two"} for row in folder.rows]
        folder.rows += [{**row, "target": "marsh rust"} for row in folder.rows[:5]]
        folder.save()

    assert parts(decide(change)) == parts(decide())


def test_doubled_money_doubles_the_money_and_moves_no_edge(decide: Decide) -> None:
    def change(folder: Folder) -> None:
        for old, new in (
            ('"210 EUR/t"', '"420 EUR/t"'),
            ('"110 EUR/L"', '"220 EUR/L"'),
            ('"14 EUR/ha"', '"28 EUR/ha"'),
        ):
            folder.replace(old, new)

    twice, once = decide(change), decide()
    assert [row[:4] for row in parts(twice)] == [row[:4] for row in parts(once)]
    assert twice.money.map == pytest.approx(2 * once.money.map, rel=1e-6)


def test_units_of_another_country_move_no_edge(decide: Decide) -> None:
    # 0.3 L/ha = 4.105211 floz/acre with 1 floz/acre = 0.0730778 L/ha (exact factors of NIST Handbook 44, app. C)
    def change(folder: Folder) -> None:
        folder.replace('rate = "0.3 L/ha"', 'rate = "4.105211 floz/acre"')
        folder.replace('min = "0.2 L/ha"', 'min = "2.7 floz/acre"')
        folder.replace('max = "0.4 L/ha"', 'max = "5.5 floz/acre"')

    other, ours = decide(change), decide()
    assert [row[:2] for row in parts(other)] == [row[:2] for row in parts(ours)]
    litres = ours.passes[0].products[0].total
    assert other.passes[0].products[0].total * 0.0295735295625 == pytest.approx(litres, rel=1e-3)  # floz in L, exact


def moved_to(lon: float, lat: float) -> Callable[[Folder], None]:
    """The same metres elsewhere: degrees of longitude and latitude are stretched by pyproj's frame."""
    from rxmap.grid import Frame

    here = Frame(lon=(WEST + EAST) / 2, lat=(SOUTH + NORTH) / 2)
    there = Frame(lon=lon, lat=lat)

    def place(lon: float, lat: float) -> list[float]:
        easting, northing = here.to_metres([lon], [lat])
        return [float(value[0]) for value in there.to_lonlat(easting, northing)]

    def change(folder: Folder) -> None:
        folder.write("boundary.geojson", polygon([place(*corner) for corner in RING]))
        for row in folder.rows:
            lon, lat = place(float(row["lon"]), float(row["lat"]))
            row.update(lon=f"{lon:.7f}", lat=f"{lat:.7f}")
        folder.save()

    return change


@pytest.mark.parametrize(
    "place",
    [
        pytest.param((12.0, 48.0), id="edge of two UTM zones"),
        pytest.param((-58.4, -34.6), id="southern hemisphere", marks=pytest.mark.long),
        pytest.param((5.3, 60.4), id="exception zone", marks=pytest.mark.long),
        pytest.param((36.8, 0.0), id="equator", marks=pytest.mark.long),
        pytest.param((-179.9, 66.0), id="near the 180th meridian", marks=pytest.mark.long),
    ],
)
def test_the_same_metres_elsewhere_are_decided_alike(place: tuple[float, float], decide: Decide) -> None:
    there, here = decide(moved_to(*place)), decide()
    # corners are rounded to 1 cm: 15 m2 of a 1.5 km perimeter
    assert there.field.area_ha == pytest.approx(here.field.area_ha, abs=15e-4)
    assert there.targets[0].mean == pytest.approx(here.targets[0].mean, rel=1e-3)
    # an edge may go along the next row of decision cells: 6 m of a 378 m edge
    assert treated_ha(there) == pytest.approx(treated_ha(here), abs=6 * 378 / 1e4)


def test_more_found_at_a_stop_never_lowers_the_estimate_there(decide: Decide) -> None:
    def change(folder: Folder) -> None:
        folder.rows[8]["count"] = str(3 * int(folder.rows[8]["count"]) + 5)
        folder.save()

    more, less = decide(change), decide()
    one = next(o for o in less.observations if o.stop == "S08")
    easting, northing = less.grid.axes()
    at = np.abs(northing - one.northing).argmin(), np.abs(easting - one.easting).argmin()
    assert more.targets[0].surface.mean[at] >= less.targets[0].surface.mean[at]


def test_ten_times_the_plants_leave_less_doubt(decide: Decide) -> None:
    def change(folder: Folder) -> None:
        for row in folder.rows:
            row.update(n="100", count=str(10 * int(row["count"])))
        folder.save()

    surer, unsure = (decide(one).targets[0].surface for one in (change, None))
    inside = decide().grid.inside
    assert np.nanmean(surer.sd[inside]) < np.nanmean(unsure.sd[inside])


def test_a_longer_setback_never_enlarges_what_is_treated(decide: Decide) -> None:
    def ditch(metres: int) -> Callable[[Folder], None]:
        def change(folder: Folder) -> None:
            folder.write("ditch.geojson", {"type": "LineString", "coordinates": [[10.1045, SOUTH], [10.1045, NORTH]]})
            folder.add(f'[[keep_out]]\nfile = "ditch.geojson"\nsetback = "{metres} m"\nreason = "ditch"')

        return change

    areas = [treated_ha(decide(ditch(metres))) for metres in (12, 60)]
    assert treated_ha(decide()) > areas[0] > areas[1] > 0
