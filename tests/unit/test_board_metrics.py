"""What the board tells Prometheus: valid OpenMetrics, closed lists of labels, as many series as there are offers."""

from datetime import UTC, datetime
from math import inf

import pytest
from prometheus_client import CollectorRegistry
from prometheus_client.openmetrics.exposition import generate_latest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from makeweight.adapters.telemetry.board_metrics import (
    SIGNAL_KINDS,
    BoardMetrics,
    OfferWatched,
    RateWatched,
    SignalWatched,
    Watched,
)

NOW = datetime(2026, 11, 24, 20, 55, tzinfo=UTC)
PLACE = {"offer": "week/tin", "gift": "TIN", "site": "main"}


def told(watched):
    """The exposition, read by prometheus_client's strict parser of OpenMetrics 1.0: values by name and labels."""
    registry = CollectorRegistry()
    registry.register(BoardMetrics(lambda: watched))
    families = list(text_string_to_metric_families(generate_latest(registry).decode()))
    assert all(family.documentation for family in families)
    return {(s.name, frozenset(s.labels.items())): s.value for family in families for s in family.samples}


def number(found, name, **labels):
    """One value."""
    return found[f"makeweight_{name}", frozenset(labels.items())]


def test_the_run_out_clock_is_told():
    """Quantiles in hours, the probability, the level to act at, what is left and how fast it goes."""
    one = OfferWatched(**PLACE, units_left=40, act_now=True, runout_hours_p05=2.5, runout_hours_p50=4.0,
                       runout_hours_p95=inf, probability_before_end=0.95, burn_units_per_hour=9.0)  # fmt: skip
    found = told(Watched(NOW, offers=[one]))
    hours = [number(found, "runout_hours", **PLACE, quantile=q) for q in ("0.05", "0.5", "0.95")]
    assert hours == [2.5, 4.0, inf]
    told_once = ("units_left", "act_now", "runout_probability", "burn_units_per_hour")
    assert [number(found, name, **PLACE) for name in told_once] == [40, 1, 0.95, 9]


def test_what_is_not_known_is_left_out():
    """No figure stands for 'nothing is expected yet': a 0 would be read as 'gone', and wake somebody."""
    found = told(Watched(NOW, offers=[OfferWatched(**PLACE, units_left=40, act_now=False)]))
    names = {name for name, _ in found}
    unknown = {
        "runout_hours",
        "runout_probability",
        "burn_units_per_hour",
        "watermark_timestamp_seconds",
        "board_lag_seconds",
    }
    assert not names & {f"makeweight_{name}" for name in unknown}
    assert number(found, "act_now", **PLACE) == 0


def test_every_offer_has_its_signals():
    """One that is on is told with its figure; one that nobody tells is off, so that its alert ends."""
    signals = [SignalWatched("silent_offer", "week/tin", is_on=True, figure=7.5)]
    rate = RateWatched("week/pad", "qualification", 0.1, 0.2, 0.3)
    found = told(Watched(NOW, rates=[rate], signals=signals, offer_names=["week/carriage"]))
    on = {labels for (name, labels), value in found.items() if name == "makeweight_signal" and value}
    assert on == {frozenset({"kind": "silent_offer", "offer": "week/tin"}.items())}
    assert number(found, "signal_figure", kind="silent_offer", offer="week/tin") == 7.5
    kinds = {(dict(labels)["kind"], dict(labels)["offer"]) for name, labels in found if name == "makeweight_signal"}
    offers = {"week/tin", "week/pad", "week/carriage"}
    assert kinds == {(k, o) for k in SIGNAL_KINDS if k != "feed_gap" for o in offers} | {("feed_gap", "")}


def test_a_rate_has_its_bounds():
    """The rate and both ends of its interval."""
    found = told(Watched(NOW, rates=[RateWatched("week/tin", "take_up", 0.6, 0.7, 0.8)]))
    bounds = [
        number(found, "offer_rate_ratio", offer="week/tin", rate="take_up", bound=b) for b in ("low", "point", "high")
    ]
    assert bounds == [0.6, 0.7, 0.8]


def test_how_fresh_the_board_is():
    """When it last looked, how far it knows, how late orders come, and who looks."""
    found = told(Watched(NOW, watermark=NOW, lag_seconds=5.0, open_pages=3))
    assert number(found, "board_read_timestamp_seconds") == NOW.timestamp()
    assert number(found, "watermark_timestamp_seconds") == NOW.timestamp()
    assert number(found, "board_lag_seconds") == 5
    assert number(found, "board_open_pages") == 3


@pytest.mark.parametrize(("kind", "offer"), [("late", "week/tin"), ("feed_gap", "week/tin"), ("not_packed", "")])
def test_a_signal_that_is_none_is_a_defect(kind, offer):
    """Kinds are a closed list; only a feed gap is no offer's."""
    with pytest.raises(AssertionError, match="signal"):
        SignalWatched(kind, offer, is_on=True)
