"""Builds a worker of the distributed service out of the parts. Apart from the rest of it, since Faust loads slowly."""

from typing import Any

from aiohttp import web

from makeweight.adapters.hosting import Clock, Incoming
from makeweight.adapters.kafka.follower import Follower
from makeweight.adapters.kafka.outbox import Outbox
from makeweight.adapters.kafka.stagehost import Site, StageHost
from makeweight.adapters.kafka.wire import Names, rejected
from makeweight.adapters.kafka.worker import Plan, Worker
from makeweight.adapters.telemetry.metrics import CAMPAIGN_REJECT_REASONS, Metrics, Totals
from makeweight.adapters.telemetry.partitions import PartitionMetrics
from makeweight.adapters.telemetry.watcher import TelemetryWatcher
from makeweight.bootstrap.kafka import administration, broker_of
from makeweight.domain.stock import Balance
from makeweight.domain.tickets import OfferLevel
from makeweight.insight.tally import Tally
from makeweight.settings import Settings
from makeweight.stages.desk import Desk
from makeweight.stages.ledger import Ledger
from makeweight.stages.ledger.say import level_of
from makeweight.stages.ledger.state import BALANCES, OFFERS


class Distributed:
    """A worker and its telemetry, built from settings."""

    def __init__(self, settings: Settings, clock: Clock) -> None:
        address, names = broker_of(settings), Names(settings.prefix)
        topics = administration(settings)
        topics.check()
        self.metrics = Metrics()
        for code in CAMPAIGN_REJECT_REASONS:
            self.metrics.rejects.labels("campaigns", code)
        self.gauges = PartitionMetrics(self.metrics)
        site = Site(address, names, settings.state, topics.identity)
        self.desk, self.ledger = (
            StageHost(stage, site, clock, TelemetryWatcher(self.metrics), self.gauges) for stage in (Desk(), Ledger())
        )
        self._names, self._rejects = names, Outbox(address)
        follower = Follower(address, names.topic("campaigns"), self._campaign_refused)
        group = f"{settings.prefix}makeweight"
        plan = Plan(
            address,
            names,
            group,
            settings.worker,
            settings.host,
            settings.port,
            settings.state,
            settings.session_seconds,
        )
        self.worker = Worker(plan, (self.desk, self.ledger), follower, clock)
        self.worker.metrics_page = self._metrics_page
        self.worker.on_second = self._show_lags
        self._tally, self._levels = Tally(), list[OfferLevel]()
        self.metrics.registry.register(Totals(lambda: follower.book, lambda: self._tally, lambda: self._levels))

    def _campaign_refused(self, one: Incoming, code: str, sentence: str) -> None:
        """Every worker sees it; the one that owns the first partition of orders puts it aside."""
        self.metrics.rejects.labels("campaigns", code).inc()
        if 0 in self.desk.lanes:
            self._rejects.write([rejected(self._names, one, code, sentence)])

    def _show_lags(self) -> None:
        consumer = self.worker.app.consumer
        for tp in consumer.assignment():
            channel = self._names.channel(tp.topic)
            host = self.ledger if channel == "ledger-commands" else self.desk
            lane = host.lanes.get(tp.partition)
            end = consumer.highwater(tp)
            if lane is not None and end is not None:
                self.gauges.lags(channel, tp.partition, max(0, end - lane.input_next.get(channel, 0)))

    async def _metrics_page(self, _: web.Request) -> web.Response:
        await self._read_totals()
        for campaign in self.worker.follower.book:
            for offer in campaign.offers:
                self.metrics.open_offer(offer.key)
        body, kind = self.metrics.exposition()
        return web.Response(body=body, headers={"Content-Type": kind})

    async def _read_totals(self) -> None:
        """The totals of the partitions that are open here; those that are being restored are left as they were."""
        if self.desk.generation is not None:
            async with self.desk.lock:
                numbers: dict[tuple[str, str, str], int] = {}
                for lane in self.desk.lanes.values():
                    for key, number in (lane.counting.tally.numbers if lane.counting else {}).items():
                        numbers[key] = numbers.get(key, 0) + number
            self._tally = Tally(numbers)
        if self.ledger.generation is not None:
            async with self.ledger.lock:
                self._levels = [level for lane in self.ledger.lanes.values() for level in _levels(lane)]


def _levels(lane: Any) -> list[OfferLevel]:
    balances: dict[str, list[Balance]] = {}
    for balance in lane.committed(BALANCES):
        balances.setdefault(balance.offer, []).append(balance)
    return [level_of(offer, balances.get(offer.offer, [])) for offer in lane.committed(OFFERS)]
