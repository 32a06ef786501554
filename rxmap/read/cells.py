"""Cells to values: one narrow notation each. A `ValueError` carries what to write instead."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from typing import Literal

MOST_UNITS = 1_000_000  # our limit on counts and sample units: more is a slip of the hand
YEARS = range(2000, 2101)  # our limit: others are a slip of the hand

# Class bounds 0, 0-3, 3-6, 6-12, 12-25, 25-50, 50-75, 75-87, 87-94, 94-97, 97-100, 100 percent of
# Horsfall and Barratt (1945), An improved grading system for measuring plant diseases,
# Phytopathology 35:655 (from memory); a class stands for its midpoint.
HORSFALL_BARRATT = dict(
    zip(map(str, range(1, 13)), (0.0, 1.5, 4.5, 9.0, 18.5, 37.5, 62.5, 81.0, 90.5, 95.5, 98.5, 100.0), strict=True)
)

_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")


def number(text: str, mark: str = ".") -> float:
    """Read a plain decimal number.

    Examples
    --------
    >>> number("-3.5"), number("3,5", ",")
    (-3.5, 3.5)
    """
    if re.fullmatch(rf"-?[0-9]{{1,15}}(?:{re.escape(mark)}[0-9]+)?", text) is None:
        example = f"12{mark}5"
        raise ValueError(f"not a plain number. Write one such as {example}, without units or signs")
    return float(text.replace(",", "."))


def whole(text: str, mark: str = ".") -> int:
    """Read a whole number that is not negative; ``3.0`` is one.

    Examples
    --------
    >>> whole("12"), whole("3.0")
    (12, 3)
    """
    match = re.fullmatch(rf"([0-9]{{1,15}})(?:{re.escape(mark)}(0+))?", text)
    if match is None:
        raise ValueError("not a whole number of 0 or more. Write one such as 12")
    value = int(match[1])
    if value and len(match[2] or "") == 3:
        raise ValueError(f"could be {match[1]} or {match[1]}000. Write it without a mark")
    if value > MOST_UNITS:
        raise ValueError(f"more than {MOST_UNITS}. Check it")
    return value


def at_least_one(text: str, mark: str = ".") -> int:
    """Read how many sample units were looked at."""
    value = whole(text, mark)
    if value < 1:
        raise ValueError("nothing was looked at. Write 1 or more, or remove the row")
    return value


def percent(text: str, mark: str = ".") -> float:
    """Read a percentage, 0 to 100."""
    value = number(text, mark)
    if not 0 <= value <= 100:
        raise ValueError("not a percentage. Write 0 to 100")
    return value


def score(text: str, mark: str = ".") -> float:
    """Read a rating without a scale: a number of 0 or more."""
    value = number(text, mark)
    if not 0 <= value <= MOST_UNITS:
        raise ValueError(f"not a score. Write 0 to {MOST_UNITS}")
    return value


def rating(text: str, scale: Literal["horsfall-barratt"] | Mapping[str, float], mark: str = ".") -> float:
    """Percent that a class of a rating scale stands for.

    Examples
    --------
    >>> rating("4", "horsfall-barratt"), rating("b", {"a": 0.0, "b": 12.5})
    (9.0, 12.5)
    """
    percents = HORSFALL_BARRATT if scale == "horsfall-barratt" else scale
    plain = re.sub(rf"{re.escape(mark)}0+$", "", text)
    for name in (text, plain):
        if name in percents:
            return float(percents[name])
    raise ValueError(f"not a class of the scale. Write one of {', '.join(percents)}")


def day(text: str, mark: str = ".") -> dt.date:
    """Read an ISO date; day and month in another order cannot be told apart.

    References
    ----------
    ISO 8601-1:2019, calendar date in extended format.

    Examples
    --------
    >>> day("2026-07-03")
    datetime.date(2026, 7, 3)
    """
    advice = "Write the local day as 2026-07-18 (year-month-day)"
    if _DAY.fullmatch(text) is None:
        raise ValueError(f"not an ISO date. {advice}")
    try:
        value = dt.date.fromisoformat(text)
    except ValueError:
        raise ValueError(f"no such day. {advice}") from None
    if value.year not in YEARS:
        raise ValueError(f"the year is not between {YEARS[0]} and {YEARS[-1]}. Check it")
    return value


def edge(text: str, mark: str = ".") -> bool:
    """Read whether a stop belongs to the edge: 1 or 0."""
    if re.fullmatch(rf"[01](?:{re.escape(mark)}0+)?", text) is None:
        raise ValueError("not 1, 0 or blank. Write 1 for a stop at the edge")
    return text.startswith("1")
