"""Classes of a surface: where they part, what they are called, and their legend.

Pressure is classed by multiples of the threshold, so that one colour says the same in every
field, and never stretched to the data. The limit that matters lies between two classes: the map
draws it as a line and the legend marks it.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from rxmap.records import TargetResult
from rxmap.show import ramp, text

PRESSURE_STEPS = (0.25, 0.5, 1.0, 1.5, 2.0, 3.0)  # times the threshold
CHANCE_BREAKS = (0.05, 0.25, 0.5, 0.75, 0.95)
CHANCE_WORDS = ("surely below", "likely below", "rather below", "rather above", "likely above", "surely above")
LIMIT = {"stroke": "#000000", "weight": 2.5, "halo": "#ffffff"}  # black on white: seen on every class


@dataclass(frozen=True, kw_only=True)
class Scale:
    """How the values of a surface become classes.

    Parameters
    ----------
    title : str
        Head of the legend, with the unit.
    breaks : list of float
        Where the classes part, rising.
    names : list of str
        Classes, lowest first; one more than `breaks`.
    colours : list of str
        Their colours.
    limit : float
        The break that the map draws as a line.
    limit_name : str
        What the legend calls it.
    """

    title: str
    breaks: list[float]
    names: list[str]
    colours: list[str]
    limit: float
    limit_name: str

    def place(self, value: float) -> int:
        """Class that a value falls into."""
        return int(np.digitize(value, self.breaks))

    def legend(self, here: int | None = None, *, holds: str = "all of the field") -> dict[str, Any]:
        """Legend, highest class on top; `here` is the one class that is drawn, and `holds` says what it covers."""
        items: list[dict[str, Any]] = [
            {"style": {"fill": colour}, "text": f"{name} ({holds})" if at == here else name}
            for at, (name, colour) in enumerate(zip(self.names, self.colours, strict=True))
        ]
        items.insert(self.breaks.index(self.limit) + 1, {"style": LIMIT, "text": self.limit_name, "limit": True})
        return {"title": self.title, "items": items[::-1]}


def pressure_scale(target: TargetResult) -> Scale:
    """Class the pressure of a target; a percentage ends at 100."""
    breaks = [step * target.threshold for step in PRESSURE_STEPS]
    if target.unit == "percent":
        breaks = [each for each in breaks if each < 100 or each == target.threshold]
    edges = [text.number(each) for each in breaks]
    between = [f"{low} to {high}" for low, high in pairwise(edges)]
    names = [f"under {edges[0]}", *between, f"{edges[-1]} and more"]
    return Scale(
        title=f"Pressure, {'%' if target.unit == 'percent' else text.safe(target.unit)}",
        breaks=breaks,
        names=names,
        colours=ramp.PRESSURE[: len(names)],
        limit=target.threshold,
        limit_name=f"threshold {text.pressure(target.threshold, target.unit)}",
    )


def chance_scale(target: TargetResult) -> Scale:
    """Class the probability that the pressure is above the threshold, about an even chance."""
    edges = ["0", *(f"{100 * each:.0f}" for each in CHANCE_BREAKS), "100"]
    return Scale(
        title=f"Chance that pressure is above {text.pressure(target.threshold, target.unit)}",
        breaks=list(CHANCE_BREAKS),
        names=[f"{word}: {low} to {high} %" for word, low, high in zip(CHANCE_WORDS, edges, edges[1:], strict=False)],
        colours=ramp.CHANCE,
        limit=0.5,
        limit_name="even chance",
    )
