"""Random days of two stages, seen step by step: nothing becomes of a ticket, offer or unit that is not in its table."""

from collections import Counter
from datetime import UTC, datetime, timedelta
from random import Random

from hypothesis import given
from hypothesis import strategies as st

from makeweight.contracts.campaigns import read_campaign
from makeweight.contracts.orders import digest
from makeweight.domain.book import Book
from makeweight.domain.claims import Arrival, Count, Damage, HandledGift, Receipt, TakenDown, Tick, Transfer
from makeweight.domain.orders import Fulfilment, HandledLine, Line, Order
from makeweight.stages.desk.state import ORDERS
from makeweight.stages.ledger.state import CLAIMS, key
from makeweight.stages.port import Message, View
from tests.support.build import WEEK
from tests.support.nodes import STEPS, Network, Node
from tests.support.shop import document, gives
from tests.support.transitions import Watch

START = datetime(2026, 11, 24, 10, tzinfo=UTC)
CLOCKS = (WEEK.start - timedelta(minutes=1), START, START, START, WEEK.end - timedelta(minutes=1))
SITES = ("N", "S")
FACTS = ("released", "released", "released", "packed", "dispatched", "short_picked", "put_back", "gift_returned")
OFFERS = {"tin": "TIN", "each": "MUG", "first": "PAD", "second": "PEN"}
BOOK = Book(
    [
        read_campaign(
            document(
                gives(
                    "tin", "TIN", brands=["A"], at_least=1000, otherwise=["BAG"], choice=["BAG"], when_out="substitute"
                ),
                gives("each", "MUG", at_least=700, for_each=True, caps={"total": 20}, when_out="owed"),
                gives("first", "PAD", at_least=2000, group="g", rank=1, when_out="next"),
                gives("second", "PEN", at_least=1500, group="g", rank=2, caps={"per_customer": 1}, paid_within_days=1),
                gives("ships", None, benefit="free_shipping", over=1800, caps={"total": 3}),
            )
        )
    ]
)


