"""Make the tables of `docs/surfaces.md` again: `python docs/make_study.py` for all rows, or with names for some.

    python docs/make_study.py count-plain severity-smooth   # invented fields, 200 each
    python docs/make_study.py walker gophers                # open data, 24 designs each

Each row that is made replaces its row in the page. Every draw is seeded. A row of invented fields takes about a
minute, one of open data half of that. Open data come from the packages that the tests use.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.special import ndtr
from study_data import SETS, Census, read_census
from study_fields import KINDS, MEASURES, Field, invent, kernel_matrix
from study_rivals import Told, inverse_distance, moments_kriging, raw_kriging

from rxmap.surface import PressureModel
from rxmap.surface.evidence_look import NextLook
from rxmap.surface.gaussian import PLACE_SHARE
from rxmap.surface.kriging import krige
from rxmap.surface.links import Bounded, Exponential, Logistic
from rxmap.surface.places import Places, observed_pressure
from rxmap.surface.variational import Sample, approximate

PAGE = Path(__file__).with_name("surfaces.md")
FIELDS, DESIGNS = 200, 24
TREATED_ABOVE = 0.6  # quantile of a census that serves as threshold: most of the ground is below it
RIVALS: dict[str, Callable[[np.ndarray, np.ndarray, np.ndarray], Told]] = {
    "moments": moments_kriging,
    "raw": raw_kriging,
    "inverse": inverse_distance,
}


@dataclass(frozen=True)
class Score:
    """How one method does at the places of one field."""

    bias: float
    square: float
    cover: float = np.nan
    look: float = np.nan  # mean log score of one more look


def main(names: list[str]) -> None:
    """Make the rows that are named, or all."""
    simulated = [f"{measure}-{kind}" for measure in MEASURES for kind in KINDS]
    for name in names or [*simulated, *SETS]:
        for row in field_rows(name, FIELDS) if name in simulated else [census_row(name, DESIGNS)]:
            print(row, flush=True)
            put(row)


def put(row: str) -> None:
    """Put a row into the page in the place of the one that begins alike."""
    first = row.split("|")[1]
    text = PAGE.read_text(encoding="utf-8")
    found, count = re.subn(rf"^\|{re.escape(first)}\|.*$", row.replace("\\", r"\\"), text, flags=re.MULTILINE)
    if count != 1:
        raise SystemExit(f"{PAGE.name}: {count} rows begin with {first!r}; should be 1")
    PAGE.write_text(found, encoding="utf-8")


# Invented fields ---------------------------------------------------------------------------------


def field_rows(name: str, fields: int) -> list[str]:
    """Rows of a case: how often intervals hold the truth, bias, and errors against the oracle's; then log scores."""
    measure, kind = name.split("-")
    scores = [score_field(invent(measure, kind, seed)) for seed in range(fields)]

    def mean(method: str, what: str) -> float:
        return float(np.mean([getattr(one[method], what) for one in scores]))

    def bias(method: str) -> float:
        return abs(mean(method, "bias")) / float(np.sqrt(mean(method, "square")))

    def against(method: str) -> float:  # of each field, so that no field of high level decides alone
        return float(np.exp(np.mean([0.5 * np.log(one[method].square / one["oracle"].square) for one in scores])))

    case = f"{measure}, {KINDS[kind]}"
    first = [
        case,
        *(f"{100 * mean(method, 'cover'):.1f}" for method in ("verdict", "map", "moments", "raw")),
        *(f"{bias(method):.2f}" for method in ("verdict", "map")),
        *(f"{against(method):.3f}" for method in ("verdict", "map", *RIVALS)),
    ]
    second = [f"{case}:", *(f"{mean(method, 'look'):.3f}" for method in ("verdict", "map", *RIVALS))]
    return [f"| {' | '.join(cells)} |" for cells in (first, second)]


