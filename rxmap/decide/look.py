"""How close a target is to acting, and when to look again: for a pass that stays at home."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rxmap.decide.benefit import Stake
from rxmap.decide.options import PassOption
from rxmap.grid import Grid

CLOSE = 0.5  # share of the threshold; judgement, no source


def next_look(option: PassOption, stakes: Sequence[Stake], grid: Grid) -> str:
    """Say how close the nearest target of a pass is, and when to look again.

    Intervals of 3 to 7 days where it is close and 7 to 14 days where it is not are common practice,
    no source; a fast pest or wet weather asks for less.
    """
    mine = [s for s in stakes if s.name in option.control]
    if not mine:
        return ""
    area = grid.share[grid.inside]
    ratio, nearest = max((float(np.average(s.mean, weights=area)) / s.threshold, s.name) for s in mine)
    days = "3 to 7" if ratio >= CLOSE else "7 to 14"
    return f"{nearest} is at {ratio:.0%} of its threshold on average; look again in {days} days (common practice)"
