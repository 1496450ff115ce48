"""What Prometheus reads of the board: the run-out clock, the rates with their intervals, and the signals.

The board's read model gives what it shows as one value, `Watched`; nothing is worked out here, so that a page and an
alert never tell two stories. A scrape costs as much as there are offers, gifts and sites, however many orders came.
Labels: kind, rate, bound and quantile are closed lists; offer, gift and site are as many as are published.
"""

from collections.abc import Callable, Iterable, Iterator
from typing import Literal, get_args

from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from makeweight.domain.moments import Instant
from makeweight.domain.values import value

SignalKind = Literal["silent_offer", "feed_gap", "not_packed", "still_advertised"]
RateName = Literal["qualification", "entitlement", "take_up", "fill", "over_gift", "near_miss", "price_accuracy"]
SIGNAL_KINDS: tuple[SignalKind, ...] = get_args(SignalKind)
OF_AN_OFFER: tuple[SignalKind, ...] = ("silent_offer", "not_packed", "still_advertised")


@value
class OfferWatched:
    """The run-out clock of one offer, gift and site, and when to act by it.

    Hours from now until the units are gone: the 5 %, 50 % and 95 % points of what is expected, infinite where they last
    beyond any horizon, None where nothing is expected yet. ``probability_before_end`` (0 to 1) is that of running out
    before the offer ends, None as above. ``act_now`` says that there is no more left than goes while the announcement
    is taken down.
    """

    offer: str
    gift: str
    site: str
    units_left: int
    act_now: bool
    runout_hours_p05: float | None = None
    runout_hours_p50: float | None = None
    runout_hours_p95: float | None = None
    probability_before_end: float | None = None
    burn_units_per_hour: float | None = None


@value
class RateWatched:
    """A rate of an offer (0 to 1) with the interval that it lies in; a rate of nothing is left out by who gives it."""

    offer: str
    rate: RateName
    low: float
    point: float
    high: float


@value
class SignalWatched:
    """Whether something is amiss, and the figure that says how much.

    The figure, by kind: of a silent offer the grants that were to be expected by now; of a feed gap the orders that
    were to be expected since the last one; of gifts that are not packed their orders; of an offer that is exhausted and
    still advertised the minutes since it ran out. ``offer`` is empty for a feed gap, which is no one offer's.
    """

    kind: SignalKind
    offer: str
    is_on: bool
    figure: float = 0.0

    def __post_init__(self) -> None:
        assert self.kind in SIGNAL_KINDS, f"signal {self.kind!r}: expected one of {', '.join(SIGNAL_KINDS)}"
        assert bool(self.offer) == (self.kind in OF_AN_OFFER), f"signal {self.kind} of the offer {self.offer!r}"


@value
class Watched:
    """All that the board shows as numbers, as of ``read_at``.

    ``watermark`` is the newest instant of which any order tells, ``lag_seconds`` how old the last event was when it was
    taken in; both are None before the first. ``open_pages`` is how many people look. ``offer_names`` are all offers,
    also those without stock: each gets its signals, off where none is told.
    """

    read_at: Instant
    offers: Iterable[OfferWatched] = ()
    rates: Iterable[RateWatched] = ()
    signals: Iterable[SignalWatched] = ()
    watermark: Instant | None = None
    lag_seconds: float | None = None
    open_pages: int = 0
    offer_names: Iterable[str] = ()


class BoardMetrics(Collector):
    """Series of what the board shows, read when they are asked for; register it with a process's registry."""

    def __init__(self, watched: Callable[[], Watched]) -> None:
        self._watched = watched

    def collect(self) -> Iterator[Metric]:
        """The board's numbers as of its last look."""
        watched = self._watched()
        offers, rates, signals = list(watched.offers), list(watched.rates), list(watched.signals)
        yield from _clock(offers)
        yield _rates(rates)
        names = {*watched.offer_names, *(one.offer for one in offers), *(one.offer for one in rates)}
        yield from _signals(names, signals)
        yield from _freshness(watched)


