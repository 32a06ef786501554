"""What a check says: a finding for each thing that is wrong, or that it was proved."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Report:
    """Outcome of `verify`.

    Parameters
    ----------
    findings : tuple of str
        One line each: file, feature or row, what was found, what it should be.
    checked : tuple of str
        What was proved, in plain words.

    Examples
    --------
    >>> Report(findings=("stops.geojson: is missing",), checked=()).ok
    False
    """

    findings: tuple[str, ...]
    checked: tuple[str, ...]

    @property
    def ok(self) -> bool:
        """Whether nothing was found."""
        return not self.findings


class Unreadable(Exception):  # noqa: N818 - it carries a finding, it is not an error of the program
    """A file that a check needs cannot be read; the text is the finding."""
