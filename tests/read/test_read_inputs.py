"""Everything of one plan at once."""

from __future__ import annotations

import hashlib
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from rxmap.errors import PlanError
from rxmap.plan import Plan
from rxmap.read.inputs import read_field, read_inputs

MakePlan = Callable[..., Plan]
KEEP_OUT = '[[keep_out]]\nfile = "k.geojson"\nsetback = "3 m"\nreason = "ditch"\n'


def test_faults_of_all_files_are_told_together(refusal: Callable[..., str]) -> None:
    files = {
        "boundary.geojson": '{"type":"Point","coordinates":[10.1,50.1]}',
        "stops.csv": "stop,lon,lat,target,n,count\nS1,10.1,50.1,reed aphid,0,x\n",
        "k.geojson": "{}",
    }
    lines = refusal(files, rest=KEEP_OUT).splitlines()
    assert [line.split(":")[0] for line in lines] == ["boundary.geojson", "stops.csv", "stops.csv", "k.geojson"]


def test_every_missing_file_is_told(refusal: Callable[..., str]) -> None:
    lines = refusal(boundary="b.geojson", stops='["s.csv", "t.csv"]', rest=KEEP_OUT).splitlines()
    assert [line.split(":")[0] for line in lines] == ["b.geojson", "s.csv", "t.csv", "k.geojson"]


def test_a_plan_without_stops_has_a_field_but_no_inputs(make_plan: MakePlan) -> None:
    plan = make_plan(stops="[]")
    assert read_field(plan).name == "Invented field"
    with pytest.raises(PlanError, match=r"plan.toml: scouting.stops: is missing"):
        read_inputs(plan)


def test_every_file_read_is_listed_with_its_hash(make_plan: MakePlan, tmp_path: Path) -> None:
    for file in read_inputs(make_plan()).files:
        data = (tmp_path / file.name).read_bytes()
        assert (file.bytes, file.sha256) == (len(data), hashlib.sha256(data).hexdigest())


def test_inputs_are_left_as_they_were(make_plan: MakePlan, tmp_path: Path) -> None:
    plan = make_plan()
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    read_inputs(plan)
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_plain_files_are_read_without_loading_a_geographic_library() -> None:
    # start-up time: fiona and rasterio each cost a fifth of a second
    code = "import sys, rxmap.read; print([m for m in ('fiona', 'rasterio', 'geopandas') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert done.stdout.strip() == "[]"


COVARIATE = '[[covariate]]\nfile = "soil.tif"\nname = "soil"\n'


def write_soil(path: Path) -> None:
    """One value over the whole field, in 0.001 degree pixels."""
    import numpy as np
    import rasterio

    form = {"driver": "GTiff", "width": 20, "height": 20, "count": 1, "dtype": "float32", "crs": "EPSG:4326"}
    with rasterio.open(path, "w", transform=rasterio.Affine(0.001, 0, 10.095, 0, -0.001, 50.11), **form) as target:
        target.write(np.full((1, 20, 20), 6.5, np.float32))


def test_other_layers_lie_on_the_grid_of_the_field_and_their_files_are_listed(
    make_plan: MakePlan, tmp_path: Path
) -> None:
    write_soil(tmp_path / "soil.tif")
    inputs = read_inputs(make_plan(rest=COVARIATE))
    (layer,) = inputs.layers
    assert (layer.name, layer.values.shape, layer.covered) == ("soil", inputs.grid.shape, 1.0)
    assert layer.values[inputs.grid.inside] == pytest.approx(6.5)
    assert inputs.files[-1].name == "soil.tif"


def test_faults_of_other_layers_are_told_with_the_rest(refusal: Callable[..., str]) -> None:
    lines = refusal({"stops.csv": "stop\n", "soil.tif": "not an image"}, rest=COVARIATE).splitlines()
    assert [line.split(":")[0] for line in lines] == ["stops.csv", "soil.tif"]
