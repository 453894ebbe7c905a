"""How good a leak test is, from trials with induced leaks: bias, spread, false alarms, detections.

The quantitative method for automatic tank gauging (EPA/530/UST-90/006, 1990; formulas from memory, figures checked with
another library in tests/reference/test_leak_statistics.py): errors are measured less induced rate, taken as normal, so
that probabilities follow from Student's t. Any unit of rate will do, all rates in the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import exp, lgamma, log, sqrt
from statistics import fmean, stdev
from typing import NamedTuple

_TINY = 1e-300
_ENOUGH = 1e-15
_MOST_TERMS = 500


class LeakTestQuality(NamedTuple):
    """What a set of trials says of a leak test that declares a leak above a threshold.

    bias, sd            mean and standard deviation (n - 1) of measured less induced
    mean_square_error   mean of the squared errors, bias and all
    bias_t              sqrt(n) bias / sd, to be compared with Student's t of n - 1 degrees of freedom
    false_alarm         probability that a tight tank is declared leaking
    detection           probability that the leak is declared
    """

    bias: float
    sd: float
    mean_square_error: float
    bias_t: float
    false_alarm: float
    detection: float


def t_exceeded(t: float, degrees: int) -> float:
    """Probability that Student's t with so many degrees of freedom exceeds `t`.

    Half the regularised incomplete beta function at degrees / (degrees + t^2) (NIST DLMF 8.17); for a small t one less
    its complement, which keeps the digits.
    """
    squared = t * t
    if squared < degrees:
        half = 0.5 - 0.5 * _incomplete_beta(0.5, degrees / 2.0, squared / (degrees + squared))
    else:
        half = 0.5 * _incomplete_beta(degrees / 2.0, 0.5, degrees / (degrees + squared))
    return half if t >= 0.0 else 1.0 - half


def t_quantile(exceeded: float, degrees: int) -> float:
    """The t that is exceeded with a given probability, by bisection. ValueError outside 0 to 1."""
    if not 0.0 < exceeded < 1.0:
        raise ValueError(f"a probability between 0 and 1 is needed, not {exceeded}")
    low, high = -1e4, 1e4
    while high - low > 1e-12 * max(1.0, abs(low)):
        middle = 0.5 * (low + high)
        if middle in (low, high):
            break
        if t_exceeded(middle, degrees) > exceeded:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def false_alarm(threshold: float, bias: float, sd: float, degrees: int) -> float:
    """Probability that a test of a tight tank shows more than the threshold."""
    return t_exceeded((threshold - bias) / sd, degrees)


def detection(threshold: float, leak: float, bias: float, sd: float, degrees: int) -> float:
    """Probability that a test of a tank with this leak shows more than the threshold."""
    return t_exceeded((threshold - leak - bias) / sd, degrees)


def quality(errors: Sequence[float], threshold: float, leak: float, *, drop_bias: bool = True) -> LeakTestQuality:
    """Judge a test by its errors, measured less induced rate; at least two, not all the same (ValueError).

    `drop_bias` leaves a bias out of the probabilities that the t test (5 %, two-sided) does not tell from none.
    """
    count = len(errors)
    if count < 2:
        raise ValueError(f"at least two trials are needed, not {count}")
    bias, sd = fmean(errors), stdev(errors)
    if sd == 0.0:
        raise ValueError("all trials have the same error: no spread to judge by")
    degrees = count - 1
    bias_t = sqrt(count) * bias / sd
    counted = 0.0 if drop_bias and abs(bias_t) <= t_quantile(0.025, degrees) else bias
    return LeakTestQuality(
        bias,
        sd,
        fmean(error * error for error in errors),
        bias_t,
        false_alarm(threshold, counted, sd, degrees),
        detection(threshold, leak, counted, sd, degrees),
    )


def slope_sd(level_sd: float, count: int, spacing: float) -> float:
    """Standard deviation of a least-squares slope over evenly spaced readings with independent errors."""
    return level_sd / (spacing * sqrt(count * (count * count - 1) / 12.0))


def _incomplete_beta(a: float, b: float, x: float) -> float:
    """Regularised incomplete beta function, by its continued fraction (DLMF 8.17.22), taken where it converges fast."""
    if x <= 0.0:
        return 0.0
    if x >= 1.0:
        return 1.0
    front = exp(lgamma(a + b) - lgamma(a) - lgamma(b) + a * log(x) + b * log(1.0 - x))
    if x > (a + 1.0) / (a + b + 2.0):
        return 1.0 - front * _fraction(b, a, 1.0 - x) / b
    return front * _fraction(a, b, x) / a


def _fraction(a: float, b: float, x: float) -> float:
    """The continued fraction 1 / (1 + d1 / (1 + d2 / ...)), by the modified method of Lentz (1976)."""
    numerator, denominator = 1.0, 1.0 - (a + b) * x / (a + 1.0)
    denominator = 1.0 / (denominator or _TINY)
    value = denominator
    for m in range(1, _MOST_TERMS):
        even = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        for term in (even, odd):
            denominator = 1.0 / ((1.0 + term * denominator) or _TINY)
            numerator = (1.0 + term / numerator) or _TINY
            value *= numerator * denominator
        if abs(numerator * denominator - 1.0) < _ENOUGH:
            break
    return value
