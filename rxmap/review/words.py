"""Each question of a review with its answer in plain words, and what the answer rests on."""

from __future__ import annotations

import math
from dataclasses import dataclass

from rxmap.review.as_applied import Delivered
from rxmap.review.found import Gain, PassReview, Review
from rxmap.review.intervals import Interval
from rxmap.review.money import Earned, ThresholdCheck
from rxmap.review.pressure import Fall
from rxmap.show import text
from rxmap.show.text import Units

YES, NO, UNSURE, ABSENT = "yes", "no", "cannot tell", "not asked"
WELL_HIT = 0.95  # of the planned ground: then it counts as applied where planned; judgement

NOT_EVIDENCE = (
    "Treated and untreated zones are not compared: they were told apart by their pressure, so they would differ "
    "without any treatment. Only check strips against treated ground beside them count."
)
RANGES = "Ranges are 5 to 95 %: nine of ten such ranges hold the truth."


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """One question of a review: which pass, what was asked, yes, no or cannot tell, and the sentence."""

    about: str
    question: str
    verdict: str
    text: str


def answers(review: Review) -> list[Answer]:
    """Answer the five questions, pass by pass where they are of a pass."""
    units = review.plan.units
    found: list[Answer] = []
    for one in review.passes:
        name = text.safe(one.planned.name)
        found.append(_applied(name, one.done, units))
        found += [_fell(name, each) for each in one.falls] or [_no_visit(name)]
        found.append(_gained(name, one))
        found.append(_threshold(name, one))
    return [*found, _earned(review.money)]


def ranged(found: Interval, unit: str = "", digits: int = 3) -> str:
    """Write an estimate with its range.

    Examples
    --------
    >>> ranged(Interval(value=2.95, low=1.3126, high=4.5874), "bu/acre")
    '2.95 bu/acre (1.31 to 4.59)'
    """
    low, high = (text.number(end, digits) if math.isfinite(end) else "no limit" for end in (found.low, found.high))
    return f"{text.number(found.value, digits)}{' ' if unit else ''}{unit} ({low} to {high})"


def lead(review: Review) -> str:
    """Say in one sentence whether it paid."""
    money = review.money
    if not review.passes:
        return "No pass went out, so there is nothing to review."
    if money.less_none is None:
        return f"Whether it paid cannot be told: {money.why}."
    worth = f"{ranged(money.less_none, money.currency)} against treating nothing"
    words = {
        1: f"It paid: {worth}.",
        -1: f"It did not pay: {worth}.",
        0: f"The strips cannot tell if it paid: {worth}.",
    }
    return words[money.less_none.sign]


def _applied(name: str, done: Delivered | None, units: Units) -> Answer:
    question = "Was it applied where planned?"
    if done is None:
        return Answer(about=name, question=question, verdict=ABSENT, text="No layer of what was applied was given.")
    least = 1 - done.missed.high / done.planned_ha if done.planned_ha else 0.0
    most = 1 - done.missed.low / done.planned_ha if done.planned_ha else 0.0
    verdict = YES if least >= WELL_HIT else NO if most < WELL_HIT else UNSURE
    told = [
        f"{text.percent(done.hit_share)} of the {text.area(done.planned_ha, units)} planned was sprayed "
        f"({_areas(done.missed, units)} missed), {_areas(done.off_target, units)} was sprayed beside it.",
        f"The rate there was {ranged(done.rate, done.rate_unit)} of {done.logged}, planned "
        f"{text.number(done.planned_rate)}.",
    ]
    told += [
        f"{text.safe(p.name)}: {ranged(p.used, p.unit)} used, {text.number(p.planned)} {p.unit} planned."
        for p in done.products
    ]
    if done.setback_ha >= 0.005:
        told.append(f"{text.area(done.setback_ha, units)} of keep-outs and setbacks were sprayed.")
    return Answer(about=name, question=question, verdict=verdict, text=" ".join(told))


def _areas(found: Interval, units: Units) -> str:
    low, high = (text.area(end, units, word=False) for end in (found.low, found.high))
    return f"{text.area(found.value, units)} ({low} to {high})"


def _no_visit(name: str) -> Answer:
    told = "No second visit to treated ground was given."
    return Answer(about=name, question="Did the pressure fall?", verdict=ABSENT, text=told)


