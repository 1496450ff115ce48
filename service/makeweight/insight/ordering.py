"""How many gifts to order for a campaign: the newsvendor's quantity, from what past campaigns of its kind asked for.

A unit too few costs C_u (the goodwill and the parcel that mends it), a unit too many C_o (its cost less what it is
worth afterwards). The cheapest quantity is the smallest Q with F(Q) >= C_u / (C_u + C_o) (Snyder and Shen, Fundamentals
of Supply Chain Theory, 2nd ed., section 4.3).

F is negative binomial with the mean m and variance v of the past counts, r = m^2 / (v - m): counts of campaigns vary
more than Poisson's. It is Poisson where they don't. A campaign that ran out asked for at least what it had: then mean
and r are those of greatest likelihood, with P(units >= count) for such a campaign, since its count tells of the stock.
"""

from collections.abc import Sequence
from math import ceil, exp, inf, log, sqrt
from statistics import fmean, variance

from scipy.optimize import minimize
from scipy.stats import nbinom, poisson, t

from makeweight.domain.values import value

MAX_UNITS = 10**8
LEAST_CAMPAIGNS = 2  # that didn't run out: one tells nothing of how they vary
LARGEST_SIZE = 1e6  # of r, for which a negative binomial is as good as Poisson's


class TooLittleKnown(ValueError):
    """The past campaigns don't tell how many units the next one asks for."""


@value
class Asked:
    """How many units a campaign asks for: negative binomial by its mean and size r; Poisson where r is infinite."""

    mean: float
    size: float = inf

    def at_most(self, units: int) -> float:
        """F: the probability that no more are asked for."""
        return float(poisson.cdf(units, self.mean) if self.size == inf else nbinom.cdf(units, *self._shape(self.size)))

    def within(self, probability: float) -> int:
        """The smallest number of units that is enough with this probability."""
        found = (
            poisson.ppf(probability, self.mean)
            if self.size == inf
            else nbinom.ppf(probability, *self._shape(self.size))
        )
        return int(found)

    def short(self, units: int) -> float:
        """The units that are expected to be missing of so many: E max(0, asked - units).

        E[D; D >= q] is m P(D' >= q - 1), where D' is Poisson with the same mean, or negative binomial with r + 1.
        """
        if self.size == inf:
            above, at_least = poisson.sf(units - 2, self.mean), poisson.sf(units - 1, self.mean)
        else:
            above = nbinom.sf(units - 2, *self._shape(self.size, 1))
            at_least = nbinom.sf(units - 1, *self._shape(self.size))
        return max(0.0, float(self.mean * above - units * at_least))

    def _shape(self, size: float, more: int = 0) -> tuple[float, float]:
        return size + more, size / (size + self.mean)


@value
class Level:
    """What a quantity comes to.

    ``enough`` is the probability that there is one for all who earn it, ``fill`` the share of the units asked for that
    are there.
    ``short`` and ``left`` are expected units, ``cost`` the expected cost of both, in minor units.
    """

    units: int
    enough: float
    short: float
    left: float
    fill: float
    cost: float


def asked_by(counts: Sequence[int], ran_out: Sequence[int] = ()) -> Asked:
    """What a campaign like those asks for; ``ran_out`` are the counts of those that ran out, in ``counts`` they aren't.

    ``TooLittleKnown`` if fewer than two did not run out, or nothing was asked for.
    """
    if any(not 0 <= count <= MAX_UNITS for count in (*counts, *ran_out)):
        raise TooLittleKnown(f"units of a past campaign: expected whole numbers from 0 to {MAX_UNITS:,}")
    if len(counts) < LEAST_CAMPAIGNS:
        text = f"expected {LEAST_CAMPAIGNS} or more past campaigns that did not run out, not {len(counts)}"
        raise TooLittleKnown(f"{text}: one alone, or those that ran out, don't tell how demand varies")
    mean, spread = fmean(counts), variance(counts)
    if mean <= 0:
        raise TooLittleKnown("the past campaigns asked for nothing")
    size = mean**2 / (spread - mean) if spread > mean else inf
    return Asked(mean, size) if not ran_out else _likeliest(counts, ran_out, Asked(mean, min(size, LARGEST_SIZE)))


def _likeliest(counts: Sequence[int], ran_out: Sequence[int], start: Asked) -> Asked:
    def against(logs: tuple[float, float]) -> float:
        mean, size = exp(logs[0]), exp(min(logs[1], log(LARGEST_SIZE)))
        shape = (size, size / (size + mean))
        told = nbinom.logpmf(list(counts), *shape).sum() + nbinom.logsf([count - 1 for count in ran_out], *shape).sum()
        return -float(told)

    begin = [log(max(start.mean, fmean([*counts, *ran_out]))), log(start.size)]
    found = minimize(against, begin, method="Nelder-Mead", options={"maxiter": 2_000, "xatol": 1e-6, "fatol": 1e-9})
    size = exp(min(found.x[1], log(LARGEST_SIZE)))
    return Asked(exp(found.x[0]), inf if size > LARGEST_SIZE / 2 else size)


def best(asked: Asked, missing: int, leftover: int) -> int:
    """The quantity of least expected cost. ``missing`` and ``leftover``: what a unit too few, or too many, costs."""
    return asked.within(_ratio(missing, leftover))


def allowing(counts: Sequence[int], missing: int, leftover: int) -> int:
    """The same quantity if few campaigns told the mean and the spread: by Student's t, as for the next of n + 1."""
    mean, count = fmean(counts), len(counts)
    spread = max(variance(counts), mean)  # no less than Poisson's, however alike they were
    quantile = float(t.ppf(_ratio(missing, leftover), count - 1))
    return max(0, ceil(mean + quantile * sqrt(spread * (1 + 1 / count))))


def level(asked: Asked, units: int, missing: int, leftover: int) -> Level:
    """What so many units come to."""
    short = asked.short(units)
    left = max(0.0, units - asked.mean + short)
    fill = 1 - short / asked.mean
    return Level(units, asked.at_most(units), short, left, fill, missing * short + leftover * left)


def _ratio(missing: int, leftover: int) -> float:
    if missing <= 0 or leftover <= 0:
        raise ValueError("what a unit too few and a unit too many cost must both be above 0")
    return missing / (missing + leftover)
