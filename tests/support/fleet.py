"""An installation of the distributed service on a real broker: its topics, its workers, and what came of it all."""

import json
import os
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from contextlib import suppress
from pathlib import Path
from uuid import uuid4

from confluent_kafka import Consumer, KafkaException, TopicPartition
from confluent_kafka.admin import AdminClient

from deploy.demo.compare import wait_until_quiet
from makeweight.adapters.kafka.logs import reader
from makeweight.adapters.kafka.outbox import Outbox
from makeweight.adapters.kafka.publishing import event
from makeweight.adapters.kafka.reading import TopicReader
from makeweight.adapters.kafka.wire import INPUTS, Names, Sending
from makeweight.adapters.local.rerun import recorded, rerun
from makeweight.bootstrap.kafka import administration, publish_files
from makeweight.contracts.events import Envelope
from makeweight.contracts.messages import DECISION, REJECT
from makeweight.domain.claims import Decision
from makeweight.settings import Settings
from tests.support.broker import free_ports
from tests.support.week import CAMPAIGN, PUBLISHED, STOCK

ROOT = Path(__file__).parents[2]
SESSION_SECONDS = 6.0
READY_SECONDS = 60
SILENT = "it did not say"
READY = 200  # what /health answers then


class WorkerProcess:
    """A worker in a process of its own; `extra` are arguments of tests.support.worker."""

    def __init__(self, settings, folder, name, extra=()):
        self.name, self.extra, self.port = name, extra, free_ports(1)[0]
        self.log = folder / f"{name}.log"
        self.log.touch()
        self.log_begins = self.log.stat().st_size  # one of the same name may have written before
        environment = {
            **os.environ,
            "MAKEWEIGHT_KAFKA": settings.kafka,
            "MAKEWEIGHT_PREFIX": settings.prefix,
            "MAKEWEIGHT_STATE": str(folder / name),
            "MAKEWEIGHT_PORT": str(self.port),
            "MAKEWEIGHT_WORKER": f"{settings.prefix}{name}",
            "MAKEWEIGHT_PARTITIONS_ORDER": str(settings.partitions_order),
            "MAKEWEIGHT_PARTITIONS_OFFER": str(settings.partitions_offer),
            "MAKEWEIGHT_SESSION_SECONDS": str(SESSION_SECONDS),
        }
        command = [sys.executable, "-m", "tests.support.worker", *extra]
        # Through a pipe: where no file of the worker may grow any more, its log still says what it has to say.
        with self.log.open("ab") as log:
            self.writer = subprocess.Popen(["/bin/cat"], stdin=subprocess.PIPE, stdout=log)
        with self.writer.stdin as pipe:
            self.process = subprocess.Popen(command, env=environment, stdout=pipe, stderr=pipe, cwd=ROOT)

    def wait_ready(self):
        """Return once /health says so; a worker that ends before fails, with its log."""
        return self._wait_until(lambda: self.health()[0] == READY)

    def wait_answer(self):
        """Return once /health says anything."""
        return self._wait_until(self.health)

    def _wait_until(self, come):
        end = time.monotonic() + READY_SECONDS
        while time.monotonic() < end:
            if self.process.poll() is not None:
                raise AssertionError(f"{self.name} ended with {self.process.returncode}:\n{self.tail()}")
            with suppress(urllib.error.URLError, TimeoutError, ConnectionError):
                if come():
                    return self
            time.sleep(0.1)
        raise AssertionError(f"{self.name} did not come up:\n{self.tail()}")

    def health(self):
        """The code and the text of /health."""
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.port}/health", timeout=5) as answer:
                return answer.status, answer.read().decode()
        except urllib.error.HTTPError as refusal:
            return refusal.code, refusal.read().decode()

    def metrics(self):
        """What Prometheus would read: values by series, as text."""
        with urllib.request.urlopen(f"http://127.0.0.1:{self.port}/metrics", timeout=10) as answer:
            lines = answer.read().decode().splitlines()
        return {name: float(number) for name, number in (x.rsplit(" ", 1) for x in lines if not x.startswith("#"))}

    def total(self, name):
        """A metric summed over its series."""
        return sum(number for series, number in self.metrics().items() if series.split("{")[0] == name)

    def told(self):
        """Its log, all of it if it has ended."""
        if self.process.poll() is not None:
            self.writer.wait(30)
        return self.log.read_bytes()[self.log_begins :].decode(errors="replace")

    def tail(self, lines=40):
        """The end of its log, lines of single orders left out."""
        text = self.told().splitlines()
        return "\n".join([x for x in text if '"event":"handled"' not in x][-lines:])

    def reason(self):
        """What it said last of why it ends."""
        found = [x for x in self.told().splitlines() if "the worker ends: " in x]
        return found[-1].split("the worker ends: ", 1)[1].split('"')[0] if found else SILENT

    def signal(self, number):
        """Send a signal."""
        self.process.send_signal(number)

    def kill(self):
        """SIGKILL, and wait for the end."""
        self.process.kill()
        self.process.wait(30)

    def wait_stopped(self, seconds=60):
        """Wait until it has stopped itself."""
        end = time.monotonic() + seconds
        while time.monotonic() < end and self.process.poll() is None:
            if Path(f"/proc/{self.process.pid}/stat").read_text().rsplit(")", 1)[1].split()[0] == "T":
                return
            time.sleep(0.05)
        raise AssertionError(f"{self.name} did not stop:\n{self.tail()}")

    def wait_end(self, seconds=60):
        """Wait for the end; the exit code."""
        return self.process.wait(seconds)

    def terminate(self):
        """SIGTERM, and wait for the end; the exit code."""
        if self.process.poll() is None:
            self.signal(signal.SIGCONT)
            self.signal(signal.SIGTERM)
        return self.process.wait(30)


