"""Vegetation indices from the bands of an image.

Five lines of our own: the library that collects hundreds of such formulas brings dask, xarray and
matplotlib along, far more than a field's run should load. Only ratios are here, the same
for reflectance and for the digital numbers that many images hold; an index with a constant in units
of reflectance would be wrong on the latter without a word.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from rxmap.errors import InputError, shown
from rxmap.grid import FloatArray


@dataclass(frozen=True, slots=True)
class Index:
    """A published index: what it needs and how it is taken."""

    name: str
    bands: tuple[str, ...]
    formula: str
    compute: Callable[..., FloatArray]  # of the bands, in their order


def _normalised(first: FloatArray, second: FloatArray) -> FloatArray:
    return (first - second) / (first + second)


def _ratio_less_one(first: FloatArray, second: FloatArray) -> FloatArray:
    return first / second - 1.0


INDICES = (
    # Rouse, Haas, Schell & Deering 1974, Monitoring vegetation systems in the Great Plains with ERTS, NASA SP-351:309
    Index("NDVI", ("nir", "red"), "(nir - red) / (nir + red)", _normalised),
    # Gitelson, Kaufman & Merzlyak 1996, Remote Sensing of Environment 58:289
    Index("GNDVI", ("nir", "green"), "(nir - green) / (nir + green)", _normalised),
    # Barnes et al. 2000, Coincident detection of crop water stress ..., 5th International Conference on Precision
    # Agriculture, Bloomington
    Index("NDRE", ("nir", "red_edge"), "(nir - red_edge) / (nir + red_edge)", _normalised),
    # Gitelson, Gritz & Merzlyak 2003, Journal of Plant Physiology 160:271, chlorophyll index with the red edge
    Index("CIRE", ("nir", "red_edge"), "nir / red_edge - 1", _ratio_less_one),
    # Tucker 1979, Remote Sensing of Environment 8:127, for cameras without near infrared
    Index("NGRDI", ("green", "red"), "(green - red) / (green + red)", _normalised),
)


def index_named(name: str) -> Index:
    """Find an index by its name, upper or lower case.

    Raises
    ------
    InputError
        If it is none of ours; the message names those.
    """
    for index in INDICES:
        if index.name == name.upper():
            return index
    known = ", ".join(index.name for index in INDICES)
    raise InputError(f"unknown index {shown(name)}. Known are {known}.")


def check_bands(index: Index, bands: Iterable[str]) -> None:
    """Refuse an index whose bands the image does not name.

    Raises
    ------
    InputError
        Naming the bands that are missing.

    Examples
    --------
    >>> check_bands(index_named("NDRE"), ["red", "nir"])
    Traceback (most recent call last):
    ...
    rxmap.errors.InputError: NDRE needs red_edge, and imagery.bands names red, nir. Add red_edge = its number there.
    """
    named = list(bands)
    missing = [band for band in index.bands if band not in named]
    if missing:
        add = ", ".join(f"{band} = its number" for band in missing)
        raise InputError(
            f"{index.name} needs {' and '.join(missing)}, and imagery.bands names {', '.join(named)}. Add {add} there."
        )


def compute_index(index: Index, bands: Mapping[str, FloatArray]) -> FloatArray:
    """Compute an index from the bands' values.

    Parameters
    ----------
    index : Index
        Which one.
    bands : mapping of str to ndarray
        Values by band name, all of one shape.

    Returns
    -------
    ndarray
        NaN where a band is missing or the formula divides by zero.

    Examples
    --------
    >>> compute_index(index_named("NDVI"), {"red": np.array([0.1, 0.0]), "nir": np.array([0.5, 0.0])})
    array([0.667,   nan])
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        values = index.compute(*(np.asarray(bands[name], np.float64) for name in index.bands))
    return np.where(np.isfinite(values), values, np.nan)
