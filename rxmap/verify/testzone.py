"""The two squares to try on the terminal: where they lie, and that only one of them is dosed, as the pass is."""

from __future__ import annotations

from collections.abc import Iterator

import shapely

from rxmap.errors import shown
from rxmap.verify.crew import Crew, crews, testzone_files
from rxmap.verify.folder import Folder
from rxmap.verify.geojson import Feature, Layer
from rxmap.verify.ground import M2_PER_HA, area_m2, beyond_m2, moved_m2
from rxmap.verify.prescription import KEEP_OUT, field_ground, treated
from rxmap.verify.values import near


def testzones_right(result: Folder) -> Iterator[str]:
    """Hold each test zone against its pass, the field and the keep-outs."""
    field, kept = field_ground(result), result.layer(KEEP_OUT)
    for crew in crews(result):
        layer = result.prescription(testzone_files(crew))
        yield from _doses(layer, crew)
        for square in layer.features:
            yield from _attributes(square, crew)
            if beyond_m2(square.geometry, field) > moved_m2(square.geometry):
                yield f"{square.where}: reaches beyond the field; should be inside"
            for other in kept.features:
                if area_m2(shapely.intersection(square.geometry, other.geometry)) > moved_m2(square.geometry):
                    yield f"{square.where}: lies in the keep-out {shown(other.properties['reason'])}; should not"


def _doses(layer: Layer, crew: Crew) -> Iterator[str]:
    rates = [square.properties["rate"] for square in layer.features]
    full = max(part.properties["rate"] for part in treated(crew.layer))
    if rates != [0, full]:
        yield f"{layer.name}: rates {', '.join(map(str, rates))}; should be 0 and {full}, one square each"


def _attributes(square: Feature, crew: Crew) -> Iterator[str]:
    values = square.properties
    if (values["rate"] > 0) != (values["treat"] == 1) or (values["volume"] > 0) != (values["treat"] == 1):
        yield f"{square.where}: rate {values['rate']}, volume {values['volume']} where treat is {values['treat']}"
    model = treated(crew.layer)[0].properties
    for key in ("unit", "product", "vol_unit"):
        if values[key] != model[key]:
            yield f"{square.where}: {key} is {shown(values[key])}; the pass has {shown(model[key])}"
    hectares = area_m2(square.geometry) / M2_PER_HA
    if not near(values["area_ha"], hectares, 4, relative=1e-6):
        yield f"{square.where}: area_ha {values['area_ha']}; should be {hectares:.4f}"