def _fell(name: str, one: Fall) -> Answer:
    question = f"Did {text.safe(one.target)} fall against the check strips?"
    if one.drop is None:
        return Answer(about=name, question=question, verdict=UNSURE, text=f"Cannot tell: {one.why}.")
    told = f"On the strips it was higher by {ranged(one.drop)} {text.safe(one.unit)} than beside them."
    if one.control is not None:
        share = Interval(value=100 * one.control.value, low=100 * one.control.low, high=100 * one.control.high)
        told += f" That is a control of {ranged(share, '%', 2)}; the plan expects {text.percent(one.planned)}."
    return Answer(about=name, question=question, verdict={1: YES, -1: NO, 0: UNSURE}[one.drop.sign], text=told)


def _gained(name: str, one: PassReview) -> Answer:
    question = "Did the yield gain?"
    told = [_gain_words(gain) for gain in (one.gain, one.by_hand) if gain is not None]
    if not told:
        return Answer(about=name, question=question, verdict=ABSENT, text="No harvest was given.")
    found = next((g.found for g in (one.gain, one.by_hand) if g is not None and g.found is not None), None)
    verdict = UNSURE if found is None else {1: YES, -1: NO, 0: UNSURE}[found.sign]
    return Answer(about=name, question=question, verdict=verdict, text=" ".join(told))


def _gain_words(gain: Gain) -> str:
    by = "By the harvest" if gain.source == "harvest" else "By hand samples"
    if gain.found is None:
        return f"{by}: cannot tell, {gain.why}."
    told = f"{by}, from {len(gain.pairs)} check strips: {ranged(gain.found, gain.unit)}."
    if gain.found.sign == 0 and gain.detectable is not None:
        told += (
            f" The range includes zero: so many strips with this scatter show a gain of {text.number(gain.detectable)} "
            f"{gain.unit} or more."
        )
    return told


def _threshold(name: str, one: PassReview) -> Answer:
    question = "Was the threshold right?"
    check = one.threshold
    if check is None:
        return Answer(about=name, question=question, verdict=ABSENT, text=f"Cannot be asked: {one.why_threshold}.")
    if check.found is None or check.break_even is None:
        return Answer(about=name, question=question, verdict=UNSURE, text=f"Cannot tell: {check.why}.")
    verdict = {"in line": YES, "cannot tell": UNSURE}.get(check.verdict, NO)
    return Answer(about=name, question=question, verdict=verdict, text=_threshold_words(check))


def _threshold_words(check: ThresholdCheck) -> str:
    unit = text.safe(check.unit)
    found, even = check.found, check.break_even
    if found is None or even is None:
        return ""
    told = f"Each unit of pressure ({unit}) that was treated gave {ranged(found, check.yield_unit)}"
    told += f"; the plan's loss says {text.number(check.planned)}." if check.planned is not None else "."
    limit = text.number(check.threshold)
    said = {
        "in line": f"The plan's threshold of {limit} lies in that range.",
        "too low": f"The plan's threshold of {limit} is below it: too low at these prices.",
        "too high": f"The plan's threshold of {limit} is above it: too high at these prices.",
        "cannot tell": f"That range has no upper end, so it says nothing against the plan's threshold of {limit}.",
    }[check.verdict]
    if not math.isfinite(even.value):
        return f"{told} So no pressure would have paid by these strips alone. {said}"
    return f"{told} At today's prices treating pays from a pressure of {ranged(even)} {unit} on. {said}"


def _earned(money: Earned) -> Answer:
    question = "Did it pay?"
    if money.map is None or money.less_none is None:
        return Answer(about="All passes", question=question, verdict=UNSURE, text=f"Cannot be told: {money.why}.")
    told = [
        f"What was done earned {ranged(money.map, money.currency)} with scouting and trips; treating nothing "
        f"{text.money(money.none, money.currency)}."
    ]
    if money.all is not None and money.less_all is not None:
        told.append(
            f"Treating all would have earned {ranged(money.all, money.currency)}, if beyond the strips the gain goes "
            f"with the pressure as the plan's loss does; what was done is {ranged(money.less_all, money.currency)} "
            "ahead of that."
        )
    else:
        told.append(f"Treating all cannot be reckoned: {money.why_all}.")
    verdict = {1: YES, -1: NO, 0: UNSURE}[money.less_none.sign]
    return Answer(about="All passes", question=question, verdict=verdict, text=" ".join(told))
