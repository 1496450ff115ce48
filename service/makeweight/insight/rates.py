"""How sure a rate is: Wilson's interval, and Newcombe's for the difference of two rates.

Never the Wald interval (rate plus or minus its standard error): at 0 or 100 % it has no width at all, and would say of
20 orders without a fault that there will never be one.
"""

from math import sqrt
from statistics import NormalDist
from typing import NamedTuple

CONFIDENCE = 0.95


class Interval(NamedTuple):
    """Where a rate, or a difference of rates, lies with the confidence asked for."""

    low: float
    high: float


def wilson(hits: int, tries: int, confidence: float = CONFIDENCE) -> Interval:
    """Wilson's score interval of a proportion (Newcombe 1998, Stat. Med. 17:857, method 3).

    ``ValueError`` without a try: of nothing no rate is known.
    """
    _check(hits, tries)
    z = _z(confidence)
    middle, half = 2 * hits + z * z, z * sqrt(z * z + 4 * hits * (tries - hits) / tries)
    whole = 2 * (tries + z * z)
    # At the ends the interval begins or ends there exactly; the division may miss it by a rounding.
    low = 0.0 if hits == 0 else (middle - half) / whole
    high = 1.0 if hits == tries else (middle + half) / whole
    return Interval(low, high)


def newcombe(hits: int, tries: int, other_hits: int, other_tries: int, confidence: float = CONFIDENCE) -> Interval:
    """The interval of a difference of two independent proportions, the first minus the other.

    Newcombe 1998, Stat. Med. 17:873, method 10: made of both Wilson intervals. ``ValueError`` as for ``wilson``.
    """
    one, other = wilson(hits, tries, confidence), wilson(other_hits, other_tries, confidence)
    p, q = hits / tries, other_hits / other_tries
    below = sqrt((p - one.low) ** 2 + (other.high - q) ** 2)
    above = sqrt((one.high - p) ** 2 + (q - other.low) ** 2)
    return Interval(max(-1.0, p - q - below), min(1.0, p - q + above))


def _check(hits: int, tries: int) -> None:
    if tries < 1 or not 0 <= hits <= tries:
        raise ValueError(f"{hits} of {tries} is no proportion; expected from 0 to all of at least one")


def _z(confidence: float) -> float:
    if not 0 < confidence < 1:
        raise ValueError(f"confidence {confidence}: expected a number between 0 and 1, such as 0.95")
    return NormalDist().inv_cdf((1 + confidence) / 2)
