"""When a stock is gone: demand as a gamma-Poisson process in exposure hours, and the moment to act before it.

Rate of demand before anything was seen: Gamma(a0, b0), as a0 units in b0 exposure hours; after k units in e hours:
Gamma(a, b) with a = a0 + k, b = b0 + e (Gelman et al., Bayesian Data Analysis, 3rd ed., section 2.6).

- Units in the next h hours are negative binomial: r = a, p = b / (b + h).
- The time in which S units go is b BetaPrime(S, a), since it is Gamma(S, rate) given the rate. Both say the same:
  P(time <= h) = P(units in h >= S).

**Dispersion.** Counts vary more than Poisson's: n units have variance d(n) n. As in quasi-Poisson models every count is
worth n / d(n) independent ones, so S and a become S / d(S) and a / d(a), with means as they were. What makes them vary
is the hour (``Burn.dispersion``) and the day (``Profile.day_variance`` v: a whole day is busy or quiet), so that

    d(n) = dispersion + v min(n, units of a day)

A day's level is shared by all its units and by none of the next day: few units vary as the hours do, many as the days.
"""

from collections.abc import Iterable, Sequence
from datetime import timedelta
from math import isfinite

from scipy.special import betainc, betaincinv

from makeweight.domain.moments import Instant, seconds_between
from makeweight.domain.values import value
from makeweight.insight.profile import HOURS_A_DAY, Profile

LOW, MIDDLE, HIGH = 0.05, 0.5, 0.95
MAX_UNITS = 10**9
MIN_UNITS, MIN_HOURS = 5.0, 1.0
SECONDS_AN_HOUR = 3600


@value
class Prior:
    """What is believed of an offer's rate before it began: as if so many units had been seen in so many hours."""

    units: float
    exposure_hours: float


JEFFREYS = Prior(0.5, 0.0)  # says next to nothing of a Poisson rate


@value
class Burn:
    """What was given so far: units in exposure hours.

    ``dispersion``, at least 1, is variance over mean of the units of an exposure hour; see ``dispersion`` below.
    """

    units: int
    exposure_hours: float
    dispersion: float = 1.0

    def __post_init__(self) -> None:
        if self.units < 0 or not (isfinite(self.exposure_hours) and self.exposure_hours >= 0):
            raise ValueError(f"{self.units} units in {self.exposure_hours} hours; expected both from 0 up")
        if not (isfinite(self.dispersion) and self.dispersion >= 1):
            raise ValueError(f"dispersion {self.dispersion}: expected a number from 1 up")


@value
class RunOut:
    """When the stock is gone, and what to do.

    ``at_p05``, ``at_p50``, ``at_p95`` are the instants by which it is gone with 5, 50 and 95 %; None: not before the
    offer ends. ``hours_…`` are the same as clock hours from now. ``before_end`` is the probability that it is gone
    before the offer ends; None while nothing is known of the rate (``demand_of``). ``act_now``: the stock is down to
    ``act_level_units`` and the offer is still on.
    """

    at_p05: Instant | None
    at_p50: Instant | None
    at_p95: Instant | None
    hours_p05: float | None
    hours_p50: float | None
    hours_p95: float | None
    before_end: float | None
    act_level_units: int
    act_now: bool


@value
class Demand:
    """The posterior of an offer's rate. ``units`` over ``exposure_hours`` is its mean, in units an exposure hour."""

    units: float
    exposure_hours: float
    dispersion: float = 1.0
    day_variance: float = 0.0

    @property
    def rate(self) -> float:
        """Units expected in an exposure hour."""
        return self.units / self.exposure_hours

    def spread(self, units: float) -> float:
        """The dispersion d(n) of a count of so many units: its variance over its mean."""
        return self.dispersion + self.day_variance * min(units, self.rate * HOURS_A_DAY)

    def gone_by(self, stock: int, exposure_hours: float) -> float:
        """The probability that so many units are gone within so many exposure hours."""
        if stock <= 0:
            return 1.0
        if exposure_hours <= 0:
            return 0.0
        shape, seen = self._shapes(stock)
        scaled = exposure_hours * self.spread(self.units) / self.spread(stock)
        return float(betainc(shape, seen, scaled / (scaled + self.exposure_hours)))

    def run_out_hours(self, stock: int, level: float) -> float:
        """The exposure hours within which so many units are gone with this probability; infinite beyond any number."""
        if stock <= 0:
            return 0.0
        shape, seen = self._shapes(stock)
        part = float(betaincinv(shape, seen, level))
        rest = float(betaincinv(seen, shape, 1 - level))  # 1 - part, exact where part is nearly 1
        if rest <= 0:
            return float("inf")
        return self.exposure_hours * self.spread(stock) / self.spread(self.units) * part / rest

    def units_within(self, exposure_hours: float, level: float) -> int:
        """The quantile of the units in the next hours: the least number that is not exceeded with this probability."""
        low, high = -1, 0
        while self.gone_by(high + 1, exposure_hours) > 1 - level and high < MAX_UNITS:
            low, high = high, 2 * high + 1
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if self.gone_by(middle + 1, exposure_hours) > 1 - level else (low, middle)
        return high

    def act_level(self, exposure_hours: float, alpha: float) -> int:
        """The smallest stock that lasts so many exposure hours, but for a risk of alpha.

        With one unit fewer the risk is above alpha: here is the last moment to begin. 0 where it is unlikely that
        anyone asks within that time at all: the last unit may go before anything is done.
        """
        asked = self.units_within(exposure_hours, 1 - alpha)
        return asked + 1 if asked else 0

    def _shapes(self, stock: int) -> tuple[float, float]:
        return stock / self.spread(stock), self.units / self.spread(self.units)