class Installation:
    """Topics under a prefix of their own, and the workers on them."""

    def __init__(self, address, folder, *, orders=4, offers=2, replication=1):
        self.folder = folder
        self.settings = Settings(
            kafka=address,
            prefix=f"t{uuid4().hex[:8]}.",
            partitions_order=orders,
            partitions_offer=offers,
            replication=replication,
            state=folder / "none",
        )
        self.names = Names(self.settings.prefix)
        administration(self.settings).apply()
        self._wait_for_leaders()
        self.workers = []
        self.outbox = Outbox(address)

    def _wait_for_leaders(self):
        """A broker that is busy takes a moment to lead what it has just made, and answers no question about it."""
        consumer, end = reader(self.settings.kafka), time.monotonic() + 10
        every = consumer.list_topics(timeout=10).topics.items()
        left = [(t, p) for t, made in every if t.startswith(self.settings.prefix) for p in made.partitions]
        while left and time.monotonic() < end:
            try:
                consumer.get_watermark_offsets(TopicPartition(*left[-1]), timeout=10)
                left.pop()
            except KafkaException:
                time.sleep(0.1)
        consumer.close()

    def publish(self, campaign=CAMPAIGN, stock=STOCK, clock=lambda: PUBLISHED):
        """Put a campaign and stock on the topics."""
        name = uuid4().hex[:8]
        campaigns = []
        if campaign:
            campaigns = [self.folder / f"{name}.yaml"]
            campaigns[0].write_text(campaign)
        rows = self.folder / f"{name}.csv"
        if stock:
            rows.write_text(stock)
        publish_files(self.settings, campaigns, rows if stock else None, clock)
        return self

    def worker(self, name="one", *extra, ready=True):
        """Start a worker."""
        worker = WorkerProcess(self.settings, self.folder, name, extra)
        self.workers.append(worker)
        return worker.wait_ready() if ready else worker

    def send(self, events):
        """Put events (type, data) on their topics, and wait until the broker has them."""
        for kind, data in events:
            id_, order = event_id(data)
            self.outbox.write([event(self.names, Envelope(id_, "/test", kind, order, data))])
        self.outbox.flush()

    def write(self, channel, key, body, headers=(), partition=None):
        """Put any record on a topic."""
        self.outbox.write([Sending(self.names.topic(channel), key, body, list(headers), partition)])
        self.outbox.flush()

    def quiet(self, seconds=120):
        """Wait until everything is handled."""
        wait_until_quiet(self.settings, seconds)
        return self

    def reading(self):
        """A reader of the topics."""
        return TopicReader(reader(self.settings.kafka), self.names)

    def stamps(self, channel):
        """Every record of a topic with its time: (seconds since the epoch, partition, key, value)."""
        consumer, topic = reader(self.settings.kafka), self.names.topic(channel)
        count = self.reading().partitions(channel)
        consumer.assign([TopicPartition(topic, p, 0) for p in range(count)])
        ends = {p: consumer.get_watermark_offsets(TopicPartition(topic, p), timeout=10)[1] for p in range(count)}
        found, left = [], {p for p, end in ends.items() if end}
        while left:
            for message in consumer.consume(5_000, 0.1):
                if message.error() is None:
                    at = message.timestamp()[1] / 1_000
                    found.append((at, message.partition(), message.key(), message.value()))
                    if message.offset() >= ends[message.partition()] - 1:
                        left.discard(message.partition())
        consumer.close()
        return found

    def committed(self):
        """The group's committed offsets by (channel, partition)."""
        asked = Consumer({"bootstrap.servers": self.settings.kafka, "group.id": f"{self.settings.prefix}makeweight"})
        places = []
        for stage, channels in INPUTS.items():
            count = self.settings.partitions_order if stage == "desk" else self.settings.partitions_offer
            places += [TopicPartition(self.names.topic(channel), p) for channel in channels for p in range(count)]
        answer = asked.committed(places, timeout=10)
        asked.close()
        return {(self.names.channel(tp.topic), tp.partition): max(0, tp.offset) for tp in answer}

    def ending(self):
        """What everything came to."""
        return self.reading().ending()

    def rejects(self):
        """What was put aside."""
        return [REJECT.loads(r.value) for r in self.reading().records("rejects")]

    def again(self):
        """What the embedded host comes to on the recorded inputs."""
        topics = self.reading()
        inputs = [one for stage in ("desk", "ledger") for one in recorded(stage, topics.entries(stage))]
        return rerun(self.folder / f"again-{uuid4().hex[:8]}", topics.book(), inputs, PUBLISHED)

    def end_workers(self):
        """SIGKILL for every worker that still runs."""
        for worker in self.workers:
            if worker.process.poll() is None:
                worker.kill()
            worker.writer.wait(30)

    def close(self):
        """End the workers and remove the topics."""
        self.end_workers()
        self.outbox.close()
        admin = AdminClient({"bootstrap.servers": self.settings.kafka, "log_level": 0})
        topics = [name for name in admin.list_topics(timeout=10).topics if name.startswith(self.settings.prefix)]
        for future in admin.delete_topics(topics).values():
            future.result()


