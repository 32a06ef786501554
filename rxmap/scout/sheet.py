"""The sheet of a walk: a sketch of the field, the stops in order, and how to look at each."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from rxmap.scout.records import Ask, Walk
from rxmap.show import text
from rxmap.show.charts import BOUNDARY, KEEP_OUT, draw_legend, lay, legend_height, patch
from rxmap.show.paper import INK, INSIDE, MARGIN, SMALL, Paper, plain_settings
from rxmap.units import convert

WAY: dict[str, Any] = {"color": "#5d686d", "linewidth": 1.0, "linestyle": "--"}
STOP: dict[str, Any] = {"marker": "o", "color": INK, "markeredgecolor": "white", "markersize": 5.0}
SEEN: dict[str, Any] = {"marker": "o", "color": "#c3cacd", "markeredgecolor": "white", "markersize": 4.0}
EDGE: dict[str, Any] = {"marker": "s", "color": "white", "markeredgecolor": INK, "markersize": 5.0}
START: dict[str, Any] = {"marker": "*", "color": INK, "markeredgecolor": "white", "markersize": 11.0}
MAP_HEIGHT = 340.0  # [pt]
MOST_NUMBERED = 60  # stops that carry their number on the sketch; more would hide it
MOST_BELOW = 8  # stops whose list stands below the rest; more get a sheet of their own
FEWEST_TALLIED = 5  # stops before a tally may end a walk; common practice, no source
TALLY_ROWS = 8
# Percent of each class (Horsfall and Barratt 1945, Phytopathology 35:655, from memory; some print 88 for 87)
HORSFALL_BARRATT = "0, to 3, to 6, to 12, to 25, to 50, to 75, to 87, to 94, to 97, below 100, 100 %"

BEFORE = (
    "After any spraying keep out until the re-entry interval of the label is over; wear what the label asks for.",
    "Ask whose land it is before you cross it; leave gates as you found them; keep off water, bogs and slopes.",
    "Tell somebody where you are and when you will be back. Mind heat, thunder, animals, bees and machines at work.",
    "Clean boots and tools between fields: they carry disease.",
)
LOOKING = (
    "Go to the place on the receiver, then take the plants as they come: not the worst, not the best, not the nearest.",
    "Write every stop down, zeros too. A blank row means not looked at: delete it before you build.",
    "Look at the same number of units at every stop; where you could not, write how many it was.",
    "Not sure what it is? Say so in the note, take a photo, and have it confirmed.",
)
ONE_CORNER = (
    "Use these limits only once stops from every part of the field are in, in no order that follows the pest. Never on "
    "one corner, one side or the edge: stops that are near each other agree, and the chances above no longer hold."
)


def walk_pdf(walk: Walk) -> bytes:
    """Print the sheet.

    Parameters
    ----------
    walk : Walk

    Returns
    -------
    bytes
        A PDF of A4 pages.
    """
    with plain_settings():
        return walk_paper(walk).pdf()


def walk_paper(walk: Walk) -> Paper:
    """Fill the sheet; to be called within `plain_settings`."""
    titles = {"first visit": "Walk: first visit", "next stops": "Walk: next stops", "enough": "No walk: enough stops"}
    paper = Paper(f"{text.safe(walk.field.name)}, walk")
    paper.block(titles[walk.kind], size=18, bold=True)
    area = text.area(walk.field.area_ha, walk.units)
    paper.block(f"{text.safe(walk.field.name)}, {area}", size=11)
    if walk.stops:
        way = distance(walk.length_m, walk.units)
        paper.block(f"{text.counted(len(walk.stops), 'stop')}, {way} in straight lines", size=11)
    paper.top += 4
    if walk.stops:
        _sketch(paper, walk)
    paper.heading("Why")
    paper.bullets([text.safe(line, text.LONGEST_SENTENCE) for line in walk.reasons])
    if not walk.stops:
        return paper
    paper.heading("At each stop")
    paper.table(("Target", "Look at", "Write down", "Threshold"), [_looked(ask) for ask in walk.asks], (22, 18, 40, 34))
    paper.bullets([*LOOKING, *_conditions(walk)])
    _tallies(paper, walk)
    paper.heading("Before you go")
    paper.bullets(
        [
            *BEFORE,
            *map(text.safe, walk.waits),
            *(text.safe(each.text) for each in walk.cautions),
        ]
    )
    paper.top += 10
    if len(walk.stops) > MOST_BELOW:
        paper.turn()
    paper.block("Stops in walking order", size=12.5, bold=True)
    paper.table(("Stop", "Longitude", "Latitude", "For", "Found"), list(_lines(walk)), (9, 15, 15, 14, 50), pad=3.5)
    return paper


def distance(metres: float, units: text.Units) -> str:
    """Write the length of a walk in miles or kilometres.

    Examples
    --------
    >>> distance(5140.0, "us"), distance(840.0, "metric")
    ('3.19 miles', '0.84 km')
    """
    unit, name = {"us": ("mi", "miles"), "metric": ("km", "km")}[units]
    return f"{text.number(convert(metres, 'm', unit))} {name}"


def _sketch(paper: Paper, walk: Walk) -> None:
    """Draw field, keep-outs, way and stops."""
    ground = walk.field.ground
    axes = paper.axes(MARGIN, paper.top, INSIDE, MAP_HEIGHT)
    lay(axes, ground, walk.units, paper)
    drawn: list[tuple[dict[str, Any], str]] = []
    if walk.kept.area:
        axes.add_patch(patch(walk.kept, KEEP_OUT, zorder=2))
        drawn.append((KEEP_OUT, "keep-out with its setback: no stop"))
    axes.add_patch(patch(ground, BOUNDARY, zorder=3))
    places = np.array([(stop.easting, stop.northing) for stop in walk.stops])
    edge = np.array([stop.kind == "edge" for stop in walk.stops])
    round_trip = np.vstack([walk.start or places[:1], places, walk.start or places[:1]])
    axes.plot(*round_trip.T, zorder=4, **WAY)
    drawn.append((WAY, "way"))
    if walk.seen:
        axes.plot(*zip(*walk.seen, strict=True), linestyle="none", zorder=4.5, **SEEN)
        drawn.append((SEEN | {"linestyle": "none"}, "stop there was"))
    for look, which, words in ((STOP, ~edge, "stop"), (EDGE, edge, "edge stop")):
        if which.any():
            axes.plot(*places[which].T, linestyle="none", zorder=5, **look)
            drawn.append((look | {"linestyle": "none"}, words))
    if walk.start:
        (west, east), (south, north) = axes.get_xlim(), axes.get_ylim()
        inside = np.clip(walk.start, (west, south), (east, north))
        axes.plot(*inside, linestyle="none", zorder=6, clip_on=False, **START)
        drawn.append((START | {"linestyle": "none"}, "start and end"))
    if len(places) <= MOST_NUMBERED:
        _numbers(paper, axes, walk)
    paper.top += MAP_HEIGHT + 4
    draw_legend(paper, drawn, left=MARGIN, top=paper.top, width=INSIDE)
    paper.top += legend_height(drawn, INSIDE)


def _numbers(paper: Paper, axes: Any, walk: Walk) -> None:
    """Write each stop's number to the right of it, the mark of a close pair on the other side."""
    (west, east), _ = axes.get_xlim(), axes.get_ylim()
    for stop in walk.stops:
        side = -1 if stop.kind == "close pair" else 1
        paper.mark(axes, (stop.easting + side * 0.025 * (east - west), stop.northing), stop.name[1:])


