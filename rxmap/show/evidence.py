"""What speaks for each surface and against it: sentences, one small drawing for each target, and the figures."""

from __future__ import annotations

import math
from collections.abc import Iterator

from rxmap.records import Result, TargetResult
from rxmap.records_evidence import Evidence, LeftOutCheck, LeftOutStop
from rxmap.show import text
from rxmap.show.markup import Markup, bullets, table, tag

INK, WRONG, QUIET = "#17232a", "#8a3414", "#7c878c"
WIDTH, HEIGHT = 300, 272  # [pixel]
LEFT, TOP, SIDE = 46, 12, 214  # of the square that the marks stand in
MARK = 3.6


def evidence_section(result: Result) -> Markup:
    """Draw and tell how every target stands the check against its own stops; nothing where none was checked."""
    told = [target for target in result.targets if target.evidence is not None]
    if not told:
        return Markup("")
    parts = [_target(target, result) for target in told]
    return tag("section", tag("h2", "How far to trust it"), *parts, _figures(told, result), id="evidence")  # type: ignore[return-value]


def evidence_sentences(target: TargetResult, result: Result) -> list[str]:
    """Say what the stops of a target can carry, in sentences that need no statistics."""
    evidence = target.evidence
    if evidence is None:
        return []
    return [*_checked(evidence), *_lie(target, evidence, result)]


def _checked(evidence: Evidence) -> Iterator[str]:
    check = evidence.left_out
    if check is None:
        yield (
            f"{text.counted(evidence.places, 'place')} were looked at: too few to hold them against each other, so no "
            "figure of how often the map is right is given."
        )
        return
    many = len(check.stops)
    right, alike = (round(many * (1.0 - share)) for share in (check.wrong_side, check.wrong_side_alike))
    told = (
        f"Each of {many} places was predicted from the other stops, as if nobody had looked there: {right} came out on "
        "the right"
    )
    if alike == many:
        yield f"{told} side of the threshold. All lie on the same side."
    else:
        yield f"{told} side of the threshold; calling the whole field alike it would be {alike}."
        yield from _chances(check)
    yield (
        f"What was found lies inside the range predicted from the other stops at {text.percent(check.coverage)} of "
        "the places; the range promises 90 %."
    )
    if check.skill_blocks is not None:
        better = (
            f"the map still takes {text.percent(check.skill_blocks)} off the errors of the mean"
            if check.skill_blocks > 0.0
            else "the map is no better than the mean: it holds close to its stops only"
        )
        yield f"Predicted from farther off, with whole blocks of neighbours left out, {better}."


def _chances(check: LeftOutCheck) -> Iterator[str]:
    surest = max(check.chances, key=lambda each: abs(each.told - 0.5))
    above = round(surest.stops * surest.found)
    yield (
        f"Where the other stops gave a chance of {text.chance(surest.told)} on average of being above the threshold, "
        f"{above} of {text.counted(surest.stops, 'place')} were."
    )


def _lie(target: TargetResult, evidence: Evidence, result: Result) -> Iterator[str]:
    units = result.units
    if evidence.range_m is not None:
        far, apart = text.length(evidence.range_m, units), text.length(evidence.spacing_m, units)
        closer = " The stops are farther apart than that." if evidence.range_m < evidence.spacing_m else ""
        yield f"Places up to about {far} apart have to do with each other; the stops are about {apart} apart.{closer}"
    reach, area = text.length(evidence.reach_m, units), text.area(evidence.not_sampled_ha, units)
    share = evidence.not_sampled_ha / result.field.area_ha
    yield (
        f"Not sampled is ground farther than {reach} from every stop: {area}, {text.percent(share)} of the field."
        if share >= 5e-4
        else f"No ground is farther than {reach} from every stop."
    )
    if evidence.crowded:
        plain, even = (text.pressure(value, target.unit) for value in (evidence.stops_mean, evidence.even_mean))
        yield f"Stops crowd: their mean is {plain}; weighed by the ground that each stands for it is {even}."


def _target(target: TargetResult, result: Result) -> str:
    told = bullets(evidence_sentences(target, result))
    drawn = [left_out_chart(target, target.evidence.left_out)] if target.evidence and target.evidence.left_out else []
    return tag("div", tag("h3", text.safe(target.name)), tag("div", *drawn, told, class_="checked"))


# The drawing -------------------------------------------------------------------------------------


