"""The tables of a review: the same rows for the page and for the paper."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from rxmap.review.found import Gain, Review
from rxmap.review.pressure import Curve, Fall
from rxmap.review.season import Season
from rxmap.review.words import answers, ranged
from rxmap.show import text


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A table: what it holds, its heads, its rows; `numbers` has an ``n`` for each column of numbers."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: str = ""


def all_sheets(review: Review, season: Season) -> list[Sheet]:
    """Every table of a review that has rows."""
    sheets = [_answers(review), *_strips(review), _harvest(review), *_season(season), _curves(season.curves)]
    return [sheet for sheet in sheets if sheet.rows]


def _answers(review: Review) -> Sheet:
    rows = tuple((one.about, one.question, one.verdict, one.text) for one in answers(review))
    return Sheet(caption="Answers", head=("pass", "question", "answer", "what it rests on"), rows=rows)


def _strips(review: Review) -> Iterator[Sheet]:
    for one in review.passes:
        name = text.safe(one.planned.name)
        for gain in (one.gain, one.by_hand):
            if gain is not None:
                yield _paired(f"{name}: yield at each check strip, by {gain.source} [{gain.unit}]", gain)
        for fall in one.falls:
            yield _paired(f"{name}: {text.safe(fall.target)} at each check strip [{text.safe(fall.unit)}]", fall)


def _paired(caption: str, found: Gain | Fall) -> Sheet:
    rows = [
        (
            str(pair.number), text.number(pair.on), text.number(pair.beside), text.number(pair.gain),
            f"{pair.points[0]} and {pair.points[1]}",
        )
        for pair in found.pairs
    ]  # fmt: skip
    rows += [(str(one.number), "-", "-", "-", f"not used: {one.why}") for one in found.unused]
    head = ("strip", "on it", "beside it", "beside less on it", "places on and beside it")
    return Sheet(caption=caption, head=head, rows=tuple(sorted(rows, key=lambda row: int(row[0]))), numbers="nnnn")


def _harvest(review: Review) -> Sheet:
    told = review.harvest
    rows: tuple[tuple[str, ...], ...] = ()
    if told is not None:
        removed = tuple((f"taken out: {reason}", f"{count:,}") for reason, count in told.removed)
        rows = (("read", f"{told.read:,}"), *removed, ("used", f"{told.used:,}"))
        if told.moisture is not None:
            rows = (*rows, ("brought to a moisture of", f"{told.moisture:.1f} %"))
    return Sheet(caption="Points of the harvest", head=("what", "points"), rows=rows, numbers=" n")


def _season(season: Season) -> Iterator[Sheet]:
    rows = []
    for one in season.products:
        left = "no limit in the plan" if one.left is None else f"{text.number(one.left)} {one.unit}"
        times = f"{one.times} of {one.most_times}" if one.most_times is not None else str(one.times)
        rows.append((text.safe(one.name), times, left, str(one.next_from or "any day"), one.line))
    head = ("product", "applications", "left this season", "again from", "for [[product]] of the next plan")
    yield Sheet(caption="The season's label limits", head=head, rows=tuple(rows))


def _curves(lines: tuple[Curve, ...]) -> Sheet:
    rows = tuple(
        (
            text.safe(one.target), one.ground,
            ", ".join(f"{visit.date}: {text.number(visit.mean)}" for visit in one.visits),
            ranged(one.range) if one.range is not None else text.number(one.area), f"{text.safe(one.unit)} x day",
        )
        for one in lines
    )  # fmt: skip
    head = ("target", "ground", "mean of the stops", "area under it", "unit")
    return Sheet(caption="Pressure over the season", head=head, rows=rows)
