"""Sequential tallies: when a running total says "below" or "above" before the whole walk is done.

References
----------
Wald (1947), Sequential Analysis, chapters 3 and 5 (binomial); Oakland (1950), Biometrics 6:59-69 and Waters
(1955), Forest Science 1:68-79 (negative binomial in pest sampling); all from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

RISK = 0.10  # of either wrong call; common practice in pest sampling, no source
APART = 0.25  # the two levels told apart lie this share below and above the threshold; judgement, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """Two parallel lines in the number of samples between which the walk goes on.

    Parameters
    ----------
    slope : float
        Of both lines, per sample.
    low, high : float
        Where they start: a total at or below ``low + slope n`` says "below", at or above ``high + slope n`` "above".
    """

    slope: float
    low: float
    high: float

    def below(self, samples: float) -> int | None:
        """Largest total that says "below" after some samples; None where no total can.

        Examples
        --------
        >>> poisson_tally(0.5, 1.0, wrongly_high=0.1, wrongly_low=0.1).below(10)
        4
        """
        most = math.floor(self.low + self.slope * samples)
        return most if most >= 0 else None

    def above(self, samples: float) -> int:
        """Smallest total that says "above" after some samples."""
        return math.ceil(self.high + self.slope * samples)

    def widened(self, factor: float) -> Tally:
        """Move the lines apart by a factor, for samples that vary more than the law by that factor in variance.

        The log likelihood of such samples is about the law's over the factor (Wedderburn 1974, Biometrika
        61:439, quasi-likelihood; from memory).
        """
        return Tally(slope=self.slope, low=self.low * factor, high=self.high * factor)


def binomial_tally(low: float, high: float, *, wrongly_high: float = RISK, wrongly_low: float = RISK) -> Tally:
    """Tell two shares of positive units apart.

    Parameters
    ----------
    low, high : float
        Shares, 0 to 1.
    wrongly_high : float
        Chance to say "above" where the truth is `low` (alpha).
    wrongly_low : float
        Chance to say "below" where the truth is `high` (beta).

    Examples
    --------
    >>> tally = binomial_tally(0.15, 0.35)
    >>> round(tally.slope, 5), round(tally.low, 5), round(tally.high, 5)
    (0.24047, -1.96961, 1.96961)
    """
    scale = math.log(high * (1 - low) / (low * (1 - high)))
    return _tally(math.log((1 - low) / (1 - high)) / scale, scale, wrongly_high, wrongly_low)


def negative_binomial_tally(
    low: float, high: float, k: float, *, wrongly_high: float = RISK, wrongly_low: float = RISK
) -> Tally:
    """Tell two mean counts apart where counts lie in clumps; see `binomial_tally` for the risks.

    Examples
    --------
    >>> tally = negative_binomial_tally(0.5, 1.0, 1.0)
    >>> round(tally.slope, 5), round(tally.high, 5)
    (0.70951, 5.41902)
    """
    scale = math.log(high * (k + low) / (low * (k + high)))
    return _tally(k * math.log((k + high) / (k + low)) / scale, scale, wrongly_high, wrongly_low)


def poisson_tally(low: float, high: float, *, wrongly_high: float = RISK, wrongly_low: float = RISK) -> Tally:
    """Tell two mean counts apart where counts lie at random; see `binomial_tally` for the risks.

    Examples
    --------
    >>> tally = poisson_tally(0.5, 1.0)
    >>> round(tally.slope, 5), round(tally.high, 5)
    (0.72135, 3.16993)
    """
    scale = math.log(high / low)
    return _tally((high - low) / scale, scale, wrongly_high, wrongly_low)


def _tally(slope: float, scale: float, wrongly_high: float, wrongly_low: float) -> Tally:
    return Tally(
        slope=slope,
        low=math.log(wrongly_low / (1 - wrongly_high)) / scale,
        high=math.log((1 - wrongly_low) / wrongly_high) / scale,
    )
