"""A review on paper: the answers, the strips, the season; to keep with the record."""

from __future__ import annotations

from rxmap.review.found import Review
from rxmap.review.season import Season
from rxmap.review.tables import Sheet, all_sheets
from rxmap.review.words import NOT_EVIDENCE, RANGES, answers, lead
from rxmap.show import story, text
from rxmap.show.paper import SMALL, Paper, plain_settings

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


def _print(paper: Paper, sheet: Sheet) -> None:
    paper.heading(sheet.caption)
    shares = WIDTHS.get(sheet.caption) or tuple(max(len(head), 8) for head in sheet.head)
    paper.table(sheet.head, sheet.rows, shares)
