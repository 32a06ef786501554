"""What the map says against what the files hold: nobody may read one thing and spray another."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from decimal import Decimal
from typing import Any

from rxmap.errors import printable, shown
from rxmap.units import convert
from rxmap.verify.figures import STOPS
from rxmap.verify.folder import Folder, strict_json
from rxmap.verify.geojson import Feature
from rxmap.verify.page import PAGE, Page, Row, read_page
from rxmap.verify.prescription import KEEP_OUT, ZONES
from rxmap.verify.report import Unreadable
from rxmap.verify.values import decimals_of, near

SCREEN = 0.51e-6  # [degree] the map draws six decimals, finer than a screen
LONGEST_TEXT = 300  # what the page shows of one text from a file
MEASURES = ("count", "positives", "severity_pct", "rating")  # the first that a row has is what was measured
AREA_WORDS = {"acres": "acre", "ha": "ha"}
_NUMBER = re.compile(r"-?[\d,]+(?:\.\d+)?")
_FIGURE = re.compile(r"(-?[\d,]+(?:\.\d+)?) ?(.*)")


def page_agrees(result: Folder) -> Iterator[str]:
    """Hold what the page's tables say against the figures of the files."""
    page, summary = read_page(result), result.summary
    for each, row in _paired(page, "Passes", summary["passes"]):
        yield from _told(f"Passes, {shown(each['name'])}", _pass_faults(each, row))
    for each, layer in result.layers:
        caption = f"Treated parts of {printable(each['name'], LONGEST_TEXT)}"
        for feature, row in _paired(page, caption, [one for one in layer.features if one.properties["treat"] == 1]):
            yield from _told(caption, _part_faults(feature.properties, row))
    for feature, row in _paired(page, "Zones", result.layer(ZONES).features):
        faults = _zone_faults(feature.properties, row, summary["targets"])
        yield from _told(f"Zones, zone {feature.properties['zone']}", faults)
    for target, row in _paired(page, "Targets", summary["targets"]):
        yield from _told(f"Targets, {shown(target['name'])}", _target_faults(target, row))
    for feature, row in _paired(page, "Keep-outs", result.layer(KEEP_OUT).features):
        yield from _told(f"Keep-outs, {shown(feature.properties['reason'])}", _keep_out_faults(feature.properties, row))
    if summary["money"] is not None:
        for key, row in _paired(page, "Money", ("map", "all", "none")):
            yield from _told(f"Money, {key}", _gain_fault(summary["money"], key, row))
    yield from _told("Stops", _stop_faults(page, result.layer(STOPS).features))


def cautions_shown(result: Folder) -> Iterator[str]:
    """Look for every caution of the summary on the page."""
    words = "".join(read_page(result).words)
    for caution in result.summary["cautions"]:
        if printable(caution["text"], LONGEST_TEXT) not in words:
            yield f"{PAGE}: caution {shown(caution['code'])} is not shown; should be"


def map_drawn(result: Folder) -> Iterator[str]:
    """Hold the shapes that the map draws against the prescription layers."""
    yield from _map_shapes(result, read_page(result))


def _paired(page: Page, caption: str, wanted: Sequence[Any]) -> Iterator[tuple[Any, Row]]:
    """Rows of the table whose caption begins so, each with what it should say."""
    rows = next((rows for words, rows in page.tables.items() if words.startswith(caption)), [])
    if len(rows) != len(wanted):
        raise Unreadable(f"{PAGE}: table {caption} has {len(rows)} rows; should have {len(wanted)}")
    yield from zip(wanted, rows, strict=True)


def _told(table: str, faults: Iterator[str]) -> Iterator[str]:
    return (f"{PAGE}: table {table}: {fault}" for fault in faults)


def _pass_faults(each: Any, row: Row) -> Iterator[str]:
    if not _says_area(row["Treated"], each["treated_ha"]):
        yield f"treated {shown(row['Treated'])}; the summary has {each['treated_ha']} ha"
    if not _says(row["Share"], 100 * float(each["share"]), "%"):
        yield f"share {shown(row['Share'])}; the summary has {each['share']}"
    for total, used in zip(row["Product on the ground"].split("; "), each["products"], strict=True):
        if not _says(total, float(used["total"]), used["total_unit"]):
            yield f"product on the ground {shown(total)}; the summary has {used['total']} {used['total_unit']}"
    if row["Loads"] != str(each["loads"]):
        yield f"loads {shown(row['Loads'])}; the summary has {each['loads']}"


def _part_faults(values: Any, row: Row) -> Iterator[str]:
    yield from _area_fault(values, row)
    for head, key, unit in (("Rate", "rate", "unit"), ("Spray volume", "volume", "vol_unit")):
        if not _says(row[head], float(values[key]), values[unit]):
            yield f"{head.lower()} {shown(row[head])}; the file has {values[key]} {values[unit]}"


def _area_fault(values: Any, row: Row) -> Iterator[str]:
    if not _says_area(row["Area"], values["area_ha"]):
        yield f"area {shown(row['Area'])}; the file has {values['area_ha']} ha"


