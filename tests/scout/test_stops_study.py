"""Do the proposed stops help more than others? Whole fields, simulated, walked and decided again.

Each field is 64 ha. It is walked at 25 stops and decided block by block, five stops are added in one of four ways, and
the decision made with them is paid by the true pressure. Once on the formula's own ground, a normal pressure of known
covariance; once as a build does it, counts of a log-normal pressure through the fitted model. Everything is invented.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np
import pytest
from scipy import linalg

from rxmap.scout.value import Belief, Call, choose_batch
from rxmap.surface.covariance import correlation, distances
from rxmap.surface.model import PressureModel

SIDE, BLOCKS = 800.0, 16  # [m]; blocks along a side
MORE = 5  # stops
WAYS = ("proposed", "largest variance", "random", "grid")

AXIS = (np.arange(BLOCKS) + 0.5) * SIDE / BLOCKS
PLACES = np.stack(np.meshgrid(AXIS, AXIS), axis=-1).reshape(-1, 2)
LATTICE = np.stack(np.meshgrid(*[(np.arange(5) + 0.5) * SIDE / 5] * 2), axis=-1).reshape(-1, 2)  # 25 stops, then moved
GRID = np.array([(0.25, 0.25), (0.75, 0.25), (0.5, 0.5), (0.25, 0.75), (0.75, 0.75)]) * SIDE

Regret = Callable[[np.ndarray], float]


def nearest(places: np.ndarray) -> np.ndarray:
    return distances(PLACES, places).argmin(axis=1)


def drawn(random: np.random.Generator, sill: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Covariance of an exponential field, a draw of it, and 25 stops."""
    covariance = sill * correlation(distances(PLACES, PLACES), "exponential", random.uniform(250.0, 600.0))
    field = linalg.cholesky(covariance + 1e-9 * np.eye(len(PLACES)), lower=True) @ random.standard_normal(len(PLACES))
    return covariance, field, np.unique(nearest(LATTICE + random.uniform(-60, 60, LATTICE.shape)))


def cuts(belief: Belief, call: Call, stops: np.ndarray, regret: Regret, random: np.random.Generator) -> list[float]:
    """Regret that five more stops cut, by the way they are chosen; the regret before at the end."""
    free = np.setdiff1d(np.arange(len(PLACES)), stops)
    proposed = choose_batch([belief], [call], free, np.zeros(len(free)), MORE).places
    uncertain: list[int] = []
    for _ in range(MORE):  # each after those before, as the proposed ones are
        variance = belief.weights @ np.einsum("kmm->km", belief.covariance)
        uncertain.append(int(free[np.argmax(variance[free])]))
        belief = belief.seen(uncertain[-1])
    ways = (proposed, uncertain, random.choice(free, MORE, replace=False), nearest(GRID))
    before = regret(stops)
    return [*(before - regret(np.unique(np.append(stops, way))) for way in ways), before]


def known(seed: int) -> list[float]:
    """One field whose covariance is known: exact Bayes, benefit linear in the pressure."""
    random = np.random.default_rng(seed)
    noise, pays = 0.2, 0.3
    covariance, truth, stops = drawn(random, 1.0)
    seen = truth + np.sqrt(noise) * random.standard_normal(len(truth))

    def posterior(at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        gain = covariance[:, at] @ np.linalg.inv(covariance[np.ix_(at, at)] + noise * np.eye(len(at)))
        return gain @ seen[at], covariance - gain @ covariance[at]

    def regret(at: np.ndarray) -> float:
        return float(np.maximum(truth - pays, 0).sum() - (truth - pays)[posterior(at)[0] > pays].sum())

    mean, left = posterior(stops)
    belief = Belief(weights=np.ones(1), covariance=left[None], noise=np.full((1, len(PLACES)), noise))
    call = Call(margin=mean - pays, slopes=(np.ones((1, len(PLACES))),), fixed=0.0)
    return cuts(belief, call, stops, regret, random)


def fitted(seed: int) -> list[float] | None:
    """One field of counts, ten units at a stop, through the model of a build; None where it tells no pattern.

    Afterwards the spatial part speaks whatever the verdict: what is compared is where to look, not when to map.
    """
    random = np.random.default_rng(seed)
    pays, slope = 2.8, 12.5  # pressure; money for each unit of it on a block, 50 for a hectare
    _, field, stops = drawn(random, 0.8)
    truth = 2.0 * np.exp(field)
    clumped = truth * np.exp(np.sqrt(0.05) * random.standard_normal(len(truth)))
    counts = random.poisson(10 * clumped).astype(float)

    def model(at: np.ndarray) -> PressureModel:
        return PressureModel(measure="count", area=SIDE**2).fit(PLACES[at], counts[at], np.full(len(at), 10.0))

    def regret(at: np.ndarray) -> float:
        treated = model(at).predict(PLACES, spatial=True).mean > pays
        return slope * float(np.maximum(truth - pays, 0).sum() - (truth - pays)[treated].sum())

    first = model(stops)
    if first.verdict_ == "uniform":
        return None
    joint = first.joint(PLACES)
    belief = Belief(weights=joint.weights, covariance=joint.covariance, noise=joint.noise)
    slopes = slope * joint.link.pressure(joint.centre + joint.spread**2 / 2)  # of a log-normal mean
    margin = slope * (first.predict(PLACES, spatial=True).mean - pays)
    return cuts(belief, Call(margin=margin, slopes=(slopes,), fixed=0.0), stops, regret, random)


@pytest.mark.long
@pytest.mark.parametrize(("one_field", "fields"), [(known, 300), (fitted, 100)])
def test_five_proposed_stops_cut_regret_more_than_five_others(one_field, fields):
    told = (cut for cut in map(one_field, itertools.count()) if cut is not None)
    found = np.array(list(itertools.islice(told, fields)))
    print(f"\n{one_field.__name__}, {fields} fields, regret before {found[:, -1].mean():.1f}")
    for way, cut in zip(WAYS, found.T[:-1], strict=True):
        ahead = found[:, 0] - cut
        print(f"| {way} | {cut.mean():.2f} | {ahead.mean():.2f} +- {ahead.std(ddof=1) / np.sqrt(fields):.2f} |")
        assert ahead.mean() > 0 or way == "proposed"
