"""Weather beside the map: the table as it was read, and what follows from it for targets and passes.

Times are those of the local clock, without a zone: none is given and none is guessed.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from rxmap.errors import Caution
from rxmap.grid import FloatArray

Step = Literal["hour", "day"]
STEPS: dict[Step, dt.timedelta] = {"hour": dt.timedelta(hours=1), "day": dt.timedelta(days=1)}


@dataclass(frozen=True, slots=True, kw_only=True)
class WeatherTable:
    """Hours or days without a gap in time; NaN where the file says nothing.

    Parameters
    ----------
    name : str
        The file.
    step : str
        What a row speaks for: the hour or the day that begins at its time.
    first : datetime
        Start of the first row.
    low, high : ndarray, shape (n,) [degree Celsius]
        Lowest and highest temperature of a day; of an hour both are its temperature.
    humidity : ndarray, shape (n,) [percent]
        Relative humidity.
    wetness : ndarray, shape (n,) [hour]
        How long the leaves were wet.
    rain : ndarray, shape (n,) [mm]
        Fallen in the hour or day.
    wind : ndarray, shape (n,) [m/s]
        Mean wind speed.
    forecast_from : int or None
        First row that is a forecast; None where the file does not say.
    """

    name: str
    step: Step
    first: dt.datetime
    low: FloatArray
    high: FloatArray
    humidity: FloatArray
    wetness: FloatArray
    rain: FloatArray
    wind: FloatArray
    forecast_from: int | None

    def __len__(self) -> int:
        return len(self.low)

    def time(self, row: int) -> dt.datetime:
        """Start of a row; of the one behind the last, the end of the table."""
        return self.first + row * STEPS[self.step]

    def row(self, time: dt.datetime) -> int:
        """Row that a time falls into, inside the table or not."""
        return (time - self.first) // STEPS[self.step]

    def is_forecast(self, row: int) -> bool:
        """Whether the file says so of a row."""
        return self.forecast_from is not None and row >= self.forecast_from


@dataclass(frozen=True, slots=True, kw_only=True)
class WarmDay:
    """Degree days of one day [degree Celsius x day]."""

    date: dt.date
    low: float
    high: float
    degree_days: float
    forecast: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class DegreeDays:
    """Degree days of a crop over the days that are whole in the table.

    Parameters
    ----------
    crop : str
        The crop that the limits were published for.
    base, upper : float [degree Celsius]
        No warmth counts below the base; none beyond the upper limit, where there is one.
    source : str
        Who published them.
    days : tuple of WarmDay
        Whole days, in order.
    left_out : int
        Days of the table with a gap.
    """

    crop: str
    base: float
    upper: float | None
    source: str
    days: tuple[WarmDay, ...]
    left_out: int

    def total(self, *, forecast: bool) -> float:
        """Sum of the days, with or without those of the forecast."""
        return sum(day.degree_days for day in self.days if forecast or not day.forecast)


@dataclass(frozen=True, slots=True, kw_only=True)
class FavourableDay:
    """What one day brings for infection by a published rule.

    Parameters
    ----------
    date : date
        Its start: midnight or noon, as the rule counts.
    hours : float [hour]
        That favour infection.
    temperature : float or None [degree Celsius]
        That the rule looks at; None where it looks at none.
    count : int
        Of the rule: of this day, or up to it, as `Infection.adds_up` says.
    forecast : bool
        Whether any of it is a forecast.
    """

    date: dt.date
    hours: float
    temperature: float | None
    count: int
    forecast: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Infection:
    """A published rule for one target, and what it says of the days of the table.

    Parameters
    ----------
    target, rule, source : str
        Of the plan; what the rule is for; who published it.
    adds_up : bool
        Whether the counts of the days are added; otherwise each already holds those before it.
    days : tuple of FavourableDay
        Days without a gap in what the rule needs.
    left_out : int
        Days of the table with a gap.
    text : str
        What it says, in words.
    """

    target: str
    rule: str
    source: str
    adds_up: bool
    days: tuple[FavourableDay, ...]
    left_out: int
    text: str

    def total(self, *, forecast: bool) -> int:
        """Count at the end of the table, with or without the forecast."""
        counts = [day.count for day in self.days if forecast or not day.forecast]
        return sum(counts) if self.adds_up else (counts[-1] if counts else 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class SprayWindow:
    """Hours in a row in which nothing in the table speaks against spraying.

    Parameters
    ----------
    start, end : datetime
        Of the hours.
    wind, temperature : (float, float) [m/s], [degree Celsius]
        Lowest and highest in them.
    dry_hours : int [hour]
        Known to be dry after the end.
    twilight : bool
        Whether it reaches into evening or early morning, when an inversion is likely.
    """

    start: dt.datetime
    end: dt.datetime
    wind: tuple[float, float]
    temperature: tuple[float, float]
    dry_hours: int
    twilight: bool

    @property
    def hours(self) -> int:
        """Length [hour]."""
        return int((self.end - self.start) / STEPS["hour"])


@dataclass(frozen=True, slots=True, kw_only=True)
class PassWindows:
    """Spray windows of one pass in the coming hours.

    Parameters
    ----------
    name, slug : str
        Of the pass.
    rainfast : float or None [hour]
        The longest on the labels of its products; None where the plan gives none.
    start, end : datetime
        Hours that were looked at; the same where there are none.
    windows : tuple of SprayWindow
        In order.
    lost : mapping of str to int
        Hours outside the windows by what speaks against them, the first that does.
    """

    name: str
    slug: str
    rainfast: float | None
    start: dt.datetime
    end: dt.datetime
    windows: tuple[SprayWindow, ...]
    lost: Mapping[str, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class WeatherReport:
    """Everything that the table says; it stands beside the decision and changes none."""

    name: str
    step: Step
    first: dt.datetime
    last: dt.datetime  # end of the table
    forecast_from: dt.datetime | None
    spray_date: dt.date | None
    degree_days: DegreeDays | None
    infections: tuple[Infection, ...]
    passes: tuple[PassWindows, ...]
    cautions: tuple[Caution, ...]