def score_field(field: Field) -> dict[str, Score]:
    """Score every method on one field."""
    model = PressureModel(measure=field.measure, area=field.area)  # type: ignore[arg-type]
    model.fit(field.stops, field.total, field.units)
    scores = {"oracle": _points(oracle(field), field)}
    for method, spatial in (("verdict", None), ("map", True if np.isfinite(model.skill_) else None)):
        at = model.predict(field.places, spatial=spatial)
        look = look_at(model, _places(field), spatial=spatial)
        inside = (at.quantile(0.05) <= field.truth) & (field.truth <= at.quantile(0.95))
        points = _points(at.mean, field)
        scores[method] = Score(points.bias, points.square, float(inside.mean()), float(log_score(look).mean()))
    for method, rival in RIVALS.items():
        told = rival(field.stops, model.pressure_, field.places)
        inside = np.abs(field.truth - told.mean) <= 1.6449 * told.spread  # 5 and 95 % points of a normal
        points = _points(told.mean, field)
        scores[method] = Score(
            points.bias, points.square, float(inside.mean()), float(_rival_score(told, field).mean())
        )
    return scores


def _points(mean: np.ndarray, field: Field) -> Score:
    error = mean - field.truth
    return Score(float(error.mean()), float((error**2).mean()))


def _places(field: Field) -> Places:
    count = len(field.places)
    return Places(
        field.measure,
        1.0,
        field.places,
        field.look,
        field.look_units,
        np.empty((count, 0)),
        np.arange(count),  # type: ignore[arg-type]
    )


def look_at(model: PressureModel, places: Places, *, spatial: bool | None = None) -> NextLook:
    """Distribution of one more look at new places."""
    ensemble = model._without(spatial)
    if ensemble is None:
        level = model._level
        spread = np.sqrt(level.centre_variance + level.place_variance)
        columns = (np.repeat(values[:, None], len(places), axis=1) for values in (level.weights, level.centre, spread))
        return NextLook(places, *columns, model._link)
    mean, variance = krige([point.system for point in ensemble.points], places.coordinates)
    for row, point in enumerate(ensemble.points):
        if places.sampled and not isinstance(model._link, Bounded):
            variance[row] += point.micro
        else:
            variance[row] += float(np.mean(point.system.nugget)) * _noise(places.units, model.places_.units)
            variance[row] = model._link.absorb(mean[row], variance[row], 0.0)[1]
    weights = np.repeat(ensemble.weights[:, None], len(places), axis=1)
    return NextLook(places, weights, mean, np.sqrt(np.maximum(variance, 1e-12)), model._link)


def _noise(units: np.ndarray, walked: np.ndarray) -> np.ndarray:
    """Noise of looks at so many units, relative to the mean of the stops."""
    return PLACE_SHARE + (1.0 - PLACE_SHARE) / units / np.mean(1.0 / walked)


def log_score(look: NextLook) -> np.ndarray:
    """Log probability of what a look found; log density for a severity or rating."""
    if look.places.sampled:
        low, high = look.around()
        return np.log(np.maximum(high - low, 1e-12))
    scaled = (look.places.pressure - look.mean) / look.spread
    density = (look.weights * np.exp(-0.5 * scaled**2) / look.spread).sum(axis=0) / np.sqrt(2.0 * np.pi)
    return np.log(np.maximum(density, 1e-12))


def _rival_score(told: Told, field: Field) -> np.ndarray:
    """Score a normal distribution alike: what lies between two whole numbers, the tails with the ends."""
    if field.measure == "severity":
        scaled = (field.look - told.mean) / told.look
        return np.log(np.maximum(np.exp(-0.5 * scaled**2) / told.look / np.sqrt(2.0 * np.pi), 1e-12))
    unit = 1.0 if field.measure == "count" else 100.0
    low, high = (unit * (field.look + half) / field.look_units for half in (-0.5, 0.5))
    low[field.look == 0.0] = -np.inf
    if field.measure == "incidence":
        high[field.look == field.look_units] = np.inf
    return np.log(np.maximum(ndtr((high - told.mean) / told.look) - ndtr((low - told.mean) / told.look), 1e-12))


