"""Sheets for the work itself: the application record to fill in, and the mix sheet for the tank."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby
from typing import Any

from rxmap.records import LoadPlan, PassResult
from rxmap.show import story, text
from rxmap.show.paper import SMALL, Paper, plain_settings
from rxmap.write.mix_sheet import MixLine, mix_filled, mix_lines, mix_totals

BLANK = "_" * 20
WRITING = 4.0  # [pt] more above a line to write on
LARGE, MIDDLE = 13.0, 10.0  # [pt] to be read beside a tank; where many products need the width
MOST_LARGE = 3  # items in the tank that large type has room for

MIXING = (
    "Read the labels: they say the order of mixing, the protective equipment and what must not be mixed.",
    "Left-over mix and rinse water: as the label says, never into a drain or water.",
    "Measure what the row says; the machine's own counter decides what was sprayed.",
)


def record_pdf(document: Mapping[str, Any]) -> bytes:
    """Print the application record, with lines for what only the applicator knows.

    Parameters
    ----------
    document : mapping
        From `rxmap.write.record.record_document`.

    Returns
    -------
    bytes
        A PDF of A4 pages; each record starts a page.
    """
    with plain_settings():
        return record_paper(document).pdf()


def record_paper(document: Mapping[str, Any]) -> Paper:
    """Fill the sheets of the record; to be called within `plain_settings`."""
    paper = Paper(f"{text.safe(document['field'])}, record")
    for number, record in enumerate(document["records"]):
        if number:
            paper.turn()
        of = f": {text.safe(record['pass'])}" if record["pass"] else ""
        kind = "Application record" if record["kind"] == "application" else "Record of no application"
        paper.block(f"{kind}{of}", size=15, bold=True)
        for line in document["notice"]:
            paper.block(line, size=SMALL)
        paper.top += 6
        for section, elements in groupby(record["elements"], lambda element: element["section"]):
            rows = list(_rows(list(elements)))
            paper.table((section, "Known or planned", "To write", "Asked by"), rows, (31, 35, 22, 34), pad=WRITING)
    paper.heading("Keeping it")
    paper.bullets([f"{each['rule']} ({each['source']})" for each in document["keeping"]], size=SMALL)
    paper.heading("Cautions of the result")
    told = [f"{text.safe(each['text'])} ({text.safe(each['code'])})" for each in document["cautions"]]
    paper.bullets(told or ["None."], size=SMALL)
    paper.heading("Where the questions come from")
    paper.bullets([f"{each['rule']}: {each['read']}." for each in document["sources"]], size=SMALL)
    return paper


def _rows(elements: Sequence[Mapping[str, Any]]) -> Iterator[tuple[str, str, str, str]]:
    several = len({element["of"] for element in elements if element["of"]}) > 1
    for element in elements:
        unit = f" {text.safe(element['unit'])}" if element["unit"] else ""
        asks = f"{element['asks']} ({text.safe(element['of'])})" if several and element["of"] else element["asks"]
        if element["value"] is not None:
            yield asks, f"{_shown(element['value'])}{unit}", "", element["source"]
        elif element["planned"] is not None:
            yield asks, f"planned: {_shown(element['planned'])}{unit}", BLANK, element["source"]
        else:
            yield asks, "", BLANK, element["source"]


def _shown(value: Any) -> str:
    return f"{value:,.10g}" if isinstance(value, float) else text.safe(value)


# Mix sheet ---------------------------------------------------------------------------------------


def mix_sheet_pdf(pass_result: PassResult, load_plan: LoadPlan, field_name: str, units: text.Units) -> bytes:
    """Print the mix sheet of a pass: what goes into the tank for each load, in large letters.

    Parameters
    ----------
    pass_result : PassResult
        A pass that goes out.
    load_plan : LoadPlan
        Its loads.
    field_name : str
        Name of the field.
    units : str
        What people read.
    """
    with plain_settings():
        return mix_sheet_paper(pass_result, load_plan, field_name, units).pdf()


def mix_sheet_paper(pass_result: PassResult, load_plan: LoadPlan, field_name: str, units: text.Units) -> Paper:
    """Fill the mix sheet; to be called within `plain_settings`."""
    paper = Paper(f"{text.safe(field_name)}, mix sheet")
    lines = mix_lines(load_plan, units)
    items = list(dict.fromkeys(item.item for item in load_plan.loads[0].items))
    size = LARGE if len(items) <= MOST_LARGE else MIDDLE
    paper.block(f"Mix sheet: {text.safe(pass_result.name)}", size=18, bold=True)
    paper.block(f"{text.safe(field_name)}, {text.area(load_plan.area_ha, units)} treated", size=LARGE)
    for use in pass_result.products:
        paper.block(f"{text.safe(use.name)}: {text.rate(use)}", size=LARGE)
    paper.block(f"Date {BLANK}   Mixed by {BLANK}", size=LARGE)
    paper.top += 8
    head = ("Load", "Area", *map(text.safe, items), "Done")
    rows = [*_loads(lines, items, units), *_extras(load_plan, lines, items), *_totals(load_plan, lines, items, units)]
    paper.table(head, rows, (13, 14, *[18] * len(items), 8), size=size)
    paper.heading("How the loads run")
    paper.bullets(
        [story.sentence(load_plan.order), f"A load ends with {load_plan.limit}.", *_left(load_plan)], size=MIDDLE
    )
    paper.heading("Before mixing")
    paper.bullets(MIXING, size=MIDDLE)
    return paper


def _loads(lines: Sequence[MixLine], items: Sequence[str], units: text.Units) -> Iterator[tuple[str, ...]]:
    for load, group in groupby(lines, lambda line: line.load):
        rows = list(group)
        amounts = {line.item: f"{line.amount:,f} {line.unit}" for line in rows}
        yield (
            str(load),
            text.area(float(rows[0].area_ha), units),
            *(amounts[item] for item in items),
            "\N{WHITE SQUARE}",
        )


def _extras(plan: LoadPlan, lines: Sequence[MixLine], items: Sequence[str]) -> Iterator[tuple[str, ...]]:
    """Rows of what is mixed beside the treated ground, with the first load."""
    amounts = {line.item: f"{line.amount:,f} {line.unit}" for line in lines}
    for extra in plan.extras:
        if extra.volume_l:
            cells = [amounts.get(f"{item} ({extra.why})", "") for item in items]
            yield f"and with load {plan.loads[0].load}", extra.why, *cells, "\N{WHITE SQUARE}"


def _totals(
    plan: LoadPlan, lines: Sequence[MixLine], items: Sequence[str], units: text.Units
) -> Iterator[tuple[str, ...]]:
    """Rows of what goes on the ground, and of what is filled where more is mixed than that."""
    totals, filled = mix_totals(lines), mix_filled(plan, lines)
    yield "all loads", text.area(plan.area_ha, units), *("{:,f} {}".format(*totals[item]) for item in items), ""
    if any(filled[item] != totals[item][0] for item in items):
        yield "in all", "with the extra mix", *(f"{filled[item]:,f} {totals[item][1]}" for item in items), ""


def _left(plan: LoadPlan) -> Iterator[str]:
    """Say what to bring and what is left of it."""
    for extra in plan.extras:
        if not extra.volume_l:
            yield f"Nothing is mixed for: {extra.why}."
    for need in plan.needs:
        if need.packs is not None and need.left is not None:
            packs, left = text.counted(need.packs, "pack"), f"{text.number(need.left)} {need.unit} will be left"
            yield f"{text.safe(need.item)}: bring {packs} of {need.pack}; {left}."
        else:
            yield f"{text.safe(need.item)}: bring {text.number(need.total + need.extra)} {need.unit}."
