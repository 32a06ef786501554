"""What our process and the one that parses rasters tell each other: lines of JSON and plain numbers, no objects."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

LONGEST_LINE = 1_000_000  # [byte] our limit: a coordinate system takes a few thousand
MOST_SECONDS = 600  # of the processor for all rasters of a run, our limit
LARGEST_BLOCK = 65_536  # so many 16-bit pixels add up within 32 bits
LARGEST_ARRAY = 2_000_000_000  # [byte] our limit: sums over the blocks of 4,000,000 cells in 16 bands

Numbers = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """How a raster, or one of its overviews, is laid out.

    Parameters
    ----------
    width, height : int [pixel]
        Of the whole.
    transform : sequence of float
        Six numbers that take column and row to coordinates, rotation included.
    wkt : str
        Its coordinate system.
    factors : sequence of int
        How many pixels one of each overview stands for along a side; empty where the bands differ.
    """

    width: int
    height: int
    transform: Sequence[float]
    wkt: str
    factors: Sequence[int]


def send(stream: BinaryIO, words: Mapping[str, Any], arrays: Sequence[Numbers] = ()) -> None:
    """Send one message: a line, then the numbers of its arrays."""
    line = json.dumps({**words, "arrays": [array.shape for array in arrays]})
    stream.write(line.encode("ascii") + b"\n")
    for array in arrays:
        stream.write(np.ascontiguousarray(array, "<f8").data)
    stream.flush()


def receive(stream: BinaryIO) -> tuple[dict[str, Any], list[Numbers]] | None:
    """Receive one message; None at the end.

    Raises
    ------
    ValueError
        If it is none.

    Examples
    --------
    >>> import io
    >>> stream = io.BytesIO()
    >>> send(stream, {"level": None}, [np.array([[1.5, 2.5]])])
    >>> _ = stream.seek(0)
    >>> receive(stream), receive(stream)
    (({'level': None}, [array([[1.5, 2.5]])]), None)
    """
    line = stream.readline(LONGEST_LINE)
    if not line:
        return None
    words = json.loads(line)
    if not isinstance(words, dict) or not isinstance(words.get("arrays"), list):
        raise ValueError("not a message")
    return words, [_array(stream, shape) for shape in words.pop("arrays")]


def _array(stream: BinaryIO, shape: Any) -> Numbers:
    if not (isinstance(shape, list) and all(isinstance(size, int) and size >= 0 for size in shape)):
        raise ValueError("not a shape")
    if math.prod(shape) * 8 > LARGEST_ARRAY:
        raise ValueError("an array too large")
    data = stream.read(math.prod(shape) * 8)
    return np.frombuffer(data, "<f8").reshape(shape)  # too few bytes do not fit the shape
