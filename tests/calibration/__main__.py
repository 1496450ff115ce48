"""Show how well the run-out clock is calibrated on replayed history: ``make calibrate`` (a few minutes, one core).

Constants were chosen on odd weeks (``--odd`` shows those); what counts is the even ones.
"""

import argparse
from pathlib import Path

import matplotlib as mpl
import numpy as np

mpl.use("Agg")
from matplotlib import pyplot as plt

from tests.calibration.forecasts import (
    CHOOSING,
    CLOCK,
    FIRST_WEEK,
    FLAT_BURN,
    LAST_WEEK,
    WAYS,
    Design,
    Forecaster,
    Forecasts,
)
from tests.calibration.history import History
from tests.calibration.scores import censored, covered, gain, interval, overrun, score

PICTURE = Path(__file__).with_name("calibration.png")


def main() -> None:
    """Make the forecasts, print the table and draw the picture."""
    arguments = argparse.ArgumentParser(prog="make calibrate")
    arguments.add_argument("--odd", action="store_true", help="the weeks on which constants were chosen; no picture")
    odd = arguments.parse_args().odd
    design = CHOOSING if odd else Design()
    weeks = [week for week in range(FIRST_WEEK, LAST_WEEK) if week % 2 == odd]
    made = Forecaster(History(design.thresholds)).forecasts(weeks, WAYS, design)
    told(made, "odd" if odd else "even")
    if not odd:
        draw(made)
        print(f"picture: {PICTURE}")


def told(made: Forecasts, which: str) -> None:
    """Print what the forecasts came to."""
    distinct = len(set(zip(made.threshold.tolist(), made.run_out.tolist(), strict=True)))
    print(
        f"{len(made.hours):,} forecasts of {distinct:,} run-outs in {len(set(made.week))} {which} weeks; "
        f"{censored(made)} censored; {made.later.mean():.1%} of the stocks lasted into a later week; "
        f"{made.too_early:,} moments left out, with fewer than 10 units given"
    )
    print(f"run-outs after {np.quantile(made.hours, 0.05):.1f} to {np.quantile(made.hours, 0.95):.0f} h (5 to 95 %)\n")
    print(f"{'':42} {'in the 90 % interval':>22} {'before':>7} {'after':>7} {'loss h':>7} {'less than flat burn':>22}")
    for way in WAYS:
        found = score(made, way.name)
        share, low, high = gain(made, way.name, FLAT_BURN.name)
        print(
            f"{way.name:42} {found.coverage:7.1%} ({found.coverage_low:.1%}-{found.coverage_high:.1%}) "
            f"{found.too_early:7.1%} {found.too_late:7.1%} {found.loss_hours:7.2f} {share:7.1%} ({low:.1%}-{high:.1%})"
        )
    print("\nof the clock, by threshold and by stock:")
    for column, unit in ((made.threshold / 100, "spend"), (made.stock, "stock")):
        for one in np.unique(column):
            those = column == one
            inside, median = covered(made, CLOCK.name)[those], np.median(made.hours[those])
            low, high = interval(made.week[those], inside)
            print(f"  {unit} {one:4.0f}  {inside.mean():7.1%} ({low:.1%}-{high:.1%})  median {median:5.1f} h")
    rate, low, high = overrun(made)
    print(f"\nthe act level did not last 3 h in {rate:.1%} ({low:.1%}-{high:.1%}) of {len(made.act):,}; 5 % is allowed")


def draw(made: Forecasts) -> None:
    """Coverage by week, with the weeks' interval, and where run-outs fell within what was forecast."""
    figure, (left, right) = plt.subplots(1, 2, figsize=(11, 4.2), layout="constrained")
    weeks = np.unique(made.week)
    for way, colour, mark in ((WAYS[0], "#1b5e8c", "o"), (WAYS[2], "#b2502a", "s"), (WAYS[3], "#777777", "^")):
        by_week = [covered(made, way.name)[made.week == week].mean() for week in weeks]
        found = score(made, way.name)
        left.plot(weeks, by_week, mark, color=colour, markersize=4)
        left.axhspan(found.coverage_low, found.coverage_high, color=colour, alpha=0.18)
        left.axhline(found.coverage, color=colour, label=f"{way.name}: {found.coverage:.1%}")
    left.axhline(0.9, color="black", linestyle=":", label="90 %")
    left.set(xlabel="week of 2017 (even weeks)", ylabel="run-outs within the 90 % interval", ylim=(0, 1.02))
    left.legend(loc="lower left", fontsize=8)
    left.set_title("Coverage by week; bands: 95 %, by weeks", fontsize=10)
    median = made.quantiles[CLOCK.name][:, 1]
    low, high = made.quantiles[CLOCK.name][:, 0], made.quantiles[CLOCK.name][:, 2]
    some = np.random.default_rng(1).choice(len(median), 1500, replace=False)
    order = some[np.argsort(median[some])]
    right.fill_between(
        median[order], smooth(low[order]), smooth(high[order]), color="#1b5e8c", alpha=0.25, label="5 to 95 %"
    )
    right.plot(median[order], made.hours[order], ".", color="#222222", markersize=2, label="run-out")
    right.plot([1, 400], [1, 400], color="#1b5e8c", linewidth=1, label="median")
    right.set(xscale="log", yscale="log", xlabel="forecast median, hours", ylabel="hours until the stock was gone")
    right.set_title("1,500 run-outs, drawn at random", fontsize=10)
    right.legend(loc="upper left", fontsize=8)
    figure.savefig(PICTURE, dpi=110)


def smooth(values: np.ndarray) -> np.ndarray:
    """A running median, so that a band can be seen where neighbours differ in profile and burn."""
    half = 20
    return np.array([np.median(values[max(0, i - half) : i + half + 1]) for i in range(len(values))])


if __name__ == "__main__":
    main()
