"""What is kept on paper: the application record against the summary, and whether PDF files are whole."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from typing import Any

from rxmap.errors import shown
from rxmap.verify.folder import SUMMARY, Folder
from rxmap.verify.values import near

RECORD = "record.json"


def papers_right(result: Folder) -> Iterator[str]:
    """Hold each PDF against its form, and the record, where there is one, against passes, products and hashes."""
    for name in (name for name in result.names if name.endswith(".pdf")):
        content = result.bytes(name)
        # ISO 32000-1, 7.5.2 and 7.5.5: the header, and the marker within the last 1024 bytes
        if not content.startswith(b"%PDF-") or b"%%EOF" not in content[-1024:]:
            yield f"{name}: is not a whole PDF; should start with %PDF- and end with %%EOF"
    if RECORD in result.names:
        yield from _record(result)


def _record(result: Folder) -> Iterator[str]:
    records = {each["slug"]: each for each in result.json(RECORD)["records"] if each["slug"] is not None}
    for each in result.summary["passes"]:
        record = records.get(each["slug"])
        kind = "no spray" if each["decision"] == "none" else "application"
        if record is None or record["kind"] != kind:
            yield f"{RECORD}: pass {shown(each['name'])} has no record of the kind {kind}; should have one"
        elif kind == "application":
            where = f"{RECORD}: pass {shown(each['name'])}"
            yield from (f"{where}: {line}" for line in _products(record["elements"], each["products"]))
            yield from (f"{where}: {line}" for line in _hashes(record["elements"], result))


def _products(elements: list[Any], products: list[Any]) -> Iterator[str]:
    totals = {each["of"]: each for each in elements if each["element"] == "total_applied"}
    if totals.keys() != {used["name"] for used in products}:
        yield f"products {shown(', '.join(totals))}; {SUMMARY} has {shown(', '.join(p['name'] for p in products))}"
        return
    for used in products:
        told = totals[used["name"]]
        planned = told["planned"]
        if planned is None or told["unit"] != used["total_unit"] or not near(planned, float(used["total"]), 3):
            found = f"{planned} {told['unit']}"
            yield f"total of {shown(used['name'])} {found}; {SUMMARY} has {used['total']} {used['total_unit']}"


def _hashes(elements: list[Any], result: Folder) -> Iterator[str]:
    for each in elements:
        if each["element"] == "machine_file":
            digest = hashlib.sha256(result.bytes(each["of"])).hexdigest()
            if each["value"] != digest:
                yield f"SHA-256 of {shown(each['of'])} {shown(each['value'])}; the file has {digest[:12]}..."
