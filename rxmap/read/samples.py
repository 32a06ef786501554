"""Hand samples of yield: what was counted at a place, and the yield that follows by published arithmetic."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from rxmap.errors import Faults, InputError
from rxmap.grid import FloatArray
from rxmap.read import cells
from rxmap.read.door import Source
from rxmap.read.places_table import Columns, metres_of, open_table
from rxmap.records import Field

POUNDS_PER_BUSHEL = 60.0  # soybean and wheat: USDA standard weights (from memory)
PER_ACRE, PER_1000, PER_10000 = 43_560.0, 1_000.0, 10_000.0  # [ft2] in an acre; parts of an acre

# Columns of each way to count, in the order of the arithmetic.
METHODS: Mapping[str, tuple[str, ...]] = {
    "ears": ("ears", "rows", "kernels", "kernels_per_bu"),
    "pods": ("pods", "seeds_per_pod", "seeds_per_lb"),
    "heads": ("heads_per_ft2", "kernels_per_head", "kernels_per_lb"),
}
UNIT = "bu/acre"


@dataclass(frozen=True, slots=True, kw_only=True)
class HandSamples:
    """Yields by hand, all by one way to count.

    Parameters
    ----------
    places : ndarray, shape (n, 2) [m]
        Easting, northing.
    yields : ndarray, shape (n,) [bu/acre]
        By the arithmetic of the method.
    method : str
        ``ears``, ``pods`` or ``heads``.
    """

    places: FloatArray
    yields: FloatArray
    method: str
    unit: str = UNIT


def read_samples(source: Source, field: Field) -> HandSamples:
    """Read hand samples: lon, lat and the columns of one way to count.

    Raises
    ------
    InputError
        If no way to count, or more than one, can be told from the columns, or a cell is no positive number.
    """
    table = open_table(source)
    faults = Faults()
    columns = Columns(table, faults)
    told = [name for name, needed in METHODS.items() if columns.has(needed[0])]
    if len(told) != 1:
        choices = "; ".join(f"{name}: {', '.join(needed)}" for name, needed in METHODS.items())
        found = "no known way" if not told else f"{' and '.join(told)} together"
        raise InputError(f"{source.name}: counts {found}. Write the columns of one: {choices}.")
    (method,) = told
    for name in METHODS[method]:
        columns.require(name, f"needed to count {method}")
    places = metres_of(columns, field.frame, table.rows)
    counted = np.array(
        [[columns.value(row, name, _not_negative, 0.0) for name in METHODS[method]] for row in table.rows]
    )
    faults.raise_if_any()
    if not counted[:, -1].all():
        raise InputError(f"{source.name}: column {METHODS[method][-1]}: holds 0; it divides. Write how many there are.")
    return HandSamples(places=places, yields=YIELDS[method](*counted.T), method=method)


def _not_negative(text: str, mark: str) -> float:
    value = cells.number(text, mark)
    if value < 0:
        raise ValueError("negative. Write 0 or more")
    return value


def ear_yield(ears: FloatArray, rows: FloatArray, kernels: FloatArray, kernels_per_bu: FloatArray) -> FloatArray:
    """Corn from ears in 1/1000 acre [bu/acre].

    Parameters
    ----------
    ears : ndarray
        In 1/1000 acre.
    rows, kernels : ndarray
        Rows on an ear, kernels in a row.
    kernels_per_bu : ndarray
        Kernels in a bushel: 90,000 in a normal year, 110,000 where kernels are small.

    References
    ----------
    The yield component method of US extension (extension.org, citing Purdue University).

    Examples
    --------
    >>> float(ear_yield(*map(np.array, (28.0, 18.0, 32.0, 90_000.0))))
    179.2
    """
    return np.asarray(ears * PER_1000 * rows * kernels / kernels_per_bu)


def pod_yield(pods: FloatArray, seeds_per_pod: FloatArray, seeds_per_lb: FloatArray) -> FloatArray:
    """Soybean from pods in 1/10,000 acre [bu/acre].

    References
    ----------
    Casteel, Estimating soybean yields, Purdue University extension: pods x seeds per pod over seeds per lb x 60 /
    10,000; 2.5 seeds in a pod and 3,000 in a lb are usual there.

    Examples
    --------
    >>> round(float(pod_yield(*map(np.array, (300.0, 2.5, 3000.0)))), 2)
    41.67
    """
    return np.asarray(pods * PER_10000 * seeds_per_pod / seeds_per_lb / POUNDS_PER_BUSHEL)


def head_yield(heads_per_ft2: FloatArray, kernels_per_head: FloatArray, kernels_per_lb: FloatArray) -> FloatArray:
    """Wheat from heads in a square foot [bu/acre]: kernels on an acre, over those in a bushel.

    Examples
    --------
    >>> round(float(head_yield(*map(np.array, (50.0, 25.0, 15_000.0)))), 1)
    60.5
    """
    return np.asarray(heads_per_ft2 * PER_ACRE * kernels_per_head / kernels_per_lb / POUNDS_PER_BUSHEL)


def row_length_ft(row_in: float, part: float = PER_1000) -> float:
    """Length of one row that is 1/1000 of an acre [ft], or another part of it.

    Parameters
    ----------
    row_in : float [inch]
        Between rows.
    part : float
        1,000 or 10,000.

    Examples
    --------
    >>> round(row_length_ft(30.0), 3), round(12 * row_length_ft(30.0, 10_000.0), 3)
    (17.424, 20.909)
    """
    return PER_ACRE / part / (row_in / 12.0)


YIELDS: Mapping[str, Callable[..., FloatArray]] = {"ears": ear_yield, "pods": pod_yield, "heads": head_yield}
