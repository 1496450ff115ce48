"""What Prometheus reads.

Counters count what happened in this process; numbers that are kept with the orders (qualified, granted, units by
account) are read from the service's totals and levels when they are scraped, so a restart does not lose them.
Labels: stage, result, topic, reason, standing, side and account are closed lists; offer, gift and site are as many as
are published.
"""

import platform
from collections.abc import Callable, Iterable, Iterator, Mapping

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, Info, disable_created_metrics
from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector

from makeweight import __version__
from makeweight.domain.book import Book
from makeweight.domain.campaigns import Offer
from makeweight.domain.moments import Instant, seconds_between
from makeweight.domain.reasons import Reason
from makeweight.domain.stock import Balance
from makeweight.domain.tickets import OfferLevel
from makeweight.insight.tally import IN_WINDOW, Tally

STAGES = ("desk", "ledger")
RESULTS = ("applied", "repeat", "superseded", "conflict", "rejected")
TOPICS = ("orders", "fulfilment", "ledger-commands")
CHANNELS = ("pick-tickets", "offer-levels", "notices")
REJECT_REASONS = (
    "malformed", "contradiction", "currency", "envelope", "too_large", "other_content", "unknown_order",
    "unknown_ticket", "unknown_claim", "too_many_revisions", "too_many_facts", "defect",
)  # fmt: skip
CAMPAIGN_REJECT_REASONS = ("campaign", "malformed", "other_content")  # of the topic of campaigns, on workers
INVARIANTS = ("S1", "S2", "S4", "S5", "S10", "S12")
ACCOUNTS = ("free", "reserved", "released", "packed", "over_gift", "quarantine", "in_transit")
OUTCOMES = ("granted", "owed", "declined")
PRICE_KINDS = ("price", "reduction")
LATENCY_SECONDS = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10, 30, 60, 300, 3600)
STAGE_SECONDS = (0.00005, 0.0001, 0.00025, 0.0005, 0.001, 0.0025, 0.005, 0.01, 0.1)
DURATION_SECONDS = (0.0005, 0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5)


class Metrics:
    """The process's metrics, in a registry of their own."""

    def __init__(self) -> None:
        disable_created_metrics()  # type: ignore[no-untyped-call]  # they double the exposition and nothing here reads them
        self.registry = CollectorRegistry()
        registry = self.registry
        self.records_in = Counter(
            "makeweight_records_in", "Messages that a stage took in, by result.", ["stage", "result"], registry=registry
        )
        self.records_out = Counter(
            "makeweight_records_out", "Messages said to the outside.", ["channel"], registry=registry
        )
        self.rejects = Counter(
            "makeweight_rejects",
            "Inputs put aside with their bytes, by reason.",
            ["topic", "reason"],
            registry=registry,
        )
        self.outcomes = Counter(
            "makeweight_outcomes",
            "Outcomes of claims in the ledger.",
            ["offer", "outcome", "reason"],
            registry=registry,
        )
        self.violations = Counter(
            "makeweight_invariant_violations",
            "Things that must never be true and were.",
            ["invariant"],
            registry=registry,
        )
        self.stage_seconds = Histogram(
            "makeweight_stage_seconds", "Time of one message in a stage: decide, fold and say.", ["stage"],
            buckets=STAGE_SECONDS, registry=registry,
        )  # fmt: skip
        self.commit_seconds = Histogram(
            "makeweight_commit_seconds", "Time of one batch through both stages to the disk.",
            buckets=DURATION_SECONDS, registry=registry,
        )  # fmt: skip
        self.ticket_seconds = Histogram(
            "makeweight_placed_to_ticket_seconds", "From an order's placing to its committed ticket.",
            buckets=LATENCY_SECONDS, registry=registry,
        )  # fmt: skip
        self.lag_seconds = Gauge(
            "makeweight_lag_seconds", "Age of the last order when it was taken in (event lag).", registry=registry
        )
        self.last_processed = Gauge(
            "makeweight_last_processed_timestamp_seconds",
            "When a topic's last event was committed.",
            ["topic"],
            registry=registry,
        )
        self.waiting = Gauge("makeweight_events_waiting", "Events taken in and not yet committed.", registry=registry)
        build = Info("makeweight_build", "What is running.", registry=registry)
        build.info({"version": __version__, "python": platform.python_version()})
        self._start_at_zero()

    def _start_at_zero(self) -> None:
        for stage in STAGES:
            self.stage_seconds.labels(stage)
            for result in RESULTS:
                self.records_in.labels(stage, result)
        for channel in CHANNELS:
            self.records_out.labels(channel)
        for topic in TOPICS:
            self.last_processed.labels(topic)
            for reason in REJECT_REASONS:
                self.rejects.labels(topic, reason)
        for invariant in INVARIANTS:
            self.violations.labels(invariant)

    def open_offer(self, offer: str) -> None:
        """Start an offer's series at 0."""
        for outcome in OUTCOMES:
            self.outcomes.labels(offer, outcome, "")
        for reason in (Reason.CUSTOMER_CAP, Reason.CAMPAIGN_CAP, Reason.NO_STOCK):
            self.outcomes.labels(offer, "declined", reason)

    def exposition(self) -> tuple[bytes, str]:
        """The OpenMetrics text and its content type."""
        text: bytes = generate_latest(self.registry)  # type: ignore[no-untyped-call]
        return text, CONTENT_TYPE_LATEST