def _looked(ask: Ask) -> tuple[str, str, str, str]:
    target = ask.target
    unit = target.sample_unit or "plant"
    units = text.counted(ask.units, unit)
    how = {
        "count": f"n = {ask.units}, count = all that are on {units} together",
        "incidence": f"n = {ask.units}, positives = how many of them have at least one",
        "severity": f"n = {ask.units}, severity_pct = mean share of the tissue, healthy {unit}s counted as 0",
        "rating": f"one rating for {units} together; a class is not averaged",
    }[target.measure]
    if target.gates.infested_share is not None and target.measure == "count":
        how += f"; positives = {unit}s with at least one"
    if isinstance(target.scale, dict):
        how += "; classes " + ", ".join(f"{name} = {share:g} %" for name, share in target.scale.items())
    elif target.scale is not None:
        how += f"; Horsfall-Barratt classes 1 to 12: {HORSFALL_BARRATT}"
    return (
        text.safe(target.name),
        text.safe(units),
        text.safe(how, text.LONGEST_SENTENCE),
        f"{text.pressure(target.threshold, target.unit)} ({text.safe(target.source)})",
    )


def _conditions(walk: Walk) -> Iterator[str]:
    """Say what else a decision will ask about: the gates of the targets."""
    for ask in walk.asks:
        gates, name = ask.target.gates, text.safe(ask.target.name)
        if gates.stage or gates.stages:
            stages = " to ".join(gates.stage) if gates.stage else ", ".join(gates.stages)
            yield f"{name}: write down the growth stage; it is treated at {text.safe(stages)} only."
        for question in gates.confirmed:
            yield f"{name}: look whether this holds: {text.safe(question)}."
        if gates.rising:
            yield f"{name}: it must be rising; look at some of these stops again a few days later."


def _tallies(paper: Paper, walk: Walk) -> None:
    """Print the totals at which a walk may stop early."""
    for ask in walk.asks:
        rows = list(_limits(ask, sum(stop.kind != "edge" for stop in walk.stops)))
        if walk.kind != "first visit" or not rows:
            continue
        paper.heading(f"Stop when: {text.safe(ask.target.name, 60)}")
        paper.block(
            "Add up what was found at the stops inside the field. At or below the left figure the field as a whole is "
            "below the threshold, at or above the right one above it, each wrong in about one field of ten. Between "
            "them, walk on. It answers for the field as one: for a map, walk all stops.",
            size=SMALL,
        )
        head = ("After stops", "with units", "below: total at most", "above: total at least")
        paper.table(head, rows, (20, 20, 30, 30))
        paper.block(ONE_CORNER, size=SMALL, bold=True)


def _limits(ask: Ask, stops: int) -> Iterator[tuple[str, str, str, str]]:
    if ask.tally is None or stops < FEWEST_TALLIED:
        return
    for number in sorted(set(np.linspace(FEWEST_TALLIED, stops, TALLY_ROWS).round().astype(int).tolist())):
        below = ask.tally.below(number * ask.per_stop)
        above = ask.tally.above(number * ask.per_stop)
        yield str(number), str(number * ask.units), "-" if below is None else f"{below:,}", f"{above:,}"


def _lines(walk: Walk) -> Iterator[tuple[str, str, str, str, str]]:
    for stop in walk.stops:
        found = "     ".join(f"{text.safe(name, 24)} ______" for name in stop.targets)
        yield stop.name, f"{stop.lon:.6f}", f"{stop.lat:.6f}", stop.kind, found