def demand_of(burn: Burn, prior: Prior = JEFFREYS, day_variance: float = 0.0) -> Demand | None:
    """What is believed of the rate after the burn; None while that is next to nothing.

    The first unit, a second after an offer begins, is no sign of a unit a second: less than ``MIN_HOURS`` and
    ``MIN_UNITS``, a prior's included, tell no rate.
    """
    units, hours = prior.units + burn.units, prior.exposure_hours + burn.exposure_hours
    if units <= 0 or hours <= 0 or (units < MIN_UNITS and hours < MIN_HOURS):
        return None
    return Demand(units, hours, burn.dispersion, day_variance)


def run_out(  # noqa: PLR0913 - a question about an offer has as many parts as it has
    stock: int,
    burn: Burn,
    profile: Profile,
    now: Instant,
    ends: Instant,
    pull_down: timedelta,
    *,
    prior: Prior = JEFFREYS,
    alpha: float = 0.05,
) -> RunOut:
    """When a stock is gone and whether to act, for an offer that ends at an instant and takes so long to pull down.

    Act (take the offer down, or say 'last few') at the stock that lasts the pull-down time with probability
    1 - alpha. ``ValueError`` for a negative stock or pull-down time, or an alpha outside 0 to 1.
    """
    if stock < 0 or pull_down < timedelta(0) or not 0 < alpha < 1:
        raise ValueError(
            f"stock {stock}, pull-down {pull_down}, alpha {alpha}: expected from 0 up, and alpha in (0, 1)"
        )
    if now >= ends:
        return RunOut(None, None, None, None, None, None, 0.0 if stock else 1.0, 0, act_now=False)
    demand = demand_of(burn, prior, profile.day_variance)
    level = 0
    if demand is not None:
        level = demand.act_level(profile.exposure_hours(now, min(now + pull_down, ends)), alpha)
    if stock == 0:
        return RunOut(now, now, now, 0.0, 0.0, 0.0, 1.0, level, act_now=True)
    if demand is None:
        return RunOut(None, None, None, None, None, None, None, 0, act_now=False)
    at = [profile.when(now, demand.run_out_hours(stock, level_of), ends) for level_of in (LOW, MIDDLE, HIGH)]
    hours = [None if instant is None else seconds_between(now, instant) / SECONDS_AN_HOUR for instant in at]
    before_end = demand.gone_by(stock, profile.exposure_hours(now, ends))
    return RunOut(at[0], at[1], at[2], hours[0], hours[1], hours[2], before_end, level, act_now=stock <= level)


def dispersion(
    counts: Sequence[int], exposures: Iterable[float], *, towards: float = 1.0, strength: float = 12.0
) -> float:
    """Variance over mean of counts in spans of so many exposure hours, at least 1.

    Pearson's statistic over its degrees of freedom, X = sum((n - r e)^2 / (r e)) / (m - 1) with r the common rate,
    averaged with ``towards`` (the history's, or 1), which weighs as ``strength`` spans: few hours say little. Spans
    without exposure are left out.
    """
    spans = [(n, hours) for n, hours in zip(counts, exposures, strict=True) if hours > 0]
    units, total = sum(n for n, _ in spans), sum(hours for _, hours in spans)
    if units == 0 or len(spans) <= 1:
        return max(1.0, towards)
    rate, degrees = units / total, len(spans) - 1
    pearson = sum((n - rate * hours) ** 2 / (rate * hours) for n, hours in spans)
    return max(1.0, (pearson + strength * towards) / (degrees + strength))