def oracle(field: Field) -> np.ndarray:
    """Mean pressure told with the true kernel, sill and noise: the same normal approximation, ordinary kriging."""
    law, sill = field.law, field.law["sill"]
    among = kernel_matrix(field.kernel, field.stops, field.stops, law["range"])
    cross = kernel_matrix(field.kernel, field.stops, field.places, law["range"])
    if field.measure == "severity":
        varied = 1e4 * law["level"] * (1.0 - law["level"])
        noise = varied * (1.0 / (7.0 * field.units) + law["alike"] / 4.0)  # one leaf has p (1 - p) / 7
        sill *= (varied / 100.0) ** 2
        return np.clip(_ordinary(sill * among, noise, field.total, sill * cross, sill)[0], 0.0, 100.0)
    count = field.measure == "count"
    micro = np.log(1.0 + 4.0 * law["alike"]) if count and law["alike"] else law["scatter"]
    # plants that are alike count for fewer (design effect, Kish 1965)
    fewer = 1.0 if count else 1.0 / (1.0 + (field.units - 1.0) * law["alike"])
    sample = Sample("poisson" if count else "binomial", fewer * field.total, fewer * field.units)
    extra = (micro + 1e-8) * np.eye(len(among))
    posterior = approximate(sample, sill * among + extra, (sample.latent, np.full(len(among), 0.2)))
    noise = posterior.noise + micro + 1e-8
    mean, variance = _ordinary(sill * among, noise, posterior.values, sill * cross, sill)
    link = Exponential(1.0) if count else Logistic(100.0)
    mean, variance = link.absorb(mean, variance, micro)
    return link.moments(mean, np.sqrt(np.maximum(variance, 1e-12)))[0]


def _ordinary(among: np.ndarray, noise: np.ndarray, values: np.ndarray, cross: np.ndarray, sill: float) -> tuple:
    inverse, ones = np.linalg.inv(among + np.diag(noise)), np.ones(len(values))
    weight = ones @ inverse @ ones
    level = ones @ inverse @ values / weight
    missing = 1.0 - ones @ inverse @ cross
    mean = level + (values - level) @ inverse @ cross
    return mean, sill - np.einsum("ij,ij->j", cross, inverse @ cross) + missing**2 / weight


# Open data ---------------------------------------------------------------------------------------


def census_row(name: str, designs: int) -> str:
    """Row of a census: skill, coverage and decision value, averaged over designs."""
    census = read_census(name)
    scores = [score_design(census, seed) for seed in range(designs)]
    mean = {key: float(np.mean([one[key] for one in scores])) for key in scores[0]}
    cells = [
        name,
        f"{census.stops} of {len(census.total)}",
        f"{round(100 * mean['map'])} %",
        *(f"{mean[f'skill {method}']:.2f}" for method in ("ours", "always", "moments", "inverse")),
        f"{100 * mean['cover']:.0f}",
        *(f"{mean[f'value {method}']:.2f}" for method in ("ours", "always", "moments", "inverse")),
    ]
    return f"| {' | '.join(cells)} |"


def score_design(census: Census, seed: int) -> dict[str, float]:
    """Walk some places of a census and score what is told of the others."""
    random = np.random.default_rng([seed, len(census.total)])
    order = random.permutation(len(census.total))
    walked, rest = order[: census.stops], order[census.stops :]
    rest = rest[: census.most]
    pressure = observed_pressure(census.measure, 1.0, census.total, census.units)  # type: ignore[arg-type]
    model = PressureModel(measure=census.measure, area=census.area)  # type: ignore[arg-type]
    model.fit(census.places[walked], census.total[walked], census.units[walked])
    truth, seen = pressure[rest], pressure[walked]
    threshold = float(np.quantile(pressure, TREATED_ABOVE))
    at = model.predict(census.places[rest])
    told = {"ours": at.mean, "always": model.predict(census.places[rest], spatial=True).mean}
    for method in ("moments", "inverse"):
        told[method] = RIVALS[method](census.places[walked], seen, census.places[rest]).mean
    places = Places(
        census.measure, 1.0, census.places[rest], census.total[rest], census.units[rest],  # type: ignore[arg-type]
        np.empty((len(rest), 0)), np.arange(len(rest)),
    )  # fmt: skip
    against = float(((truth - seen.mean()) ** 2).sum())
    skills = {f"skill {method}": 1.0 - float(((truth - mean) ** 2).sum()) / against for method, mean in told.items()}
    values = {f"value {method}": decision_value(truth - threshold, mean > threshold) for method, mean in told.items()}
    cover = float(look_at(model, places).inside().mean())
    return {"map": float(model.verdict_ == "map"), "cover": cover, **skills, **values}


def decision_value(gain: np.ndarray, treated: np.ndarray) -> float:
    """Gain of treating by a map over the better of all and none, as a share of what a perfect map gains over it."""
    uniform = max(float(gain.sum()), 0.0)
    return (float(gain[treated].sum()) - uniform) / max(float(gain[gain > 0.0].sum()) - uniform, 1e-12)


if __name__ == "__main__":
    main(sys.argv[1:])
