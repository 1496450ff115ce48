"""A real Prometheus with the repository's rules scrapes the demo's shop, a worker on Kafka and a board.

It answers every query of every dashboard and evaluates every rule, and none of them is without data. The shop is the
embedded service that plays a part of the demo's day while it is scraped; the worker handles a part of the week in which
everything runs short. The board's clock and signals are made up here: what they come to is its own tests' business.
"""

import asyncio
import threading
import time
from datetime import UTC, datetime
from random import Random

import pytest
from aiohttp import web
from prometheus_client import CollectorRegistry
from prometheus_client.openmetrics.exposition import generate_latest

from deploy.demo.day import day
from deploy.demo.play import DayClock, feed, opened
from makeweight.adapters.telemetry.board_metrics import (
    BoardMetrics,
    OfferWatched,
    RateWatched,
    SignalWatched,
    Watched,
)
from makeweight.bootstrap import wall_clock
from makeweight.insight.rates import wilson
from makeweight.settings import Settings
from tests.support import week
from tests.support.fleet import Installation
from tests.support.prometheus import Prometheus
from tests.support.queries import DASHBOARDS, rules, targets

# Of the demo's day, and in how many pieces it is played: between two scrapes something has to happen.
ORDERS, PARTS = 240, 3
WEEK_ORDERS = 120
WAIT_SECONDS = 60  # far above the longest: only a hang meets it
INK, PRICES = "ink-week/ink-sampler", "winter-studio/studio-prices"
ASKED = [(path.stem, *panel, query) for path in DASHBOARDS for panel, query in targets(path).items()]


def board_of(shop):
    """What a board would tell of the shop: its real units and rates, with a clock and signals that are made up."""
    tally = shop.reader.tally()
    balances = [b for level in shop.reader.levels() for b in level.balances]
    offers = [OfferWatched(b.offer, b.gift, b.site, b.free, True, 2.0, 4.0, 9.0, 0.4, 8.0) for b in balances]
    rates = []
    for name, hits, tries in (("qualification", "qualified", "in_window"), ("take_up", "redeemed", "granted")):
        whole = tally.of("ink-week", tries) if tries == "in_window" else tally.of(INK, tries)
        if whole:
            part = tally.of(INK, hits)
            low, high = wilson(part, whole)
            rates.append(RateWatched(INK, name, low, part / whole, high))
    signals = [SignalWatched("not_packed", INK, is_on=True, figure=3)]
    now = wall_clock()
    return Watched(now, offers, rates, signals, watermark=now, lag_seconds=1.0, open_pages=1)


class Pages:
    """The shop's endpoint and a board's page of metrics, on free ports, in a thread of their own."""

    def __init__(self, shop):
        registry = CollectorRegistry()
        registry.register(BoardMetrics(lambda: board_of(shop)))

        async def metrics(_):
            kind = "application/openmetrics-text; version=1.0.0; charset=utf-8"
            return web.Response(body=generate_latest(registry), headers={"Content-Type": kind})

        board = web.Application()
        board.add_routes([web.get("/metrics", metrics)])
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever)
        self._thread.start()
        self._runners = [web.AppRunner(app, access_log=None) for app in (shop.application(), board)]
        self.shop, self.board = (self._do(self._serve(runner)) for runner in self._runners)

    def _do(self, work):
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(10)

    @staticmethod
    async def _serve(runner):
        await runner.setup()
        await web.TCPSite(runner, "127.0.0.1", 0).start()
        return runner.addresses[0][1]

    def close(self):
        """Let go of the ports and end the thread."""
        for runner in self._runners:
            self._do(runner.cleanup())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(10)
        self._loop.close()


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """The demo's shop with its campaigns and stock, and its clock."""
    settings, clock = Settings(state=tmp_path_factory.mktemp("shop"), kafka=None), DayClock()
    service = opened(settings, clock)
    yield service, clock
    service.close()