class Totals(Collector):
    """Numbers kept with the orders, read when they are asked for."""

    def __init__(
        self, book: Callable[[], Book], tally: Callable[[], Tally], levels: Callable[[], Iterable[OfferLevel]]
    ) -> None:
        self._book, self._tally, self._levels = book, tally, levels

    def collect(self) -> Iterator[Metric]:
        """Orders and units by offer and standing, windows, prices, and gift units by account."""
        tally = self._tally()
        # Of each offer as its campaign's last revision has it: that comes last.
        offers = {o.key: o for c in self._book() for o in c.offers}
        yield from _orders(offers, tally)
        yield from _windows(offers)
        yield from _prices((o for o in offers.values() if o.kind in PRICE_KINDS), tally)
        yield from _levels(self._levels())


def _orders(offers: Mapping[str, Offer], tally: Tally) -> Iterator[Metric]:
    orders = GaugeMetricFamily("makeweight_offer_orders", "Orders by offer and standing.", labels=["offer", "standing"])
    units = GaugeMetricFamily(
        "makeweight_offer_units", "Gift units that orders ask for, hold or are owed.", labels=["offer", "standing"]
    )
    declined = GaugeMetricFamily(
        "makeweight_offer_declined_orders", "Qualified orders declined, by reason.", labels=["offer", "reason"]
    )
    over = GaugeMetricFamily(
        "makeweight_offer_over_gift_units",
        "Gift units that were packed though the order no longer earned them.",
        labels=["offer"],
    )
    for key, offer in sorted(offers.items()):
        over.add_metric([key], tally.of(key, "over_gift_units"))
        orders.add_metric([key, "in_window"], tally.of(offer.campaign, IN_WINDOW))
        for word in ("qualified", "near_miss", "granted", "owed", "redeemed"):
            orders.add_metric([key, word], tally.of(key, word))
        for standing, word in (("wanted", "units_wanted"), ("granted", "granted_units"), ("owed", "owed_units")):
            units.add_metric([key, standing], tally.of(key, word))
        for reason, number in tally.reasons(key).items():
            declined.add_metric([key, reason], number)
    yield from (orders, units, declined, over)


def _windows(offers: Mapping[str, Offer]) -> Iterator[Metric]:
    starts = GaugeMetricFamily(
        "makeweight_offer_starts_timestamp_seconds", "When an offer's window begins.", labels=["offer"]
    )
    ends = GaugeMetricFamily(
        "makeweight_offer_ends_timestamp_seconds", "When an offer's window ends.", labels=["offer"]
    )
    for key, offer in sorted(offers.items()):
        starts.add_metric([key], offer.window.start.timestamp())
        ends.add_metric([key], offer.window.end.timestamp())
    yield from (starts, ends)


def _prices(offers: Iterable[Offer], tally: Tally) -> Iterator[Metric]:
    lines = GaugeMetricFamily(
        "makeweight_offer_price_lines",
        "Order lines at an advertised price, and those of them that were charged another.",
        labels=["offer", "standing"],
    )
    beside = GaugeMetricFamily(
        "makeweight_offer_price_difference_minor_units",
        "What was charged beside advertised prices, in minor units of the campaign's currency.",
        labels=["offer", "side"],
    )
    for offer in sorted(offers, key=lambda o: o.key):
        lines.add_metric([offer.key, "on_offer"], tally.of(offer.key, "lines_on_offer"))
        lines.add_metric([offer.key, "mispriced"], tally.of(offer.key, "lines_mispriced"))
        for side in ("overcharged", "undercharged"):
            beside.add_metric([offer.key, side], tally.of(offer.key, side))
    yield from (lines, beside)


def _levels(levels: Iterable[OfferLevel]) -> Iterator[Metric]:
    units = GaugeMetricFamily(
        "makeweight_gift_units", "Gift units by account.", labels=["offer", "gift", "site", "account"]
    )
    exhausted = GaugeMetricFamily(
        "makeweight_offer_exhausted", "1 while an offer has nothing left to give.", labels=["offer"]
    )
    since = GaugeMetricFamily(
        "makeweight_offer_exhausted_timestamp_seconds",
        "Since when an offer has nothing left to give; 0 while it has.",
        labels=["offer"],
    )
    advertised = GaugeMetricFamily(
        "makeweight_offer_still_advertised",
        "1 while an offer has nothing left to give and nobody has said that its announcement is gone.",
        labels=["offer"],
    )
    for level in levels:
        out_at = level.exhausted_at
        exhausted.add_metric([level.offer], int(out_at is not None))
        since.add_metric([level.offer], out_at.timestamp() if out_at is not None else 0)
        advertised.add_metric([level.offer], int(out_at is not None and level.taken_down_at is None))
        for balance in level.balances:
            for account in ACCOUNTS:
                units.add_metric([balance.offer, balance.gift, balance.site, account], _account(balance, account))
    yield from (units, exhausted, since, advertised)


def _account(balance: Balance, account: str) -> int:
    return int(getattr(balance, account))


def lag(placed_at: Instant, now: Instant) -> float:
    """Seconds that an event is behind; never below 0, since clocks differ."""
    return max(0.0, seconds_between(placed_at, now))
