"""Hours that favour infection, by published rules, for the crops and targets that they were published for.

A rule applies where the crop and the target of the plan bear its names, letter case aside, and nowhere else: other
names are other diseases. What is shipped was read in its source; rules whose figures could not be read are left out.
None of them looks at the field, its inoculum or its variety: they say that weather allowed infection, not that it was
there.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rxmap.records_weather import FavourableDay, Infection, WeatherTable

BoolArray = NDArray[np.bool_]
DAY = 24  # [hour]
DECIMALS = 3  # of a degree Fahrenheit: 70 F must still be 70 after its way through Celsius


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """A published rule: whom it is for, what it needs, and how it reads a table of hours."""

    name: str
    crops: frozenset[str]
    targets: frozenset[str]
    source: str
    needs_humidity: bool
    adds_up: bool
    starts: int  # hour of the clock at which its days begin
    count: Callable[[Sequence[_Day]], list[FavourableDay]]
    words: Callable[[Infection], str]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Day:
    """24 hours without a gap: temperature in degrees Fahrenheit, relative humidity in percent."""

    date: dt.date
    warmth: NDArray[np.float64]
    humidity: NDArray[np.float64]
    forecast: bool
    follows: bool  # on a day without a gap


def infections(table: WeatherTable, crop: str, targets: Sequence[str]) -> tuple[Infection, ...]:
    """Apply to each target the rule that was published for it on this crop, if there is one.

    Parameters
    ----------
    table : WeatherTable
        Of hours; days cannot tell what happened within them.
    crop : str
        As the plan names it.
    targets : sequence of str
        As the plan names them.
    """
    if table.step == "day":
        return ()
    pairs = [(target, rule_for(crop, target)) for target in targets]
    return tuple(_applied(table, target, rule) for target, rule in pairs if rule is not None)


def rule_for(crop: str, target: str) -> Rule | None:
    """Rule that was published for a target on a crop.

    Examples
    --------
    >>> rule_for("Potatoes", "late blight").name, rule_for("tomato", "late blight")
    ('late blight of potato', None)
    """
    grown, named = _plain(crop), _plain(target)
    return next((rule for rule in RULES if grown in rule.crops and named in rule.targets), None)


def _plain(name: str) -> str:
    return " ".join(name.casefold().split())


def _applied(table: WeatherTable, target: str, rule: Rule) -> Infection:
    days, left_out = _whole_days(table, rule)
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


def _whole_days(table: WeatherTable, rule: Rule) -> tuple[list[_Day], int]:
    """Cut the table into days of 24 hours that begin as the rule counts; days with a gap are left out."""
    offset = (rule.starts - table.first.hour) % DAY
    days: list[_Day] = []
    left_out, unbroken = 0, False
    for start in range(offset - DAY if offset else 0, len(table), DAY):
        span = slice(max(start, 0), start + DAY)
        warmth, humidity = np.round(table.low[span] * 9 / 5 + 32, DECIMALS), table.humidity[span]
        known = np.isfinite(warmth) & (np.isfinite(humidity) | (not rule.needs_humidity))
        if known.sum() < DAY:
            left_out, unbroken = left_out + 1, False
            continue
        day, forecast = table.time(start).date(), table.is_forecast(start + DAY - 1)
        days.append(_Day(date=day, warmth=warmth, humidity=humidity, forecast=forecast, follows=unbroken))
        unbroken = True
    return days, left_out


def _celsius(fahrenheit: float) -> float:
    return (fahrenheit - 32) * 5 / 9


def longest_run(hours: BoolArray) -> int:
    """Length of the longest run of true hours.

    Examples
    --------
    >>> longest_run(np.array([True, False, True, True]))
    2
    """
    longest = run = 0
    for each in hours:
        run = run + 1 if each else 0
        longest = max(longest, run)
    return longest


# --- late blight of potato ---

HUMID = 80.0  # [percent] Baker et al. (2002)
# Mean temperature of the humid hours [degree Fahrenheit], least humid hours in 24 for a count of 1, 2, 3, 4.
BLIGHT_BANDS: tuple[tuple[int, int, tuple[int, ...]], ...] = (
    (45, 53, (16, 19, 22)),
    (54, 59, (13, 16, 19, 22)),
    (60, 80, (10, 13, 16, 19)),
)
FIRST_SPRAY = 18  # counted from emergence, the same


def blight_count(hours: float, mean_f: float) -> int:
    """Count of one day from its humid hours and their mean temperature in whole degrees Fahrenheit.

    References
    ----------
    Baker, Kirk, Stein and Andresen (2002), Web-interactive integration of regional weather networks for risk
    management of late blight in potato canopies; the table was read on the page of Michigan State University.

    Examples
    --------
    >>> blight_count(14, 61), blight_count(20, 48), blight_count(19, 68), blight_count(24, 85)
    (2, 2, 4, 0)
    """
    mean = int(np.floor(mean_f + 0.5))
    return next(
        (sum(hours >= least for least in leasts) for low, high, leasts in BLIGHT_BANDS if low <= mean <= high), 0
    )


def _blight(days: Sequence[_Day]) -> list[FavourableDay]:
    told = []
    for day in days:
        humid = day.humidity >= HUMID
        mean = float(day.warmth[humid].mean()) if humid.any() else None
        hours = int(humid.sum())
        told.append(
            FavourableDay(
                date=day.date,
                hours=hours,
                temperature=None if mean is None else _celsius(mean),
                count=0 if mean is None else blight_count(hours, mean),
                forecast=day.forecast,
            )
        )
    return told


def _blight_words(told: Infection) -> str:
    favoured = sum(day.count > 0 for day in told.days)
    return (
        f"{favoured} of {len(told.days)} days, each from noon to noon, were humid (80 % or more) for long enough, and "
        f"warm enough, to let it infect. By the published rule they count {told.total(forecast=True)}; it advises the "
        f"first spray from {FIRST_SPRAY} on, counted from emergence: begin the table there."
    )


# --- powdery mildew of grape ---

WARM_F = (70.0, 85.0)  # [degree Fahrenheit] Gubler et al. (1999)
WARM_HOURS, HOT_F = 6, 95.0  # in a row; the same
START_DAYS, START_COUNT, MOST_COUNT = 3, 60, 100
UP, DOWN, BOTH = 20, -10, 10
HIGH_COUNT, LOW_COUNT = 60, 30


def mildew_count(before: int | None, warm_days: int, *, warm: bool, hot: bool) -> int | None:
    """Count after one more day; None until three warm days in a row have started it.

    Parameters
    ----------
    before : int or None
        Count of the day before.
    warm_days : int
        Warm days in a row, this one included.
    warm, hot : bool
        Whether the day had 6 hours in a row between 70 and 85 degree Fahrenheit, and whether it reached 95.

    References
    ----------
    Gubler, Rademacher, Vasquez and Thomas (1999), Control of powdery mildew using the UC Davis powdery mildew risk
    index, APSnet Features.

    Examples
    --------
    >>> mildew_count(None, 3, warm=True, hot=False), mildew_count(60, 4, warm=True, hot=False)
    (60, 80)
    """
    if before is None:
        return START_COUNT if warm_days >= START_DAYS else None
    change = BOTH if warm and hot else UP if warm else DOWN
    return min(max(before + change, 0), MOST_COUNT)


def _mildew(days: Sequence[_Day]) -> list[FavourableDay]:
    told, count, in_a_row = [], None, 0
    for day in days:
        hours = longest_run((day.warmth >= WARM_F[0]) & (day.warmth <= WARM_F[1]))
        hottest = float(day.warmth.max())
        warm = hours >= WARM_HOURS
        in_a_row = (in_a_row if day.follows else 0) + 1 if warm else 0
        count = mildew_count(count, in_a_row, warm=warm, hot=hottest >= HOT_F)
        told.append(
            FavourableDay(
                date=day.date, hours=hours, temperature=_celsius(hottest), count=count or 0, forecast=day.forecast
            )
        )
    return told


def _mildew_words(told: Infection) -> str:
    warm = sum(day.hours >= WARM_HOURS for day in told.days)
    days = f"{warm} of {len(told.days)} days had 6 hours in a row between 70 and 85 F (21 and 29 C)"
    count = told.total(forecast=True)
    level = "high" if count >= HIGH_COUNT else "low" if count <= LOW_COUNT else "moderate"
    return f"{days}. By the published rule its pressure is {level} at the end of the table, where mildew was found."


# --- leaf spot of peanut ---

SPOT_HUMID, SPOT_F = 95.0, (61.0, 90.0)  # [percent], [degree Fahrenheit] Shew, NC State University
KILLING_F, KILLING_HOURS = 99.0, 5  # in a row, the same
DRY, DRY_HOURS = 40.0, 8  # [percent], in a row, the same
SPOT_SPRAY, SPOT_DAYS = 48, 14  # favourable hours; days that a spray protects; the same


def _spot(days: Sequence[_Day]) -> list[FavourableDay]:
    told, count, hot_run, dry_run = [], 0, 0, 0
    for day in days:
        if not day.follows:
            hot_run = dry_run = 0
        hours = 0
        for warmth, humidity in zip(day.warmth, day.humidity, strict=True):
            hot_run = hot_run + 1 if warmth >= KILLING_F else 0
            dry_run = dry_run + 1 if humidity < DRY else 0
            favours = humidity >= SPOT_HUMID and SPOT_F[0] <= warmth <= SPOT_F[1]
            hours += favours
            count = 0 if hot_run >= KILLING_HOURS or dry_run >= DRY_HOURS else count + favours
        told.append(
            FavourableDay(date=day.date, hours=int(hours), temperature=None, count=int(count), forecast=day.forecast)
        )
    return told


def _spot_words(told: Infection) -> str:
    return (
        f"{told.total(forecast=True)} hours favoured infection (humidity 95 % or more at 61 to 90 F, 16 to 32 C) since "
        f"the table began, or since heat or dryness that kills ended the count. The published rule advises a spray "
        f"from {SPOT_SPRAY} on, unless one of the last {SPOT_DAYS} days protects."
    )


RULES: tuple[Rule, ...] = (
    Rule(
        name="late blight of potato",
        crops=frozenset({"potato", "potatoes"}),
        targets=frozenset({"late blight", "potato late blight", "late blight of potato"}),
        source="Baker et al. 2002, table of Michigan State University",
        needs_humidity=True,
        adds_up=True,
        starts=12,  # a humid night stays whole; our choice
        count=_blight,
        words=_blight_words,
    ),
    Rule(
        name="powdery mildew of grape",
        crops=frozenset({"grape", "grapes", "wine grape", "wine grapes", "table grapes", "grapevine", "vineyard"}),
        targets=frozenset({"powdery mildew", "grape powdery mildew", "powdery mildew of grape"}),
        source="Gubler et al. 1999, APSnet Features",
        needs_humidity=False,
        adds_up=False,
        starts=0,
        count=_mildew,
        words=_mildew_words,
    ),
    Rule(
        name="leaf spot of peanut",
        crops=frozenset({"peanut", "peanuts"}),
        targets=frozenset({"leaf spot", "early leaf spot", "late leaf spot", "peanut leaf spot"}),
        source="Shew, leaf spot advisory, NC State University",
        needs_humidity=True,
        adds_up=False,
        starts=0,
        count=_spot,
        words=_spot_words,
    ),
)
