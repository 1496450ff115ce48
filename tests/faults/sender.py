"""The shop under attack: sends its events at a steady rate, and keeps count of what the broker has acknowledged."""

import json
import threading
import time

from makeweight.adapters.kafka.outbox import Outbox
from makeweight.adapters.kafka.publishing import event
from makeweight.adapters.kafka.wire import Sending
from makeweight.contracts.events import ORDER_TYPE, Envelope, headers
from tests.faults.floor import COMMAND
from tests.support.fleet import event_id

END_SECONDS = 60  # for what is on its way at the end


class Sender(threading.Thread):
    """Sends events in their order; a broker that is away is waited for, and nothing is sent twice by itself."""

    def __init__(self, installation, events, rate):
        super().__init__(name="shop", daemon=True)
        self._names, self.events, self._rate = installation.names, events, rate
        self._outbox, self._offsets = Outbox(installation.settings.kafka), []
        self.sent = 0
        self.started_at = self.ended_at = 0.0
        self.sent_at = {}  # by order: when its first revision was sent, whenever the broker wrote it down
        self._over = threading.Event()

    def run(self):
        """Send everything, each at its time."""
        self.started_at = time.time()
        for number, (kind, data) in enumerate(self.events):
            while (wait := self.started_at + number / self._rate - time.time()) > 0:
                time.sleep(min(wait, 0.05))
                self._outbox.write([])  # hears of what was acknowledged
            if self._over.is_set():
                break
            self._outbox.write([self._record(kind, data)], self._offsets)
            self.sent += 1
            if kind == ORDER_TYPE:
                self.sent_at.setdefault(event_id(data)[1], time.time())
        self.ended_at = time.time()
        end = time.monotonic() + END_SECONDS
        self._outbox.flush(lambda: time.monotonic() > end)

    def _record(self, kind, data):
        if kind == COMMAND:
            command = json.loads(data)
            told = headers(COMMAND, command["id"], "/shop", command["offer"])
            return Sending(self._names.topic("ledger-commands"), command["offer"].encode(), data, told)
        id_, order = event_id(data)
        return event(self._names, Envelope(id_, "/shop", kind, order, data))

    def stop(self):
        """Send no more, and wait for what is on its way."""
        self._over.set()
        self.join(90)

    @property
    def acknowledged(self):
        """Events that the broker has."""
        return len(self._offsets)

    @property
    def unknown(self):
        """Events that may or may not be on the topic."""
        return self.sent - self.acknowledged
