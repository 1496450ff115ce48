"""The run-out clock against textbooks, SciPy's own distributions, statsmodels and the trade's worked figures."""

from datetime import UTC, datetime, timedelta
from math import log

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import betaprime, gamma, nbinom

from makeweight.insight.profile import Profile
from makeweight.insight.runout import JEFFREYS, Burn, Demand, Prior, demand_of, dispersion, run_out

FLAT = Profile.flat("UTC")
NOW = datetime(2026, 11, 24, 18, tzinfo=UTC)  # a Tuesday
FAR = NOW + timedelta(days=60)
BURN = Burn(36, 4.0)  # about nine an hour
HOUR = timedelta(hours=1)

demands = st.builds(Demand, st.floats(0.5, 5000), st.floats(0.1, 500), st.floats(1, 6), st.floats(0, 0.3))


def test_posterior_of_the_textbook():
    """Source: Gelman et al., Bayesian Data Analysis, section 2.6, asthma deaths (from memory, recomputed)."""
    few, many = demand_of(Burn(3, 2), Prior(3, 5)), demand_of(Burn(30, 20), Prior(3, 5))
    assert (few.units, few.exposure_hours, round(few.rate, 2)) == (6, 7, 0.86)
    assert (many.units, many.exposure_hours, round(many.rate, 2)) == (33, 25, 1.32)
    above = [gamma(d.units, scale=1 / d.exposure_hours).sf(1.0) for d in (few, many)]
    assert above == pytest.approx([0.3007, 0.9285], abs=5e-5)


def test_predictive_of_the_textbook():
    """Source: Albert's LearnBayes, 58 in 581: 500 more give 49.9, and 36 to 67 with 90 % (exact: 0.9003)."""
    demand = demand_of(Burn(58, 581), Prior(0, 0))
    assert demand.rate * 500 == pytest.approx(49.9, abs=0.05)
    assert demand.gone_by(36, 500) - demand.gone_by(68, 500) == pytest.approx(0.9003, abs=5e-5)
    assert gamma(demand.units, scale=1 / 581).ppf([0.05, 0.95]) == pytest.approx([0.0793, 0.1223], abs=5e-5)


def test_units_in_the_next_ten_hours():
    """The trade's figures, recomputed with SciPy: 36 in 4 h give 91.25 in 10 h, with 5, 50 and 95 % 64, 90 and 122."""
    demand = demand_of(BURN)
    assert demand.rate * 10 == 91.25
    assert [demand.units_within(10, level) for level in (0.05, 0.5, 0.95)] == [64, 90, 122]


def test_run_out_is_two_ways_of_saying_the_same():
    """P(time <= h) = P(units in h >= S): 0.734601 with SciPy's beta prime and its negative binomial (recomputed)."""
    demand = demand_of(BURN)
    assert demand.gone_by(80, 10) == pytest.approx(0.734601467, abs=5e-10)
    assert betaprime(80, 36.5, scale=4).cdf(10) == pytest.approx(0.734601467, abs=5e-10)
    assert nbinom(36.5, 4 / 14).sf(79) == pytest.approx(0.734601467, abs=5e-10)


@pytest.mark.parametrize(("spread", "hours"), [(1.0, (6.38, 8.81, 12.34)), (2.27, (5.46, 8.87, 14.87))])
def test_run_out_of_the_trade(spread, hours):
    """The trade's figures: 80 left, 36 given in 4 h; Poisson, and with the hourly dispersion of the open baskets."""
    found = run_out(80, Burn(36, 4.0, spread), FLAT, NOW, FAR, 3 * HOUR)
    assert (found.hours_p05, found.hours_p50, found.hours_p95) == pytest.approx(hours, abs=0.005)
    instants = [NOW + h * HOUR for h in (found.hours_p05, found.hours_p50, found.hours_p95)]
    assert [found.at_p05, found.at_p50, found.at_p95] == instants


def test_a_night_makes_the_run_out_another_day():
    """The trade's figures: at 18:00 the same burn means midnight, 09:00 and 13:00 where the night is quiet.

    The profile is made for this test: evenings of average demand, a quiet night until 09:00, average mornings, and busy
    afternoons, which bring its mean to 1. The burn's 4 hours are exposure hours.
    """
    day = [0.1] * 7 + [0.5, 1.2] + [0.9] * 4 + [2.328] * 5 + [1.06] * 6
    profile = Profile("UTC", tuple(day * 7))
    found = run_out(80, BURN, profile, NOW, FAR, 3 * HOUR)
    rounded = [round(h) for h in (found.hours_p05, found.hours_p50, found.hours_p95)]
    assert rounded == [6, 15, 19]
    assert (found.at_p50 - NOW) - timedelta(hours=8.81) > 6 * HOUR  # what flat burn is out by


