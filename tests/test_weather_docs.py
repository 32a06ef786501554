"""docs/weather.md against the code: columns, names, limits."""

from __future__ import annotations

import re
from pathlib import Path

from rxmap.decide import windows
from rxmap.decide.infection_rules import RULES
from rxmap.decide.weather import WARMTHS
from rxmap.read.weather import KNOWN

PAGE = (Path(__file__).parent.parent / "docs/weather.md").read_text(encoding="utf-8")


def table(heading: str) -> list[list[str]]:
    """Rows of the table of a section, without its head."""
    text = PAGE.split(f"\n## {heading}\n")[1].split("\n## ")[0]
    rows = [line.strip("| ").split(" | ") for line in text.splitlines() if line.startswith("|")]
    return rows[2:]


def names(cell: str) -> set[str]:
    return set(re.findall(r"`([^`]+)`", cell))


def test_every_column_is_listed():
    assert set.union(*(names(row[0]) for row in table("The table"))) == set(KNOWN)


def test_every_rule_is_listed_with_its_names_and_source():
    rows = {row[-1]: row for row in table("Hours that favour infection")}
    assert rows.keys() == {rule.source for rule in RULES}
    for rule in RULES:
        assert (names(rows[rule.source][0]), names(rows[rule.source][1])) == (set(rule.crops), set(rule.targets))


def test_every_crop_with_degree_days_is_listed_with_its_limits():
    for row, warmth in zip(table("Degree days"), WARMTHS, strict=True):
        assert names(row[0]) == set(warmth.names)
        assert row[1].startswith(f"{warmth.base:g} C")
        assert row[2].startswith("none" if warmth.upper is None else f"{warmth.upper:g} C")


def test_the_limits_of_a_spray_window_are_those_of_the_code():
    limits = " ".join(cell for row in table("Spray windows") for cell in row)
    low, high = (f"{end:.1f}" for end in windows.WIND_MS)
    for words in (
        f"({low} to {high} m/s)",
        f"above {windows.HOT_C:g} C with humidity below {windows.DRY_PCT:g} %",
        f"from {windows.NIGHT}:00 to {windows.DAYBREAK}:00",
        f"{windows.SHORTEST} hours in a row",
    ):
        assert words in limits
    assert f"before {windows.MORNING}:00 or end after {windows.EVENING}:00" in PAGE
