"""The words of failure and caution.

::

    RxmapError
    |-- InputError      a file, row, key or value the user can mend        (exit 2)
    |   `-- PlanError   the plan itself
    |-- OutputError     the result folder cannot be written where asked    (exit 2)
    `-- CheckError      a result refused by its own checks                 (exit 3)

Every message says what was found, where, and what to do. One `RxmapError` can carry several
faults, because a file with nine mistakes should not cost nine runs.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

MOST_FAULTS_SHOWN = 10  # design rule: ten lines at most, then how many more


class RxmapError(Exception):
    """Root of everything `rxmap` raises on purpose.

    Parameters
    ----------
    faults : str or sequence of str
        One line each: what was found, where, what to do.
    """

    def __init__(self, faults: str | Sequence[str]) -> None:
        self.faults: tuple[str, ...] = (faults,) if isinstance(faults, str) else tuple(faults)
        super().__init__("\n".join(self.lines()))

    def __reduce__(self) -> tuple[type[RxmapError], tuple[tuple[str, ...]]]:
        return type(self), (self.faults,)  # else another process would get all faults as one

    def lines(self) -> list[str]:
        """Lines to show: the first ten faults, then how many more there are."""
        shown = [printable(fault) for fault in self.faults[:MOST_FAULTS_SHOWN]]
        more = len(self.faults) - MOST_FAULTS_SHOWN
        return [*shown, f"and {more} more"] if more > 0 else shown


class InputError(RxmapError, ValueError):
    """An input that the user can mend: a file, a row, a column, a value."""


class PlanError(InputError):
    """The plan file itself: a key, a value, or two that contradict each other."""


class OutputError(RxmapError, OSError):
    """The result folder cannot be written where and how it was asked for."""

    def __str__(self) -> str:  # OSError would drop a single argument's formatting
        return "\n".join(self.lines())


class CheckError(RxmapError):
    """A result that its own checks refuse; nothing of it is published."""


class Faults:
    """Collect the faults of one input, then raise them together.

    Examples
    --------
    >>> faults = Faults()
    >>> faults.add("stops.csv: row 3, column n: found 'ten'. Write a whole number.")
    >>> faults.raise_if_any()
    Traceback (most recent call last):
    ...
    rxmap.errors.InputError: stops.csv: row 3, column n: found 'ten'. Write a whole number.
    """

    def __init__(self) -> None:
        self.lines: list[str] = []

    def add(self, line: str) -> None:
        """Note one fault."""
        self.lines.append(line)

    def extend(self, lines: Iterable[str]) -> None:
        """Note several faults."""
        self.lines.extend(lines)

    def raise_if_any(self, kind: type[InputError] = InputError) -> None:
        """Raise one error of `kind` that carries all faults, if there are any."""
        if self.lines:
            raise kind(self.lines)


@dataclass(frozen=True, slots=True, order=True)
class Caution:
    """Something the reader must know; it reaches the screen, the map, the summary and the record.

    Parameters
    ----------
    code : str
        Short and stable, such as ``few_stops`` or ``image_not_used: NDVI``.
    text : str
        One or two plain sentences.
    """

    code: str
    text: str


def printable(text: str, most: int = 600) -> str:
    r"""Text from a file made safe for a terminal: no control or direction characters, bounded length.

    Examples
    --------
    >>> printable("row 3: \x1b[31mred")
    'row 3: \\x1b[31mred'
    """
    safe = "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)
    return safe if len(safe) <= most else safe[: most - 3] + "..."


def shown(value: object, most: int = 60) -> str:
    """Quote a value found in an input as the input writes it, cut at `most` characters.

    Examples
    --------
    >>> shown("ten")
    "'ten'"
    """
    text = printable(str(value).lower() if isinstance(value, bool) else str(value), most)
    return f"'{text}'"