@pytest.mark.parametrize(
    ("stock", "hours", "risk"),
    [(20, 2, 0.383), (30, 2, 0.024), (40, 2, 0.0003), (40, 3, 0.049), (50, 4, 0.072), (60, 4, 0.008)],
)
def test_risks_of_the_trade(stock, hours, risk):
    """The trade's figures at nine units an hour: P(run out within the pull-down time)."""
    assert demand_of(BURN).gone_by(stock, hours) == pytest.approx(risk, abs=0.00055)


@pytest.mark.parametrize(("stock", "now"), [(41, False), (40, True), (39, True)])
def test_act_at_forty_left(stock, now):
    """The trade's figures: with 3 h to pull down and 5 % of risk, act at 40 left."""
    found = run_out(stock, BURN, FLAT, NOW, FAR, 3 * HOUR)
    assert (found.act_level_units, found.act_now) == (40, now)


def test_an_offer_that_ends_while_it_is_pulled_down_needs_less():
    """Only demand until the end counts, so an hour before it the level is that of an hour."""
    found = run_out(80, BURN, FLAT, NOW, NOW + HOUR, 3 * HOUR)
    assert found.act_level_units == demand_of(BURN).act_level(1.0, 0.05) < 40


def test_before_the_end_is_the_predictive_of_what_is_left_of_the_offer():
    """10 hours before the end: the run-out identity; what happens later than the end has no instant."""
    found = run_out(80, BURN, FLAT, NOW, NOW + 10 * HOUR, 3 * HOUR)
    assert found.before_end == pytest.approx(0.734601467, abs=5e-10)
    assert found.at_p50 is not None
    assert (found.at_p95, found.hours_p95) == (None, None)


def test_nothing_left_is_gone_now():
    """No probability is involved, and the offer is to be pulled down."""
    found = run_out(0, BURN, FLAT, NOW, FAR, HOUR)
    assert (found.at_p05, found.at_p95, found.hours_p50) == (NOW, NOW, 0.0)
    assert (found.before_end, found.act_now) == (1.0, True)


@pytest.mark.parametrize(("stock", "before_end"), [(80, 0.0), (0, 1.0)])
def test_an_offer_that_has_ended_needs_nothing(stock, before_end):
    """Neither an instant nor an act is told of it; with nothing left it did run out before its end."""
    found = run_out(stock, BURN, FLAT, NOW, NOW, HOUR)
    assert (found.at_p05, found.hours_p95, found.before_end, found.act_now) == (None, None, before_end, False)


@pytest.mark.parametrize("burn", [Burn(0, 0.0), Burn(0, 0.02), Burn(1, 1e-6), Burn(4, 0.9)])
def test_of_an_offer_that_has_just_begun_nothing_is_known(burn):
    """Nothing in no time says neither that it lasts nor that it goes, and the first order no rush; a prior may know."""
    found = run_out(80, burn, FLAT, NOW, FAR, HOUR)
    assert (found.at_p50, found.before_end, found.act_level_units, found.act_now) == (None, None, 0, False)
    known = run_out(80, Burn(0, 0.0), FLAT, NOW, FAR, HOUR, prior=Prior(36.5, 4.0))
    assert known.hours_p50 == pytest.approx(8.81, abs=0.005)


def test_a_rush_at_the_opening_is_told_at_once():
    """Thirty units in six minutes are a rate, though an hour has not passed."""
    found = run_out(80, Burn(30, 0.1), FLAT, NOW, FAR, HOUR)
    assert found.hours_p50 < 0.5
    assert found.act_now


def test_the_last_unit_of_a_slow_offer_is_no_alarm():
    """Two in a fortnight: that anyone asks within the hour is within the risk, whatever is left."""
    found = run_out(1, Burn(2, 336.0), FLAT, NOW, FAR, HOUR)
    assert (found.act_level_units, found.act_now) == (0, False)


def test_no_unit_in_four_hours_is_no_proof_of_none():
    """Where nothing was given yet the clock shows no median, and still a chance."""
    found = run_out(5, Burn(0, 4.0), FLAT, NOW, NOW + timedelta(days=1), HOUR)
    assert found.at_p50 is None
    assert 0 < found.before_end < 0.5


@given(demand=demands, stock=st.integers(1, 3000), level=st.floats(0.01, 0.99))
def test_quantile_and_probability_belong_together(demand, stock, level):
    """The time by which a stock is gone with some probability, asked backwards, gives that probability."""
    hours = demand.run_out_hours(stock, level)
    if hours < 1e6:  # beyond a century a float no longer tells the probabilities apart
        assert demand.gone_by(stock, hours) == pytest.approx(level, abs=1e-6)


