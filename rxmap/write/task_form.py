"""The form that task data must have, and what a task controller would understand of a file.

Shares no code with the writer of task data, so that a slip there cannot hide here.

References
----------
ISO 11783-10:2015, annex D (elements, attributes, ranges), from memory.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import defusedxml.ElementTree
import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon

from rxmap.errors import shown

Element = Any  # of the standard library's ElementTree

_TEXT, _WHOLE, _CODE = r"[ -~]{1,32}", r"[0-9]{1,10}", r"[0-9]{1,3}"  # a name has at most 32 characters
_DEGREES, _SIZE = r"-?[0-9]{1,3}\.[0-9]{9}", r"0\.[0-9]{9}"
# Attributes of each element and their form; all are required here, though the standard lets some be left out.
FORMS: dict[str, dict[str, str]] = {
    "ISO11783_TaskData": {
        "VersionMajor": "4", "VersionMinor": "3", "ManagementSoftwareManufacturer": _TEXT,
        "ManagementSoftwareVersion": _TEXT, "DataTransferOrigin": "1",
    },
    "PDT": {"A": r"PDT[0-9]{1,11}", "B": _TEXT},
    "PFD": {"A": r"PFD[0-9]{1,11}", "C": _TEXT, "D": _WHOLE},
    "PLN": {"A": "[12]"},
    "LSG": {"A": "[12]"},
    "PNT": {"A": "2", "C": _DEGREES, "D": _DEGREES},
    "TSK": {"A": r"TSK[0-9]{1,11}", "B": _TEXT, "E": r"PFD[0-9]{1,11}", "G": "1", "H": _CODE, "I": _CODE, "J": _CODE},
    "TZN": {"A": _CODE, "B": _TEXT},
    "PDV": {"A": "[0-9A-F]{4}", "B": r"-?[0-9]{1,10}", "C": r"PDT[0-9]{1,11}"},
    "GRD": {
        "A": _DEGREES, "B": _DEGREES, "C": _SIZE, "D": _SIZE, "E": _WHOLE, "F": _WHOLE, "G": r"GRD[0-9]{5}",
        "H": _WHOLE, "I": "[12]",
    },
}  # fmt: skip
RANGES = {  # element and attribute -> least and most
    ("PNT", "C"): (-90, 90), ("PNT", "D"): (-180, 180), ("GRD", "A"): (-90, 90), ("GRD", "B"): (-180, 180),
    ("TZN", "A"): (0, 254), ("PDV", "B"): (-(2**31), 2**31 - 1), ("PFD", "D"): (0, 2**32 - 2),
}  # fmt: skip
REFERENCES = (("PDV", "C", "PDT"), ("TSK", "E", "PFD"), *(("TSK", key, "TZN") for key in "HIJ"), ("GRD", "J", "TZN"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Understood:
    """What a task controller would make of the files.

    Parameters
    ----------
    boundary : tuple of Polygon
        The field [degree].
    elsewhere : frozenset of int
        Values by default, without position and outside the field.
    ground : tuple of (int, Polygon)
        Value of each polygon, in the order of the file.
    cells : ndarray, shape (rows, columns), or None
        Value of each cell, row 0 in the south.
    longitudes, latitudes : ndarray
        Centres of the columns and of the rows [degree]; empty without cells.
    """

    boundary: tuple[Polygon, ...]
    elsewhere: frozenset[int]
    ground: tuple[tuple[int, Polygon], ...]
    cells: NDArray[np.int64] | None
    longitudes: NDArray[np.float64]
    latitudes: NDArray[np.float64]


def faults(root: Element) -> Iterator[str]:
    """Say what in a document does not keep to the names, ranges and references.

    Parameters
    ----------
    root : Element
        ``ISO11783_TaskData``.
    """
    elements = [element for element in root.iter() if isinstance(element.tag, str)]  # a comment has none
    for element in elements:
        yield from _attribute_faults(element)
    for tag in ("PDT", "PFD", "TSK", "TZN"):
        names = [element.get("A") for element in root.iter(tag)]
        if len(set(names)) < len(names) or not names:
            yield f"{tag}: a name or code comes twice, or there is none"
    for tag, key, there in REFERENCES:
        known = {element.get("A") for element in root.iter(there)}
        for element in root.iter(tag):
            if element.get(key) not in {None, *known}:
                yield f"{tag} {key}: no {there} is called {shown(element.get(key))}"
    for polygon in root.iter("PLN"):
        if [line.get("A") for line in polygon].count("1") != 1:
            yield "PLN: should have one outer line"


def _attribute_faults(element: Element) -> Iterator[str]:
    forms = FORMS.get(element.tag)
    if forms is None:
        yield f"{shown(element.tag)} is no element of ours"
        return
    for key, form in forms.items():
        text = element.get(key, "")
        if not re.fullmatch(form, text):
            yield f"{element.tag} {key}: found {shown(text)}"
        elif (element.tag, key) in RANGES:
            least, most = RANGES[element.tag, key]
            if not least <= float(text) <= most:
                yield f"{element.tag} {key}: found {shown(text)}; should be {least} to {most}"


def understood(path: Path) -> Understood:
    """Read task data as a task controller would.

    Parameters
    ----------
    path : Path
        The ``TASKDATA.XML``; its cells lie beside it.

    Raises
    ------
    ValueError
        If it is no XML, does not keep to its form, or the cells are more or fewer than it says.
    """
    try:
        root = defusedxml.ElementTree.fromstring(path.read_bytes(), forbid_dtd=True)
    except defusedxml.ElementTree.ParseError as exc:
        raise ValueError(f"not XML: {exc}") from exc
    wrong = list(faults(root))
    if wrong:
        raise ValueError("; ".join(wrong))
    task = root.find("TSK")
    values = {zone.get("A"): int(zone.find("PDV").get("B")) for zone in task.iter("TZN")}
    grid = task.find("GRD")
    return Understood(
        boundary=tuple(_polygon(element) for element in root.find("PFD").iter("PLN")),
        elsewhere=frozenset(values[task.get(key)] for key in "HIJ"),
        ground=tuple((values[zone.get("A")], _polygon(one)) for zone in task.iter("TZN") for one in zone.iter("PLN")),
        cells=None if grid is None else _cells(path, grid, values),
        longitudes=_centres(grid, "B", "D", "E"),
        latitudes=_centres(grid, "A", "C", "F"),
    )


def _polygon(element: Element) -> Polygon:
    rings: dict[str, list[list[tuple[float, float]]]] = {"1": [], "2": []}
    for line in element.iter("LSG"):
        rings[line.get("A")].append([(float(point.get("D")), float(point.get("C"))) for point in line.iter("PNT")])
    return Polygon(rings["1"][0], rings["2"])


def _cells(path: Path, grid: Element, values: dict[str, int]) -> NDArray[np.int64]:
    content = path.with_name(grid.get("G") + ".BIN").read_bytes()
    columns, rows, length = (int(grid.get(key)) for key in "EFH")
    width = 1 if grid.get("I") == "1" else 4
    if not len(content) == length == rows * columns * width:
        raise ValueError(f"{len(content)} bytes of cells; {rows} x {columns} of {width} bytes were meant")
    numbers = [int.from_bytes(content[at : at + width], "little", signed=width > 1) for at in range(0, length, width)]
    told = [values[str(number)] for number in numbers] if width == 1 else numbers
    return np.array(told, np.int64).reshape(rows, columns)


def _centres(grid: Element | None, corner: str, size: str, count: str) -> NDArray[np.float64]:
    if grid is None:
        return np.empty(0)
    middles = np.arange(int(grid.get(count)), dtype=np.float64) + 0.5
    return float(grid.get(corner)) + middles * float(grid.get(size))
