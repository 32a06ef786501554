"""Published rules for infection: whom each is for, what it needs of a day, and what it says.

Only rules whose figures were read in their source are here. None of them looks at the field, its inoculum or its
variety: they say that weather allowed infection, not that it was there.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rxmap.grid import FloatArray
from rxmap.records_weather import FavourableDay, Infection

BoolArray = NDArray[np.bool_]
CORN = frozenset({"corn", "maize", "field corn", "grain corn", "sweet corn"})
WHEAT = frozenset({"wheat", "winter wheat", "spring wheat", "durum wheat"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """A published rule: its names, what it needs, and how it reads the days of a table.

    Parameters
    ----------
    name, source : str
        What it is for, and who published it.
    crops, targets : frozenset of str
        Names of the plan that it applies to, in lower case.
    needs : tuple of str
        What a day must have without a gap, beside the temperature.
    adds_up : bool
        Whether the counts of the days are added; otherwise each already holds those before it.
    starts : int
        Hour of the clock at which its days begin.
    span : (int, int) or None
        Days from the spray date that it looks at, the last not included; None for all days.
    count : callable
        Days to what each brings.
    words : callable
        What it says of them.
    """

    name: str
    crops: frozenset[str]
    targets: frozenset[str]
    source: str
    needs: tuple[str, ...]
    adds_up: bool
    starts: int
    count: Callable[[Sequence[Day]], list[FavourableDay]]
    words: Callable[[Infection], str]
    span: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """24 hours without a gap in what a rule needs.

    Parameters
    ----------
    date : date
        Of its first hour.
    warmth, humidity, wetness : ndarray, shape (24,) [degree Fahrenheit], [percent], [hour]
        Of its hours.
    forecast : bool
        Whether any of it is a forecast.
    follows : bool
        Whether the day before has no gap either.
    """

    date: dt.date
    warmth: FloatArray
    humidity: FloatArray
    wetness: FloatArray
    forecast: bool
    follows: bool


def _celsius(fahrenheit: float) -> float:
    return (fahrenheit - 32) * 5 / 9


def _told(day: Day, hours: float, count: int, warmth: float | None = None) -> FavourableDay:
    """Say what a day brings; `warmth` in degrees Fahrenheit is what the rule looks at."""
    temperature = None if warmth is None else _celsius(warmth)
    return FavourableDay(date=day.date, hours=hours, temperature=temperature, count=count, forecast=day.forecast)


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


def _blight(days: Sequence[Day]) -> list[FavourableDay]:
    told = []
    for day in days:
        humid = day.humidity >= HUMID
        mean = float(day.warmth[humid].mean()) if humid.any() else None
        hours = int(humid.sum())
        told.append(_told(day, hours, 0 if mean is None else blight_count(hours, mean), mean))
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
WARM_HOURS, HOT_C = 6, 35.0  # in a row; [degree Celsius] 95 F, exactly; the same
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


def _mildew(days: Sequence[Day]) -> list[FavourableDay]:
    told, count, in_a_row = [], None, 0
    for day in days:
        hours = longest_run((day.warmth >= WARM_F[0]) & (day.warmth <= WARM_F[1]))
        hottest = float(day.warmth.max())
        warm = hours >= WARM_HOURS
        in_a_row = (in_a_row if day.follows else 0) + 1 if warm else 0
        count = mildew_count(count, in_a_row, warm=warm, hot=round(_celsius(hottest), 3) >= HOT_C)
        told.append(_told(day, hours, count or 0, hottest))
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


def _spot(days: Sequence[Day]) -> list[FavourableDay]:
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
        told.append(_told(day, int(hours), int(count)))
    return told


def _spot_words(told: Infection) -> str:
    return (
        f"{told.total(forecast=True)} hours favoured infection (humidity 95 % or more at 61 to 90 F, 16 to 32 C) since "
        f"the table began, or since heat or dryness that kills ended the count. The published rule advises a spray "
        f"from {SPOT_SPRAY} on, unless one of the last {SPOT_DAYS} days protects."
    )


# --- tar spot of corn ---

WET_HOURS, BEST_C = 7, (17, 22)  # [hour] a night, [degree Celsius] monthly mean: Webster et al. (2023), introduction


def _tar_spot(days: Sequence[Day]) -> list[FavourableDay]:
    wet = [round(float(day.wetness.sum()), 2) for day in days]
    return [
        _told(day, hours, int(hours >= WET_HOURS), float(day.warmth.mean()))
        for day, hours in zip(days, wet, strict=True)
    ]


def _tar_spot_words(told: Infection) -> str:
    mean = float(np.mean([day.temperature for day in told.days if day.temperature is not None]))
    return (
        f"in {told.total(forecast=True)} of {len(told.days)} nights, each from noon to noon, leaves were wet for "
        f"{WET_HOURS} hours or more; the mean temperature was {mean:.0f} C ({mean * 9 / 5 + 32:.0f} F). It is "
        f"reported to do best with such nights, monthly means of {BEST_C[0]} to {BEST_C[1]} C (63 to 72 F) and "
        "humidity above 75 %."
    )


# --- head blight of wheat ---

HEAD_C, HEAD_HUMID = (15.0, 30.0), 90.0  # [degree Celsius], [percent] De Wolf, Madden and Lipps (2003)
FLOWERING = (0, 10)  # [day] from the start of flowering, the same


def _head_blight(days: Sequence[Day]) -> list[FavourableDay]:
    told = []
    for day in days:
        celsius = np.round((day.warmth - 32) * 5 / 9, 2)
        hours = int(((celsius >= HEAD_C[0]) & (celsius <= HEAD_C[1]) & (day.humidity >= HEAD_HUMID)).sum())
        told.append(_told(day, hours, hours))
    return told


def _head_blight_words(told: Infection) -> str:
    return (
        f"{told.total(forecast=True)} hours between 15 and 30 C (59 and 86 F) with humidity at 90 % or more in "
        f"{len(told.days)} of the {FLOWERING[1]} days from the spray date on. Epidemics were told best by such hours "
        f"in the {FLOWERING[1]} days from flowering: read it so only if the crop begins to flower that day. No chance "
        "follows from it."
    )


RULES: tuple[Rule, ...] = (
    Rule(
        name="late blight of potato",
        crops=frozenset({"potato", "potatoes"}),
        targets=frozenset({"late blight", "potato late blight", "late blight of potato"}),
        source="Baker et al. 2002, table of Michigan State University",
        needs=("humidity",),
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
        needs=(),
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
        needs=("humidity",),
        adds_up=False,
        starts=0,
        count=_spot,
        words=_spot_words,
    ),
    Rule(
        name="tar spot of corn",
        crops=CORN,
        targets=frozenset({"tar spot", "corn tar spot", "tar spot of corn"}),
        source="Webster et al. 2023, Scientific Reports 13:17064",
        needs=("wetness",),
        adds_up=True,
        starts=12,
        count=_tar_spot,
        words=_tar_spot_words,
    ),
    Rule(
        name="head blight of wheat",
        crops=WHEAT,
        targets=frozenset({"fusarium head blight", "head blight", "head scab", "fusarium head scab"}),
        source="De Wolf et al. 2003, Phytopathology 93:428-435",
        needs=("humidity",),
        adds_up=True,
        starts=0,
        count=_head_blight,
        words=_head_blight_words,
        span=FLOWERING,
    ),
)