@given(demand=demands, stock=st.integers(1, 3000), hours=st.floats(0.01, 200))
def test_more_stock_lasts_longer(demand, stock, hours):
    """Another unit never makes a run-out likelier, whatever the dispersion; else an act level would have no meaning."""
    assert demand.gone_by(stock + 1, hours) <= demand.gone_by(stock, hours) + 1e-9


@given(demand=demands, hours=st.floats(0.01, 48), alpha=st.floats(0.01, 0.5))
def test_the_act_level_is_the_last_moment(demand, hours, alpha):
    """At the level the risk is still within alpha, one unit below it no longer; at 0 not even one unit is likely."""
    level = demand.act_level(hours, alpha)
    assert demand.gone_by(max(level, 1), hours) <= alpha
    assert level == 0 or (level > 1 and demand.gone_by(level - 1, hours) > alpha)


def test_days_that_differ_widen_a_long_run_more_than_a_short_one():
    """A day's level moves all its units together; ten units of it are nearly as chance has them."""
    steady = Demand(5000.0, 500.0)
    moody = Demand(5000.0, 500.0, day_variance=0.05)
    short, long = (
        log(moody.run_out_hours(n, 0.95) / moody.run_out_hours(n, 0.05))
        / log(steady.run_out_hours(n, 0.95) / steady.run_out_hours(n, 0.05))
        for n in (5, 500)
    )
    assert 1 < short < 1.2
    assert long > 2.5


def test_simulated_days_vary_as_the_dispersion_says():
    """Gamma days of Poisson units, drawn with NumPy: variance over mean of a day's and of three days' units is d(n)."""
    rng = np.random.default_rng(20261124)
    days = rng.poisson(72 * rng.gamma(1 / 0.05, 0.05, size=(40_000, 3)))
    expected = Demand(7200.0, 2400.0, 1.0, 0.05).spread(72)
    for counts in (days[:, 0], days.sum(axis=1)):
        assert counts.var() / counts.mean() == pytest.approx(expected, rel=0.05)


def test_dispersion_of_poisson_and_of_clustered_hours():
    """Drawn with NumPy: about 1 for Poisson, about 3 for negative binomial counts of that dispersion."""
    rng = np.random.default_rng(7)
    exposures = rng.uniform(0.2, 1.8, 2000)
    assert dispersion(rng.poisson(9 * exposures), exposures) == pytest.approx(1, abs=0.12)
    clustered = rng.negative_binomial(9 * exposures / 2, 1 / 3)
    assert dispersion(clustered, exposures) == pytest.approx(3, abs=0.3)


@pytest.mark.parametrize(
    ("counts", "exposures"), [([], []), ([40], [1.0]), ([0, 0, 0], [1.0] * 3), ([3, 4], [0.0] * 2)]
)
def test_dispersion_without_evidence_is_what_it_is_drawn_to(counts, exposures):
    """Neither one hour nor hours without a unit say anything of variation."""
    assert dispersion(counts, exposures) == 1.0
    assert dispersion(counts, exposures, towards=2.27) == 2.27


def test_two_wild_hours_do_not_make_a_wild_dispersion():
    """Raw it would be 45 of these two hours; drawn to 1 it stays within what hours of a shop show."""
    assert 1 < dispersion([100, 20], [1.0, 1.0]) < 6


@pytest.mark.parametrize(
    "call",
    [
        lambda: Burn(-1, 1.0),
        lambda: Burn(1, float("nan")),
        lambda: Burn(1, 1.0, 0.5),
        lambda: run_out(-1, BURN, FLAT, NOW, FAR, HOUR),
        lambda: run_out(1, BURN, FLAT, NOW, FAR, -HOUR),
        lambda: run_out(1, BURN, FLAT, NOW, FAR, HOUR, alpha=5),
    ],
)
def test_what_is_no_question(call):
    """Numbers that can't be meant are refused, with what was expected."""
    with pytest.raises(ValueError, match="expected"):
        call()


def test_a_stock_beyond_any_demand_is_told_as_lasting():
    """Large numbers neither fail nor take time."""
    found = run_out(10**9, BURN, FLAT, NOW, FAR, HOUR)
    assert (found.at_p05, found.before_end, found.act_now) == (None, pytest.approx(0, abs=1e-12), False)


def test_jeffreys_says_half_a_unit():
    """The prior of the trade's figures: a0 = 1/2, b0 = 0."""
    assert (JEFFREYS.units, JEFFREYS.exposure_hours) == (0.5, 0.0)
