"""Stops that cannot carry a map, and values without a pattern: classes 10 and 11 of docs/reliability.md."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
from setting import SOUTH, WEST, Case, Folder, polygon

from rxmap.records import Result

Spoil = Callable[[Folder], object]


def some(count: int) -> Spoil:
    def spoil(folder: Folder) -> None:
        folder.rows = folder.rows[:count]
        folder.save()

    return spoil


def squeezed(wide: float, high: float) -> Spoil:
    """All stops drawn to the south-west corner, to shares of the field's width and height."""

    def spoil(folder: Folder) -> None:
        for row in folder.rows:
            lon, lat = float(row["lon"]), float(row["lat"])
            row["lon"], row["lat"] = f"{WEST + (lon - WEST) * wide:.7f}", f"{SOUTH + (lat - SOUTH) * high:.7f}"
        folder.save()

    return spoil


def counts(value: Callable[[int], int], n: Callable[[int], int] = lambda number: 10) -> Spoil:
    def spoil(folder: Folder) -> None:
        for number, row in enumerate(folder.rows):
            row.update(count=str(value(number)), n=str(n(number)))
        folder.save()

    return spoil


def incidence(positives: int) -> Spoil:
    def spoil(folder: Folder) -> None:
        for row in folder.rows:
            row["positives"] = str(positives)
            row["count"] = ""
        folder.save()
        folder.replace('"count"\nthreshold = 8\nsource = "own"\nper = 10', '"incidence"\nthreshold = 8\nsource = "own"')

    return spoil


def finite(result: Result) -> bool:
    """Every band is a number wherever the field is, in order, with some doubt left everywhere."""
    inside = result.grid.inside
    return all(
        np.isfinite(band[inside]).all() for target in result.targets for band in target.surface.bands().values()
    ) and all(
        (target.surface.q05[inside] <= target.surface.q95[inside]).all() and (target.surface.sd[inside] > 0).all()
        for target in result.targets
    )


def no_map(result: Result) -> bool:
    return finite(result) and result.targets[0].verdict == "uniform" and all(p.decision != "map" for p in result.passes)


def doubtful_far_away(result: Result) -> bool:
    """Where nobody looked the doubt is larger than where somebody did, or there is no map."""
    surface, (east, north) = result.targets[0].surface, result.grid.axes()
    far = np.logical_and.outer(north > north.mean(), east > east.mean()) & result.grid.inside
    near = np.logical_and.outer(north < north.mean() / 2, east < east.mean() / 2) & result.grid.inside
    spread = surface.q95 - surface.q05
    return no_map(result) or bool(finite(result) and np.median(spread[far]) > np.median(spread[near]))


def mean_about(least: float, most: float) -> Callable[[Result], bool]:
    return lambda result: no_map(result) and least <= result.targets[0].mean <= most


def _cases() -> Iterator[Case]:
    for number, name in ((1, "one stop"), (2, "two stops"), (3, "three stops"), (11, "eleven stops")):
        yield Case(number=10, name=name, spoil=some(number), solved=no_map)
    for name, wide, high in (
        ("all stops on a line", 1.0, 1e-4),
        ("all stops in a corner", 0.3, 0.3),
        ("all stops within a metre", 0.003, 0.003),
    ):
        yield Case(number=10, name=name, spoil=squeezed(wide, high), caution="unseen_ground", solved=doubtful_far_away)
    # 24 stops of 10 plants; the upper 95 % bound of a mean of nothing in 240 plants is 3/240 (rule of three)
    yield Case(number=11, name="all zero", spoil=counts(lambda number: 0), solved=mean_about(0.0, 10 * 3 / 240))
    yield Case(number=11, name="all equal", spoil=counts(lambda number: 12), solved=mean_about(11.0, 13.0))
    yield Case(number=11, name="all infested", spoil=incidence(10), solved=mean_about(97.0, 100.0))
    yield Case(number=11, name="none infested", spoil=incidence(0), solved=mean_about(0.0, 3.0))
    extreme = counts(lambda number: 5000 if number == 7 else 4)
    yield Case(number=11, name="one extreme count", spoil=extreme, solved=finite)
    uneven = counts(lambda k: 2 if k % 2 else 500, lambda k: 1 if k % 2 else 1000)
    yield Case(number=11, name="sample sizes from 1 to 1000", spoil=uneven, solved=finite)

    slow = plan(("sections = 6", 'sections = 6\ndelay = "20 s"'), ('cell = "6 m"', 'cell = "3 m"'))
    yield Case(number=45, name="a switch as slow as the field is wide", spoil=slow, solved=finite)
    yield Case(number=45, name="a machine wider than the field", spoil=garden, solved=finite)


def plan(*changes: tuple[str, str]) -> Spoil:
    def spoil(folder: Folder) -> None:
        for old, new in changes:
            folder.replace(old, new)

    return spoil


def garden(folder: Folder) -> None:
    """A garden of 35 m x 37 m with three stops, and a boom of 100 m."""
    place = [[WEST + 0.0005 * x, SOUTH + 0.00034 * y] for x, y in ((0, 0), (1, 0), (1, 1), (0, 1), (0, 0))]
    folder.write("boundary.geojson", polygon(place))
    squeezed(0.1, 0.1)(folder)
    folder.replace('"18 m"', '"100 m"')


CASES = list(_cases())
