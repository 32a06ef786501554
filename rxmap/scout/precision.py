"""How many samples a mean needs to be known to a wanted precision.

The precision D is the standard error of the mean over the mean. All sizes come unrounded: rounding up is the
last step of whoever plans.

References
----------
Karandinos (1976), Bulletin of the Entomological Society of America 22:417-421 (general, Poisson, negative
binomial and binomial sizes); Taylor (1961), Nature 189:732-735 (the power law); both from memory.
"""

from __future__ import annotations

from scipy.special import ndtri


def poisson_size(mean: float, precision: float) -> float:
    """Count the samples for a mean of counts that lie at random.

    Parameters
    ----------
    mean : float
        Expected count of a sample.
    precision : float
        Standard error over the mean.

    Examples
    --------
    >>> round(poisson_size(0.75, 0.25), 2)
    21.33
    """
    return 1.0 / (mean * precision**2)


def negative_binomial_size(mean: float, k: float, precision: float) -> float:
    """Count the samples for a mean of counts that lie in clumps.

    Parameters
    ----------
    mean : float
        Expected count of a sample.
    k : float
        Exponent of the negative binomial law; the smaller, the more clumped.
    precision : float
        Standard error over the mean.

    Examples
    --------
    >>> negative_binomial_size(2.0, 0.5, 0.25)
    40.0
    """
    return (1.0 / mean + 1.0 / k) / precision**2


def taylor_size(mean: float, a: float, b: float, precision: float, *, times: float = 1.0) -> float:
    """Count the samples for a mean whose variance follows Taylor's power law, variance = a mean^b.

    Parameters
    ----------
    mean : float
        Expected value of a sample.
    a, b : float
        Of the power law.
    precision : float
        Standard error over the mean; with `times`, half a confidence interval over the mean.
    times : float, default 1
        Standard errors in half the interval, 1.96 for 95 %.

    Examples
    --------
    >>> taylor_size(4.0, 2.0, 1.5, 0.25)
    16.0
    """
    return float(times**2 * a * mean ** (b - 2.0) / precision**2)


def binomial_size(share: float, precision: float) -> float:
    """Count the units for a share that is independent from unit to unit.

    Parameters
    ----------
    share : float
        Expected share of positive units, 0 to 1.
    precision : float
        Standard error over the share.

    Examples
    --------
    >>> round(binomial_size(0.2, 0.25), 6)
    64.0
    """
    return (1.0 - share) / (share * precision**2)


def binomial_size_within(share: float, half_width: float, *, confidence: float = 0.95) -> float:
    """Count the units for a share that shall be known to within plus or minus `half_width`.

    Parameters
    ----------
    share, half_width : float
        0 to 1.
    confidence : float, default 0.95

    References
    ----------
    Cochran (1977), Sampling Techniques, 3rd ed., section 4.4 (from memory).

    Examples
    --------
    >>> round(binomial_size_within(0.5, 0.1), 2)
    96.04
    """
    z = float(ndtri(0.5 + confidence / 2.0))
    return z**2 * share * (1.0 - share) / half_width**2
