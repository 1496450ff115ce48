"""Forecasts of run-outs on replayed history, by the clock and by what it is compared with.

An offer begins at an hour of a week; after some hours the clock is asked when so many units more will be gone. The
profile and the variation are learnt from the weeks before the week in which the offer begins, and from nothing else.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import timedelta

import numpy as np

from makeweight.domain.moments import Instant, Window
from makeweight.insight.learning import CAUTION, Caution, learn
from makeweight.insight.profile import Profile
from makeweight.insight.runout import JEFFREYS, Burn, Demand, Prior, demand_of, dispersion
from tests.calibration.history import ZONE, History, local, monday

LEVELS = (0.05, 0.5, 0.95)
HISTORY_WEEKS = 12
FIRST_WEEK, LAST_WEEK = 8, 49  # eight weeks to learn from; the last run-out is known well before the history ends
LIMIT = timedelta(days=60)  # where a forecast has no end it is taken for this, for everyone alike
MIN_UNITS = 10  # before so many units there is no burn that anyone would extrapolate
PULL_DOWN = timedelta(hours=3)
ALPHA = 0.05
HOUR = timedelta(hours=1)


@dataclass(frozen=True)
class Design:
    """Which forecasts are made: thresholds in minor units, stocks, and local hours at which offers begin, and age."""

    thresholds: tuple[int, ...] = (20_00, 30_00, 50_00, 75_00, 100_00)
    stocks: tuple[int, ...] = (20, 50, 100, 200)
    days: tuple[int, ...] = (0, 1, 2, 3, 4, 5, 6)
    begins: tuple[int, ...] = (0, 9, 15)
    ages: tuple[int, ...] = (6, 12, 24, 48)

    def moments(self, weeks: Iterable[int]) -> Iterator[tuple[int, Instant, Instant]]:
        """Week, when the offer begins, and when the clock is asked."""
        for week in weeks:
            for day in self.days:
                for hour in self.begins:
                    start = local(week, day, hour)
                    yield from ((week, start, start + age * HOUR) for age in self.ages)


# On which constants are chosen: the stocks are gone before the week is over (99 %), so that no later week has a say.
CHOOSING = Design(stocks=(10, 20, 50, 100), days=(0, 1, 2), ages=(6, 12, 24))


@dataclass(frozen=True)
class Known:
    """What was learnt before a week."""

    profile: Profile
    dispersion: float  # of hours around the profile
    flat_dispersion: float  # of hours as if all were alike
    rate: float  # units an exposure hour


@dataclass(frozen=True)
class Way:
    """A way of forecasting: the clock's, or one that leaves something out."""

    name: str
    flat: bool = False  # every hour alike
    hours_vary: bool = True  # dispersion of hours
    days_vary: bool = True  # variance of days
    prior_hours: float = 0.0  # exposure hours that the history's rate counts as, beside the burn
    point: bool = False  # stock over burn, without an interval

    def demand(self, units: int, start: Instant, now: Instant, known: Known) -> tuple[Profile, Demand]:
        """The profile by which time passes, and what is believed of the rate."""
        profile = Profile.flat(ZONE) if self.flat else known.profile
        if not self.days_vary:
            profile = replace(profile, day_variance=0.0)
        prior = Prior(known.rate * self.prior_hours, self.prior_hours) if self.prior_hours else JEFFREYS
        spread = known.flat_dispersion if self.flat else known.dispersion
        burn = Burn(units, profile.exposure_hours(start, now), spread if self.hours_vary else 1.0)
        demand = demand_of(burn, prior, profile.day_variance)
        assert demand is not None
        return profile, demand

    def hours(self, stock: int, units: int, now: Instant, profile: Profile, demand: Demand) -> list[float]:
        """The clock hours within which the stock is gone with 5, 50 and 95 %."""
        if self.point:
            return [stock * demand.exposure_hours / units] * len(LEVELS)
        at = [profile.when(now, demand.run_out_hours(stock, level), now + LIMIT) for level in LEVELS]
        return [((instant or now + LIMIT) - now) / HOUR for instant in at]


