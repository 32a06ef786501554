"""The overview of many fields: one page that opens with no network, reads without a script and sorts with one.

Text from files is escaped by `markup.tag` on its only way into the page.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence

from rxmap import __version__
from rxmap.show import assets, text
from rxmap.show.markup import Markup, bullets, join, policy, table, tag
from rxmap.show.overview_map import ROW, overview_map
from rxmap.show.overview_rows import FieldLine, Overview, SeasonLine, ranks
from rxmap.units import convert

SAFETY = (
    "This page is an overview and no permission. Before a machine goes out, read the field's own page, its cautions "
    "and the product's label; the label is the law.",
    "Local rules and licensed people decide whether, when and how a product is applied.",
    "Mind drift, re-entry and the days to harvest in every field by itself.",
    "Season limits hold for each field. They are those that the plans name, counted from the applications that the "
    "plans name.",
)
LEGEND = {"map": "part of the field", "all": "the whole field", "none": "stays at home", "no product": "no product"}
DASH = "-"


def overview_page(overview: Overview) -> str:
    """Draw everything that came of a run over many fields as one HTML page.

    Parameters
    ----------
    overview : Overview
        Fields in the order in which a trip is worth most.

    Returns
    -------
    str
        The whole page: no link but to the fields' own pages, no request, the same bytes for the same fields.
    """
    script = assets.own("overview.js")
    head = (
        f'<meta charset="utf-8"><meta http-equiv="Content-Security-Policy" content="{policy(script)}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1"><link rel="icon" href="data:,">'
        f"<title>Overview of the fields</title><style>{assets.own('overview.css')}</style>"
    )
    body = [
        tag("a", "Skip to the table", class_="skip", href="#table"),
        tag(
            "header", tag("h1", "Overview of the fields"), *(tag("p", line, class_="lead") for line in _lead(overview))
        ),
        *_not_done(overview),
        tag("section", tag("h2", "Where"), *_where(overview)),
        tag("section", tag("h2", "Fields"), *_fields(overview), id="table", tabindex="-1"),
        tag("section", tag("h2", "Order list"), *_orders(overview), id="orders"),
        tag("section", tag("h2", "Season limits"), *_seasons(overview), id="seasons"),
        tag("section", tag("h2", "Cautions"), _cautions(overview), id="cautions"),
        tag("section", tag("h2", "Before anybody sprays"), bullets(SAFETY), id="safety", class_="warn"),
        tag("footer", f"Made by rxmap {__version__}. Areas are taken on the WGS84 ellipsoid; north is up."),
        Markup(f"<script>{script}</script>"),
    ]
    page = tag("html", tag("head", Markup(head)), tag("body", join(body)), lang="en")
    return f"<!DOCTYPE html>\n{page}\n"


def _lead(overview: Overview) -> Iterator[str]:
    fields, units = overview.fields, overview.units
    out = [line for line in fields if line.goes_out]
    total, treated = (sum(getattr(line, name) for line in fields) for name in ("area_ha", "treated_ha"))
    yield (
        f"{text.counted(len(out), 'field')} of {len(fields):,} to drive to: {text.area(treated, units)} to treat "
        f"in {text.area(total, units)}, every pass counted."
    )
    for code in overview.currencies:
        sums = overview.money(code)
        gains = {name: sums["decided"] - sums[name] for name in ("none", "all")}
        yield (
            f"Expected gain {text.money(gains['none'], code)} over treating nothing, "
            f"{text.money(gains['all'], code)} over treating every field whole."
        )
    without = sum(line.goes_out and line.worth is None for line in fields)
    if without:
        yield f"{text.counted(without, 'field')} to drive to without money in the plan: no gain is known."
    if len(overview.currencies) > 1:
        yield "Sums in different currencies are neither added nor compared."
    yield from overview.notes


def _not_done(overview: Overview) -> Iterator[str]:
    if not overview.not_done:
        return
    items = [
        tag("li", tag("b", text.safe(one.plan)), f" ({one.state})", bullets(text.safe(line) for line in one.lines))
        for one in overview.not_done
    ]
    heading = f"{text.counted(len(items), 'field')} not done"
    yield tag("section", tag("h2", heading), tag("ul", *items), id="not-done", class_="warn")


def _where(overview: Overview) -> Iterator[str]:
    if not overview.fields:
        yield tag("p", "No field is done.")
        return
    yield _legend(overview)
    drawing, width_m = overview_map(overview.fields)
    yield tag("div", drawing, class_="stage")
    unit = {"us": "mi", "metric": "km"}[overview.units]
    width = f"{text.number(convert(width_m, 'm', unit))} {unit}"
    yield tag("p", f"North is up. The map is {width} wide.", class_="hint")


def _legend(overview: Overview) -> str:
    counts = overview.decisions()
    shades = {"map": "m", "all": "a", "none": "n", "no product": "o"}
    items = [
        tag("li", tag("i", class_=shades[kind]), f"{kind}: {LEGEND[kind]} ({counts[kind]:,})")
        for kind in shades
        if counts[kind]
    ]
    return tag("ul", *items, class_="legend")


def _fields(overview: Overview) -> Iterator[str]:
    """Make the table, in the order in which a trip is worth most."""
    unit = text.AREA[overview.units][0]
    several = len(overview.currencies) > 1
    code = overview.currencies[0] if len(overview.currencies) == 1 else ""
    money = f" [{code}]" if code else ""
    head = ["trip", "field", f"area [{unit}]", f"treated [{unit}]", "share", "decision"]
    head += [
        f"gain [{f'{code} ' if code else ''}per {unit} treated]",
        f"gain over none{money}",
        f"gain over all{money}",
    ]
    head += [*(["currency"] if several else []), "cautions", "why"]
    rows = [
        _row(line, rank, overview, several=several)
        for line, rank in zip(overview.fields, ranks(overview.fields), strict=True)
    ]
    top = tag("tr", *(tag("th", cell, scope="col") for cell in head))
    caption = "Fields in the order in which a trip is worth most for each treated area; then those that stay at home"
    inner = tag("table", tag("caption", caption), tag("thead", top), tag("tbody", join(rows)), class_="fields")
    yield tag("div", inner, class_="scroll", tabindex="0", role="region", aria_label="Fields")
    yield tag(
        "p",
        "Treated: every pass counted. Share: of the field, in the pass that treats most. Gains are expected, less "
        "product and trips; scouting is paid either way.",
        class_="hint",
    )


def _row(line: FieldLine, rank: int | None, overview: Overview, *, several: bool) -> str:
    units = overview.units

    def sum_of(value: float | None) -> str:
        return DASH if value is None else text.number(value)

    worth = line.worth
    if worth is not None and line.currency:
        worth = convert(worth, f"{line.currency}/ha", f"{line.currency}/{text.AREA[units][0]}")
    cells = [
        text.area(line.area_ha, units, word=False),
        text.area(line.treated_ha, units, word=False),
        text.percent(line.share),
        line.decision or "no product",
        sum_of(worth),
        sum_of(line.over_none if line.goes_out else None),
        sum_of(line.over_all),
        *([line.currency or DASH] if several else []),
        _codes(line),
    ]
    link = tag("a", text.safe(line.name), href=f"fields/{line.slug}/map.html")
    told = [tag("td", cell) for cell in cells]
    named = [tag("td", DASH if rank is None else str(rank)), tag("th", link, scope="row")]
    return tag("tr", *named, *told, tag("td", _why(line)), id=f"{ROW}{line.slug}")


def _codes(line: FieldLine) -> str:
    """Write how many cautions a field has, and which."""
    if not line.cautions:
        return "0"
    return text.safe(f"{len(line.cautions)}: {', '.join(dict.fromkeys(line.cautions))}", 120)


def _why(line: FieldLine) -> str:
    """Say in one line what a field does, or why it stays at home and when to look again."""
    if not line.passes:
        return "no product in the plan"
    if len(line.passes) == 1:
        return text.safe(line.passes[0].reason if line.goes_out else _stays(line), 160)
    return text.safe("; ".join(f"{one.name}: {one.decision}" for one in line.passes), 160)


def _stays(line: FieldLine) -> str:
    one = line.passes[0]
    return f"{one.reason}; {one.next_look}" if one.next_look else one.reason


def _orders(overview: Overview) -> Iterator[str]:
    if not overview.orders:
        yield tag("p", "No product goes out.")
        return
    rows = [
        (
            text.safe(one.product),
            f"{text.number(one.total, 4)} {one.unit}",
            text.safe(one.pack or DASH),
            DASH if one.packs is None else f"{one.packs:,}",
            DASH if one.left is None else f"{text.number(one.left)} {one.unit}",
            f"{one.fields:,}",
        )
        for one in overview.orders
    ]
    head = ("product", "into the tanks", "pack", "packs", "left in the last", "fields")
    yield table("What all fields need together", head, rows, numbers=" n nnn")


def _seasons(overview: Overview) -> Iterator[str]:
    groups: dict[tuple[str, str, float | None, int | None], list[SeasonLine]] = defaultdict(list)
    for one in overview.seasons:
        groups[one.product, one.unit, one.limit, one.most_times].append(one)
    if not groups:
        yield tag("p", "No product in any plan.")
        return
    rows = [_season_row(found) for _, found in sorted(groups.items(), key=lambda group: str(group[0]))]
    head = (
        "product",
        "most in a season",
        "times",
        "fields",
        "of them now",
        "used most after this",
        "no room after this",
    )
    yield table("Label limits of the season, each field by itself", head, rows, numbers=" nnnn  ")


def _season_row(found: Sequence[SeasonLine]) -> list[str]:
    first = found[0]
    most = max(found, key=lambda one: (one.before + one.now, one.times, one.slug))
    full = [one for one in found if not one.room]
    used = f"{text.number(most.before + most.now)} {most.unit}, {text.counted(most.times, 'time')} ({most.field})"
    names = ", ".join(text.safe(one.field, 40) for one in full[:20]) + (
        f" and {len(full) - 20} more" if len(full) > 20 else ""
    )
    return [
        text.safe(first.product),
        DASH if first.limit is None else f"{text.number(first.limit)} {first.unit}",
        DASH if first.most_times is None else str(first.most_times),
        f"{len(found):,}",
        f"{sum(one.now > 0 for one in found):,}",
        text.safe(used),
        f"{len(full):,}: {names}" if full else "0",
    ]


def _cautions(overview: Overview) -> str:
    counts = Counter(code for line in overview.fields for code in dict.fromkeys(line.cautions))
    if not counts:
        return tag("p", "None.")
    rows = [
        (text.safe(code), f"{count:,}") for code, count in sorted(counts.items(), key=lambda one: (-one[1], one[0]))
    ]
    return table(
        "Cautions, and how many fields have them; each field's page says them in full",
        ("caution", "fields"),
        rows,
        numbers=" n",
    )
