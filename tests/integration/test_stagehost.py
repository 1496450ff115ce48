"""A stage host beside another writer of its log, on a real broker: what it does not know yet is not refused."""

import asyncio
import json
from random import Random

from makeweight.adapters.hosting import Watcher
from makeweight.adapters.kafka.publishing import event
from makeweight.adapters.kafka.stagehost import Gauges, Site, StageHost
from makeweight.adapters.kafka.wire import Record
from makeweight.bootstrap import wall_clock
from makeweight.bootstrap.kafka import administration
from makeweight.contracts.events import FULFILMENT_TYPE, ORDER_TYPE, Envelope
from makeweight.domain.book import Book
from makeweight.stages.desk import Desk
from tests.support.week import PLACED, snapshot


def record(installation, kind, id_, body):
    """A record as it stands on a topic's partition 0."""
    one = event(installation.names, Envelope(id_, "/test", kind, body["order"], json.dumps(body).encode()))
    pairs = [(name, text if isinstance(text, bytes) else text.encode()) for name, text in one.headers]
    return Record(one.topic, 0, 0, one.key, one.value, pairs)


def test_a_fact_on_an_order_that_another_writer_logged_is_taken_in(installation):
    """The heir's gate was before a late writer logged the order; then the warehouse reports on its ticket."""
    topics = administration(installation.settings)

    def host(name):
        site = Site(installation.settings.kafka, installation.names, installation.folder / name, topics.identity)
        return StageHost(Desk(), site, wall_clock, Watcher(), Gauges())

    order = snapshot(Random(1), 0, 1, "placed", 2)
    fact = {"event": "w", "order": order["order"], "ticket": f"{order['order']}/main/1", "happened": "packed",
            "at": PLACED.isoformat()}  # fmt: skip
    stranger = {**fact, "event": "x", "order": "nobody", "ticket": "nobody/main/1"}

    async def run():
        late, heir = host("late"), host("heir")
        for one in (late, heir):
            await one.open({0}, 1, lambda: True)
        await late.handle([record(installation, ORDER_TYPE, "o", order)], Book())
        facts = [record(installation, FULFILMENT_TYPE, one["event"], one) for one in (fact, stranger)]
        await heir.handle(facts, Book())
        for one in (late, heir):
            one.close()

    asyncio.run(run())
    assert [(entry.kind, entry.id) for entry in installation.reading().entries("desk")] == [
        ("judged", f"{order['order']}:1:judged"),
        ("reported", f"{order['order']}:w:reported"),
    ]
    assert [(reject.key, reject.code) for reject in installation.rejects()] == [("nobody", "unknown_order")]