def event_id(data):
    """An event's id, and its order."""
    body = json.loads(data)
    return body.get("event") or f"{body['order']}-{body['revision']}", body["order"]


def highest_revisions(events):
    """What was sent: the highest revision of each order."""
    found = {}
    for kind, data in events:
        body = json.loads(data)
        if kind.endswith("order.v1"):
            found[body["order"]] = max(body["revision"], found.get(body["order"], 0))
    return found


def unacknowledged_commits(installation, committed):
    """Input records below a committed offset that left nothing in the log or among the rejects: there must be none.

    Records of the time of day leave nothing, and repeats leave what their first coming left.
    """
    topics = installation.reading()
    logged = {entry.id for stage in ("desk", "ledger") for entry in topics.entries(stage)}
    aside = {(installation.names.channel(r.topic), r.partition, r.position) for r in installation.rejects()}
    missing = []
    for channel in ("orders", "fulfilment", "decisions", "ledger-commands"):
        for record in topics.records(channel):
            place = (channel, record.partition, record.offset)
            if record.key == b"tick" or record.offset >= committed[channel, record.partition] or place in aside:
                continue
            body = json.loads(record.value)
            if channel == "orders":
                ids = [f"{body['order']}:{body['revision']}:{word}" for word in ("judged", "superseded")]
            elif channel == "fulfilment":
                ids = [f"{body['order']}:{body['event']}:reported"]
            elif channel == "decisions":
                ids = [f"{body['id']}:{word}" for word in ("answered", "superseded")]
            else:
                ids = [f"{body['id']}:{word}" for word in ("settled", "outnumbered")]
                ids += [f"{body['offer']}:{body['id']}:{word}" for word in ("received", "handled", "booked")]
            if not logged.intersection(ids):
                missing.append(place)
    return missing