def _clock(offers: Iterable[OfferWatched]) -> Iterator[Metric]:
    place = ["offer", "gift", "site"]
    left = GaugeMetricFamily("makeweight_units_left", "Gift units left to give, as the board knows.", labels=place)
    act_now = GaugeMetricFamily(
        "makeweight_act_now", "1 while no more is left than goes while the announcement is taken down.", labels=place
    )
    hours = GaugeMetricFamily(
        "makeweight_runout_hours", "Hours from now until the units are gone, by quantile.", labels=[*place, "quantile"]
    )
    probability = GaugeMetricFamily(
        "makeweight_runout_probability", "Probability that the units are gone before the offer ends.", labels=place
    )
    burn = GaugeMetricFamily("makeweight_burn_units_per_hour", "Units given an hour, as of late.", labels=place)
    for one in offers:
        labels = [one.offer, one.gift, one.site]
        left.add_metric(labels, one.units_left)
        act_now.add_metric(labels, int(one.act_now))
        quantiles = (("0.05", one.runout_hours_p05), ("0.5", one.runout_hours_p50), ("0.95", one.runout_hours_p95))
        for quantile, told in quantiles:
            if told is not None:
                hours.add_metric([*labels, quantile], told)
        if one.probability_before_end is not None:
            probability.add_metric(labels, one.probability_before_end)
        if one.burn_units_per_hour is not None:
            burn.add_metric(labels, one.burn_units_per_hour)
    yield from (left, act_now, hours, probability, burn)


def _rates(rates: Iterable[RateWatched]) -> Metric:
    family = GaugeMetricFamily(
        "makeweight_offer_rate_ratio",
        "Rates of an offer, each with the bounds of its 95 % interval.",
        labels=["offer", "rate", "bound"],
    )
    for one in rates:
        for bound, number in (("low", one.low), ("point", one.point), ("high", one.high)):
            family.add_metric([one.offer, one.rate, bound], number)
    return family


def _signals(offers: Iterable[str], signals: Iterable[SignalWatched]) -> Iterator[Metric]:
    """Every signal of every offer: one that isn't told is off, so that an alert on it ends."""
    told = {(one.kind, one.offer): one for one in signals}
    named = {*offers, *(offer for _, offer in told if offer)}
    every: set[tuple[SignalKind, str]] = {(kind, offer) for kind in OF_AN_OFFER for offer in named} | {("feed_gap", "")}
    is_on = GaugeMetricFamily("makeweight_signal", "1 while something is amiss.", labels=["kind", "offer"])
    figure = GaugeMetricFamily(
        "makeweight_signal_figure", "How much is amiss: orders, grants or minutes, by kind.", labels=["kind", "offer"]
    )
    for kind, offer in sorted(every):
        one = told.get((kind, offer))
        is_on.add_metric([kind, offer], int(one is not None and one.is_on))
        figure.add_metric([kind, offer], one.figure if one is not None else 0)
    yield from (is_on, figure)


def _freshness(watched: Watched) -> Iterator[Metric]:
    yield GaugeMetricFamily(
        "makeweight_board_read_timestamp_seconds",
        "When the board last read what it shows.",
        value=watched.read_at.timestamp(),
    )
    yield GaugeMetricFamily(
        "makeweight_board_open_pages", "Pages of the board that are open.", value=watched.open_pages
    )
    if watched.watermark is not None:
        yield GaugeMetricFamily(
            "makeweight_watermark_timestamp_seconds",
            "The newest instant of which any order tells, as the board knows.",
            value=watched.watermark.timestamp(),
        )
    if watched.lag_seconds is not None:
        yield GaugeMetricFamily(
            "makeweight_board_lag_seconds",
            "Age of the last order when it was taken in, as the board knows.",
            value=watched.lag_seconds,
        )
