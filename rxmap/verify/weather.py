"""The weather of the summary: its sums, its counts, its windows, and the page beside it.

The table itself is no part of a result: what can be worked out again starts from the days that the summary lists.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import Any

from rxmap.errors import printable, shown
from rxmap.verify.folder import SUMMARY, Folder
from rxmap.verify.label import product_of
from rxmap.verify.page import PAGE, Row, read_page
from rxmap.verify.values import near, quantity

HUNDREDTH = 0.005  # what rounding to two decimals takes
WINDS = (1.34, 4.48)  # [m/s] 3 and 10 mph, rounded to two decimals
# Least hours of humidity at 80 % for 1, 2, 3, 4, by mean temperature up to so many whole degrees Fahrenheit (Baker et
# al. 2002); nothing counts below 45 and above 80.
BLIGHT = {53: (16, 19, 22, 25), 59: (13, 16, 19, 22), 80: (10, 13, 16, 19)}
COLDEST, WHOLE_DAY = 45, 24


def weather_right(result: Folder) -> Iterator[str]:
    """Work out the sums, counts and windows again, and look for them on the page."""
    told, asked = result.summary.get("weather"), result.plan.get("weather")
    if (told is None) != (asked is None):
        found, wanted = ("there is none", "asks for it") if told is None else ("there is one", "names no table")
        yield f"{SUMMARY}: weather: {found}; the plan {wanted}"
    if told is None:
        return
    lines = [*_degree_days(told["degree_days"]), *_infections(told["infections"]), *_windows(result, told)]
    yield from (f"{SUMMARY}: weather: {line}" for line in lines)
    yield from (f"{PAGE}: {line}" for line in _on_page(result, told))


def _degree_days(told: Any) -> Iterator[str]:
    if told is None:
        return
    base, upper = float(told["base_c"]), float(told["upper_c"] if told["upper_c"] is not None else "inf")
    for day in told["days"]:
        ends = [sorted((base, float(day[key]), upper))[1] for key in ("low_c", "high_c")]
        if not near(day["degree_days"], (ends[0] - base + ends[1] - base) / 2, 2, absolute=HUNDREDTH):
            yield f"degree days of {day['date']} are {day['degree_days']}; its temperatures give another sum"
    for key, days in (("total", told["days"]), ("observed", [day for day in told["days"] if not day["forecast"]])):
        wanted = sum(float(day["degree_days"]) for day in days)
        if not near(told[key], wanted, 2, absolute=HUNDREDTH * len(days)):
            yield f"degree days: {key} is {told[key]}; the days add up to {wanted:.2f}"


def _infections(infections: Any) -> Iterator[str]:
    for told in infections:
        where, days = shown(told["target"]), told["days"]
        if told["rule"] not in AGAIN:
            yield f"{where}: rule {shown(told['rule'])} is none that is published here"
            continue
        yield from (f"{where}: the count of {date} does not follow from its day" for date in AGAIN[told["rule"]](days))
        for key, some in (("total", days), ("observed", [day for day in days if not day["forecast"]])):
            counts = [day["count"] for day in some]
            wanted = sum(counts) if told["adds_up"] else (counts[-1] if counts else 0)
            if told[key] != wanted:
                yield f"{where}: {key} is {told[key]}; the days give {wanted}"


def _blight(days: Any) -> Iterator[str]:
    """Days whose count is not that of their humid hours, at either side of what rounding hides."""
    for day in days:
        means = [] if day["temp_c"] is None else [float(day["temp_c"]) * 1.8 + 32 + off for off in (-0.001, 0.001)]
        if day["count"] not in ({_blight_count(int(day["hours"]), mean) for mean in means} or {0}):
            yield day["date"]


def _blight_count(hours: int, mean: float) -> int:
    whole = int(mean + 0.5)
    if whole < COLDEST:
        return 0
    leasts = next((leasts for warmest, leasts in BLIGHT.items() if whole <= warmest), ())
    return sum(least <= hours for least in leasts)


def _mildew(days: Any) -> Iterator[str]:
    """Days whose count is not that of the day before and their warm hours (Gubler et al. 1999)."""
    count, streak, before = None, 0, None
    for day in days:
        date, warm = dt.date.fromisoformat(day["date"]), int(day["hours"]) >= 6
        next_day = before is not None and date - before == dt.timedelta(days=1)
        streak = streak * next_day + 1 if warm else 0
        hot = float(day["temp_c"]) >= 35.0  # 95 degree Fahrenheit
        if count is None:
            count = 60 if streak >= 3 else None
        else:
            count = max(0, min(100, count + (20 if warm else 0) - (10 if hot or not warm else 0)))
        if day["count"] != (count or 0):
            yield day["date"]
            return
        before = date


def _spot(days: Any) -> Iterator[str]:
    """Days whose count is more than the one before and their own hours, or less without having begun again."""
    before = 0
    for day in days:
        hours = int(day["hours"])
        if not 0 <= hours <= WHOLE_DAY or not (day["count"] == before + hours or day["count"] <= hours):
            yield day["date"]
        before = day["count"]


def _tar_spot(days: Any) -> Iterator[str]:
    """Nights whose count is not whether leaves were wet for 7 hours (Webster et al. 2023)."""
    return (day["date"] for day in days if day["count"] != (day["hours"] >= 7))


def _head_blight(days: Any) -> Iterator[str]:
    """Days whose count is not their favourable hours (De Wolf et al. 2003)."""
    return (day["date"] for day in days if day["count"] != day["hours"])


AGAIN = {
    "late blight of potato": _blight, "powdery mildew of grape": _mildew, "leaf spot of peanut": _spot,
    "tar spot of corn": _tar_spot, "head blight of wheat": _head_blight,
}  # fmt: skip


def _windows(result: Folder, told: Any) -> Iterator[str]:
    wanted = [each["slug"] for each in result.passes] if told["step"] == "hour" else []
    if [each["slug"] for each in told["passes"]] != wanted:
        yield f"windows are told for {[each['slug'] for each in told['passes']]}; should be for {wanted}"
        return
    for one, each in zip(told["passes"], [each for each in result.passes if wanted], strict=True):
        where = f"windows of {shown(each['name'])}"
        labels = [product_of(result, used["name"])["label"] for used in each["products"]]
        dry = max((quantity(label["rainfast"]).to("hour") for label in labels if label.get("rainfast")), default=None)
        if (dry is None) != (one["rainfast_h"] is None) or not near(one["rainfast_h"] or 0, dry or 0.0, 2):
            yield f"{where}: rainfast_h is {one['rainfast_h']}; the labels say {dry}"
        yield from (f"{where}: {line}" for line in _in_order(one, dry or 0.0))


def _in_order(one: Any, dry: float) -> Iterator[str]:
    """Windows in order inside the hours looked at, each within the limits; all hours accounted for."""
    start, end = (dt.datetime.fromisoformat(one[key]) for key in ("from", "until"))
    total, last = sum(one["lost"].values()), start
    for window in one["windows"]:
        first, until = (dt.datetime.fromisoformat(window[key]) for key in ("from", "until"))
        hours = (until - first) / dt.timedelta(hours=1)
        if not last <= first < until <= end or hours != window["hours"]:
            yield f"{window['from']} to {window['until']} is out of order or not {window['hours']} hours"
        if first.date() != until.date() or first.hour < 6 or until.hour > 21:
            yield f"{window['from']} to {window['until']} reaches into the night"
        low, high = map(float, window["wind_ms"])
        if not WINDS[0] <= low <= high <= WINDS[1]:
            yield f"{window['from']}: wind {low} to {high} m/s; should be 3 to 10 mph"
        if window["dry_h"] < dry:
            yield f"{window['from']}: dry for {window['dry_h']} hours; the label asks for {dry:g}"
        if window["twilight"] != (first.hour < 9 or until.hour > 18):
            yield f"{window['from']}: twilight is {window['twilight']}; its hours say otherwise"
        total, last = total + hours, until
    if total != (end - start) / dt.timedelta(hours=1):
        yield f"windows and lost hours are {total:g}; from {one['from']} to {one['until']} are others"


def _on_page(result: Folder, told: Any) -> Iterator[str]:
    """Look on the page for what each rule says and for each window, day by day."""
    page = read_page(result)
    words = "".join(page.words)
    for rule in told["infections"]:
        if rule["text"] not in words:
            yield f"the words of {shown(rule['target'])} under Weather are not those of the summary"
    alike: dict[str, list[str]] = {}  # passes with the same windows share a table
    for one in told["passes"]:
        alike.setdefault(repr(one["windows"]), []).append(printable(one["pass"], 300))
    for one in told["passes"]:
        *names, last = alike[repr(one["windows"])]
        caption = "Spray windows of " + (f"{', '.join(names)} and {last}" if names else last)
        yield from _table_faults(caption, page.tables.get(caption, []), one["windows"])


def _table_faults(caption: str, table: list[Row], windows: Any) -> Iterator[str]:
    rows = {row["Day"]: row for row in table}
    days: dict[str, list[Any]] = {}
    for window in windows:
        days.setdefault(window["from"][:10], []).append(window)
    if list(rows) != list(days):
        yield f"table {caption} has days {list(rows)}; the summary has {list(days)}"
        return
    for day, some in days.items():
        clock = [f"{window['from'][11:]} to {window['until'][11:]}" for window in some]
        said = rows[day]["Local clock"].replace(" and ", ", ").split(", ")
        if said != clock or rows[day]["Hours"] != str(sum(window["hours"] for window in some)):
            yield f"table {caption}: {day} says {shown(rows[day]['Local clock'])}; the summary has {clock}"
