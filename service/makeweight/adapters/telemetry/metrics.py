"""What Prometheus reads.

Counters count what happened in this process; numbers that are kept with the orders (qualified, granted, units by
account) are read from the service's totals and levels when they are scraped, so a restart does not lose them.
Labels: stage, result, topic, reason and account are closed lists; offer, gift and site are as many as are published.
"""

import platform
from collections.abc import Callable, Iterable, Iterator

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, Info, disable_created_metrics
from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector

from makeweight import __version__
from makeweight.domain.book import Book
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
INVARIANTS = ("S1", "S2", "S4", "S5", "S10", "S12")
ACCOUNTS = ("free", "reserved", "released", "packed", "over_gift", "quarantine", "in_transit")
OUTCOMES = ("granted", "owed", "declined")
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
        """Orders by offer and standing, and gift units by account."""
        tally = self._tally()
        offers = sorted({(o.key, o.campaign) for c in self._book() for o in c.offers})
        orders = GaugeMetricFamily(
            "makeweight_offer_orders", "Orders by offer and standing.", labels=["offer", "standing"]
        )
        declined = GaugeMetricFamily(
            "makeweight_offer_declined_orders", "Qualified orders declined, by reason.", labels=["offer", "reason"]
        )
        over = GaugeMetricFamily(
            "makeweight_offer_over_gift_units",
            "Gift units that were packed though the order no longer earned them.",
            labels=["offer"],
        )
        for offer, campaign in offers:
            over.add_metric([offer], tally.of(offer, "over_gift_units"))
            orders.add_metric([offer, "in_window"], tally.of(campaign, IN_WINDOW))
            for word in ("qualified", "near_miss", "granted", "owed", "redeemed"):
                orders.add_metric([offer, word], tally.of(offer, word))
            for reason, number in tally.reasons(offer).items():
                declined.add_metric([offer, reason], number)
        yield orders
        yield declined
        yield over
        yield from self._units()

    def _units(self) -> Iterator[Metric]:
        units = GaugeMetricFamily(
            "makeweight_gift_units", "Gift units by account.", labels=["offer", "gift", "site", "account"]
        )
        exhausted = GaugeMetricFamily(
            "makeweight_offer_exhausted", "1 while an offer has nothing left to give.", labels=["offer"]
        )
        for level in self._levels():
            exhausted.add_metric([level.offer], int(level.exhausted_at is not None))
            for balance in level.balances:
                for account in ACCOUNTS:
                    labels = [balance.offer, balance.gift, balance.site, account]
                    units.add_metric(labels, _account(balance, account))
        yield units
        yield exhausted


def _account(balance: Balance, account: str) -> int:
    return int(getattr(balance, account))


def lag(placed_at: Instant, now: Instant) -> float:
    """Seconds that an event is behind; never below 0, since clocks differ."""
    return max(0.0, seconds_between(placed_at, now))