@pytest.fixture(scope="module")
def prometheus(broker, shop, tmp_path_factory):
    """A Prometheus that has seen a part of the day go by."""
    folder, closing = tmp_path_factory.mktemp("prometheus"), []
    try:
        installation = Installation(broker.address, folder)
        closing.append(installation.close)
        worker = installation.publish().worker(ready=False)
        pages = Pages(shop[0])
        closing.append(pages.close)
        found = Prometheus(folder, {"makeweight": [pages.shop, worker.port], "makeweight-board": [pages.board]})
        closing.append(found.close)
        found.wait_ready()
        worker.wait_ready()
        wait_until(lambda: found.values("sum(up)") == [3.0])
        play(found, *shop, installation)
        yield found
    finally:
        for close in reversed(closing):
            close()


def play(found, shop, clock, installation):
    """The day and the week, a piece at a time, each seen by a scrape."""
    events, sent = list(day(orders=ORDERS)), week.day(Random(7), WEEK_ORDERS)
    for part in range(PARTS):
        feed(shop, clock, events[part * len(events) // PARTS : (part + 1) * len(events) // PARTS])
        installation.send(sent[part * len(sent) // PARTS : (part + 1) * len(sent) // PARTS])
        wait_scraped(found)
    installation.quiet()
    wait_scraped(found)
    wait_evaluated(found)


def wait_scraped(found):
    """Return once every page was read after now. `timestamp` of anything but a bare name is that of the question."""
    now = time.time()
    wait_until(lambda: min(found.values("timestamp(up)")) > now and found.values("sum(up)") == [3.0])


def wait_evaluated(found):
    """Return once every group of rules was evaluated after now."""
    now = datetime.now(UTC)
    wait_until(lambda: min(datetime.fromisoformat(group["lastEvaluation"]) for group in found.groups()) > now)


def wait_until(holds):
    """Return once it holds; fail where it takes too long."""
    end = time.monotonic() + WAIT_SECONDS
    while not holds():
        assert time.monotonic() < end, "Prometheus has not seen it in time"
        time.sleep(0.2)


def test_it_knows_every_rule_and_can_evaluate_it(prometheus):
    """The rules of the files and no other; none of them failed at what it found."""
    known = [rule for group in prometheus.groups() for rule in group["rules"]]
    assert {rule["name"] for rule in known} == {rule.get("record") or rule["alert"] for rule in rules()}
    assert [(rule["name"], rule.get("lastError")) for rule in known if rule["health"] != "ok"] == []


@pytest.mark.parametrize("name", [rule["record"] for rule in rules() if "record" in rule])
def test_what_is_recorded_has_data(prometheus, name):
    """The demo, the worker and the board feed it."""
    assert prometheus.values(name) != []


@pytest.mark.parametrize(("board", "title", "letter", "query"), ASKED, ids=[f"{a[0]}-{a[1]}-{a[2]}" for a in ASKED])
def test_a_panel_has_data(prometheus, board, title, letter, query):
    """It answers what a panel asks, with every offer chosen, and there is something to show."""
    assert prometheus.values(query.replace("$offer", ".*")) != []


def test_what_is_wrong_in_the_demo_fires(prometheus):
    """A malformed order and one that came twice with other content are in the day; nothing must-never-be is."""
    firing = {alert["labels"]["alertname"] for alert in prometheus.firing()}
    assert {"MakeweightRejects", "MakeweightConflicts"} <= firing
    never = {"MakeweightInvariantViolated", "MakeweightDefect", "MakeweightForeignWrites", "MakeweightVoidGrants"}
    assert not never & firing
    sentences = [text for alert in prometheus.firing() for text in alert["annotations"].values()]
    assert [text for text in sentences if "<error" in text] == []  # what Prometheus puts where a template fails


def test_what_is_recorded_is_what_the_books_say(prometheus, shop):
    """Totals and stock of an offer, as Prometheus has them after the last scrape and as the shop keeps them."""
    tally, levels = shop[0].reader.tally(), shop[0].reader.levels()
    recorded = {
        f'offer:makeweight_orders:sum{{offer="{INK}",standing="granted"}}': tally.of(INK, "granted"),
        f'offer:makeweight_price_lines:sum{{offer="{PRICES}",standing="on_offer"}}': tally.of(PRICES, "lines_on_offer"),
        f'sum(offer_gift_site:makeweight_free_units:sum{{offer="{INK}"}})': sum(
            balance.free for level in levels if level.offer == INK for balance in level.balances
        ),
    }
    assert all(recorded.values())
    assert {query: prometheus.values(query) for query in recorded} == {q: [number] for q, number in recorded.items()}
