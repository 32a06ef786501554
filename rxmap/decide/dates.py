"""Dates a grower needs: no entry before, no rain before, harvest from, look again.

They follow from the limits that the user took from the label and from the spray date; where the plan has
no spray date they are waiting times without a date.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Sequence

from rxmap.plan import Label, Product
from rxmap.records import Measure, PassDates
from rxmap.units import Quantity

# Days until a second look, first and last. Common practice, no source: insects show within a week whether
# a treatment worked, a disease only after its latent period.
AFTER_SPRAYING: dict[Measure, tuple[int, int]] = {
    "count": (3, 7),
    "incidence": (14, 21),
    "severity": (14, 21),
    "rating": (14, 21),
}


def pass_dates(products: Sequence[Product], measures: Sequence[Measure], sprayed: dt.date | None) -> PassDates:
    """Dates after one pass; of several products in the tank the longest wait holds.

    Parameters
    ----------
    products : sequence of Product
        In the tank.
    measures : sequence of str
        Of the targets that the pass is for.
    sprayed : date or None
        Day of the application.

    Examples
    --------
    >>> from rxmap.units import Quantity
    >>> label = Label(min="1 L/ha", max="1 L/ha", phi="21 day", rei="12 hour")
    >>> product = Product(name="A", rate="1 L/ha", label=label, cost="1 EUR/L")
    >>> dates = pass_dates([product], ["count"], dt.date(2026, 7, 18))
    >>> dates.no_entry, dates.harvest_from
    ('12 hours after spraying ends on 2026-07-18', '2026-08-08')
    """
    again = [AFTER_SPRAYING[measure] for measure in measures]
    return PassDates(
        no_entry=_hours(products, lambda label: label.rei, sprayed),
        no_rain=_hours(products, lambda label: label.rainfast, sprayed),
        harvest_from=_harvest(products, sprayed),
        look_again=_again(min(first for first, _ in again), max(last for _, last in again), sprayed) if again else None,
    )


def _longest(products: Sequence[Product], limit_of: Callable[[Label], Quantity | None]) -> Quantity | None:
    limits = [limit for product in products if (limit := limit_of(product.label)) is not None]
    return max(limits, key=lambda limit: limit.to("s"), default=None)


def _hours(
    products: Sequence[Product], limit_of: Callable[[Label], Quantity | None], sprayed: dt.date | None
) -> str | None:
    """Count from the hour at which spraying ends: a date alone would let people in at midnight."""
    longest = _longest(products, limit_of)
    if longest is None:
        return None
    return f"{longest.words} after spraying ends" + (f" on {sprayed}" if sprayed else "")


def _harvest(products: Sequence[Product], sprayed: dt.date | None) -> str | None:
    longest = _longest(products, lambda label: label.phi)
    if longest is None:
        return None
    if sprayed is None:
        return f"{longest.words} after spraying"
    return str(sprayed + dt.timedelta(days=math.ceil(longest.to("day"))))


def _again(first: int, last: int, sprayed: dt.date | None) -> str:
    if sprayed is None:
        return f"{first} to {last} days after spraying"
    return f"{sprayed + dt.timedelta(days=first)} to {sprayed + dt.timedelta(days=last)}"
