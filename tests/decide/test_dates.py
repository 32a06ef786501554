"""Waiting times after a pass, from the limits that the user took from the label."""

from __future__ import annotations

import datetime as dt

from rxmap.decide.dates import pass_dates
from rxmap.plan import Label, Product

SPRAYED = dt.date(2026, 7, 18)


def product(**limits: str) -> Product:
    return Product(name="P", rate="1 L/ha", label=Label(min="1 L/ha", max="1 L/ha", **limits), cost="1 EUR/L")


def test_harvest_waits_for_the_longest_of_the_products_in_the_tank():
    dates = pass_dates([product(phi="14 day"), product(phi="21 day"), product()], ["severity"], SPRAYED)
    assert dates.harvest_from == "2026-08-08"  # 18 July + 21 days, counted by hand


def test_entry_and_rain_count_from_the_hour_at_which_spraying_ends():
    dates = pass_dates([product(rei="12 hour", rainfast="2 hour")], ["count"], SPRAYED)
    assert dates.no_entry == "12 hours after spraying ends on 2026-07-18"
    assert dates.no_rain == "2 hours after spraying ends on 2026-07-18"


def test_two_days_without_entry_are_not_turned_into_a_date_that_starts_at_midnight():
    assert pass_dates([product(rei="2 day")], ["count"], SPRAYED).no_entry == "2 days after spraying ends on 2026-07-18"


def test_a_label_without_limits_asks_for_no_wait():
    dates = pass_dates([product()], ["count"], SPRAYED)
    assert (dates.no_entry, dates.no_rain, dates.harvest_from) == (None, None, None)


def test_insects_are_looked_at_again_within_a_week_and_diseases_after_two():
    """Intervals are common practice, no source."""
    assert pass_dates([product()], ["count"], SPRAYED).look_again == "2026-07-21 to 2026-07-25"
    assert pass_dates([product()], ["severity"], SPRAYED).look_again == "2026-08-01 to 2026-08-08"
    assert pass_dates([product()], ["count", "severity"], SPRAYED).look_again == "2026-07-21 to 2026-08-08"


def test_without_a_spray_date_the_waits_stand_without_dates():
    dates = pass_dates([product(phi="21 day", rei="12 hour")], ["count"], None)
    assert dates.harvest_from == "21 days after spraying"
    assert dates.no_entry == "12 hours after spraying ends"
    assert dates.look_again == "3 to 7 days after spraying"
    assert pass_dates([product(rei="1 hour")], ["count"], None).no_entry == "1 hour after spraying ends"
