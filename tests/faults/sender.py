"""The shop under attack: sends its events at a steady rate, and keeps count of what the broker has acknowledged."""

import threading
import time

from confluent_kafka import Producer

from makeweight.adapters.kafka.logs import log
from makeweight.adapters.kafka.publishing import event
from makeweight.contracts.events import Envelope
from tests.support.fleet import event_id


class Sender(threading.Thread):
    """Sends events in their order; a broker that is away is waited for, and nothing is sent twice by itself."""

    def __init__(self, installation, events, rate):
        super().__init__(name="shop", daemon=True)
        self._names, self.events, self._rate = installation.names, events, rate
        self._producer = Producer(
            {
                "bootstrap.servers": installation.settings.kafka,
                "acks": "all",
                "enable.idempotence": True,
                "partitioner": "murmur2_random",
                "linger.ms": 5,
                "message.timeout.ms": 0,
                "reconnect.backoff.max.ms": 1_000,
            },
            logger=log,
        )
        self.sent = self.acknowledged = self.refused = 0
        self.started_at = self.ended_at = 0.0
        self.sent_at = {}  # by order: when its first revision was sent, whenever the broker wrote it down
        self._over = threading.Event()

    def run(self):
        """Send everything, each at its time."""
        self.started_at = time.time()
        for number, (kind, data) in enumerate(self.events):
            while (wait := self.started_at + number / self._rate - time.time()) > 0:
                self._producer.poll(min(wait, 0.05))
            if self._over.is_set():
                break
            id_, order = event_id(data)
            one = event(self._names, Envelope(id_, "/shop", kind, order, data))
            self._producer.produce(one.topic, one.value, one.key, headers=[*one.headers], on_delivery=self._delivered)
            self.sent += 1
            self.sent_at.setdefault(order, time.time())
        self.ended_at = time.time()
        self._producer.flush(60)

    def _delivered(self, error, _message):
        if error is None:
            self.acknowledged += 1
        else:
            self.refused += 1

    def stop(self):
        """Send no more, and wait for what is on its way."""
        self._over.set()
        self.join(90)

    @property
    def unknown(self):
        """Events that may or may not be on the topic."""
        return self.sent - self.acknowledged - self.refused
