"""The files of a walk: for a receiver, for a map, to fill in, and all figures.

The table, the points and the waypoints are the scouting file itself, one row for each stop and target, with blanks
where somebody will write: filled in, each of them can be named in the plan.

References
----------
Topografix (2004), GPX 1.1 schema: order of elements, extensions in another namespace (from memory); RFC 4180.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape, quoteattr

import shapely
from defusedxml.ElementTree import fromstring

from rxmap import __version__
from rxmap.errors import CheckError
from rxmap.plan import Target
from rxmap.scout.records import Ask, Walk, WalkStop
from rxmap.write.files import rounded, write_bytes, write_json
from rxmap.write.geojson import DECIMALS, Feature, write_geojson
from rxmap.write.manifest import write_manifest
from rxmap.write.vectors import COLUMNS

TABLE, POINTS, WAYPOINTS, SHEET, FIGURES = "stops.csv", "stops.geojson", "stops.gpx", "walk.pdf", "walk.json"
GPX = "http://www.topografix.com/GPX/1/1"
OURS = "urn:rxmap:stop"  # namespace of the columns in a waypoint


def write_walk(walk: Walk, stage: Path, *, sheet: bytes) -> None:
    """Write everything below a folder, each file read back, the manifest last.

    Parameters
    ----------
    walk : Walk
        Without stops only the figures and the sheet are written.
    stage : Path
        An empty folder, as `rxmap.write.publish.staged` gives it.
    sheet : bytes
        The PDF to carry.

    Raises
    ------
    CheckError
        If a file does not hold what was meant.
    """
    if walk.stops:
        rows = list(_rows(walk))
        _write_table(stage / TABLE, rows)
        _write_waypoints(stage / WAYPOINTS, walk, rows)
        write_geojson(stage / POINTS, [Feature(shapely.Point(row["lon"], row["lat"]), row) for row in rows])
    write_bytes(stage / SHEET, sheet)
    write_json(stage / FIGURES, summary(walk))
    write_manifest(stage, inputs=walk.inputs, seed=walk.seed, plan=walk.plan)


def columns_of(targets: list[Target]) -> list[str]:
    """Columns of the scouting file that these targets need.

    Examples
    --------
    >>> columns_of([Target(name="rust", measure="severity", threshold=3, source="own")])
    ['stop', 'lon', 'lat', 'date', 'target', 'n', 'severity_pct', 'edge', 'note']
    """
    measured = dict.fromkeys(COLUMNS[target.measure] for target in targets)
    if any(target.gates.infested_share is not None for target in targets):
        measured["positives"] = None
    return ["stop", "lon", "lat", "date", "target", "n", *measured, "edge", "note"]


def _rows(walk: Walk) -> Iterator[dict[str, Any]]:
    """One row for each stop and target, None where somebody will write."""
    columns = columns_of([ask.target for ask in walk.asks])
    for stop in walk.stops:
        for target in stop.targets:
            known = {
                "stop": stop.name,
                "lon": stop.lon,
                "lat": stop.lat,
                "target": target,
                "edge": 1 if stop.kind == "edge" else 0,
            }
            yield dict.fromkeys(columns) | known


def _write_table(path: Path, rows: list[dict[str, Any]]) -> None:
    cells = [list(rows[0]), *([_cell(name, row[name]) for name in row] for row in rows)]
    text = io.StringIO(newline="")
    csv.writer(text, lineterminator="\r\n").writerows(cells)
    write_bytes(path, text.getvalue().encode("utf-8"))
    if list(csv.reader(io.StringIO(path.read_bytes().decode("utf-8"), newline=""), strict=True)) != cells:
        raise CheckError(f"{path.name}: what was written is not what was meant.")


def _cell(name: str, value: Any) -> str:
    if value is None:
        return ""
    return f"{value:.{DECIMALS}f}" if name in ("lon", "lat") else str(value)


def _write_waypoints(path: Path, walk: Walk, rows: list[dict[str, Any]]) -> None:
    """Waypoints to fill in, and a route to walk by."""
    title = quoteattr(f"rxmap {__version__}")
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<gpx version="1.1" creator={title} xmlns="{GPX}" xmlns:rxmap="{OURS}">',
        *(_waypoint(row) for row in rows),
        f"<rte><name>{escape(_plain(walk.field.name))}</name>",
        *(_route_point(stop) for stop in walk.stops),
        "</rte>",
        "</gpx>",
    ]
    write_bytes(path, ("\n".join(lines) + "\n").encode("utf-8"))
    found = fromstring(path.read_bytes()).findall(f"{{{GPX}}}wpt")
    told = [(one.findtext(f"{{{GPX}}}name"), one.findtext(f".//{{{OURS}}}target")) for one in found]
    if told != [(row["stop"], _plain(row["target"])) for row in rows]:
        raise CheckError(f"{path.name}: what was written is not what was meant.")


def _waypoint(row: Mapping[str, Any]) -> str:
    """Waypoint of a row: a date is its time, so none stands in the extensions."""
    cells = {name: value for name, value in row.items() if name not in ("stop", "lon", "lat", "date")}
    filled = "".join(
        f"<rxmap:{name}>{'' if value is None else escape(_plain(str(value)))}</rxmap:{name}>"
        for name, value in cells.items()
    )
    return (
        f'<wpt lat="{row["lat"]:.{DECIMALS}f}" lon="{row["lon"]:.{DECIMALS}f}"><name>{row["stop"]}</name>'
        f"<extensions>{filled}</extensions></wpt>"
    )


def _route_point(stop: WalkStop) -> str:
    return f'<rtept lat="{stop.lat:.{DECIMALS}f}" lon="{stop.lon:.{DECIMALS}f}"><name>{stop.name}</name></rtept>'


def _plain(text: str) -> str:
    """Text without what XML 1.0 cannot hold, section 2.2; blanks as a reader gives them back."""
    return "".join(sign for sign in text if sign >= " " and not "\ud800" <= sign <= "\udfff" and sign < "\ufffe")


def summary(walk: Walk) -> dict[str, Any]:
    """Figures of a walk under the names that readers rely on.

    Parameters
    ----------
    walk : Walk

    Returns
    -------
    dict
        ``kind``, ``field``, ``walk``, ``targets``, ``worth`` (None on a first visit), ``stops``, ``reasons``,
        ``cautions``.
    """
    field = walk.field
    return {
        "kind": walk.kind,
        "field": {"name": field.name, "area_ha": rounded(field.area_ha, 4)},
        "walk": {
            "stops": len(walk.stops),
            "edge_stops": sum(stop.kind == "edge" for stop in walk.stops),
            "length_m": rounded(walk.length_m, 0),
        },
        "targets": [_ask(ask) for ask in walk.asks],
        "worth": None
        if walk.worth is None
        else {
            "currency": walk.worth.currency,
            "batch": rounded(walk.worth.batch, 2),
            "perfect": rounded(walk.worth.perfect, 2),
            "cost": None if walk.worth.cost is None else rounded(walk.worth.cost, 2),
            "may_change": rounded(walk.worth.may_change, 4),
        },
        "stops": [
            {
                "stop": stop.name,
                "lon": stop.lon,
                "lat": stop.lat,
                "kind": stop.kind,
                "targets": list(stop.targets),
                "value": None if stop.value is None else rounded(stop.value, 2),
            }
            for stop in walk.stops
        ],
        "reasons": list(walk.reasons),
        "cautions": [{"code": caution.code, "text": caution.text} for caution in walk.cautions],
    }


def _ask(ask: Ask) -> dict[str, Any]:
    tally = ask.tally
    return {
        "name": ask.target.name,
        "measure": ask.target.measure,
        "unit": ask.target.unit,
        "threshold": rounded(ask.target.threshold, 4),
        "units": ask.units,
        "stops": ask.stops,
        "map_stops": ask.map_stops,
        "precision": rounded(ask.reached, 4),
        "reason": ask.reason,
        "tally": None
        if tally is None
        else {
            "per_stop": ask.per_stop,
            "slope": rounded(tally.slope, 5),
            "low": rounded(tally.low, 5),
            "high": rounded(tally.high, 5),
        },
    }
