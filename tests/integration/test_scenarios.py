"""The trade's worked examples on the core, on the embedded host and on Kafka: the same expectations for all three.

A scenario is data (`tests.support.scenarios`). The embedded host is restarted from its file in the middle of each; on
Kafka all of them are played together on two workers, whose clock is a file, so that weeks pass within a minute.
"""

import json
import time
from itertools import zip_longest

import pytest

from makeweight.adapters.documents.orders import read_one
from makeweight.adapters.hosting import Incoming
from makeweight.adapters.local.database import connect
from makeweight.adapters.local.rerun import recorded, rerun
from makeweight.bootstrap import Embedded, hand_to_ledger, publish_files
from makeweight.bootstrap.kafka import publish_files as publish_to_topics
from makeweight.contracts.codec import dumps
from makeweight.contracts.events import FULFILMENT_TYPE, ORDER_TYPE, headers
from makeweight.contracts.messages import ENTRIES, LEVEL, NOTICE
from makeweight.contracts.orders import digest
from makeweight.domain.orders import Fulfilment, Order
from makeweight.planning.ending import Ending
from makeweight.settings import Settings
from makeweight.stages.desk.state import ORDERS
from makeweight.stages.ledger.state import BALANCES, CLAIMS
from tests.support.fleet import Installation
from tests.support.playing import END, Found, check
from tests.support.scenarios import SCENARIOS
from tests.support.shop import Shop
from tests.support.week import PUBLISHED

LONG_SECONDS = 3600  # a jump of the clock by which something may be due
each_scenario = pytest.mark.parametrize("scenario", SCENARIOS, ids=lambda one: one.name)


def files_of(folder, scenarios):
    """Campaigns and stock of scenarios as people publish them."""
    folder.mkdir()
    paths, rows = [], ["gift,site,units,offer"]
    for scenario in scenarios:
        for number, document in enumerate(scenario.documents):
            paths.append(folder / f"{scenario.name}-{number}.yaml")
            paths[-1].write_text(json.dumps(document))
        rows += [f"{gift},{site},{units},{offer}" for (offer, gift, site), units in scenario.opening.items()]
    (folder / "stock.csv").write_text("\n".join(rows) + "\n")
    return paths, folder / "stock.csv" if len(rows) > 1 else None


def is_event(body):
    """Whether it is from outside, and not for the ledger."""
    return isinstance(body, Order | Fulfilment)


# ---------------------------------------------------------------- the core


def on_the_core(scenario):
    """Both stages in memory, each step at its instant, and the time before it."""
    shop, now = Shop(scenario.documents, scenario.opening), None
    for step in scenario.named():
        if step.at != now:
            shop.tick(step.at)
            now = step.at
        if is_event(step.body):
            shop.take("desk", step.body, step.at, digest(step.body))
        elif step.body is not None:
            shop.take("ledger", step.body, step.at)
    shop.tick(END)
    claims, balances = shop.books.values(CLAIMS).values(), shop.books.values(BALANCES).values()
    orders = shop.desk.values(ORDERS)
    tickets = {id_: ticket for order in orders for id_, ticket in shop.tickets(order).items()}
    ending = Ending(orders, list(claims), list(balances), tickets)
    said = {channel: [o.body for o in shop.said if o.channel == channel] for channel in ("notices", "offer-levels")}
    return Found(scenario, ending, said["notices"], said["offer-levels"])


@each_scenario
def test_on_the_core(scenario):
    """The stages alone."""
    check(on_the_core(scenario))


# ---------------------------------------------------------------- the embedded host


class OnDisk:
    """The embedded service on a file, with a clock that the steps set."""

    def __init__(self, folder, scenario):
        self._settings, self.now = Settings(state=folder / "state", kafka=None), PUBLISHED
        publish_files(self._settings, *files_of(folder / "files", [scenario]), self._clock)
        self._number = 0
        self._start()

    def _clock(self):
        return self.now

    def _start(self):
        self._service = Embedded(self._settings, self._clock)
        self._service.intake.start()
        self._service.take_up()

    def restart(self):
        """End it, and start it from its file."""
        self._service.close()
        self._start()

    def take(self, step):
        """The time, then what comes at it."""
        if step.at != self.now:
            self.passes(step.at)
        self._number += 1
        if is_event(step.body):
            line = read_one(dumps(step.body), "scenario", self._number)
            one = Incoming(
                line.kind, step.body.order, "/s", f"{self._number}", line.raw, line.body, line.digest, line.error
            )
            self._service.intake.submit([one]).result()
        elif step.body is not None:
            hand_to_ledger(self._settings, step.body, self._clock)
            self._service.take_up()

    def passes(self, at):
        """It is so late."""
        self.now = at
        self._service.keep_time()

    def found(self, scenario):
        """What came of it."""
        reader, notices = self._service.reader, self._bodies("SELECT body FROM outbox WHERE channel = 'notices'")
        return Found(scenario, reader.ending(), [NOTICE.loads(body) for body in notices], reader.levels())

    def again(self, folder):
        """What another host comes to, fed with what both stages took in."""
        logs = {stage: self._bodies(f"SELECT body FROM {stage}_log") for stage in ENTRIES}  # noqa: S608 - two tables
        inputs = [one for stage, log in logs.items() for one in recorded(stage, map(ENTRIES[stage].loads, log))]
        return rerun(folder, self._service.reader.book(), inputs, PUBLISHED)

    def _bodies(self, query):
        connection = connect(self._settings.state)
        try:
            return [body for (body,) in connection.execute(f"{query} ORDER BY position")]
        finally:
            connection.close()

    def close(self):
        """End it."""
        self._service.close()


