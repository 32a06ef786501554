"""The page about reviews says what the code does."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from rxmap.read import applied_layer, costs, harvest, samples
from rxmap.review import as_applied, cleaning, grounds, intervals, pressure, words

PAGE = " ".join((Path(__file__).parents[2] / "docs/review.md").read_text(encoding="utf-8").split())


@pytest.mark.parametrize(
    "sentence",
    [
        f"Fewer than {'three' if intervals.FEWEST_PAIRS == 3 else intervals.FEWEST_PAIRS} usable strips",
        f"within {cleaning.SAME_PLACE:g} m",
        f"within {cleaning.HEADLAND:g} m of the boundary",
        f"below {cleaning.FULL_WIDTH:g} of the widest",
        f"more than {cleaning.OUTLYING:g} robust standard deviations",
        f"one is {cleaning.MAD_TO_SD:g} times the median absolute deviation (Hampel 1974), or "
        f"{100 * cleaning.LEAST_SPREAD:g} % of the median",
        f"{grounds.MARGIN:g} m from its sides",
        f"{grounds.END:g} m from its ends",
        f"fewer than {grounds.FEWEST_POINTS} points on it",
        f"within {pressure.BESIDE:g} of its widths",
        f"({applied_layer.POSITION_M:g} m, half a cell of a raster",
        f"plus and minus {100 * as_applied.METERED:g} %",
        f"*yes* from {100 * words.WELL_HIT:g} % of the planned ground on",
    ],
)
def test_the_page_carries_the_constants_of_the_code(sentence):
    assert sentence in PAGE


def test_the_page_names_every_column_item_and_reason():
    named = set(re.findall(r"`(\w+)`", PAGE))
    assert {column for columns in samples.METHODS.values() for column in columns} <= named
    assert {harvest.SPEED, harvest.WIDTH, harvest.MOISTURE, pressure.COLUMN} <= named
    assert costs.ITEMS.keys() <= named
    told = PAGE.replace("extreme speed, extreme yield", "extreme speed | extreme yield")
    assert all(reason in told for reason in cleaning.REASONS)


def test_the_page_names_every_file_and_key(no_paper, sampled, tmp_path):
    from rxmap.review.run import review

    review(sampled.plan, sampled.result, tmp_path / "review")
    named = set(re.findall(r"`([\w.]+)`", PAGE))
    assert {path.name for path in (tmp_path / "review").iterdir()} <= named
    told = json.loads((tmp_path / "review" / "review.json").read_text())
    assert told.keys() - {"field", "cautions", "passes"} <= named
