from __future__ import annotations

import csv
import importlib.util
import re
import sys
import tomllib
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
import shapely
from pydantic import BaseModel

from rxmap.grid import Frame, geodesic_area_m2, make_grid
from rxmap.plan import Plan, read_plan
from rxmap.surface import PressureModel

ROOT = Path(__file__).parent.parent
LARKSPUR, TEASEL, TEMPLATE = (
    ROOT / name for name in ("sample_layers/larkspur", "sample_layers/teasel", "rxmap/template")
)
FOLDERS = pytest.mark.parametrize("folder", [LARKSPUR, TEASEL, TEMPLATE], ids=lambda folder: folder.name)
ACRE = 4046.8564224  # [m2] international acre, NIST Handbook 44 appendix C (from memory)


@pytest.fixture(scope="module")
def script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_samples", ROOT / "sample_layers/make_samples.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["make_samples"] = module  # a dataclass looks its own module up
    spec.loader.exec_module(module)
    return module


def boundary(folder: Path) -> shapely.Polygon:
    return shapely.from_geojson((folder / "boundary.geojson").read_text()).geoms[0]


def stops(folder: Path, target: str | None = None) -> list[dict[str, str]]:
    with (folder / "stops.csv").open(newline="") as file:
        return [row for row in csv.DictReader(file) if target in (None, row["target"])]


def fitted(folder: Path, frame: Frame, number: int = 0) -> PressureModel:
    plan = read_plan(folder / "plan.toml")
    target = plan.target[number]
    rows = [row for row in stops(folder, target.name) if row["edge"] == "0"]
    places = frame.to_metres([float(row["lon"]) for row in rows], [float(row["lat"]) for row in rows])
    value = [float(row["count" if target.measure == "count" else "severity_pct"]) for row in rows]
    area = geodesic_area_m2(boundary(folder))
    model = PressureModel(measure=target.measure, area=area, per=target.per, seed=plan.output.seed)
    return model.fit(np.column_stack(places), value, [float(row.get("n", 1)) for row in rows])


def test_committed_files_are_what_the_script_makes(script):
    for path, text in script.make().items():
        assert (ROOT / path).read_bytes() == text.encode(), f"{path}: run python sample_layers/make_samples.py"


def test_script_makes_every_data_file(script):
    found = {p.relative_to(ROOT).as_posix() for d in (LARKSPUR, TEASEL, TEMPLATE) for p in d.iterdir()}
    plans = {f"{d.relative_to(ROOT).as_posix()}/plan.toml" for d in (LARKSPUR, TEASEL, TEMPLATE)}
    assert found - plans == set(script.make())


@FOLDERS
def test_plan_is_accepted_and_its_files_are_there(folder):
    plan = read_plan(folder / "plan.toml")
    files = [plan.field.boundary, *plan.scouting.stops, *(source.file for source in plan.keep_out)]
    assert all((folder / name).is_file() for name in files)


@FOLDERS
def test_plan_is_ascii_and_says_that_it_is_invented(folder):
    text = (folder / "plan.toml").read_bytes().decode("ascii")
    assert "invented" in text.lower()


@FOLDERS
def test_stops_stand_inside_the_boundary_under_the_targets_of_the_plan(folder):
    plan, outline = read_plan(folder / "plan.toml"), boundary(folder)
    assert outline.is_valid
    assert outline.exterior.is_ccw  # RFC 7946 section 3.1.6
    rows = stops(folder)
    assert shapely.contains_xy(outline, [float(r["lon"]) for r in rows], [float(r["lat"]) for r in rows]).all()
    assert {row["target"] for row in rows} == {target.name for target in plan.target}
    assert len({(row["stop"], row["target"]) for row in rows}) == len(rows)


def test_larkspur_is_about_a_quarter_section():
    assert geodesic_area_m2(boundary(LARKSPUR)) / ACRE == pytest.approx(160, rel=0.01)


def test_larkspur_has_unequal_effort_zeros_and_edge_stops():
    rows = stops(LARKSPUR)
    assert len(rows) == 160
    assert {row["n"] for row in rows} == {"5", "10"}
    assert sum(row["edge"] == "1" for row in rows) == 12
    for target in ("amber seed weevil", "grey leafhopper"):
        assert any(row["count"] == "0" for row in stops(LARKSPUR, target))


