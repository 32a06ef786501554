"""The page for the operator: the files that it vouches for, the totals, and when people may go in again."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator, Sequence
from decimal import Decimal
from typing import Any

from rxmap.errors import shown
from rxmap.units import convert, denominator, numerator
from rxmap.verify.crew import TEST_ZONE, Crew, crews, swept_ha_s
from rxmap.verify.folder import SUMMARY, Folder
from rxmap.verify.geojson import Feature
from rxmap.verify.mix_sheet import WATER, read_sheet
from rxmap.verify.prescription import treated
from rxmap.verify.report import Unreadable
from rxmap.verify.shapefile import plain
from rxmap.verify.values import quantity

LONGEST_NAME = 40
MOST_PRODUCTS = 3  # further ones stand on the mix sheet
_DIGEST = re.compile(r"^([0-9a-f]{64})\s+(\S.*)$", re.MULTILINE)  # a long name stands on the next line


def hand_overs_right(result: Folder) -> Iterator[str]:
    """Hold each page against the machine files, the figures of the pass and its waiting time."""
    for crew in crews(result):
        name = f"{crew.folder}/hand_over.txt"
        try:
            text = result.bytes(name).decode("ascii")
        except UnicodeDecodeError:
            raise Unreadable(f"{name}: is not plain ASCII; should be, for any printer") from None
        yield from _files(text, name, crew, result)
        found = _bare(text)
        yield from _acres(found, name, crew)
        for what, words in _sentences(crew, result):
            if _bare(words) not in found:
                yield f"{name}: {what} is not told as {shown(words)}, by {SUMMARY} and the files"


def _files(text: str, name: str, crew: Crew, result: Folder) -> Iterator[str]:
    """Hold the files and hashes of the page against the folder."""
    folder = f"{crew.folder}/machine/"
    told = {file.strip(): digest for digest, file in _DIGEST.findall(text)}
    there = {each.removeprefix(folder) for each in result.names if each.startswith(folder)}
    for file in sorted(told.keys() ^ there):
        yield f"{name}: {shown(file)} is {'not listed' if file in there else 'listed and not in the machine folder'}"
    for file in sorted(told.keys() & there):
        digest = hashlib.sha256(result.bytes(folder + file)).hexdigest()
        if told[file] != digest:
            yield f"{name}: SHA of {shown(file)} is {told[file][:12]}...; the file has {digest[:12]}..."


def _sentences(crew: Crew, result: Folder) -> Iterator[tuple[str, str]]:
    """List what the page must say, in its own words but for blanks and line ends."""
    told, parts = crew.told, treated(crew.layer)
    yield "treated area", f"Treated area {told['treated_ha']:.4f} ha"
    for used in told["products"][:MOST_PRODUCTS]:
        stepped = {float(p.properties["rate"]) for p in parts if p.properties["product"] == used["name"]}
        rates = " or ".join(f"{rate:.6g}" for rate in sorted(stepped or {float(used["rate"])}))
        amount = _amount(crew, result, used["name"])
        yield "product", f"{plain(used['name'])[:LONGEST_NAME].rstrip()}, {rates} {used['unit']}: {amount}"
    yield "water", f"water {_amount(crew, result, WATER)}"
    yield "flow", f"Flow {_flows(parts, result.plan['machine'])} over the whole swath"
    names = {used["name"] for used in told["products"]}
    for product in result.plan["product"]:
        if product["name"] in names and product["label"].get("droplet"):
            yield "spray quality", plain(product["label"]["droplet"])[:LONGEST_NAME].rstrip()
    yield "number of loads", f"Loads {told['loads']}{',' if told['loads'] > 1 else ';'}"
    yield "number of polygons", f"Polygons {told['polygons']}, of these {len(parts)} with a rate above 0"
    yield "test zone", f"the two squares of {TEST_ZONE} with clean water"
    entry = plain((told.get("dates") or {}).get("no_entry") or "") or "as the label says"
    yield "re-entry", f"Re-entry: {entry}. Post the field"


def _acres(found: str, name: str, crew: Crew) -> Iterator[str]:
    """Hold the treated area in acres, where it is told, against hectares."""
    acres = re.search(r"ha=([0-9.]+)acre", found)
    wanted = f"{convert(float(crew.told['treated_ha']), 'ha', 'acre'):.2f}"
    if acres and acres[1] != wanted:
        yield f"{name}: treated area of {acres[1]} acre; should be {wanted}"


def _amount(crew: Crew, result: Folder, item: str) -> str:
    """Amounts of an item by the mix sheet, as they are printed: in all loads, and with what is mixed beside them."""
    lines = [line for line in read_sheet(result, crew) if line.item == item]
    filled = sum((line.amount for line in lines), Decimal(0))
    ground = sum((line.amount for line in lines if not line.beside), Decimal(0))
    more = f", {filled:f} {lines[0].unit} to fill with the extra mix" if filled != ground else ""
    return f"{ground:f} {lines[0].unit} on the ground{more}"


def _flows(parts: Sequence[Feature], machine: Any) -> str:
    """Spray in a minute of each volume of the layer [L/ha, gal/acre], as it is printed."""
    unit = quantity(machine["carrier"]).unit
    area = 60.0 * convert(swept_ha_s(machine), "ha", denominator(unit))
    volumes = sorted({float(part.properties["volume"]) for part in parts})
    if len(volumes) == 1:
        return f"{volumes[0] * area:.4g} {numerator(unit)}/minute"
    return "".join(f"{volume * area:.4g} {numerator(unit)}/minute for {volume:.6g} {unit}, " for volume in volumes)


def _bare(text: str) -> str:
    """Text without any blank: a page breaks its lines where it must."""
    return "".join(text.split())
