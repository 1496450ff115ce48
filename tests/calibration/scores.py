"""How good forecasts are: coverage of the 90 % interval, pinball loss, and what both rest on."""

from dataclasses import dataclass

import numpy as np

from tests.calibration.forecasts import LEVELS, Forecasts

RESAMPLES = 10_000
SEED = 20261126


@dataclass(frozen=True)
class Score:
    """Of one way of forecasting. Intervals are 95 %, of means over weeks drawn again with replacement."""

    coverage: float
    coverage_low: float
    coverage_high: float
    too_early: float  # share of run-outs before the interval
    too_late: float  # and after it
    loss_hours: float  # pinball loss, mean over the three levels


def weekly(week: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Sum and number of the values of each week."""
    _, index = np.unique(week, return_inverse=True)
    return np.bincount(index, values), np.bincount(index).astype(float)


def interval(week: np.ndarray, values: np.ndarray, over: np.ndarray | None = None) -> tuple[float, float]:
    """The 95 % interval of a mean, or of the ratio of two sums, by a bootstrap that draws whole weeks.

    Forecasts of one week share its customers and its weather, so a week is the least that is independent.
    """
    sums, numbers = weekly(week, values)
    if over is not None:
        numbers, _ = weekly(week, over)
    drawn = np.random.default_rng(SEED).integers(0, len(sums), (RESAMPLES, len(sums)))
    low, high = np.quantile(sums[drawn].sum(axis=1) / numbers[drawn].sum(axis=1), [0.025, 0.975])
    return float(low), float(high)


def pinball(hours: np.ndarray, quantiles: np.ndarray) -> np.ndarray:
    """The pinball (quantile) loss of each forecast in hours, mean over the levels (Koenker and Bassett 1978)."""
    missed = hours[:, None] - quantiles
    levels = np.array(LEVELS)
    return np.maximum(levels * missed, (levels - 1) * missed).mean(axis=1)


def covered(made: Forecasts, name: str) -> np.ndarray:
    """1 where the run-out lies in the interval.

    A run-out that the history's end hides could be in or out. The design ends early enough that there is none, whatever
    the outcome; to leave out those alone would favour the quick ones.
    """
    assert not censored(made), "the history ends before some stock is gone; let the design end earlier"
    low, _, high = made.quantiles[name].T
    return ((low <= made.hours) & (made.hours <= high)).astype(float)


def censored(made: Forecasts) -> int:
    """How many run-outs the history's end hides."""
    return int(np.isnan(made.hours).sum())


def score(made: Forecasts, name: str) -> Score:
    """The score of a way of forecasting."""
    inside = covered(made, name)
    low, high = interval(made.week, inside)
    quantiles = made.quantiles[name]
    return Score(
        float(inside.mean()),
        low,
        high,
        float((made.hours < quantiles[:, 0]).mean()),
        float((made.hours > quantiles[:, 2]).mean()),
        float(pinball(made.hours, quantiles).mean()),
    )


def gain(made: Forecasts, name: str, base: str) -> tuple[float, float, float]:
    """By which share the loss is below that of another way, with its interval over weeks."""
    ours, theirs = (pinball(made.hours, made.quantiles[way]) for way in (name, base))
    low, high = interval(made.week, ours, over=theirs)
    return float(1 - ours.sum() / theirs.sum()), 1 - high, 1 - low


def overrun(made: Forecasts) -> tuple[float, float, float]:
    """How often the act level did not last the pull-down time, with its interval over weeks; at most alpha is asked."""
    week, level, asked = made.act.T
    gone = (asked >= np.maximum(level, 1)).astype(float)
    return (float(gone.mean()), *interval(week, gone))
