"""What the overview of many fields is made of: one line for each field, and what they add up to."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from typing import Literal

from shapely.geometry.base import BaseGeometry

from rxmap.records import DecisionKind

Units = Literal["us", "metric"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PassLine:
    """What one pass of a field does."""

    name: str
    decision: DecisionKind
    treated_ha: float
    reason: str
    next_look: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldLine:
    """A finished field.

    Parameters
    ----------
    plan, slug : str
        Path of its plan below the folder, and the name of its result folder.
    treated_ha : float [ha]
        Ground to drive over: a field with two passes counts twice.
    share : float
        Of the field, in the pass that treats most of it.
    decision : str or None
        The finest of its passes: `map` before `all` before `none`; None without a product.
    map, all, none : float or None
        Expected gain over treating nothing, scouting included [currency].
    outline : Polygon or MultiPolygon
        WGS84.
    """

    plan: str
    slug: str
    name: str
    crop: str
    units: Units
    area_ha: float
    treated_ha: float
    share: float
    decision: DecisionKind | None
    passes: tuple[PassLine, ...]
    currency: str | None
    map: float | None
    all: float | None
    none: float | None
    cautions: tuple[str, ...]
    outline: BaseGeometry = dataclass_field(repr=False)

    @property
    def chosen(self) -> float | None:
        """Expected gain of what was decided, scouting included [currency]."""
        return {"map": self.map, "all": self.all, "none": self.none}[self.decision] if self.decision else None

    @property
    def over_none(self) -> float | None:
        """Gain of the decision over staying at home: scouting is paid either way [currency]."""
        return _less(self.chosen, self.none)

    @property
    def over_all(self) -> float | None:
        """Gain of the decision over treating all [currency]."""
        return _less(self.chosen, self.all)

    @property
    def worth(self) -> float | None:
        """Gain over staying at home for each hectare treated [currency/ha]; None where nothing is treated."""
        return self.over_none / self.treated_ha if self.over_none is not None and self.treated_ha > 0 else None

    @property
    def goes_out(self) -> bool:
        """Whether a machine drives there."""
        return self.decision in ("map", "all")


def _less(value: float | None, other: float | None) -> float | None:
    return None if value is None or other is None else value - other


@dataclass(frozen=True, slots=True, kw_only=True)
class NotDone:
    """A field without a result of this run, and why."""

    plan: str
    slug: str
    state: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderLine:
    """What all fields need of one product in one size of pack.

    Parameters
    ----------
    total : float
        In the tanks, what stays in tank and hoses included [unit].
    packs : int or None
        None without a pack in the plans.
    left : float or None
        In the last pack [unit].
    fields : int
        That get it.
    """

    product: str
    total: float
    unit: str
    pack: str | None
    packs: int | None
    left: float | None
    fields: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonLine:
    """A product on a field against the season's limits on its label.

    Parameters
    ----------
    limit, before, now : float or None, float, float
        Season's most on the label, applied earlier, and the highest rate of this pass [unit].
    times, most_times : int, int or None
        Applications with this pass, and the label's most.
    room : bool
        Whether one more at the same rate stays within both limits.
    """

    product: str
    slug: str
    field: str
    unit: str
    limit: float | None
    before: float
    now: float
    times: int
    most_times: int | None
    room: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Overview:
    """All fields of a run, those worth most per treated hectare first.

    Parameters
    ----------
    notes : tuple of str
        What the reader must know beside the fields, one sentence each.
    """

    fields: tuple[FieldLine, ...]
    not_done: tuple[NotDone, ...]
    orders: tuple[OrderLine, ...]
    seasons: tuple[SeasonLine, ...]
    notes: tuple[str, ...] = ()

    @property
    def units(self) -> Units:
        """Units of the page: those of the plans where they agree, else metric."""
        asked = {line.units for line in self.fields}
        return asked.pop() if len(asked) == 1 else "metric"

    @property
    def currencies(self) -> tuple[str, ...]:
        """Currencies of the plans."""
        return tuple(sorted({line.currency for line in self.fields if line.currency}))

    def money(self, currency: str) -> dict[str, float]:
        """Add up one currency over the fields that have money: as decided, all, none."""
        counted = [line for line in self.fields if line.currency == currency]
        columns = {"decided": "chosen", "all": "all", "none": "none"}
        return {
            name: math.fsum(value for line in counted if (value := getattr(line, attribute)) is not None)
            for name, attribute in columns.items()
        }

    def decisions(self) -> Counter[str]:
        """How many fields there are of each decision."""
        return Counter(line.decision or "no product" for line in self.fields)


def by_worth(lines: Iterable[FieldLine]) -> list[FieldLine]:
    """Put fields into the order in which a trip is worth most.

    Gain over staying at home for each treated hectare, high to low, within a currency: sums of two currencies are
    not compared. Then fields that go out without money in their plan, then those that stay at home.
    """

    def key(line: FieldLine) -> tuple[int, str, float, str]:
        if not line.goes_out:
            return 2, "", 0.0, line.slug
        if line.worth is None:
            return 1, "", 0.0, line.slug
        return 0, line.currency or "", -line.worth, line.slug

    return sorted(lines, key=key)


def ranks(lines: Sequence[FieldLine]) -> list[int | None]:
    """Rank of each field within its currency; None where a trip has no known worth."""
    seen: Counter[str | None] = Counter()
    out: list[int | None] = []
    for line in lines:
        known = line.goes_out and line.worth is not None
        seen[line.currency] += known
        out.append(seen[line.currency] if known else None)
    return out
