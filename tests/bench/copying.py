"""The peers of the distributed service: programs that only copy, over the same number of hops.

``python -m tests.bench.copying faust ADDRESS PREFIX`` is a Faust app of three agents as Faust's documentation writes
them, with ``take_events`` and all sends of a batch awaited; ``bare`` is a confluent-kafka loop with a flush a batch.
Both copy a to b, b to c and c to d, and end by SIGTERM.
"""

import asyncio
import itertools
import signal
import sys
import tempfile

import faust
from confluent_kafka import Consumer, Producer

HOPS = ("a", "b", "c", "d")
TAKE = 500


def copying_app(address, prefix):
    """Three agents that copy, set up like the worker."""
    app = faust.App(
        f"{prefix}copying",
        broker=f"kafka://{address}",
        autodiscover=False,
        topic_disable_leader=True,
        topic_allow_declare=False,
        store="memory://",
        datadir=tempfile.mkdtemp(prefix="bench-faust-"),
        web_enabled=False,
        worker_redirect_stdouts=False,
        stream_buffer_maxsize=16_384,
        broker_commit_interval=1.0,
        broker_max_poll_records=TAKE,
        producer_linger=0.01,
        consumer_auto_offset_reset="earliest",
    )
    raw = {"key_type": bytes, "value_type": bytes, "key_serializer": "raw", "value_serializer": "raw"}
    topics = [app.topic(prefix + name, **raw) for name in HOPS]
    for source, target in itertools.pairwise(topics):

        def made(target):
            async def copy(stream):
                async for events in stream.take_events(TAKE, within=0.01):
                    sent = [await target.send(key=e.key, value=e.value) for e in events]
                    await asyncio.gather(*sent)

            return copy

        app.agent(source, name=f"copy-{source.get_topic_name()}")(made(target))
    return app


def bare(address, prefix):
    """The same hops without a framework."""
    going = [True]
    signal.signal(signal.SIGTERM, lambda *_: going.clear())
    consumer = Consumer(
        {"bootstrap.servers": address, "group.id": f"{prefix}bare", "auto.offset.reset": "earliest",
         "enable.auto.commit": False, "fetch.wait.max.ms": 10}
    )  # fmt: skip
    producer = Producer({"bootstrap.servers": address, "acks": "all", "enable.idempotence": True, "linger.ms": 1})
    nexts = {prefix + one: prefix + other for one, other in itertools.pairwise(HOPS)}
    consumer.subscribe(list(nexts))
    while going:
        batch = [m for m in consumer.consume(TAKE, 0.01) if m.error() is None]
        for message in batch:
            producer.produce(nexts[message.topic()], message.value(), message.key())
        if batch:
            producer.flush()
            consumer.commit(asynchronous=True)
    consumer.close()


def main():
    """Copy until told to end."""
    kind, address, prefix = sys.argv[1:]
    if kind == "faust":
        copying_app(address, prefix).Worker(
            loglevel="warning", redirect_stdouts=False, quiet=True
        ).execute_from_commandline()
    else:
        bare(address, prefix)


if __name__ == "__main__":
    main()
