"""The result folder: which file comes from what."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path, PurePosixPath

from rxmap.errors import CheckError, shown
from rxmap.records import PassResult, Result
from rxmap.write.bundle import write_bundle
from rxmap.write.evidence import NOT_SAMPLED, write_not_sampled
from rxmap.write.files import write_bytes, write_json
from rxmap.write.geojson import write_geojson
from rxmap.write.geopackage import write_geopackage
from rxmap.write.hand_over import TEST_BASE, terminal_test, write_hand_over
from rxmap.write.kml import write_kml
from rxmap.write.loads import write_loads
from rxmap.write.manifest import write_manifest
from rxmap.write.mix_sheet import write_mix_sheet
from rxmap.write.raster import write_surface
from rxmap.write.record import machine_digests, record_document, write_record
from rxmap.write.shapefile import write_shapefile
from rxmap.write.summary import BUNDLE, ENDINGS, MACHINE, PASSES, layer_paths, summary, surface_path
from rxmap.write.task_data import STRUCTURES, TASK_FILE, write_task_data
from rxmap.write.vectors import prescription, write_check_strips, write_keep_outs, write_stops, write_zones

Page = str | bytes | Future[bytes]
LAYERS = {"geojson": write_geojson, "shapefile": write_shapefile, "geopackage": write_geopackage, "kml": write_kml}


def write_result(result: Result, stage: Path, *, pages: Mapping[str, Page]) -> None:
    """Write everything below a folder, each file read back, the manifest last.

    Parameters
    ----------
    result : Result
        Everything that was decided.
    stage : Path
        An empty folder, as `rxmap.write.publish.staged` gives it.
    pages : mapping of str to str, bytes or Future
        Documents by their path in the folder, such as ``map.html``; one that is still being drawn is waited for.

    Raises
    ------
    CheckError
        If a file does not hold what was meant.
    """
    write_stops(stage / "stops.geojson", result.observations, result.targets)
    write_zones(stage / "zones.geojson", result.zones)
    write_keep_outs(stage / "keep_out.geojson", result.keep_outs)
    for target in result.targets:
        write_surface(stage / surface_path(target), target.surface, frame=result.field.frame, unit=target.unit)
    write_check_strips(stage / "check_strips.geojson", result.passes, result.field.frame)
    if any(target.evidence for target in result.targets):
        write_not_sampled(stage / NOT_SAMPLED, result.targets, result.field.frame)
    for one in result.passes:
        _write_layers(one, stage, result)
        _write_crew_papers(one, stage, result)
    write_json(stage / "summary.json", summary(result))
    write_record(stage / "record.json", record_document(result, result.plan, files=machine_digests(stage, result)))
    for name, page in pages.items():
        _write_page(name, page, stage)
    write_manifest(stage, inputs=result.inputs, seed=result.seed, plan=result.plan)


def _write_layers(one: PassResult, stage: Path, result: Result) -> None:
    paths = layer_paths(one, result.formats) or {}
    for name, path in sorted(paths.items(), key=lambda named: named[0] == BUNDLE):  # it holds the others
        if name in LAYERS:
            LAYERS[name](stage / path, prescription(one.parts))
        elif name == BUNDLE:
            write_bundle(stage / path, (stage / path).parent / MACHINE)
        else:
            write_task_data(stage / path, result, one, structure=STRUCTURES[name])


def _write_crew_papers(one: PassResult, stage: Path, result: Result) -> None:
    if one.load_plan is None:
        return
    folder = stage / PASSES / one.slug
    write_mix_sheet(folder / "mix_sheet.csv", one.load_plan, units=result.units)
    write_loads(folder / "loads.geojson", one.load_plan)
    write_hand_over(folder / "hand_over.txt", result, one, one.load_plan)
    test = replace(one, name=TEST_BASE, parts=terminal_test(result, one))
    for name in result.formats:
        if name in LAYERS:
            LAYERS[name](folder / TEST_BASE / f"{TEST_BASE}{ENDINGS[name]}", prescription(test.parts))
        elif name != BUNDLE:
            structure = STRUCTURES[name]
            write_task_data(
                folder / TEST_BASE / f"experimental-{structure}" / TASK_FILE, result, test, structure=structure
            )


def _write_page(name: str, page: Page, stage: Path) -> None:
    parts = PurePosixPath(name).parts
    if not parts or name.startswith("/") or ".." in parts or (stage / name).exists():
        raise CheckError(f"{shown(name)}: not a free place inside the result folder.")
    drawn = page.result() if isinstance(page, Future) else page
    write_bytes(stage / name, drawn.encode("utf-8") if isinstance(drawn, str) else drawn)
