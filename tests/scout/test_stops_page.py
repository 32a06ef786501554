"""docs/stops.md carries the constants of the code."""

from __future__ import annotations

from pathlib import Path

from rxmap.scout import following, need, order, places, tally, value

PAGE = Path(__file__).parent.parent.parent / "docs/stops.md"


def test_stops_page_carries_the_constants_of_the_code():
    text = " ".join(PAGE.read_text(encoding="utf-8").split())
    one_in = round(1 / places.PAIR_SHARE)
    sentences = [
        f"a standard error of {100 * need.PRECISION:.0f} % of the mean",
        f"`k = {need.CLUMPING:.2f}`",
        f"variance {need.BETWEEN:.1f} on the logit scale",
        f"`a = {need.TAYLOR[0]:g}`, `b = {need.TAYLOR[1]:g}`",
        f"looking at {need.WALK_OVER_UNIT:.0f} units (judgement); at least {need.LEAST_UNITS},",
        f"not walked closer than {need.LEAST_SPACING:.0f} m",
        f"fewer than {need.FEWEST_STOPS} stops",
        f"From {places.FEWEST_FOR_PAIRS} stops on one in {'ten' if one_in == 10 else one_in} stands",
        f"at least {places.LEAST_PAIR:.0f} m",
        f"keep {places.EDGE_MARGIN:.0f} m off the boundary",
        f"between {100 * (1 - tally.APART):.0f} and {100 * (1 + tally.APART):.0f} % of the threshold",
        f"drawn {value.DRAWS:,} times",
        f"turns a call reaches {100 * following.TURNS:.0f} %",
    ]
    assert [sentence for sentence in sentences if sentence not in text] == []
    assert "counts as four" in text
    assert order.DETOUR == 3.0  # beside its own length
    assert "five are weighed" in text
    assert following.BATCH == 5
