"""All cases, and the classes of awkward input that they stand for."""

from __future__ import annotations

import random
import tempfile
from functools import cache
from pathlib import Path

import case_layers
import case_plans
import case_rasters
import case_solved
import case_tables
from setting import Case, Folder

from rxmap.pipeline import check
from rxmap.records import Inputs

CASES: list[Case] = [
    *case_tables.CASES,
    *case_layers.CASES,
    *case_rasters.CASES,
    *case_plans.CASES,
    *case_solved.CASES,
]

# The same list stands in docs/reliability.md.
CLASSES = dict(
    enumerate(
        (
            "encoding of a table", "delimiter, decimal mark, line ends", "header", "empty, or not a table",
            "shape of rows",
            "axes and signs", "notation of coordinates", "quality of coordinates", "duplicates", "layout of the stops",
            "values without a pattern, or uneven", "not a number", "outside its domain or scale",
            "measures and targets",
            "identity of a stop", "dates", "hostile text", "many faults, many rows", "JSON", "kinds of geometry",
            "coordinate system of the stops", "containers and their parts", "XML", "archives",
            "harmless forms of a boundary", "invalid boundaries", "shape and size of a boundary", "several pieces",
            "systems and places", "contradictions of a boundary", "names of a field", "place of an image",
            "missing pixels", "cover and grain of an image", "bands and number types", "damaged or absurd images",
            "images that steer", "names of files", "not a readable file", "place of the output", "resources",
            "interruption", "surroundings", "form and keys of a plan", "numbers and sizes of a plan",
            "contradictions of a plan", "units of a plan", "references and text of a plan",
        ),
        start=1,
    )
)  # fmt: skip
WHOLE_COMMANDS = {40, 41, 42, 43}  # show only from outside: test_commands.py here, tests/test_cli.py, tests/write


@cache
def clean_form() -> Inputs:
    """What the sound folder gives."""
    with tempfile.TemporaryDirectory() as path:
        return check(Folder(Path(path), random.Random(0)).plan_path)[1]
