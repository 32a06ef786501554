"""Covariates on the field grid: indices or bands of the image, and other layers of the plan.

The one way by which a raster comes in. It stays on the disk, for it may be larger than memory; its
SHA-256 is taken in a thread of its own while its pixels are read.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

from rxmap.errors import Caution, Faults, InputError, shown
from rxmap.grid import FloatArray, Frame, Grid
from rxmap.plan import Covariate, ImagerySection, Plan, plan_fault
from rxmap.read.door import checked_path, reason
from rxmap.read.imagery import Raster, read_raster
from rxmap.read.indices import Index, check_bands, compute_index, index_named
from rxmap.read.reader import PixelReader
from rxmap.records import CellLayer, InputFile

LARGEST = 1e30  # our limit, and one over it the smallest: products of such numbers are still numbers
NEARLY_ALL = 0.995  # share of the field; less is worth a caution


def read_layers(
    plan: Plan, *, grid: Grid, frame: Frame, reader: PixelReader
) -> tuple[list[CellLayer], list[InputFile], list[Caution]]:
    """Read the image and every other layer of a plan onto the field grid.

    Of the image, the indices that the plan asks for are kept, or the bands that it names where it
    asks for none.

    Parameters
    ----------
    plan : Plan
        Names the files.
    grid, frame : Grid, Frame
        The cells to bring them to.
    reader : PixelReader
        The process that parses them.

    Raises
    ------
    InputError
        With the faults of all files together, one line each.
    """
    reading = _Reading(plan, grid, frame, reader)
    if plan.imagery:
        reading.image(plan.imagery)
    for section in plan.covariate:
        reading.covariate(section)
    reading.check_names()
    reading.faults.raise_if_any()
    return reading.layers, list(reading.files.values()), list(dict.fromkeys(reading.cautions))


def raster_path(folder: Path, name: str) -> Path:
    """Let a raster that a plan names through the door, without reading it.

    Raises
    ------
    InputError
        If the name is anything but a path below the folder of a regular file.
    """
    return checked_path(folder, name).absolute()  # a relative folder could look like an address to a library


class _Reading:
    """One reading of a plan's rasters: what it met on the way, faults of every file included."""

    def __init__(self, plan: Plan, grid: Grid, frame: Frame, reader: PixelReader) -> None:
        self.plan, self.grid, self.frame, self.reader = plan, grid, frame, reader
        self.faults = Faults()
        self.layers: list[CellLayer] = []
        self.files: dict[str, InputFile] = {}
        self.cautions: list[Caution] = []

    def image(self, section: ImagerySection) -> None:
        if not section.bands:
            line = "imagery.bands: names no band. Write for instance bands = { red = 3, nir = 4 }."
            self.faults.extend(plan_fault(self.plan, line).faults)
            return
        indices = self._indices(section)
        names = list(dict.fromkeys(band for index in indices for band in index.bands)) or list(section.bands)
        raster = self._raster(section.file, [section.bands[name] for name in names])
        if raster is None:
            return
        bands = dict(zip(names, raster.values, strict=True))
        for index in indices:
            how = f"{index.name} = {index.formula} of cell means; {raster.how}"
            self._keep(section.file, index.name, compute_index(index, bands), how)
        if not section.index:
            for name, values in bands.items():
                self._keep(section.file, name, values, raster.how)

    def _indices(self, section: ImagerySection) -> list[Index]:
        """Find the indices asked for, with a fault for each that cannot be had."""
        found = []
        for name in section.index:
            try:
                index = index_named(name)
                check_bands(index, section.bands)
                found.append(index)
            except InputError as error:
                self.faults.extend(plan_fault(self.plan, f"imagery.index: {error}").faults)
        return found

    def covariate(self, section: Covariate) -> None:
        raster = self._raster(section.file, [section.band])
        if raster is not None:
            self._keep(section.file, section.name, raster.values[0], raster.how)

    def _raster(self, name: str, bands: Sequence[int]) -> Raster | None:
        try:
            path = raster_path(self.plan.folder, name)
            before = path.stat()
            with ThreadPoolExecutor(max_workers=1) as pool:
                file = pool.submit(hashed, path, name) if name not in self.files else None
                raster = read_raster(path, name, bands, grid=self.grid, frame=self.frame, reader=self.reader)
                if file is not None:
                    self.files[name] = file.result()
            after = path.stat()
        except OSError as error:
            self.faults.add(f"{name}: cannot be read ({reason(error)}). Check who may read it.")
            return None
        except InputError as error:
            self.faults.extend(line for line in error.faults if line not in self.faults.lines)
            return None
        if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns):
            self.faults.add(f"{name}: was changed while it was read. Close the program that writes it, then try again.")
        self.cautions.extend(raster.cautions)
        return raster

    def _keep(self, file: str, name: str, values: FloatArray, how: str) -> None:
        known = np.isfinite(values) & self.grid.inside
        most = float(np.abs(values[known]).max(initial=0.0))
        if most and not 1 / LARGEST < most < LARGEST:
            line = f"{file}: {name} has values of {most:.3g}, beyond any measurement. Check its bands and their scale."
            self.faults.add(line)
        covered = float(self.grid.share[known].sum() / self.grid.share.sum())
        if covered == 0.0:
            self.faults.add(f"{file}: {name} has no value anywhere in the field. Check its bands.")
        elif covered < NEARLY_ALL:
            text = f"{file}: {name} covers {math.floor(100 * covered)} % of the field; the rest is without it."
            self.cautions.append(Caution("part_image", text))
        self.layers.append(CellLayer(name=name, values=np.where(known, values, np.nan), covered=covered, how=how))

    def check_names(self) -> None:
        """Two layers of one name could not be told apart in the record."""
        names = [layer.name.casefold() for layer in self.layers]
        for name in dict.fromkeys(layer.name for layer in self.layers if names.count(layer.name.casefold()) > 1):
            line = f"two layers are called {shown(name)}. Give each covariate a name of its own."
            self.faults.extend(plan_fault(self.plan, line).faults)


def hashed(path: Path, name: str) -> InputFile:
    """Size and SHA-256 of a file that stays on the disk."""
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256")
        return InputFile(name=name, bytes=file.tell(), sha256=digest.hexdigest())
