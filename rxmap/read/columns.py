"""The columns of the scouting file: which there must be, and names that come too close to them."""

from __future__ import annotations

import difflib
from collections.abc import Sequence

from rxmap.errors import shown
from rxmap.records import Measure

REQUIRED = ("stop", "lon", "lat", "target")
MEASURES: dict[str, Measure] = {
    "count": "count",
    "positives": "incidence",
    "severity_pct": "severity",
    "rating": "rating",
}  # column: what it measures
COLUMN_OF: dict[Measure, str] = {measure: column for column, measure in MEASURES.items()}
KNOWN = (*REQUIRED, "date", "n", *MEASURES, "edge", "note")

SHORTEST_NEAR_MISS = 5  # [letter] below, everything is two edits from everything
EDITS = 2
# English words that are two edits from a column and may well head one of the user's own.
COMMON_WORDS = frozenset(
    "carpet coast coating could country county court fount grating having id joint large market mount notes point "
    "points position positions raining ration wanting".split()
)
OTHER_WORDS = {
    "id": "stop", "stop_id": "stop", "name": "stop", "longitude": "lon", "long": "lon", "lng": "lon", "x": "lon",
    "latitude": "lat", "y": "lat", "pest": "target", "disease": "target", "species": "target",
    "severity": "severity_pct", "percent": "severity_pct", "total": "count", "plants": "n",
}  # fmt: skip


def canonical(name: str) -> str:
    """Name of a column without outer spaces and letter case."""
    return name.strip().casefold()


def header_faults(header: Sequence[str]) -> list[str]:
    """Faults of a header, without the file: columns twice, near misses, required ones missing.

    Examples
    --------
    >>> header_faults(["Stop", "lon", "latitude", "target"])
    ["column 'lat' is missing. Is it 'latitude'? Then rename that."]
    """
    names = [canonical(name) for name in header]
    if not set(names) & set(KNOWN):
        return [f"row 1 is no header: it has none of the columns {', '.join(REQUIRED)}. Add a header."]
    faults = [
        f"column {shown(name)} stands twice. Remove or rename one."
        for name in dict.fromkeys(names)
        if name and names.count(name) > 1
    ]
    faults += [
        f"column {shown(name)} is close to '{near}'. Write '{near}', or give it another name."
        for name in names
        if (near := near_miss(name)) is not None
    ]
    return faults + [missing(column, header) for column in REQUIRED if column not in names]


def missing(column: str, header: Sequence[str]) -> str:
    """Say that a column is missing, and which of the header it may be."""
    names = [canonical(name) for name in header]
    likely = next((name for name in names if OTHER_WORDS.get(name) == column), None)
    likely = likely or next(iter(difflib.get_close_matches(column, names, 1, 0.6)), None)
    hint = f"Is it {shown(likely)}? Then rename that." if likely else "Add it."
    return f"column '{column}' is missing. {hint}"


def near_miss(name: str) -> str | None:
    """Known column that a name comes too close to, if any.

    Examples
    --------
    >>> near_miss("ratng"), near_miss("rating"), near_miss("notes")
    ('rating', None, None)
    """
    if name in KNOWN or name in COMMON_WORDS or len(name) < SHORTEST_NEAR_MISS:
        return None
    long_names = (known for known in KNOWN if len(known) >= SHORTEST_NEAR_MISS)
    return next((known for known in long_names if edits(name, known) <= EDITS), None)


def edits(one: str, other: str) -> int:
    """Fewest insertions, deletions and replacements of a letter that turn one word into the other.

    References
    ----------
    Wagner and Fischer (1974), The string-to-string correction problem, J. ACM 21:168-173.

    Examples
    --------
    >>> edits("kitten", "sitting")
    3
    """
    row = list(range(len(other) + 1))
    for i, letter in enumerate(one, start=1):
        above, row = row, [i]
        for j, against in enumerate(other, start=1):
            row.append(min(above[j] + 1, row[-1] + 1, above[j - 1] + (letter != against)))
    return row[-1]