def test_larkspur_weevils_support_a_map_that_resembles_the_truth(script):
    model = fitted(LARKSPUR, script.LARKSPUR_FRAME)
    assert model.verdict_ == "map"
    assert model.skill_ > 5 * model.skill_needed_
    places = make_grid(script.LARKSPUR_FRAME.geometry_to_metres(boundary(LARKSPUR)), 15.0).centres()
    truth = 5 * script.larkspur_weevils()(*places.T)
    found = model.predict(places)
    # no published value: 74 noisy counts a third of the range apart leave a fifth of the variance open
    assert np.corrcoef(found.mean, truth)[0, 1] > 0.85
    # 90 % intervals: neighbouring places err together, so one field may miss the nominal share by several percent
    inside = (found.quantile(0.05) <= truth) & (truth <= found.quantile(0.95))
    assert inside.mean() > 0.8


def test_larkspur_pays_best_when_a_third_is_treated(script):
    plan = read_plan(LARKSPUR / "plan.toml")
    weevil, alder = plan.target[0], plan.product[0]
    places = make_grid(script.LARKSPUR_FRAME.geometry_to_metres(boundary(LARKSPUR)), 15.0).centres()
    truth = 5 * script.larkspur_weevils()(*places.T)
    value = plan.field.yield_goal.to("lb/acre") * plan.field.price.to("USD/lb")
    cost = alder.rate.to("floz/acre") * alder.cost.to("USD/floz") + plan.machine.cost.to("USD/acre")
    benefit = alder.controls[weevil.name] * value * np.minimum(weevil.loss.cap, weevil.loss.per_unit * truth) - cost
    treated = (benefit > 0) & (truth >= weevil.threshold)
    trip = plan.machine.trip.magnitude / 160  # USD/acre of the field
    best = np.where(treated, benefit, 0.0).mean() - trip
    assert 0.25 < treated.mean() < 0.45
    assert best > 3.0  # clearly more than treating nothing
    assert best > benefit.mean() - trip + 3.0  # and than treating all


def test_larkspur_leafhoppers_stay_far_below_their_threshold(script):
    threshold = read_plan(LARKSPUR / "plan.toml").target[1].threshold
    places = script.LARKSPUR_FRAME.geometry_to_metres(boundary(LARKSPUR)).centroid
    model = fitted(LARKSPUR, script.LARKSPUR_FRAME, 1)
    assert model.predict([[places.x, places.y]]).mean[0] < threshold / 4
    assert model.pressure_.max() < threshold


def test_teasel_gets_one_decision_for_the_field(script):
    model = fitted(TEASEL, script.TEASEL_FRAME)
    assert model.verdict_ == "uniform"
    assert model.field_mean()[0] > read_plan(TEASEL / "plan.toml").target[0].threshold


def test_template_supports_a_map(script):
    model = fitted(TEMPLATE, script.TEMPLATE_FRAME)
    assert model.n_stops_ == 30
    assert model.verdict_ == "map"
    assert model.skill_ > 2 * model.skill_needed_


def unset_keys(section: BaseModel) -> set[str]:
    """Keys of the plan's form that no section of a plan uses."""
    unset = {f"{type(section).__name__}.{name}" for name in set(type(section).model_fields) - section.model_fields_set}
    for name in section.model_fields_set:
        value = getattr(section, name)
        for part in value if isinstance(value, tuple) else (value,):
            unset |= unset_keys(part) if isinstance(part, BaseModel) else set()
    return unset


def test_template_shows_every_key_of_the_plan_in_a_form_that_is_accepted():
    text = (TEMPLATE / "plan.toml").read_text()
    everything = tomllib.loads(re.sub(r"^# (?=\[|\w+ = )", "", text, flags=re.MULTILINE))
    plan = Plan.model_validate({**everything, "path": TEMPLATE / "plan.toml"})
    assert unset_keys(plan) == set()


def test_noise_fades_as_the_gaussian_covariance_says(script):
    # exp(-(h/a)^2), a = reach/sqrt(3) (Chiles & Delfiner 2012, Geostatistics, section 2.5; from memory)
    places = np.random.default_rng(1).uniform(-3000, 3000, (400, 2))
    for share in (0.25, 0.5, 1.0):
        products = []
        for number in range(60):
            noise = script.smooth_noise(script.random_stream(100 + number), 350.0)
            products.append(noise(*places.T) * noise(places[:, 0] + share * 350.0, places[:, 1]))
        # 60 fields of 400 places: standard error about 0.01
        assert np.mean(products) == pytest.approx(np.exp(-3 * share**2), abs=0.04)
