"""Hours that favour infection, by published rules, for the crops and targets that they were published for.

A rule applies where the crop and the target of the plan bear its names, letter case aside, and nowhere else: other
names are other diseases.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from rxmap.decide.infection_rules import RULES, Day, Rule
from rxmap.records_weather import Infection, WeatherTable

HOURS = 24
DECIMALS = 3  # of a degree Fahrenheit: 70 F must still be 70 after its way through Celsius


def infections(
    table: WeatherTable, crop: str, targets: Sequence[str], sprayed: dt.date | None = None
) -> tuple[Infection, ...]:
    """Apply to each target the rule that was published for it on this crop, if there is one.

    Parameters
    ----------
    table : WeatherTable
        Of hours; days cannot tell what happened within them.
    crop : str
        As the plan names it.
    targets : sequence of str
        As the plan names them.
    sprayed : date, optional
        Spray date; a rule that counts from it needs one.
    """
    if table.step == "day":
        return ()
    pairs = [(target, rule_for(crop, target)) for target in targets]
    return tuple(
        _applied(table, target, rule, sprayed) for target, rule in pairs if rule and not (rule.span and sprayed is None)
    )


def rule_for(crop: str, target: str) -> Rule | None:
    """Rule that was published for a target on a crop.

    Examples
    --------
    >>> rule_for("Potatoes", "late blight").name, rule_for("tomato", "late blight")
    ('late blight of potato', None)
    """
    grown, named = plain(crop), plain(target)
    return next((rule for rule in RULES if grown in rule.crops and named in rule.targets), None)


def plain(name: str) -> str:
    """Name without letter case and double spaces."""
    return " ".join(name.casefold().split())


def _applied(table: WeatherTable, target: str, rule: Rule, sprayed: dt.date | None) -> Infection:
    days, left_out = _whole_days(table, rule, sprayed)
    told = Infection(
        target=target,
        rule=rule.name,
        source=rule.source,
        adds_up=rule.adds_up,
        days=tuple(rule.count(days)),
        left_out=left_out,
        text="no day of the table is whole in what the rule needs.",
    )
    return replace(told, text=rule.words(told)) if days else told


def _whole_days(table: WeatherTable, rule: Rule, sprayed: dt.date | None) -> tuple[list[Day], int]:
    """Cut the table into days of 24 hours that begin as the rule counts; days with a gap are left out."""
    offset = (rule.starts - table.first.hour) % HOURS
    days: list[Day] = []
    left_out, unbroken = 0, False
    for start in range(offset - HOURS if offset else 0, len(table), HOURS):
        date = table.time(start).date()
        if rule.span and sprayed and not rule.span[0] <= (date - sprayed).days < rule.span[1]:
            continue
        if start < 0 or start + HOURS > len(table):
            continue  # the table begins or ends within the day
        span = slice(start, start + HOURS)
        warmth = np.round(table.low[span] * 9 / 5 + 32, DECIMALS)
        known = np.isfinite([warmth, *(getattr(table, name)[span] for name in rule.needs)]).all(axis=0)
        if not known.all():
            left_out, unbroken = left_out + 1, False
            continue
        days.append(
            Day(
                date=date,
                warmth=warmth,
                humidity=table.humidity[span],
                wetness=table.wetness[span],
                forecast=table.is_forecast(start + HOURS - 1),
                follows=unbroken,
            )
        )
        unbroken = True
    return days, left_out