def check_books(ending):
    """Every balance adds up (S1, S4), and what stands there is what the claims hold; what was sent somewhere came.

    What is released of a gift and site is its orders', so is what is reserved; more may be packed than orders held.
    """
    held = {}
    for claim in ending.claims:
        if claim.gift is not None and claim.site is not None:
            at = held.setdefault((claim.claim.offer, claim.gift, claim.site), [0, 0])
            at[0] += claim.reserved
            at[1] += claim.released
    for balance in ending.balances:
        balance.check()
        expected = held.get((balance.offer, balance.gift, balance.site), [0, 0])
        assert [balance.reserved, balance.released] == expected, f"S4: {balance}: the claims hold {expected}"
    sent = sum(balance.transferred_out for balance in ending.balances)
    came = sum(balance.transferred_in for balance in ending.balances)
    assert sent == came, f"S4: {sent} units were sent elsewhere, and {came} came, or are on their way"


def check_tickets(ending):
    """One open ticket a site (S7), and on them the gift units that orders hold and no paper carries yet (S8).

    A paper carries what the order holds if it is the same gift from the same site: it may have been exchanged since.
    """
    held = {}
    for claim in ending.claims:
        if claim.held and claim.claim.options:
            held.setdefault(claim.claim.order, {})[claim.claim.offer, claim.gift, claim.site] = claim.held
    tickets = {}
    for ticket in ending.tickets.values():
        tickets.setdefault(ticket.order, []).append(ticket)
    for name, state in ending.orders.items():
        frozen = {one.ticket for one in state.frozen}
        live = [one for one in tickets.get(name, ()) if one.ticket not in frozen and one.state != "void"]
        assert len({one.site for one in live}) == len(live), f"S7: {name}: two open tickets of a site"
        cancelled = state.order.status == "cancelled"
        assert not (cancelled and live), f"S7: {name} is cancelled and has an open ticket"
        paper = {}
        for one in state.frozen:
            for offer, units in one.gifts_left.items():
                place = (offer, one.printed.get(offer), one.site)
                paper[place] = paper.get(place, 0) + units
        units_left = {place: units - paper.get(place, 0) for place, units in held.get(name, {}).items()}
        expected = {} if cancelled else {place: units for place, units in units_left.items() if units > 0}
        found = {}
        for place, units in [((x.offer, x.gift, one.site), x.units) for one in live for x in one.gift_lines]:
            found[place] = found.get(place, 0) + units
        assert found == expected, f"S8: {name}: {found} on open tickets, {expected} to be sent"


def check(installation, events, *, one_code=True, aside=()):
    """The safety of a run that is over; returns what it came to. ``one_code``: no other version took part.

    ``aside``: codes under which something was put aside on purpose.

    Nothing sent is lost; what was said of a claim is one thing (S2); what the fold of the log says, the embedded host
    says too (S9, S10, equality); gift units on open tickets are the units held and on no paper, no more and no less
    (S7, S8); no unit is given that did not come in (S1, S4); nothing was put aside as a defect.
    """
    ending = installation.ending()
    for order, revision in highest_revisions(events).items():
        assert ending.orders[order].order.revision == revision, f"{order} lost a revision"
    said = {}
    for record in installation.reading().records("decisions"):
        decision = DECISION.loads(record.value)
        if isinstance(decision, Decision):
            what = (decision.outcome, decision.units, decision.owed, decision.gift, decision.site, decision.reason)
            assert said.setdefault(decision.id, what) == what, f"two things were said of {decision.id}"
    check_books(ending)
    check_tickets(ending)
    assert not any(state.waiting for state in ending.orders.values())
    assert [r for r in installation.rejects() if r.code not in ("unknown_order", "unknown_ticket", *aside)] == []
    if one_code:
        assert ending.hash() == installation.again().hash()
    return ending
