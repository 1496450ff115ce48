"""A run: the broker, the workers, virtual time, and what each operation does.

First the operations of the schedule, faults among them; then everything heals; then the run must become quiet, and
what it came to is checked. There is no real clock, no thread and no sleep: a run is a function of its schedule.
"""

from collections import Counter
from datetime import timedelta

from makeweight.contracts.codec import dumps
from makeweight.contracts.messages import COMMAND, DECISION, ENTRIES
from makeweight.domain.claims import Arrival, Count, Damage, TakenDown, Transfer
from makeweight.domain.orders import Fulfilment, HandledLine
from makeweight.stages.port import Message
from tests.simulation import checks, modelling, replaying, scenario
from tests.simulation.broker import PARTITIONS, STAGE_OF, Broker, partition_of
from tests.simulation.lane import Lane
from tests.simulation.worker import DESK, LEDGER, Host, Violation, Worker

MAX_ROUNDS = 16  # of the liveness phase; time doubles each round, as the desk's looks at an order that waits do
STAGES = {"desk": DESK, "ledger": LEDGER}
_SENT = {"ledger-commands": COMMAND, "decisions": DECISION}


class World:
    """One run of one schedule."""

    def __init__(self, schedule, stages=None, make_host=Host, *, layout=False):
        self.schedule, self.make_host, self.layout = schedule, make_host, layout
        self.stages = stages or STAGES
        self.wire = schedule.wire and not layout
        self.events = [scenario.event(*event) for event in schedule.events]
        self.broker = Broker()
        self.now = scenario.START
        self.published, self.late_sent = 1, False
        self.book = scenario.BOOKS[schedule.ample][1]
        self.workers = [Worker(self, name) for name in range(schedule.workers)]
        self.heard = checks.Heard(self)
        self.witness = {(s, p): Lane(self.stages[s], p) for s, p in self.broker.logs}
        self.ids = {stage: set() for stage in PARTITIONS}
        self.first = {}  # the first entry of each order revision
        self.aside = {}  # code by the place of the input
        self.sent, self.highest, self.contents, self.facts, self.transfers = set(), {}, {}, [], []
        self.results = {stage: Counter() for stage in PARTITIONS}
        self.consumed = Counter()
        self.faults = Counter()
        self.live = {}  # units that count towards caps, by offer
        self.operations = 0
        self.trace = None
        for worker in self.workers:
            worker.start()
        self.rebalance()

    def take_apart(self):
        """Untie the knot of references that a world is, so that its memory is free at once."""
        for worker in self.workers:
            for host in worker.hosts.values():
                host.__dict__.clear()
            worker.__dict__.clear()
        self.heard.__dict__.clear()
        self.__dict__.clear()

    # --- phases ------------------------------------------------------------------------------------------------------

    def play(self):
        """All phases. Raises ``Violation``."""
        for number, (channel, _) in enumerate(self.events if self.schedule.ample else ()):
            if channel != "orders":  # ample stock is there before anyone asks for it
                self.send(number)
        for operation in self.schedule.operations:
            self.note("%s %s", operation[0], operation[1:])
            getattr(self, operation[0])(*operation[1:])
            self.operations += 1
        self.heal()
        self.drain()
        checks.at_the_end(self)
        if not self.layout:
            replaying.check(self)
            modelling.check(self)

    def heal(self):
        """Everybody wakes, ends what is under way and joins again, with today's code and the right time."""
        self.note("heal")
        while any(worker.paused for worker in self.workers):
            self.wake(0)
        for worker in self.workers:
            if worker.old_code or not worker.alive:
                self.restart(worker, old_code=False)
            worker.clock = 0
        for worker in self.workers:
            self.finish(worker)
            worker.out = False
            worker.book = self.book
        self.rebalance()

    def drain(self):
        """L1: send what was not sent, handle everything, let time pass, until nothing waits."""
        for number in range(len(self.events)):
            if number not in self.sent:
                self.send(number)
        for round_ in range(MAX_ROUNDS):
            self.handle_all()
            if not self.waiting():
                break
            self.time(31 * 2**round_)
        else:
            raise Violation("L1", f"something is still due after {MAX_ROUNDS} rounds")
        if self.broker.lag():
            raise Violation("L1", f"{self.broker.lag()} input records are not committed as handled")

    def handle_all(self):
        """Run batches until no worker finds a record."""
        for _ in range(400):
            busy = [host for worker in self.workers for host in worker.hosts.values() if self.unread(host)]
            if not busy:
                return
            for host in busy:
                host.advance(500, 0, 0)
        raise Violation("L1", "the stages talk in circles")

    def unread(self, host):
        """Whether a host has records to fetch."""
        topics = self.broker.topics
        return any(at < len(topics[place]) for place, at in host.positions.items())

    def waiting(self):
        """Whether anything of any order is still due, by the log: an answer, a payment, something to be put back."""
        for partition in range(PARTITIONS["desk"]):
            _, due = self.witness["desk", partition].store.contents()
            if due:
                return True
        return False

    def append(self, stage, partition, entry):
        """A log entry reaches the broker: it is folded there and then, and the invariants of that place are checked."""
        if self.wire:
            entry = ENTRIES[stage].loads(dumps(entry))
        offset = self.broker.append(stage, partition, entry)
        self.ids[stage].add(entry.id)
        lane = self.witness[stage, partition]
        try:
            lane.take(self.broker.logs[stage, partition])
        except AssertionError as error:
            raise Violation(getattr(error, "code", "defect"), f"{entry.id}: {error}") from error
        lane.commit({})
        checks.of_entry(self, lane, entry)
        return offset

    def say(self, outputs):
        """Outputs reach the broker."""
        for output in outputs:
            self.heard.hear(output)
            stage = STAGE_OF.get(output.channel)
            if stage is not None:
                body = _SENT[output.channel].loads(dumps(output.body)) if self.wire else output.body
                self.broker.send(output.channel, partition_of(stage, output.route), Message(body))

    def put_aside(self, record, code):
        """An input goes to the rejects."""
        self.aside.setdefault(record.place, code)

    def acknowledge(self, host, offsets, consumed, results):
        """A worker commits offsets; nothing may be passed that left no trace."""
        before = {place: self.broker.committed[place] for place in offsets}
        if not self.broker.commit(host.worker.name, host.generation, offsets):
            self.fired("fenced commit")
            return
        self.consumed[host.name] += consumed
        self.results[host.name].update(results)
        for place, until in offsets.items():
            for record in self.broker.topics[place][before[place] : until]:
                checks.of_commit(self, record)

    def fired(self, kind):
        """A fault happened."""
        self.faults[kind] += 1
        self.note("  * %s", kind)

    def note(self, text, *values):
        """A line of the trace."""
        if self.trace is not None:
            self.trace.append(text % values)

    # --- operations: the shop, the warehouse and time ----------------------------------------------------------------

    def send(self, number):
        """An event of the shop is sent."""
        if number in self.sent:
            return
        channel, message = self.events[number]
        self.sent.add(number)
        key = message.body.order if channel == "orders" else message.body.offer
        if channel == "orders":
            self._order_sent(message.body)
        self.broker.send(channel, partition_of(STAGE_OF[channel], key), message)

    def _order_sent(self, order):
        if self.contents.setdefault((order.order, order.revision), order) is not order:
            self.fired("conflict")
        if order.revision < self.highest.get(order.order, 0):
            self.fired("reordered")
        self.highest[order.order] = max(order.revision, self.highest.get(order.order, 0))
        if scenario.is_late(int(order.order[1:])):
            self.late_sent = True
            for worker in self.workers:
                worker.book = self.book  # ten seconds have passed since it was published

    def publish(self):
        """A second revision of the campaign; it takes effect after it is published, so no order of then came before."""
        if not self.late_sent and self.published == 1:
            self.published, self.book = 2, scenario.BOOKS[self.schedule.ample][2]
            self.fired("campaign")

    def follow(self, name):
        """A worker sees the campaigns as they are now."""
        self.workers[name].book = self.book

    def again(self, channel, partition, which):
        """A record is delivered once more, at the end of its topic."""
        records = self.broker.topics[channel, partition]
        if records:
            self.broker.send(channel, partition, records[which % len(records)].message)
            self.fired("duplicate input" if channel in ("orders", "fulfilment") else "duplicate message")

    def fact(self, which, happened, behind, named, number):
        """The warehouse does something with a ticket that it was told of, from the current paper or an older one.

        With ``named`` it lists the lines; with 2, one unit more of each gift than is on the ticket.
        """
        if self.schedule.ample and happened == "short_picked":
            return  # an empty bin is empty for every order
        known = [t for t in self.heard.tickets.values() if t.state != "void"]
        if not known:
            return
        ticket = known[which % len(known)]
        edition = max(1, ticket.edition - behind + 1) if behind else 0
        lines = []
        if named:
            lines = [HandledLine(line.units, line=line.number) for line in ticket.lines]
            condition = "saleable" if number % 2 else "scrap"
            lines += [
                HandledLine(g.units + named - 1, offer=g.offer, gift=g.gift, condition=condition)
                for g in ticket.gift_lines
            ]
        body = Fulfilment(f"w{number}", ticket.order, ticket.ticket, happened, self.now, edition, lines)
        self.facts.append(body)
        self.fired(f"fact: {happened}")
        message = Message(body, f"{body.event}{happened}{edition}{named}")
        self.broker.send("fulfilment", partition_of("desk", ticket.order), message)

    def stock(self, what, which, site, to_site, units, number):
        """Someone counts, breaks, moves or receives gifts, or takes an announcement down."""
        if self.schedule.ample:
            return
        offer, gift = scenario.STOCKED[which]
        to_offer = offer if number % 3 else scenario.STOCKED[(which + 1) % len(scenario.STOCKED)][0]
        name, at = f"s{number}", self.now
        match what:
            case "count":
                body = Count(name, offer, gift, site, units, at)
            case "damage":
                body = Damage(name, offer, gift, site, max(1, units), at)
            case "transfer":
                if (offer, site) == (to_offer, to_site):
                    return
                body = Transfer(name, offer, gift, site, max(1, units), to_offer, to_site, at)
                self.transfers.append((to_offer, name))
            case "arrival":
                if not self.transfers:
                    return
                offer, transfer = self.transfers[number % len(self.transfers)]
                body = Arrival(name, offer, transfer, units, at)
            case _:
                body = TakenDown(name, offer, at)
        self.fired(f"stock: {what}")
        self.broker.send("ledger-commands", partition_of("ledger", offer), Message(body))

    def time(self, seconds):
        """Time passes, and the workers say so."""
        self.now += timedelta(seconds=seconds)
        for worker in self.workers:
            if worker.alive and not worker.paused:
                worker.tick()

    # --- operations: the workers -------------------------------------------------------------------------------------

    def one_of(self, pick, condition):
        """One of the workers of which something is true, if there is any."""
        found = [worker for worker in self.workers if condition(worker)]
        return found[pick % len(found)] if found else None

    def advance(self, pick, limit, turn, cut, until):
        """One of the stages that have something to do goes on; the worker, and whether it got to the step."""
        busy = [
            host
            for worker in self.workers
            if worker.alive and not worker.paused
            for host in worker.hosts.values()
            if host.running is not None or self.unread(host)
        ]
        if not busy:
            return None, False
        host = busy[pick % len(busy)]
        self.note("  %s at worker %s", host.name, host.worker.name)
        return host.worker, host.advance(limit, turn, cut, until)

    def run(self, *batch):
        """A stage handles a batch to its end."""
        self.advance(*batch, None)

    def step(self, *batch):
        """A stage goes on by one step."""
        self.advance(*batch, "")

    def crash(self, pick, limit, turn, cut, step, wiped):
        """A worker is killed, at this step of a batch if there is one; perhaps its disk is lost."""
        worker, _ = self.advance(pick, limit, turn, cut, step)
        if worker is not None:
            for at in worker.crash(wiped=wiped).values():
                self.fired(f"crash: {at}")
            if wiped:
                self.fired("wiped disk")

    def full(self, *batch):
        """The disk is full: the commit of the cache fails, and the worker ends."""
        worker, there = self.advance(*batch, "said")
        if there:
            self.fired("full disk")
            for at in worker.crash(wiped=False).values():
                self.fired(f"crash: {at}")  # what the other stage had under way dies with it, perhaps torn

    def pause(self, pick, limit, turn, cut, step):
        """A worker stands still, at this step of a batch if there is one."""
        worker, _ = self.advance(pick, limit, turn, cut, step)
        if worker is not None:
            worker.paused = True
            self.fired("pause")

    def expire(self):
        """The group goes on without those that don't answer."""
        if any(not self.workers[name].alive or self.workers[name].paused for name in self.broker.members):
            self.rebalance()

    def wake(self, pick):
        """A paused worker goes on, as if nothing had happened."""
        worker = self.one_of(pick, lambda w: w.paused)
        if worker is not None:
            worker.paused = False
            if worker.out:
                self.fired("late wake-up")

    def rejoin(self, pick):
        """A worker that the group went on without notices, ends its batch and joins again."""
        worker = self.one_of(pick, lambda w: w.out and not w.paused)
        if worker is not None:
            self.finish(worker)
            worker.out = False
            self.rebalance()

    def slow(self, pick, limit, turn, cut, step):
        """A worker doesn't join in time, at this step of a batch if there is one; the group goes on without it."""
        worker, _ = self.advance(pick, limit, turn, cut, step)
        if worker in (members := self.members()) and len(members) > 1:
            worker.out = True
            self.fired("slow member")
            self.rebalance()

    def start(self, pick):
        """A dead worker is started anew."""
        worker = self.one_of(pick, lambda w: not w.alive)
        if worker is not None:
            worker.start()
            self.rebalance()

    def old(self, name):
        """A worker is stopped and started with another version of the code."""
        self.fired("old code")
        self.restart(self.workers[name], old_code=True)
        self.rebalance()

    def restart(self, worker, *, old_code):
        """Stop a worker if it runs, and start it."""
        if worker.alive:
            worker.crash(wiped=False)
        worker.old_code = old_code
        worker.start()

    def clock(self, name, seconds):
        """A worker's clock jumps."""
        self.workers[name].clock = seconds
        self.fired("clock jump")

    def members(self):
        """Who takes part in a rebalance."""
        return [w for w in self.workers if w.alive and not w.paused and not w.out]

    def rebalance(self):
        """Eager: every member ends its batch, everything is assigned anew, and every gate is passed."""
        members = self.members()
        if not members:
            return
        for worker in members:
            self.finish(worker)
        if self.broker.generation:
            self.fired("rebalance")
        owned = self.broker.rebalance([worker.name for worker in members])
        for worker in self.workers:
            if worker not in members and worker.alive:
                worker.out = True
        for worker in members:
            for stage, host in worker.hosts.items():
                host.open(owned[worker.name][stage], self.broker.generation)

    def finish(self, worker):
        """End the batches that a worker has under way."""
        for host in worker.hosts.values():
            if host.running is not None:
                host.advance(1, 0, 0)
