"""The page of a review: one file without any script, in the look of the map."""

from __future__ import annotations

from rxmap import __version__
from rxmap.review.drawings import LEGEND, field_drawing, strips_chart
from rxmap.review.found import Review
from rxmap.review.season import Season
from rxmap.review.tables import all_sheets
from rxmap.review.words import NOT_EVIDENCE, RANGES, answers, lead
from rxmap.show import assets, story, text
from rxmap.show.markup import Markup, bullets, join, table, tag

POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
STYLE = (
    ".cards.review { grid-template-columns: repeat(auto-fit, minmax(13rem, 1fr)); } .verdict { font-weight: 700; }\n"
    ".pair { display: grid; grid-template-columns: repeat(auto-fit, minmax(20rem, 1fr)); gap: 12px 32px; }"
)


def review_page(review: Review, season: Season) -> str:
    """Show everything that a review found as one page that loads nothing and needs no script.

    Parameters
    ----------
    review : Review
        What was found.
    season : Season
        What the field's reviews add up to.
    """
    name = text.safe(review.inputs.field.name)
    head = join(
        [
            Markup('<meta charset="utf-8">'),
            Markup(f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">'),
            Markup('<meta name="viewport" content="width=device-width, initial-scale=1">'),
            Markup('<link rel="icon" href="data:,">'),
            tag("title", f"{name} - did it pay?"),
            Markup(f"<style>{assets.own('map.css')}\n{STYLE}</style>"),
        ]
    )
    body = join([_top(review, name), _drawings(review), _tables(review, season), _notes(review, season), _end()])
    return f'<!DOCTYPE html>\n<html lang="en">\n<head>\n{head}\n</head>\n<body>\n{body}\n</body>\n</html>\n'


def _top(review: Review, name: str) -> str:
    plan = review.plan
    facts = [text.safe(plan.field.crop), text.area(review.inputs.field.area_ha, plan.units), "review after the pass"]
    cards = [
        tag(
            "section",
            tag("h2", one.question),
            tag("p", f"{one.about}: {one.verdict}", class_="verdict"),
            tag("p", one.text),
        )
        for one in answers(review)
    ]
    return join(
        [
            tag(
                "header",
                tag("p", " | ".join(facts), class_="facts"),
                tag("h1", name),
                tag("p", lead(review), class_="lead"),
                tag("p", f"{NOT_EVIDENCE} {RANGES}", class_="facts"),
            ),
            tag("div", *cards, class_="cards review"),
        ]
    )


def _drawings(review: Review) -> str:
    parts = []
    for one in review.passes:
        drawn = [tag("div", field_drawing(review.inputs.field, one), tag("p", LEGEND, class_="facts"))]
        drawn += [
            tag(
                "div",
                tag("h3", f"Yield beside each check strip less on it, by {gain.source}"),
                strips_chart(gain.pairs, gain.found, gain.unit),
            )
            for gain in (one.gain, one.by_hand)
            if gain is not None and gain.pairs
        ]
        name = tag("h2", text.safe(one.planned.name))
        parts.append(tag("section", name, tag("div", *drawn, class_="pair"), id=f"pass-{one.planned.slug}"))
    return join(parts)


def _tables(review: Review, season: Season) -> str:
    made = [table(one.caption, one.head, one.rows, numbers=one.numbers) for one in all_sheets(review, season)[1:]]
    return tag("section", tag("h2", "Tables"), *made, id="tables")


def _notes(review: Review, season: Season) -> str:
    cautions = [*review.cautions, *season.cautions]
    told = [tag("li", f"{text.safe(each.text)} ", tag("code", text.safe(each.code))) for each in cautions]
    notes = bullets([text.safe(line) for line in season.notes]) if season.notes else tag("p", "None.")
    return join(
        [
            tag("section", tag("h2", "Notes for the next crop"), notes, id="notes"),
            tag("section", tag("h2", "Cautions"), tag("ul", *told) if told else tag("p", "None."), id="cautions",
                class_="warn"),
            tag("section", tag("h2", "Before anybody sprays again"), bullets(story.SAFETY), id="safety", class_="warn"),
        ]
    )  # fmt: skip


def _end() -> str:
    return tag("footer", f"Made by rxmap {__version__}. One field and one season are one case, not a rule.")