def _zone_faults(values: Any, row: Row, targets: Sequence[Any]) -> Iterator[str]:
    yield from _area_fault(values, row)
    for target in targets:
        cell = row[f"{printable(target['name'], LONGEST_TEXT)}: pressure, chance above"]
        found = values[f"pressure_{target['slug']}"]
        if not _says_number(cell, found):
            yield f"{shown(target['name'])} {shown(cell)}; the file has {found}"


def _target_faults(target: Any, row: Row) -> Iterator[str]:
    for head, key in (("Field mean", "mean"), ("Threshold", "threshold")):
        if not _says_number(row[head], target[key]):
            yield f"{head.lower()} {shown(row[head])}; the summary has {target[key]}"
    used = f"{target['stops']['used']} of {target['stops']['read']}"
    if row["Stop rows used"] != used:
        yield f"stop rows used {shown(row['Stop rows used'])}; the summary has {used}"


def _keep_out_faults(values: Any, row: Row) -> Iterator[str]:
    figure, unit = _figure(row["Setback"])
    setback = convert(float(values["setback_m"]), "m", unit)
    if row["Keep-out"] != printable(values["reason"], LONGEST_TEXT) or not near(figure, setback, decimals_of(figure)):
        yield f"{shown(row['Keep-out'])}, {shown(row['Setback'])}; the file has {values['setback_m']} m"


def _gain_fault(money: Any, key: str, row: Row) -> Iterator[str]:
    gain = money[key]
    if gain is not None and not _says(row["Expected gain"], float(gain), money["currency"]):
        yield f"{shown(row['Expected gain'])}; the summary has {gain} {money['currency']}"


def _stop_faults(page: Page, features: Sequence[Feature]) -> Iterator[str]:
    for feature, row in _paired(page, "Stops", features):
        values = feature.properties
        wanted = {"Stop": values["stop"], "Date": values["date"] or "-", "Target": values["target"]}
        wanted |= {"Note": values["note"] or "-"}
        for head, text in wanted.items():
            if row[head] != printable(str(text), LONGEST_TEXT):
                yield f"{head.lower()} {shown(row[head])}; {feature.where} has {shown(text)}"
        if (row["Used"] == "used") != bool(values["used"]):
            yield f"used {shown(row['Used'])}; {feature.where} has {values['used']}"
        measured = [values[key] for key in MEASURES if values.get(key) is not None]
        number = _NUMBER.search(row["Found"])
        if measured and (number is None or not _says_number(number[0], measured[0])):
            yield f"found {shown(row['Found'])}; {feature.where} has {measured[0]}"


def _figure(text: str) -> tuple[Decimal, str]:
    match = _FIGURE.fullmatch(text.strip())
    if match is None:
        raise Unreadable(f"{PAGE}: found {shown(text)}; should be a figure with its unit")
    return Decimal(match[1].replace(",", "")), match[2]


def _says_number(text: str, wanted: Any) -> bool:
    figure, _ = _figure(text)
    return near(figure, float(wanted), decimals_of(figure), absolute=1e-4)


def _says(text: str, wanted: float, unit: str) -> bool:
    figure, found = _figure(text)
    return found == unit and near(figure, wanted, decimals_of(figure))


def _says_area(text: str, hectares: Any) -> bool:
    figure, word = _figure(text)
    unit = AREA_WORDS.get(word)
    return unit is not None and near(figure, convert(float(hectares), "ha", unit), decimals_of(figure), absolute=1e-4)


def _map_shapes(result: Folder, reader: Page) -> Iterator[str]:
    data = strict_json(reader.blocks.get("map-data", "{}").encode("utf-8", "replace"), PAGE)
    views = [view for view in data.get("views", []) if view["group"] == "What to do"]
    if len(views) != len(result.passes):
        yield f"{PAGE}: the map draws {len(views)} passes; should draw {len(result.passes)}"
        return
    for view, (each, layer) in zip(views, result.layers, strict=True):
        where = f"{PAGE}: the map of {shown(each['name'])}"
        if len(view["shapes"]) != len(layer.features):
            yield f"{where} has {len(view['shapes'])} shapes; {layer.name} has {len(layer.features)} features"
            continue
        for number, (drawn, feature) in enumerate(zip(view["shapes"], layer.features, strict=True), 1):
            if (drawn["kind"] == "treated") != (feature.properties["treat"] == 1):
                yield f"{where}: shape {number} is drawn as {drawn['kind']}; its treat is {feature.properties['treat']}"
            if not _same_rings(drawn["rings"], feature):
                yield f"{where}: shape {number} lies elsewhere than {feature.where}"


def _same_rings(drawn: Any, feature: Feature) -> bool:
    """Whether rings of lat, lon without the repeated last point are those of a feature, either way round."""
    ours = [ring[:-1] for part in feature.rings for ring in part]
    theirs = [[at[::-1] for at in ring] for part in drawn for ring in part]
    return len(ours) == len(theirs) and all(
        _same_points(one, other) or _same_points([one[0], *one[:0:-1]], other)
        for one, other in zip(ours, theirs, strict=True)
    )


def _same_points(one: Sequence[Any], other: Sequence[Any]) -> bool:
    return len(one) == len(other) and all(
        abs(float(a) - float(b)) <= SCREEN
        for at, there in zip(one, other, strict=True)
        for a, b in zip(at, there, strict=True)
    )