def left_out_chart(target: TargetResult, check: LeftOutCheck) -> str:
    """Draw what was found at each place against what the others predict: dots are right, squares on the wrong side.

    Shapes tell the two apart, not colours. All but ratings stand on a square-root scale, on which noise is about even
    and low pressure, where thresholds lie, has room.
    """
    threshold = target.threshold
    values = [value for stop in check.stops for value in (stop.found, stop.told)]
    most = max(*values, threshold) or 1.0
    bend = float if target.measure == "rating" else math.sqrt

    def place(value: float) -> float:
        return round(SIDE * bend(max(value, 0.0)) / bend(most), 1)

    wrong = [stop for stop in check.stops if _wrong(stop, threshold)]
    right = [stop for stop in check.stops if not _wrong(stop, threshold)]
    limit, floor = place(threshold), TOP + SIDE
    words = (
        f"{text.safe(target.name)}: pressure found at {text.counted(len(check.stops), 'place')} against what the other "
        "stops predict. "
        f"{text.counted(len(right), 'dot')} on the right side of the threshold, "
        f"{text.counted(len(wrong), 'square')} on the wrong side."
    )
    marks = [
        *(_dot(LEFT + place(stop.found), floor - place(stop.told)) for stop in right),
        *(_square(LEFT + place(stop.found), floor - place(stop.told)) for stop in wrong),
    ]
    frame = [
        _line((LEFT, floor), (LEFT + SIDE, floor), INK),
        _line((LEFT, TOP), (LEFT, floor), INK),
        _line((LEFT, floor), (LEFT + SIDE, TOP), QUIET),
        _line((LEFT + limit, TOP), (LEFT + limit, floor), INK, dash="5 3"),
        _line((LEFT, floor - limit), (LEFT + SIDE, floor - limit), INK, dash="5 3"),
    ]
    labels = [
        _word("0", LEFT, floor + 15),
        _word(text.number(threshold), LEFT + limit, floor + 15),
        _word(text.number(threshold), LEFT - 4, floor - limit + 4, anchor="end"),
        *([_word(text.number(most), LEFT + SIDE, floor + 15)] if limit < SIDE - 34 else []),
        _word("found there", LEFT + SIDE / 2, floor + 33),
        _word("predicted from the other stops", 12, TOP + SIDE / 2, turn=True),
    ]
    return tag(
        "svg", tag("title", words), *frame, *marks, *labels,
        role="img", viewBox=f"0 0 {WIDTH} {HEIGHT}", width=str(WIDTH), height=str(HEIGHT), aria_label=words,
    )  # fmt: skip


def _wrong(stop: LeftOutStop, threshold: float) -> bool:
    return (stop.told > threshold) != (stop.found > threshold)


def _dot(x: float, y: float) -> str:
    return tag("circle", cx=f"{x:.1f}", cy=f"{y:.1f}", r=str(MARK), fill=INK, fill_opacity="0.75")


def _square(x: float, y: float) -> str:
    corner, side = (f"{value - MARK:.1f}" for value in (x, y)), str(2 * MARK)
    left, top = corner
    return tag("rect", x=left, y=top, width=side, height=side, fill="#ffffff", stroke=WRONG, stroke_width="2")


def _line(start: tuple[float, float], end: tuple[float, float], colour: str, *, dash: str = "none") -> str:
    (x1, y1), (x2, y2) = start, end
    ends = {"x1": f"{x1:.1f}", "y1": f"{y1:.1f}", "x2": f"{x2:.1f}", "y2": f"{y2:.1f}"}
    return tag("line", **ends, stroke=colour, stroke_dasharray=dash)


def _word(words: str, x: float, y: float, *, anchor: str = "middle", turn: bool = False) -> str:
    turned = {"transform": f"rotate(-90 {x:.0f} {y:.0f})"} if turn else {}
    return tag("text", words, x=f"{x:.1f}", y=f"{y:.1f}", text_anchor=anchor, font_size="12", fill=INK, **turned)


# The figures -------------------------------------------------------------------------------------


def _figures(targets: list[TargetResult], result: Result) -> str:
    head = (
        "Target", "Places", "Spacing", "Range", "Not sampled", "Better than the mean", "As clustered by chance",
        "With blocks left out", "Inside the 90 % range", "Wrong side", "Wrong side if called alike",
    )  # fmt: skip
    rows = [_row(target, target.evidence, result) for target in targets if target.evidence]
    return table("Evidence: each place predicted from the other stops", head, rows, numbers=" nnnnnnnnnn")


def _row(target: TargetResult, evidence: Evidence, result: Result) -> tuple[str, ...]:
    check, units = evidence.left_out, result.units
    return (
        text.safe(target.name),
        str(evidence.places),
        text.length(evidence.spacing_m, units),
        "no map" if evidence.range_m is None else text.length(evidence.range_m, units),
        text.area(evidence.not_sampled_ha, units),
        "-" if target.skill is None else text.percent(target.skill),
        "-" if target.chance is None else text.percent(target.chance),
        "-" if check is None or check.skill_blocks is None else text.percent(check.skill_blocks),
        *(
            "too few" if check is None else text.percent(share)
            for share in ((check.coverage, check.wrong_side, check.wrong_side_alike) if check else (0.0, 0.0, 0.0))
        ),
    )