CLOCK = Way("run-out clock")
INFORMED = Way("… with 24 h of the history's rate", prior_hours=24.0)
POISSON = Way("… without variation of hours and days", hours_vary=False, days_vary=False)
FLAT_BURN = Way("flat burn, Poisson interval", flat=True, hours_vary=False, days_vary=False)
FLAT_WIDE = Way("flat burn, interval as hours vary", flat=True, days_vary=False)
FLAT_POINT = Way("flat burn, a point", flat=True, hours_vary=False, days_vary=False, point=True)
WAYS = (CLOCK, INFORMED, POISSON, FLAT_BURN, FLAT_WIDE, FLAT_POINT)


@dataclass
class Forecasts:
    """One row a forecast. ``hours`` is when the stock was gone (clock hours), NaN where the history ends before."""

    week: np.ndarray
    threshold: np.ndarray
    stock: np.ndarray
    run_out: np.ndarray  # which basket of its threshold took the last unit
    hours: np.ndarray
    later: np.ndarray  # 1 where the last unit went in a later week
    quantiles: dict[str, np.ndarray]  # of each way: rows of 5, 50 and 95 %
    act: np.ndarray  # rows of week, act level, and units asked for in the pull-down time
    too_early: int  # moments with fewer than MIN_UNITS given


class Forecaster:
    """Makes forecasts; what was learnt before a week is learnt once."""

    def __init__(self, history: History, caution: Caution = CAUTION, history_weeks: int = HISTORY_WEEKS) -> None:
        self._history, self._caution, self._weeks = history, caution, history_weeks
        self._known: dict[tuple[int, int], Known] = {}

    def known(self, threshold: int, week: int) -> Known:
        """Profile, dispersion of hours and rate of the weeks before a week."""
        key = (threshold, week)
        if key not in self._known:
            window = Window(monday(max(0, week - self._weeks)), monday(week))
            units = self._history.units(threshold, window)
            profile = learn(units, ZONE, window, self._caution)
            edges = [window.start + n * HOUR for n in range(round(window.length / HOUR) + 1)]
            counts = np.histogram([at.timestamp() for at, _ in units], [edge.timestamp() for edge in edges])[0]
            exposures = [profile.exposure_hours(*edges[n : n + 2]) for n in range(len(edges) - 1)]
            self._known[key] = Known(
                profile,
                dispersion(counts.tolist(), exposures),
                dispersion(counts.tolist(), [1.0] * len(counts)),
                len(units) / profile.exposure_hours(window.start, window.end),
            )
        return self._known[key]

    def forecasts(self, weeks: Iterable[int], ways: Iterable[Way], design: Design) -> Forecasts:
        """Every forecast of a design in some weeks."""
        rows: list[tuple[float, ...]] = []
        acts: list[tuple[int, int, int]] = []
        quantiles: dict[str, list[list[float]]] = {way.name: [] for way in ways}
        too_early = 0
        for week, start, now in design.moments(weeks):
            for threshold in design.thresholds:
                first, here = self._history.span(threshold, start, now)
                units = here - first
                if units < MIN_UNITS:
                    too_early += 1
                    continue
                known = self.known(threshold, week)
                for way in ways:
                    profile, demand = way.demand(units, start, now, known)
                    quantiles[way.name] += [way.hours(s, units, now, profile, demand) for s in design.stocks]
                for stock in design.stocks:
                    last = here + stock - 1
                    rows.append((week, threshold, stock, last, *self._gone(threshold, last, week, now)))
                profile, demand = CLOCK.demand(units, start, now, known)
                level = demand.act_level(profile.exposure_hours(now, now + PULL_DOWN), ALPHA)
                acts.append((week, level, self._history.span(threshold, now, now + PULL_DOWN)[1] - here))
        by_way = {name: np.array(found) for name, found in quantiles.items()}
        return Forecasts(*np.array(rows).T, by_way, np.array(acts), too_early)

    def _gone(self, threshold: int, basket: int, week: int, now: Instant) -> tuple[float, float]:
        """After how many hours a basket came, NaN for never, and whether that was in a later week."""
        seconds = self._history.seconds[threshold]
        if basket >= len(seconds):
            return float("nan"), 1.0
        return (seconds[basket] - now.timestamp()) / 3600, float(seconds[basket] >= monday(week + 1).timestamp())
