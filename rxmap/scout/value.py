"""What further stops are worth: the expected value of sample information, in closed form.

Ground is treated where its margin, the expected money gained by treating it, is above 0. More stops move margins;
a margin m that moves with standard deviation s gains, on average, ``s phi(m/s) - |m| Phi(-|m|/s)``: what is won
where the call turns, less nothing where it stays. What a batch of stops gains is the same formula with the
variance that all of them take away together, so a batch can be planned before it is walked.

References
----------
Raiffa and Schlaifer (1961), Applied Statistical Decision Theory, chapter 5 (linear loss, normal prior);
Bhattacharjya, Eidsvik and Mukerji (2010), Mathematical Geosciences 42:141-163 (on a field); both from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from rxmap.grid import FloatArray

Numbers = NDArray[np.int64]

DRAWS = 4000  # of what a batch may show; Monte Carlo error below 2 % of the sd of the gain


def expected_gain(margin: FloatArray, sd: FloatArray) -> FloatArray:
    """Gain from deciding again after a margin has moved.

    Parameters
    ----------
    margin : array
        Expected money gained by treating.
    sd : array
        Standard deviation of its move; with all of its own uncertainty, the value of perfect information.

    Examples
    --------
    >>> expected_gain(np.array([-0.5]), np.array([2.0])).round(4), expected_gain(np.array([3.0]), np.zeros(1))
    (array([0.5727]), array([0.]))
    """
    moved = np.maximum(sd, 1e-300)
    z = np.minimum(np.abs(margin) / moved, 40.0)  # beyond, the normal law has nothing left
    gain: FloatArray = np.where(sd > 0, moved * (np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi) - z * ndtr(-z)), 0.0)
    return np.maximum(gain, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Belief:
    """What is known of one target at places: a mixture of k joint normals on the latent scale.

    Parameters
    ----------
    weights : array of shape (k,)
    covariance : array of shape (k, m, m)
    noise : array of shape (k, m)
        Variance with which a new stop at a place would see the latent value there.
    """

    weights: FloatArray
    covariance: FloatArray
    noise: FloatArray

    def seen(self, place: int) -> Belief:
        """Belief after a stop at a place, whatever it will show: only the covariance moves."""
        column = self.covariance[:, :, place]
        total = column[:, place] + self.noise[:, place]
        explained = column[:, :, None] * column[:, None, :] / total[:, None, None]
        return Belief(weights=self.weights, covariance=self.covariance - explained, noise=self.noise)


@dataclass(frozen=True, slots=True, kw_only=True)
class Call:
    """One pass as further stops see it.

    Parameters
    ----------
    margin : array of shape (m,)
        Expected money gained by treating each place.
    slopes : sequence of array of shape (k, m), one for each belief
        How the margin moves with the latent value of a target there; 0 where it does not.
    fixed : float
        What the pass costs once it goes out.
    """

    margin: FloatArray
    slopes: tuple[FloatArray, ...]
    fixed: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """Stops chosen one after the other.

    Parameters
    ----------
    places : tuple of int
    gains : tuple of float
        By which each raises the value of those before it.
    moves : tuple of array of shape (m, stops), one for each call
        Standard deviation by which each stop moves each margin, with its sign.
    """

    places: tuple[int, ...]
    gains: tuple[float, ...]
    moves: tuple[FloatArray, ...]

    def first(self, count: int) -> Batch:
        """Keep the stops that were chosen first."""
        return Batch(
            places=self.places[:count], gains=self.gains[:count], moves=tuple(move[:, :count] for move in self.moves)
        )


def taken_away(beliefs: Sequence[Belief], call: Call, candidates: Numbers) -> FloatArray:
    """Variance that one stop at each candidate takes off each margin: (places, candidates).

    ``(slope c_ij)^2 / (c_jj + noise_j)``, averaged over the mixture and added up over the targets.
    """
    total = np.zeros((len(call.margin), len(candidates)))
    for belief, slopes in zip(beliefs, call.slopes, strict=True):
        for weight, covariance, noise, slope in zip(
            belief.weights, belief.covariance, belief.noise, slopes, strict=True
        ):
            seen = covariance[candidates, candidates] + noise[candidates]
            total += weight * (slope[:, None] * covariance[:, candidates]) ** 2 / seen
    return total


def choose_batch(
    beliefs: Sequence[Belief], calls: Sequence[Call], candidates: Numbers, ties: FloatArray, count: int
) -> Batch:
    """Choose stops greedily: each the one that raises the value of those before it most.

    Parameters
    ----------
    beliefs : sequence of Belief
        One for each target.
    calls : sequence of Call
    candidates : array of int
        Places that may be stops.
    ties : array of shape (candidates,)
        What decides between stops of equal value, the larger first.
    count : int
    """
    now = list(beliefs)
    done = [np.zeros(len(call.margin)) for call in calls]
    moves: list[list[FloatArray]] = [[] for _ in calls]
    places: list[int] = []
    gains: list[float] = []
    for _ in range(min(count, len(candidates))):
        after = [taken_away(now, call, candidates) for call in calls]
        raised = sum(
            (
                expected_gain(call.margin[:, None], np.sqrt(before[:, None] + more)).sum(axis=0)
                - expected_gain(call.margin, np.sqrt(before)).sum()
                for call, before, more in zip(calls, done, after, strict=True)
            ),
            np.zeros(len(candidates)),
        )
        raised[np.isin(candidates, places)] = -np.inf
        best = raised >= raised.max() - 1e-9 * max(abs(raised.max()), 1e-12)
        at = int(np.flatnonzero(best)[np.argmax(ties[best])])
        places.append(int(candidates[at]))
        gains.append(float(raised[at]))
        for number, more in enumerate(after):
            done[number] = done[number] + more[:, at]
            moves[number].append(np.sqrt(more[:, at]) * _sign(now, calls[number], places[-1]))
        now = [belief.seen(places[-1]) for belief in now]
    return Batch(
        places=tuple(places),
        gains=tuple(gains),
        moves=tuple(
            np.array(columns).reshape(len(columns), len(call.margin)).T
            for columns, call in zip(moves, calls, strict=True)
        ),
    )


def _sign(beliefs: Sequence[Belief], call: Call, place: int) -> FloatArray:
    """Which way a high finding at a place moves each margin."""
    total = np.zeros(len(call.margin))
    for belief, slopes in zip(beliefs, call.slopes, strict=True):
        total += np.einsum("k,km,km->m", belief.weights, slopes, belief.covariance[:, :, place])
    return np.where(total < 0, -1.0, 1.0)


def perfect_gain(beliefs: Sequence[Belief], calls: Sequence[Call]) -> float:
    """Weigh what knowing everything that stops could show would gain, trips left out: no batch gains more."""
    total = 0.0
    for call in calls:
        variance = np.zeros(len(call.margin))
        for belief, slopes in zip(beliefs, call.slopes, strict=True):
            own = np.maximum(np.einsum("kmm->km", belief.covariance), 0.0)
            variance += belief.weights @ (slopes**2 * own)
        total += float(expected_gain(call.margin, np.sqrt(variance)).sum())
    return total


def weigh_batch(calls: Sequence[Call], batch: Batch, *, seed: int, least: float) -> tuple[float, float]:
    """Weigh a batch once a pass also has to pay for its trip; the edge price is left out.

    What the stops may show is drawn; each time every pass goes out where that pays, and treats what pays.

    Parameters
    ----------
    calls : sequence of Call
    batch : Batch
    seed : int
    least : float
        Chance from which on a place counts as one that may turn.

    Returns
    -------
    gain : float
        Expected gain.
    turning : float
        Share of the places that a pass could treat where the batch may turn the call.
    """
    half = np.random.default_rng(seed).standard_normal((DRAWS // 2, len(batch.places)))
    shown = np.vstack([half, -half])
    gain = 0.0
    turning = []
    for call, moves in zip(calls, batch.moves, strict=True):
        margins = call.margin + shown @ moves.T
        now, then = (np.maximum(margin, 0.0).sum(axis=-1) - call.fixed for margin in (call.margin, margins))
        gain += float(np.maximum(then, 0.0).mean()) - max(float(now), 0.0)
        treated = (margins > 0) & (then > 0)[:, None]
        turns = np.mean(treated != ((call.margin > 0) & (now > 0)), axis=0)
        turning.append(turns[call.margin != 0.0] >= least)
    places = np.concatenate(turning) if turning else np.zeros(0)
    return max(gain, 0.0), float(places.mean()) if len(places) else 0.0