@each_scenario
def test_on_the_embedded_host(scenario, tmp_path):
    """Through the wire's bytes and SQLite, restarted in the middle; what it comes to is what the core comes to."""
    steps, played = scenario.named(), OnDisk(tmp_path, scenario)
    try:
        for number, step in enumerate(steps):
            if number == len(steps) // 2:
                played.restart()
            played.take(step)
        played.passes(END)
        found, again = played.found(scenario), played.again(tmp_path / "again")
    finally:
        played.close()
    check(found)
    assert again.hash() == found.ending.hash()
    core = on_the_core(scenario)
    assert found.all() == core.all()
    assert found.ending.hash() == core.ending.hash()


# ---------------------------------------------------------------- Kafka


class OnTopics:
    """All scenarios together on two workers; a step waits until all that came before it is handled."""

    def __init__(self, broker, folder):
        self.installation, self._time = Installation(broker.address, folder), folder / "time"
        self._now = PUBLISHED
        self._set(PUBLISHED)
        settings = self.installation.settings
        publish_to_topics(settings, *files_of(folder / "files", SCENARIOS), lambda: PUBLISHED)
        for name in ("one", "two"):
            self.installation.worker(name, "--clock", str(self._time), ready=False)
        for worker in self.installation.workers:
            worker.wait_ready()
        self.installation.quiet()

    def _set(self, at):
        beside = self._time.with_suffix(".new")
        beside.write_text(at.isoformat())
        beside.replace(self._time)

    def passes(self, at):
        """It is so late; where something may be due by then, every partition has heard so."""
        self._set(at)
        long, self._now = (at - self._now).total_seconds() >= LONG_SECONDS, at
        end = time.monotonic() + 30
        while long and not self._heard(at):
            assert time.monotonic() < end, f"no tick of {at}"
            time.sleep(0.1)
        if long:
            self.installation.quiet()

    def _heard(self, at):
        reading = self.installation.reading()
        for channel in ("decisions", "ledger-commands"):
            ticks = [r for r in reading.records(channel) if r.key == b"tick"]
            heard = {r.partition for r in ticks if json.loads(r.value)["at"] == json.loads(dumps(at))}
            if len(heard) < reading.partitions(channel):
                return False
        return True

    def take(self, groups):
        """What comes next in each scenario, all of it at once."""
        bodies = [step.body for group in groups for step in group if step.body is not None]
        for body in bodies:
            if is_event(body):
                kind = ORDER_TYPE if isinstance(body, Order) else FULFILMENT_TYPE
                self.installation.send([(kind, dumps(body))])
            else:
                told = headers("ledger-command", body.id, "/test", body.offer)
                self.installation.write("ledger-commands", body.offer.encode(), dumps(body), told)
        if bodies:
            self.installation.quiet()

    def found(self):
        """What came of every scenario."""
        reading = self.installation.reading()
        ending = reading.ending()
        notices = [NOTICE.loads(r.value) for r in reading.records("notices") if r.value]
        levels = [LEVEL.loads(r.value) for r in reading.records("offer-levels") if r.value]
        return [Found(scenario, ending, notices, levels) for scenario in SCENARIOS]


def rounds(at):
    """At an instant, what each scenario does first, second, …; what is beside another is together with it."""
    every = []
    for scenario in SCENARIOS:
        groups = []
        for step in [step for step in scenario.named() if step.at == at]:
            if step.beside and groups:
                groups[-1].append(step)
            else:
                groups.append([step])
        every.append(groups)
    return list(zip_longest(*every, fillvalue=()))


def test_on_kafka(broker, tmp_path):
    """Two workers, every scenario at once; each comes to what it comes to alone on the core."""
    played = OnTopics(broker, tmp_path)
    installation = played.installation
    try:
        for at in sorted({step.at for scenario in SCENARIOS for step in scenario.steps}):
            played.passes(at)
            for groups in rounds(at):
                played.take(groups)
        played.passes(END)
        wrong = {}
        for found in played.found():
            try:
                check(found)
                if not found.scenario.either:
                    assert found.all() == on_the_core(found.scenario).all()
            except AssertionError as error:
                wrong[found.scenario.name] = str(error)
        assert wrong == {}
        assert {r.code for r in installation.rejects()} == {"not_enough"}
        for worker in installation.workers:
            assert worker.total("makeweight_invariant_violations_total") == 0
        assert installation.ending().hash() == installation.again().hash()
    finally:
        installation.close()


@each_scenario
def test_steps_are_in_their_order(scenario):
    """Every runtime plays them by their instants."""
    instants = [step.at for step in scenario.steps]
    assert instants == sorted(instants)
    assert instants[-1] < END
