"""The application record: what is known before a pass goes out, and blanks for what only the applicator knows.

One record for each pass: of the application where it goes out, of the decision not to spray where it stays
at home. ``value`` is a fact already, ``planned`` is what the plan foresees, and both are null where somebody
has to write. What happens in the field (amounts, area, date, times) never stands as a fact here, only as planned.

References
----------
7 CFR 110.3(a), records of federally restricted-use products: text of 2006 read; its (b) and (c) and 110.5 from memory.
40 CFR 171.303(b)(6) and (7), commercial applicators: read.
40 CFR 170.311(b), display for workers, 2015 rule: from memory; its predecessor 170.122 read.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

import shapely

from rxmap.records import PassResult, ProductUse, Result, TargetResult
from rxmap.units import convert
from rxmap.write.files import rounded, write_json
from rxmap.write.summary import MACHINE, PASSES

Element = dict[str, Any]

RECORD, STATE, POSTING, EXTRA = "7 CFR 110.3", "40 CFR 171.303(b)", "40 CFR 170.311(b)", "good practice"
SPOT_ACRES = 0.1  # 7 CFR 110.3(b), from memory

# Key: section of the sheet, what is asked for in our own words, and the paragraphs that ask for it.
ASKED = {
    "product_name": ("Product", "Brand or product name", f"{RECORD}(a)(1); {STATE}; {POSTING}"),
    "registration_number": ("Product", "Registration number on the label", f"{RECORD}(a)(1); {STATE}; {POSTING}"),
    "active_ingredients": ("Product", "Active ingredients", POSTING),
    "total_applied": ("Product", "Total of the product applied, water left out", f"{RECORD}(a)(2); {STATE}"),
    "rate": ("Product", "Rate on treated ground", EXTRA),
    "re_entry": ("Product", "Re-entry interval on the label", POSTING),
    "safety_data_sheet": ("Product", "Safety data sheet displayed with the record (where)", POSTING),
    "group": ("Product", "Resistance group", EXTRA),
    "field_name": ("Place", "Name of the field", f"{RECORD}(a)(3); {STATE}"),
    "location_section": ("Place", "Location: county, range, township and section, or", f"{RECORD}(a)(3)(i)"),
    "location_map": ("Place", "Location: a map or written system that shows it, or", f"{RECORD}(a)(3)(ii)"),
    "location_usda": ("Place", "Location: farm, tract and field numbers of the USDA, or", f"{RECORD}(a)(3)(iii)"),
    "location_legal": ("Place", "Location: legal description of the property", f"{RECORD}(a)(3)(iv)"),
    "location_centre": ("Place", "Centre of the treated ground, WGS84 latitude and longitude", POSTING),
    "area_treated": ("Place", "Size of the area treated", f"{RECORD}(a)(3); {STATE}"),
    "crop": ("Place", "Crop or site treated", f"{RECORD}(a)(3); {STATE}; {POSTING}"),
    "spot_application": ("Place", "Spot application, under a tenth of an acre in all that day", f"{RECORD}(b)"),
    "date": ("Time", "Day, month and year", f"{RECORD}(a)(4); {STATE}; {POSTING}"),
    "start_time": ("Time", "Time at the start", f"{STATE}; {POSTING}"),
    "end_time": ("Time", "Time at the end", f"{STATE}; {POSTING}"),
    "applicator_name": ("People", "Name of the certified applicator", f"{RECORD}(a)(5); {STATE}"),
    "certification_number": ("People", "Number of the certificate", f"{RECORD}(a)(5); {STATE}"),
    "noncertified": ("People", "Applicators without certificate who worked under supervision", STATE),
    "customer": ("People", "Customer's name and address, where the work was hired", STATE),
    "licence_expiry": ("People", "Day on which the licence expires", EXTRA),
    "scout": ("People", "Who scouted", EXTRA),
    "approver": ("People", "Who approved the pass", EXTRA),
    "considered": ("Why", "Product that was considered", EXTRA),
    "target": ("Why", "Target", EXTRA),
    "pressure": ("Why", "Pressure found, mean of the field", EXTRA),
    "threshold": ("Why", "Threshold, and who published it", EXTRA),
    "chance": ("Why", "Chance that the field's mean is above the threshold, 0 to 1", EXTRA),
    "stops": ("Why", "Stop rows used, of those read, and their days", EXTRA),
    "stage": ("Why", "Growth stage", EXTRA),
    "reason": ("Why", "Reason for the decision", EXTRA),
    "next_look": ("Why", "Next look", EXTRA),
    "decided": ("Why", "Day of the decision", EXTRA),
    "machine": ("How", "Machine", EXTRA),
    "spray_volume": ("How", "Spray volume on treated ground", EXTRA),
    "droplet": ("How", "Nozzle, and droplet class on the label", EXTRA),
    "spray_pressure": ("How", "Pressure at the nozzle", EXTRA),
    "speed": ("How", "Speed", EXTRA),
    "height": ("How", "Height of boom or flight above the crop", EXTRA),
    "mix_order": ("How", "Order of mixing, as the labels say", EXTRA),
    "wind": ("Weather", "Wind: speed and direction, start and end", EXTRA),
    "temperature": ("Weather", "Temperature, start and end", EXTRA),
    "humidity": ("Weather", "Relative humidity, start and end", EXTRA),
    "inversion": ("Weather", "No inversion: how it was checked", EXTRA),
    "deviations": ("Afterwards", "What was done otherwise than planned, and where", EXTRA),
    "machine_file": ("Afterwards", "SHA-256 of the machine file as handed over", EXTRA),
}

SOURCES = {
    RECORD: "records of federally restricted-use products by certified applicators; (a) from the text of 2006, "
    "(b) and (c) from memory",
    STATE: "(6) and (7), records of commercial applicators; read",
    POSTING: "what workers must be able to read; rule of 2015 from memory, its predecessor 170.122 read",
    EXTRA: "common practice, no source",
}

NOTICE = (
    "A form to fill in, not legal advice. Read the rules as they stand today: states often ask for more, and other "
    "countries for something else. The label and licensed people decide.",
    "What is planned is not what was done: write down what was done.",
)

KEEPING = (
    ("Complete the record within 14 days of the application.", f"{RECORD}(c), from memory"),
    ("Keep it two years at least, and show it to those whom the law names; medical staff at once.", f"{RECORD}(c)"),
    ("Hired work: give the customer a copy within 30 days.", "7 CFR 110.5, from memory"),
    (
        "Display product, place, times, re-entry interval and safety data sheet before workers enter and within "
        "24 hours of the end, until 30 days after the re-entry interval; keep them two years.",
        f"{POSTING}, from memory",
    ),
    ("None of these rules asks for a record of no application; keep it to show the reason later.", EXTRA),
)


def record_document(
    result: Result, plan: Mapping[str, Any], *, files: Mapping[str, str] = MappingProxyType({})
) -> dict[str, Any]:
    """Fill the record of each pass with what is known.

    Parameters
    ----------
    result : Result
        Everything that was decided.
    plan : mapping
        The plan as understood, such as ``result.plan``.
    files : mapping of str to str
        SHA-256 of each machine file by its path in the result folder, from `machine_digests`.

    Returns
    -------
    dict
        ``notice``, ``sources``, ``keeping``, ``field``, ``records [{pass, slug, kind, elements}]``; ``kind`` is
        ``application`` or ``no spray``; an element is ``{section, element, of, asks, value, planned, unit, source}``,
        with the product, target or file in ``of``.
    """
    records = [_record(result, one, plan, files) for one in result.passes]
    return {
        "notice": list(NOTICE),
        "sources": [{"rule": rule, "read": read} for rule, read in SOURCES.items()],
        "keeping": [{"rule": rule, "source": source} for rule, source in KEEPING],
        "field": result.field.name,
        "records": records or [_record(result, None, plan, files)],
        "cautions": [{"code": caution.code, "text": caution.text} for caution in result.cautions],
    }


def write_record(path: Path, document: Mapping[str, Any]) -> None:
    """Write the record as JSON, and read it back.

    Raises
    ------
    CheckError
        If the file does not hold what was meant.
    """
    write_json(path, document)


def machine_digests(stage: Path, result: Result) -> dict[str, str]:
    """SHA-256 of the machine files of a result folder, by their path in it."""
    folders = [stage / PASSES / one.slug / MACHINE for one in result.passes if one.decision != "none"]
    found = sorted(file for folder in folders for file in folder.rglob("*") if file.is_file())  # task data has folders
    return {file.relative_to(stage).as_posix(): hashlib.sha256(file.read_bytes()).hexdigest() for file in found}


def quantity(value: Any) -> str | None:
    """Text of a quantity as a plan holds it, written or read; None where there is none.

    Examples
    --------
    >>> quantity({"magnitude": 9.0, "unit": "floz/acre"}), quantity("12 hour")
    ('9 floz/acre', '12 hour')
    """
    if isinstance(value, Mapping):
        return f"{value['magnitude']:.10g} {value['unit']}"
    return None if value is None else str(value)


def controlled(result: Result, one: PassResult | None, plan: Mapping[str, Any]) -> list[TargetResult]:
    """Targets that a pass is for: those that its products control; all of them where there is no pass."""
    if one is None:
        return list(result.targets)
    used = {use.name for use in one.products}
    names = {
        name for product in plan.get("product", ()) if product["name"] in used for name in product.get("controls", ())
    }
    return [target for target in result.targets if target.name in names]


def _record(
    result: Result, one: PassResult | None, plan: Mapping[str, Any], files: Mapping[str, str]
) -> dict[str, Any]:
    head = {"pass": one.name if one else None, "slug": one.slug if one else None}
    if one is None or one.decision == "none":
        return {**head, "kind": "no spray", "elements": list(_stays(result, one, plan))}
    elements = [
        *(element for use in one.products for element in _product(use, plan)),
        *_place(result, one, plan),
        *map(_element, ("start_time", "end_time", "applicator_name", "certification_number", "noncertified")),
        *map(_element, ("customer", "licence_expiry", "scout", "approver")),
        *_why(result, one, plan),
        *_how(one, plan),
        *map(_element, ("wind", "temperature", "humidity", "inversion", "deviations")),
        *(
            _element("machine_file", digest, of=path)
            for path, digest in files.items()
            if path.startswith(f"{PASSES}/{one.slug}/")
        ),
    ]
    return {**head, "kind": "application", "elements": elements}


def _element(
    key: str, value: Any = None, *, planned: Any = None, unit: str | None = None, of: str | None = None
) -> Element:
    section, asks, source = ASKED[key]
    told = {"asks": asks, "value": value, "planned": planned, "unit": unit, "source": source}
    return {"section": section, "element": key, "of": of, **told}


def _product(use: ProductUse, plan: Mapping[str, Any]) -> Iterator[Element]:
    label: Mapping[str, Any] = next((one["label"] for one in plan.get("product", ()) if one["name"] == use.name), {})
    yield _element("product_name", use.name, of=use.name)
    yield _element("registration_number", of=use.name)
    yield _element("active_ingredients", of=use.name)
    yield _element("total_applied", planned=rounded(use.total, 3), unit=use.total_unit, of=use.name)
    rates = " or ".join(f"{rounded(rate, 3):g}" for rate in use.rates or (use.rate,))
    yield _element("rate", planned=rates, unit=use.unit, of=use.name)
    yield _element("re_entry", quantity(label.get("rei")), of=use.name)
    yield _element("safety_data_sheet", of=use.name)
    yield _element("group", label.get("group"), of=use.name)


def _place(result: Result, one: PassResult, plan: Mapping[str, Any]) -> Iterator[Element]:
    unit = {"us": "acre", "metric": "ha"}[result.units]
    treated = shapely.union_all([part.polygon for part in one.parts if part.treat])
    centre = f"{treated.centroid.y:.5f}, {treated.centroid.x:.5f}" if not treated.is_empty else None
    yield _element("field_name", result.field.name)
    yield _element("location_section")
    yield _element("location_map", f"map.html, layers in {PASSES}/{one.slug}/{MACHINE}")
    yield _element("location_usda")
    yield _element("location_legal")
    yield _element("location_centre", centre, unit="degree")
    yield _element("area_treated", planned=rounded(convert(one.treated_ha, "ha", unit), 4), unit=unit)
    yield _element("crop", result.crop)
    yield _element("spot_application", planned="yes" if convert(one.treated_ha, "ha", "acre") < SPOT_ACRES else "no")
    yield _element("date", planned=plan["field"].get("spray_date"))


def _why(result: Result, one: PassResult | None, plan: Mapping[str, Any]) -> Iterator[Element]:
    for target in controlled(result, one, plan):
        rows = [row for row in result.observations if row.target == target.name and row.used]
        days = sorted({str(row.date) for row in rows if row.date})
        yield _element("target", target.name)
        yield _element("pressure", rounded(target.mean, 4), unit=target.unit, of=target.name)
        threshold = f"{target.threshold:.6g} {target.unit}, {target.source}"
        yield _element("threshold", threshold, of=target.name)
        yield _element("chance", _chance(target.p_over), of=target.name)
        stops = (
            f"{target.used} of {target.read}{', ' if days else ''}{' to '.join(dict.fromkeys(days[:1] + days[-1:]))}"
        )
        yield _element("stops", stops, of=target.name)
    yield _element("stage", plan["field"].get("stage"))
    yield _element("reason", one.reason if one else "no product is planned")
    look = one.dates.look_again if one and one.dates else one.next_look if one else None
    yield _element("next_look", planned=look or None)


def _chance(share: float) -> str:
    """Write a probability; never 0 or 1, which no sample can give."""
    if share < 0.01:
        return "under 0.01"
    return "over 0.99" if share > 0.99 else f"{share:.2f}"


def _how(one: PassResult, plan: Mapping[str, Any]) -> Iterator[Element]:
    machine: Mapping[str, Any] = plan.get("machine", {})
    volumes = sorted({(part.volume, part.vol_unit) for part in one.parts if part.treat})
    used = {use.name for use in one.products}
    droplets = [p["label"].get("droplet") for p in plan.get("product", ()) if p["name"] in used]
    yield _element("machine", planned=machine.get("kind"))
    yield _element("spray_volume", planned=" or ".join(f"{volume:g} {unit}" for volume, unit in volumes) or None)
    yield _element("droplet", planned=", ".join(str(each) for each in droplets if each) or None)
    yield _element("spray_pressure")
    yield _element("speed", planned=quantity(machine.get("speed")))
    yield _element("height")
    yield _element("mix_order")


def _stays(result: Result, one: PassResult | None, plan: Mapping[str, Any]) -> Iterator[Element]:
    told = [_element("field_name", result.field.name), _element("crop", result.crop)]
    told += [_element("considered", use.name, of=use.name) for use in (one.products if one else ())]
    told += [*_why(result, one, plan), *map(_element, ("decided", "scout", "approver"))]
    # no rule asks for this record, whatever it asks for of an application
    yield from ({**element, "source": EXTRA} for element in told)
