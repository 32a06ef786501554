"""A review on paper: the answers, the strips, the season; to keep with the record."""

from __future__ import annotations

from rxmap.review.found import Gain, Review
from rxmap.review.season import Season
from rxmap.review.tables import Sheet, all_sheets
from rxmap.review.words import NOT_EVIDENCE, RANGES, answers, lead
from rxmap.show import story, text
from rxmap.show.paper import INK, INSIDE, MARGIN, SMALL, Paper, plain_settings

ROW, NAMES, FIGURES = 15.0, 95.0, 60.0  # [pt] of the chart of strips: a row, its name, its figure
WIDTHS = {"The season's label limits": (18, 18, 18, 16, 60)}


def review_pdf(review: Review, season: Season) -> bytes:
    """Print a review on sheets of A4.

    Parameters
    ----------
    review : Review
        What was found.
    season : Season
        What the field's reviews add up to.
    """
    with plain_settings():
        name = text.safe(review.inputs.field.name)
        paper = Paper(f"{name}, review")
        paper.block(name, size=15, bold=True)
        paper.block(lead(review), size=13, bold=True)
        paper.block(f"{NOT_EVIDENCE} {RANGES}", size=SMALL)
        for one in answers(review):
            paper.heading(f"{one.question} {one.verdict}")
            paper.block(f"{one.about}. {one.text}")
        for each in review.passes:
            for gain in (each.gain, each.by_hand):
                if gain is not None and gain.pairs:
                    _chart(
                        paper, f"{text.safe(each.planned.name)}: beside each strip less on it, by {gain.source}", gain
                    )
        for sheet in all_sheets(review, season)[1:]:
            _print(paper, sheet)
        paper.heading("Notes for the next crop")
        paper.bullets([text.safe(line) for line in season.notes] or ["None."])
        paper.heading("Cautions")
        cautions = [*review.cautions, *season.cautions]
        paper.bullets(
            [f"{text.safe(each.text)} ({text.safe(each.code)})" for each in cautions] or ["None."], size=SMALL
        )
        paper.heading("Before anybody sprays again")
        paper.bullets(story.SAFETY, size=SMALL)
        return paper.pdf()


def _chart(paper: Paper, caption: str, gain: Gain) -> None:
    """Draw each strip's difference as a square, their mean with its range as a bar, and zero as a line."""
    rows = [(f"strip {pair.number}", pair.gain, pair.gain, pair.gain) for pair in gain.pairs]
    if gain.found is not None:
        rows.append(("mean, 5 to 95 %", gain.found.value, gain.found.low, gain.found.high))
    ends = [0.0, *(end for row in rows for end in row[1:])]
    scale = (INSIDE - NAMES - FIGURES) / max(max(ends) - min(ends), 1e-9)
    zero = MARGIN + NAMES - min(ends) * scale
    paper.heading(f"{caption} [{gain.unit}]", before=ROW * (len(rows) + 1))
    top = paper.top
    for name, value, low, high in rows:
        middle = paper.top + ROW / 2
        paper.put(name, MARGIN, middle + 3, size=SMALL)
        if high > low:
            paper.box(zero + low * scale, middle - 2, (high - low) * scale, 4, facecolor=INK, linewidth=0)
        paper.box(zero + value * scale - 3, middle - 3, 6, 6, facecolor="white", edgecolor=INK, linewidth=1.2)
        paper.put(text.number(value), MARGIN + INSIDE, middle + 3, size=SMALL, bold=True, align="right")
        paper.top += ROW
    paper.box(zero, top, 0, paper.top - top, edgecolor=INK, linewidth=1.2)
    paper.put("0", zero, paper.top + SMALL, size=SMALL, align="center")
    paper.top += ROW


def _print(paper: Paper, sheet: Sheet) -> None:
    paper.heading(sheet.caption)
    shares = WIDTHS.get(sheet.caption) or tuple(max(len(head), 8) for head in sheet.head)
    paper.table(sheet.head, sheet.rows, shares)
