"""Re-read a result folder as a stranger would, and prove what must always hold.

Nothing here is shared with the code that writes: a fault there must not hide itself here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

from rxmap.errors import printable
from rxmap.verify import (
    bundle,
    evidence,
    figures,
    folder,
    geopackage,
    hand_over,
    kml,
    label,
    loads,
    mix_sheet,
    page,
    pair,
    papers,
    prescription,
    screen,
    strips,
    surfaces,
    task_data,
    testzone,
    totals,
    weather,
)
from rxmap.verify.folder import Folder
from rxmap.verify.report import Report, Unreadable

__all__ = ["Report", "verify"]

CHECKS: tuple[tuple[str, Callable[[Folder], Iterator[str]]], ...] = (
    ("every file is there, has the size and SHA-256 of the manifest, and none is beside them", folder.files_match),
    ("the manifest names inputs, versions, seed and plan", folder.manifest_whole),
    ("every JSON file is strict JSON without NaN", folder.json_readable),
    ("the summary is complete and its paths lead to files", figures.summary_complete),
    ("names, thresholds and paths of the summary are the plan's", figures.plan_echoed),
    ("every GeoJSON follows RFC 7946: WGS84, closed rings, 7 decimals, bbox, unique ids", figures.layers_conform),
    ("each prescription layer covers the field once: no overlap, no gap, the field's area", prescription.covers_once),
    ("each feature carries every attribute within its bounds", prescription.attributes_right),
    ("each shapefile is whole and equal to the GeoJSON, feature by feature", pair.shapefiles_equal),
    ("each GeoPackage holds the features of the GeoJSON", geopackage.geopackages_equal),
    ("each KML has the polygons, rates and areas of the GeoJSON", kml.kml_equal),
    ("each task has the polygons or cells of the GeoJSON, and no rate elsewhere", task_data.task_data_equal),
    ("each archive holds the machine files, byte by byte", bundle.bundles_equal),
    ("each test zone is one square without and one with the rate, inside the field", testzone.testzones_right),
    ("every rate is 0 or inside the label's range", label.rates_on_label),
    ("the spray volume reaches the label's minimum", label.carrier_enough),
    ("season total, number, interval, days to harvest and stage keep the label", label.season_kept),
    ("no entry, no rain and first harvest are told as the labels ask", label.waits_told),
    ("no treated ground in a keep-out or outside the field", prescription.keeps_out),
    ("every keep-out has the setback that plan and labels ask for", prescription.setbacks_kept),
    ("every part names the zone that holds most of it, or none in a keep-out", prescription.zones_named),
    (
        "treated area, share, polygons, product and loads of the summary are those of the files",
        totals.totals_agree,
    ),
    ("each mix sheet adds up, and no load is above tank, battery or label", mix_sheet.mix_sheets_right),
    ("the loads cover the treated ground once, each with its share of the mix", loads.loads_right),
    ("check strips are untreated, at most a tenth of their ground, and those of the summary", strips.strips_right),
    (
        "each hand-over has the hashes of the files, the totals, and the waiting time in full",
        hand_over.hand_overs_right,
    ),
    ("what the machine will apply adds up to what is planned", totals.applied_plausible),
    ("the record has the products and totals of the summary, and every PDF is whole", papers.papers_right),
    ("the machine can hold every layer", totals.machine_limits),
    ("each pass has the files that its decision asks for", prescription.decisions_kept),
    ("no stop is dropped in silence", figures.stops_counted),
    ("the zones cover the field once and say what the surfaces say", surfaces.zones_right),
    ("each surface is a cloud-optimised GeoTIFF of possible values where the field is", surfaces.surfaces_right),
    ("pressure and p_over of each part lie on the surface of its target", surfaces.parts_on_surface),
    ("the evidence of each target is that of its stops and the field", evidence.evidence_right),
    ("a map is drawn where skill and chance earn one", evidence.verdicts_earned),
    ("the map's evidence is that of the summary", evidence.evidence_shown),
    ("the money names the best choice", figures.money_in_order),
    ("degree days, favourable hours and spray windows add up, and the map says them", weather.weather_right),
    ("the map opens without a network", page.page_stands_alone),
    ("the map's tables say what the files hold", screen.page_agrees),
    ("the map draws what the prescription layers hold", screen.map_drawn),
    ("every caution is on the map", screen.cautions_shown),
)


def verify(path: str | Path) -> Report:
    """Prove the invariants of a result folder from its files alone.

    Parameters
    ----------
    path : str or Path
        What `rxmap build` wrote.

    Returns
    -------
    Report
        Findings, and what was proved. A broken result never raises: what cannot be read is a finding.
    """
    result = Folder(Path(path))
    findings: dict[str, None] = {}
    checked = []
    for words, check in CHECKS:
        found = _run(check, result)
        findings.update(dict.fromkeys(found))
        if not found:
            checked.append(words)
    return Report(tuple(findings), tuple(checked))


def _run(check: Callable[[Folder], Iterator[str]], result: Folder) -> list[str]:
    found: list[str] = []
    try:
        found.extend(printable(line) for line in check(result))
    except Unreadable as finding:
        found.append(printable(str(finding)))
    except Exception as error:  # a stranger's folder may be broken in any way; the other checks still run
        kind = type(error).__name__
        found.append(printable(f"{result.last}: not of the agreed form ({check.__name__}: {kind}: {error})"))
    return found