class Day:
    """A network under watch, and what can happen to it; chance decides."""

    def __init__(self, rng: Random, watch: Watch, *, late: bool = False) -> None:
        self.late, self.rng, self.events, self.revisions = late, rng, 0, Counter()
        self.watch, self.sent = watch, []
        self.network = Network(BOOK, rng.choice(CLOCKS))
        for node in self.network.nodes.values():
            node.stage = watch.on(node.stage)

    def run(self, length: int) -> None:
        """So many things happen; then everything is delivered."""
        self.watch.look(self.network.nodes["ledger"].store, self.network.now)
        for _ in range(length):
            happens = self.rng.choices(
                [self.order, self.receipt, self.fact, self.gift_fact, self.people, self.time, self.deliver, self.again],
                [4, 1, 3, 1, 1, 1, 14, 1],
            )[0]
            happens()
            self.watch.look(self.network.nodes["ledger"].store, self.network.now)
        self.network.drain()

    def order(self) -> None:
        """A snapshot: a new one, the next of an order, or one out of turn."""
        rng, name = self.rng, f"O{self.rng.randint(1, 3)}"
        if rng.random() < 0.8:
            self.revisions[name] += 1
        revision = rng.choice([max(1, self.revisions[name])] * 3 + [rng.randint(1, 4)])
        lines = [
            Line(
                n,
                f"s{n}",
                rng.randint(0, 2),
                rng.choice([0, 690, 900, 1600, 6900]),
                brand=rng.choice("AB"),
                site=site,
                back_ordered=rng.random() < 0.1,
            )
            for n, site in enumerate(rng.sample(SITES * 2, rng.randint(0, 3)), 1)
        ]
        status = rng.choice(["placed", "amended", "amended", "cancelled"])
        hold = rng.choice([None, None, None, "payment"])
        body = Order(
            name, revision, status, START, START, "IE", "EUR", lines, customer=rng.choice("cd"), hold=hold,
            chosen_gift=rng.choice([None, "BAG"]), paid_at=rng.choice([None, START]),
        )  # fmt: skip
        self.network.send("desk", Message(body, digest(body)))

    def receipt(self) -> None:
        """A little stock comes in, somewhere."""
        self.events += 1
        offer, gift = self.rng.choice([*OFFERS.items(), ("tin", "BAG")])
        units = self.rng.choice([1, 2, 10])
        body = Receipt(f"r{self.events}", f"week/{offer}", gift, self.rng.choice(SITES), units)
        self.network.send("ledger", Message(body))

    def fact(self) -> None:
        """The warehouse reports on a ticket, whole or by its lines, with any edition on the paper."""
        rng = self.rng
        self.events += 1
        order, site = f"O{rng.randint(1, 3)}", rng.choice(SITES)
        lines = [HandledLine(rng.randint(1, 2), line=rng.randint(1, 2))] if rng.random() < 0.3 else []
        for _ in range(rng.choice([0, 0, 1, 2])):
            offer, gift = rng.choice(list(OFFERS.items()))
            found = rng.choice(["saleable", "scrap", None])
            lines.append(HandledLine(rng.randint(1, 2), offer=f"week/{offer}", gift=gift, condition=found))
        body = Fulfilment(
            f"w{self.events}", order, f"{order}/{site}/{rng.choice([1, 1, 1, 2])}",
            rng.choice(FACTS), START, rng.choice([0, 0, 0, 1, 2, 3, 5]), lines,
        )  # fmt: skip
        self.network.send("desk", Message(body, digest(body)))

    def gift_fact(self) -> None:
        """What the warehouse missed, put back or has back of a claim's gift, straight to the ledger."""
        claims = list(self.network.nodes["ledger"].store.values(CLAIMS).values())
        if not claims:
            return
        rng, self.events = self.rng, self.events + 1
        state = rng.choice(claims)
        offer = state.claim.offer.partition("/")[2]
        gift, site = state.gift or OFFERS.get(offer, "TIN"), state.site or rng.choice(SITES)
        happened = rng.choice(["short_picked", "put_back", "returned", "scrapped"])
        name, units = f"g{self.events}", rng.randint(1, 2)
        packed = rng.randint(0, units) if happened == "put_back" else 0
        body = HandledGift(name, state.claim.order, state.claim.offer, gift, site, units, happened, START, packed)
        self.network.send("ledger", Message(body))

    def people(self) -> None:
        """Someone counts, throws away, sends elsewhere, takes in what was sent, or takes an announcement down."""
        rng, self.events = self.rng, self.events + 1
        name, gift, site = f"p{self.events}", *rng.choice([*OFFERS.items(), ("tin", "BAG")])[1:], rng.choice(SITES)
        offer = "week/" + next((o for o, g in OFFERS.items() if g == gift), "tin")
        units = rng.choice([0, 1, 2, 5])
        body = rng.choice(
            [
                Count(name, offer, gift, site, units, START),
                Damage(name, offer, gift, site, max(1, units), START),
                Transfer(name, offer, gift, site, max(1, units), offer, "S" if site == "N" else "N", START),
                Transfer(name, offer, gift, site, max(1, units), "week/other", site, START),
                Arrival(name, *rng.choice(self.sent or [(offer, "t")]), units, START),
                TakenDown(name, offer, START),
            ]
        )
        if isinstance(body, Transfer):
            self.sent.append((body.to_offer, name))
        self.network.send("ledger", Message(body))

    def time(self) -> None:
        """Some seconds pass, and the desk hears of it."""
        self.events += 1
        self.network.now += timedelta(seconds=self.rng.choice([1, 20, 40, 40, 90_000]))
        self.network.send("desk", Message(Tick(f"t{self.events}", self.network.now)))

    def deliver(self) -> None:
        """Anything in the air arrives; now and then the node is killed at a step, or another one writes first."""
        waiting = [name for name, bag in self.network.bags.items() if bag]
        if waiting:
            stage = self.rng.choice(waiting)
            place = self.rng.randrange(len(self.network.bags[stage]))
            if self.late and self.rng.random() < 0.25:
                self.write_late(stage, place)
            self.network.deliver(stage, place, self.rng.choice([None] * 9 + list(STEPS)))

    def write_late(self, stage: str, place: int) -> None:
        """A paused writer appends what it makes of a message, from a state that is some entries old."""
        node = self.network.nodes[stage]
        known = Node(node.stage)
        known.log = node.log[: max(0, len(node.log) - self.rng.randint(1, 8))]
        known.rebuild()
        verdict = node.stage.decide(known.store, self.network.bags[stage][place], View(BOOK, self.network.now))
        for entry in verdict.entries:
            node.log.append(entry)
            node.stage.fold(node.store, entry)

    def again(self) -> None:
        """Anything that was delivered comes once more."""
        stage = self.rng.choice(["desk", "ledger"])
        if self.network.done[stage]:
            self.network.send(stage, self.rng.choice(self.network.done[stage]))


@given(st.randoms(use_true_random=True), st.integers(1, 120))
def test_no_step_outside_the_tables(rng: Random, length: int) -> None:
    """Amendments, holds, cancellations, owed gifts, facts on any paper, repeats, any order of arrival, crashes."""
    Day(rng, Watch(BOOK)).run(length)


@given(st.randoms(use_true_random=True), st.integers(1, 120))
def test_a_late_writer_takes_no_other_step(rng: Random, length: int) -> None:
    """Both logs hold entries that were decided from an old state; in the end desk and ledger agree on what is held."""
    day = Day(rng, Watch(BOOK), late=True)
    day.run(length)
    # What a late writer's entry asks of the ledger is said when its answer is missed.
    day.network.now += timedelta(days=2)
    day.network.send("desk", Message(Tick("last", day.network.now)))
    day.network.drain()
    claims = day.network.nodes["ledger"].store.values(CLAIMS)
    wishes = {
        key(offer, order): wish
        for order, state in day.network.nodes["desk"].store.values(ORDERS).items()
        for offer, wish in state.wishes.items()
    }
    assert all(wish.answered for wish in wishes.values())
    assert {at: (wish.claim.number, wish.held) for at, wish in wishes.items()} == {
        at: (claim.claim.number, claim.held) for at, claim in claims.items()
    }
