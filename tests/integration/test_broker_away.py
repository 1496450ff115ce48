"""A broker that goes away while something of a worker waits for it: in the gate, for the campaigns, reading the log."""

import asyncio
import threading
import time
from random import Random

import pytest

from makeweight.adapters.hosting import Watcher
from makeweight.adapters.kafka import follower as following
from makeweight.adapters.kafka.follower import Follower
from makeweight.adapters.kafka.stagehost import Gauges, Site, StageHost
from makeweight.bootstrap import wall_clock
from makeweight.bootstrap.kafka import administration
from makeweight.contracts.events import ORDER_TYPE
from makeweight.domain.book import Book
from makeweight.stages.desk import Desk
from tests.integration.test_stagehost import record
from tests.support.broker import Broker
from tests.support.fleet import check
from tests.support.week import CAMPAIGN, day, snapshot

AWAY_SECONDS = 2.0


@pytest.fixture(scope="module")
def broker():
    """A broker of these tests alone: they kill it."""
    with Broker() as made:
        yield made


def desk(installation, name):
    """A host of the desk, in a directory of its own."""
    identity = administration(installation.settings).identity
    site = Site(installation.settings.kafka, installation.names, installation.folder / name, identity)
    return StageHost(Desk(), site, wall_clock, Watcher(), Gauges())


def later(function, seconds=AWAY_SECONDS):
    """Call a function in a while, in a thread."""
    timer = threading.Timer(seconds, function)
    timer.start()
    return timer


def test_a_broker_that_dies_while_a_gate_reads(broker, installation):
    """The gate waits for it, however it comes back; then all is there, and what came meanwhile is served."""
    events = day(Random(51), 150, facts=False)
    installation.publish().worker("one")
    installation.send(events[:-10])
    installation.quiet()
    installation.workers[0].kill()
    worker = installation.worker("two", "--slow-gate", "0.5", ready=False)
    worker.wait_answer()
    time.sleep(1)
    broker.kill()
    time.sleep(AWAY_SECONDS)
    assert worker.health()[0] != 200, "the gate was through before the broker died"
    broker.start()
    worker.wait_ready()
    installation.send(events[-10:])
    installation.quiet()
    check(installation, events)
    assert worker.total("makeweight_invariant_violations_total") == 0


def test_another_assignment_ends_the_wait_of_a_gate(broker, installation):
    """Nothing is opened by the gate of an assignment that is over, and the next one opens all."""
    order = snapshot(Random(52), 0, 1, "placed", 2)

    async def run():
        first, second = desk(installation, "first"), desk(installation, "second")
        await first.open({0}, 1, lambda: True)
        await first.handle([record(installation, ORDER_TYPE, "o", order)], Book())
        over = threading.Event()
        broker.pause()
        later(over.set, 1)
        try:
            await asyncio.wait_for(second.open({0}, 1, lambda: not over.is_set()), 15)
        finally:
            broker.resume()
        assert over.is_set()
        assert (second.generation, second.owns(0, 1)) == (None, False)
        await second.open({0}, 2, lambda: True)
        assert second.owns(0, 2)
        assert second.lanes[0].log_next == 1
        for one in (first, second):
            one.close()

    asyncio.run(run())


def test_a_desk_waits_for_its_view_of_the_campaigns(broker, installation, monkeypatch):
    """A view that may lack a revision is not judged by: whoever asks waits until the topic's end was reached again."""
    monkeypatch.setattr(following, "FRESH_SECONDS", 1.5)
    installation.publish()
    follower = Follower(installation.settings.kafka, installation.names.topic("campaigns"), lambda *_: None)
    follower.start()

    async def run():
        assert [one.revision for one in await asyncio.wait_for(follower.wait(), 15)] == [1]
        broker.pause()
        away = time.monotonic()
        later(broker.resume, 4)
        await asyncio.sleep(2)
        assert not follower.fresh
        book = await asyncio.wait_for(follower.wait(), 30)
        assert time.monotonic() - away > 4
        assert [one.revision for one in book] == [1]
        installation.publish(CAMPAIGN.replace("campaign: week\n", "campaign: week\nrevision: 2\n"), None)
        await asyncio.sleep(following.FRESH_SECONDS)
        assert {one.revision for one in await asyncio.wait_for(follower.wait(), 15)} == {1, 2}

    asyncio.run(run())
    follower.stop()


def test_a_broker_that_dies_before_the_log_is_believed(broker, installation):
    """Another writer was first, and the broker goes away before its entries are read: the batch waits, and agrees."""
    order = snapshot(Random(54), 0, 1, "placed", 2)
    again = []

    async def run():
        late, heir = desk(installation, "late"), desk(installation, "heir")
        for one in (late, heir):
            await one.open({0}, 1, lambda: True)
        await late.handle([record(installation, ORDER_TYPE, "o", order)], Book())

        def away(step):
            if step == "logged":
                broker.kill()
                again.append(later(broker.start))

        heir.after = away
        began = time.monotonic()
        await asyncio.wait_for(heir.handle([record(installation, ORDER_TYPE, "o", order)], Book()), 60)
        assert time.monotonic() - began > AWAY_SECONDS
        heir.after = lambda _: None
        assert [lane.log_next for lane in heir.lanes.values()] == [2]
        for one in (late, heir):
            one.close()

    asyncio.run(run())
    again[0].join(30)
    entries = installation.reading().entries("desk")
    assert [entry.id for entry in entries] == [f"{order['order']}:1:judged"] * 2
    assert installation.ending().orders.keys() == {order["order"]}
