"""Both stages under repeats, reordering and crashes between a host's steps: the invariants hold at every step.

Hypothesis chooses the events, the order of every delivery, what is delivered twice and where a node is killed.
"""

from copy import deepcopy
from datetime import UTC, datetime, timedelta
from typing import Any

from hypothesis import note
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from makeweight.contracts.campaigns import read_campaign
from makeweight.contracts.orders import digest
from makeweight.domain.book import Book
from makeweight.domain.claims import Arrival, Count, Damage, HandledGift, Receipt, TakenDown, Tick, Transfer
from makeweight.domain.entries import Booked, Judged
from makeweight.domain.orders import Fulfilment, HandledLine, Line, Order
from makeweight.stages.desk.state import FOLLOW_AFTER_SECONDS, MAX_DOUBLINGS, ORDERS
from makeweight.stages.desk.telling import notices
from makeweight.stages.desk.tickets import tickets, waits_for_goods
from makeweight.stages.ledger import Ledger
from makeweight.stages.ledger.state import BALANCES, CLAIMS, OFFERS, OWED, TRANSIT
from makeweight.stages.port import Message
from tests.support.nodes import STEPS, Network
from tests.support.physical import untrue
from tests.support.reference import Reference
from tests.support.shop import document, gives

PLACED = datetime(2026, 11, 24, 10, 0, tzinfo=UTC)
LONGEST = timedelta(seconds=FOLLOW_AFTER_SECONDS * 2**MAX_DOUBLINGS)  # that the desk waits before it says a thing again


# All forms at once: a substitute, a group of two, one for each that is owed, and a benefit that is counted.
DOCUMENT = document(
    gives(
        "brand", "G", brands=["A"], by="total", at_least=1000, otherwise=["H"], caps={"total": 2}, when_out="substitute"
    ),
    gives("first", "K", by="total", at_least=2000, group="g", rank=1, when_out="next"),
    gives("second", "L", by="total", at_least=1500, caps={"per_customer": 1}, group="g", rank=2),
    gives("each", "M", brands=["B"], by="total", at_least=700, for_each=True, caps={"per_order": 3}, when_out="owed"),
    gives("ships", benefit="free_shipping", by="total", over=1800, caps={"total": 2}),
    gives("credit", "P", by="total", at_least=1200, paid_within_days=1, clawback="deduct", choice=["P", "Q"]),
    campaign="c",
)
CRASHES = st.sampled_from([None, None, None, *STEPS])
STOCKED = [
    ("c/brand", "G"), ("c/brand", "H"), ("c/first", "K"), ("c/second", "L"), ("c/each", "M"), ("c/credit", "P"),
    ("c/credit", "Q"),
]  # fmt: skip
GIFTS = sorted({offer for offer, _ in STOCKED})


def order(
    number: int,
    revision: int,
    status: str,
    a: int,
    b: int,
    *,
    sites: str = "NN",
    late: int = 0,
    back: int = 0,
    chosen: str | None = None,
) -> Order:
    """A snapshot with a line of brand A and one of brand B, of two customers in turn; some may be late or returned."""
    at = PLACED + timedelta(minutes=number)
    lines = [
        Line(1, "a", 1, a, brand="A", site=sites[0], back_ordered=bool(late & 1), returned_units=back & 1),
        Line(2, "b", 2, b, brand="B", site=sites[1], back_ordered=bool(late & 2), returned_units=back >> 1),
    ]
    return Order(
        f"O{number}",
        revision,
        status,
        at,
        at + timedelta(minutes=revision),
        "IE",
        "EUR",
        lines,
        customer=f"c{number % 2}",
        chosen_gift=chosen,
    )


class Stages(RuleBasedStateMachine):
    """Deliveries, repeats and crashes in any order."""

    def __init__(self) -> None:
        super().__init__()
        self.network = Network(Book([read_campaign(DOCUMENT)]), PLACED + timedelta(hours=1))
        self.accepted: dict[tuple[str, int], Order] = {}
        self.events = 0
        self.transfers: list[tuple[str, str]] = []

    @property
    def scarce(self) -> bool:
        """Where stock is ample, what orders hold is compared with the reference, so nothing else may happen to it."""
        return self.units < 1_000

    @initialize(units=st.integers(0, 3), ample=st.booleans(), blunt=st.booleans())
    def stock(self, units: int, ample: bool, blunt: bool) -> None:
        """Each gift has a little stock, or more than anyone can take; the ledger may be told what no paper says."""
        self.units, self.blunt = 1_000 if ample else units, blunt
        if self.units:
            for offer, name in STOCKED:
                receipt = Receipt(f"r-{offer}-{name}", offer, name, "N", self.units)
                self.network.send("ledger", Message(receipt))
            for _ in STOCKED:
                self.network.deliver("ledger", 0)

    @rule(
        number=st.integers(1, 4),
        revision=st.integers(1, 3),
        status=st.sampled_from(["placed", "amended", "amended", "cancelled"]),
        a=st.sampled_from([0, 900, 1000, 1600]),
        b=st.sampled_from([0, 690, 700, 1500, 2900]),
        sites=st.sampled_from(["NN", "NN", "NS", "SN", "SS"]),
        late=st.sampled_from([0, 0, 0, 1, 2, 3]),
        back=st.sampled_from([0, 0, 0, 1, 2, 4]),
        chosen=st.sampled_from([None, "Q"]),
    )
    def event(self, number: int, revision: int, status: str, a: int, b: int, **members: Any) -> None:
        """An order event is sent; one revision may be said with two contents, and then the first counts."""
        if not self.scarce:
            members["sites"] = "NN"  # where there is no stock, what an order gets depends on which stood first
        body = order(number, revision, status, a, b, **members)
        self.network.send("desk", Message(body, digest(body)))

    @rule(units=st.integers(1, 2), which=st.sampled_from(STOCKED), site=st.sampled_from("NNS"))
    def receipt(self, units: int, which: tuple[str, str], site: str) -> None:
        """More stock arrives."""
        self.events += 1
        self.network.send("ledger", Message(Receipt(f"more-{self.events}", which[0], which[1], site, units)))

    @rule(
        number=st.integers(1, 4),
        ticket=st.sampled_from(["N/1", "N/1", "N/1", "N/2", "N/3", "S/1", "S/2"]),
        happened=st.sampled_from(
            ["released", "released", "packed", "dispatched", "short_picked", "put_back", "gift_returned"]
        ),
        again=st.booleans(),
        edition=st.sampled_from([0, 0, 0, 1, 2, 3, 5]),
        named=st.lists(
            st.one_of(
                st.builds(lambda n, units: HandledLine(units, line=n), st.integers(1, 2), st.integers(1, 2)),
                st.builds(
                    lambda offer, units, found: HandledLine(units, offer=offer, condition=found),
                    st.sampled_from(GIFTS),
                    st.integers(1, 2),
                    st.sampled_from(["saleable", "scrap", None]),
                ),
            ),
            max_size=2,
        ),
    )
    def fact(
        self, number: int, ticket: str, happened: str, again: bool, edition: int, named: list[HandledLine]
    ) -> None:
        """The warehouse reports on a ticket, whole or by what is named of it, by the edition on its paper."""
        self.events += 0 if again else 1
        event = Fulfilment(
            f"w{self.events}",
            f"O{number}",
            f"O{number}/{ticket}",
            happened,
            PLACED,
            edition,
            named,
        )
        self.network.send("desk", Message(event, digest(event)))

    @rule(hours=st.sampled_from([0, 0, 25]))
    def time(self, hours: int) -> None:
        """Time passes, and the desk hears of it."""
        self.events += 1
        self.network.now += timedelta(hours=hours, seconds=40)
        self.network.send("desk", Message(Tick(f"tick{self.events}", self.network.now)))

    @precondition(lambda self: self.scarce and self.blunt and self.network.nodes["ledger"].store.values(CLAIMS))
    @rule(
        data=st.data(),
        happened=st.sampled_from(["short_picked", "put_back", "returned", "scrapped"]),
        units=st.integers(1, 2),
        crash=CRASHES,
    )
    def gift_fact(self, data: st.DataObject, happened: str, units: int, crash: str | None) -> None:
        """The warehouse missed units of an order's gift, put them back or has them back; straight to the ledger."""
        claims = self.network.nodes["ledger"].store.values(CLAIMS)
        claim = claims[data.draw(st.sampled_from(sorted(claims)))]
        gift = claim.gift or dict(STOCKED).get(claim.claim.offer)
        if gift is not None:
            self.events += 1
            name, site = f"g{self.events}", claim.site or "N"
            packed = data.draw(st.integers(0, units)) if happened == "put_back" else 0
            body = HandledGift(name, claim.claim.order, claim.claim.offer, gift, site, units, happened, PLACED, packed)
            self.tell(body, crash)

    def tell(self, body: object, crash: str | None) -> None:
        """A command to the ledger, tried at once; the ledger may be killed over it, and it then comes again."""
        self.network.send("ledger", Message(body))
        note(f"ledger: {body}")
        self.network.deliver("ledger", len(self.network.bags["ledger"]) - 1, crash)

    @precondition(lambda self: self.scarce)
    @rule(
        kind=st.sampled_from([Count, Damage]),
        which=st.sampled_from(STOCKED),
        units=st.sampled_from([0, 1, 2, 4, 9]),
        crash=CRASHES,
    )
    def shelf(self, kind: type, which: tuple[str, str], units: int, crash: str | None) -> None:
        """Someone counts by hand, or throws away."""
        self.events += 1
        at_least = units if kind is Count else max(1, units)
        self.tell(kind(f"p{self.events}", *which, "N", at_least, PLACED), crash)

    @precondition(lambda self: self.scarce)
    @rule(
        which=st.sampled_from(STOCKED),
        to=st.sampled_from(STOCKED),
        site=st.sampled_from("NS"),
        units=st.integers(1, 3),
        crash=CRASHES,
    )
    def transfer(self, which: tuple[str, str], to: tuple[str, str], site: str, units: int, crash: str | None) -> None:
        """Units go to another offer or site."""
        self.events += 1
        name = f"t{self.events}"
        self.transfers.append((to[0], name))
        self.tell(Transfer(name, *which, "N", units, to[0], site, PLACED), crash)

    @precondition(lambda self: self.transfers)
    @rule(data=st.data(), units=st.integers(0, 3), crash=CRASHES)
    def arrival(self, data: st.DataObject, units: int, crash: str | None) -> None:
        """What was sent is there, or a part of it, or more."""
        self.events += 1
        transit = self.network.nodes["ledger"].store.values(TRANSIT)
        there = [(at.partition("\x1f")[0], sent.transfer) for at, sent in sorted(transit.items())]
        offer, name = data.draw(st.sampled_from(there or self.transfers))
        self.tell(Arrival(f"a{self.events}", offer, name, units, PLACED), crash)

    @rule(which=st.sampled_from(STOCKED))
    def taken_down(self, which: tuple[str, str]) -> None:
        """An announcement is gone."""
        self.events += 1
        self.tell(TakenDown(f"x{self.events}", which[0], PLACED), None)

    @precondition(lambda self: any(self.network.bags.values()))
    @rule(data=st.data(), crash=st.sampled_from([None, None, None, *STEPS]))
    def deliver(self, data: st.DataObject, crash: str | None) -> None:
        """Any message that is in the air is delivered, and the node may be killed after any step."""
        stage = data.draw(st.sampled_from([name for name, bag in self.network.bags.items() if bag]))
        place = data.draw(st.integers(0, len(self.network.bags[stage]) - 1))
        note(f"{stage}: {self.network.bags[stage][place].body}")
        self.network.deliver(stage, place, crash)

    @precondition(lambda self: any(self.network.done.values()))
    @rule(data=st.data())
    def again(self, data: st.DataObject) -> None:
        """Anything that was delivered may come once more."""
        stage = data.draw(st.sampled_from([name for name, done in self.network.done.items() if done]))
        self.network.send(stage, data.draw(st.sampled_from(self.network.done[stage])))

    @invariant()
    def nothing_oversold(self) -> None:
        """S1, S4, S12 for every offer, gift and site, from the log's fold."""
        store = self.network.nodes["ledger"].store
        held: dict[str, int] = {}
        places: dict[tuple[str, str | None, str | None], list[int]] = {}
        for claim in store.values(CLAIMS).values():
            assert min(claim.reserved, claim.released, claim.packed, claim.owed, claim.came_back, claim.left) >= 0
            held[claim.claim.offer] = held.get(claim.claim.offer, 0) + claim.live
            sums = places.setdefault((claim.claim.offer, claim.gift, claim.site), [0, 0, 0])
            for nth, units in enumerate((claim.reserved, claim.released, claim.packed)):
                sums[nth] += units
        on_the_way: dict[tuple[str, str, str], int] = {}
        for at, sent in store.values(TRANSIT).items():
            place = (at.partition("\x1f")[0], sent.gift, sent.site)
            on_the_way[place] = on_the_way.get(place, 0) + sent.units
        for balance in store.values(BALANCES).values():
            balance.check()
            place = (balance.offer, balance.gift, balance.site)
            reserved, released, packed = places.get(place, [0, 0, 0])
            assert (balance.reserved, balance.released) == (reserved, released)
            assert balance.packed >= packed
            assert balance.in_transit == on_the_way.get(place, 0)
            out = balance.reserved + balance.released + balance.packed - balance.over_gift
            came = balance.received + balance.restocked + balance.count_gain + balance.transferred_in
            assert out <= came - balance.damaged - balance.count_loss - balance.transferred_out  # S1
        for offer in store.values(OFFERS).values():
            assert offer.live_units == held.get(offer.offer, 0)
            queue = [owed.order for at, owed in store.values(OWED).items() if at.startswith(f"{offer.offer}\x1f")]
            owing = {
                c.claim.order: c.owed for c in store.values(CLAIMS).values() if c.claim.offer == offer.offer and c.owed
            }
            assert sorted(queue) == sorted(owing)
            assert offer.owed_units == sum(owing.values())
            if offer.total_cap is not None:
                assert offer.live_units <= offer.total_cap

    @invariant()
    def one_outcome_for_a_claim(self) -> None:
        """S2 and S3: what is said of one decision id is always the same, and every id has one entry."""
        for (channel, said), outputs in self.network.said.items():
            if channel == "decisions":
                contents = {(o.body.outcome, o.body.units, o.body.owed, o.body.reason) for o in outputs}
                numbers = {(u, r) for _, u, _, r in contents}
                assert len({o for o, *_ in contents}) == 1, f"{said}: {contents}"
                assert numbers
        entries = self.network.nodes["ledger"].log
        assert len({e.id for e in entries}) == len(entries)

    @invariant()
    def nothing_is_lost_between_offers(self) -> None:
        """S4 across a transfer: what left one offer is in another, or in the air."""
        store = self.network.nodes["ledger"].store
        balances = store.values(BALANCES).values()
        log = self.network.nodes["ledger"].log
        sent = sum(b.transferred_out for b in balances)
        taken_in = sum(b.transferred_in for b in balances)
        assert sent >= taken_in
        if not any(self.network.bags.values()):
            assert sent == taken_in
        refused = [e for e in log if isinstance(e, Booked) and e.refused]
        assert not any(e.moves for e in refused)

    @invariant()
    def first_content_counts(self) -> None:
        """S6: a revision's content never changes once it is in the log."""
        for entry in self.network.nodes["desk"].log:
            if isinstance(entry, Judged):
                key = (entry.order.order, entry.order.revision)
                assert self.accepted.setdefault(key, entry.order) == entry.order

    @invariant()
    def memory_is_the_fold_of_the_log(self) -> None:
        """S9 and S10: folding the log anew gives the state that the node has."""
        for name, spaces in (
            ("desk", (ORDERS,)),
            ("ledger", Ledger.spaces),
        ):
            node = self.network.nodes[name]
            live = {space.name: dict(node.store.values(space)) for space in spaces}
            node.rebuild()
            assert {space.name: dict(node.store.values(space)) for space in spaces} == live

    @invariant()
    def everything_is_counted(self) -> None:
        """S11: every message consumed ended in exactly one result."""
        for stage, consumed in self.network.consumed.items():
            assert sum(self.network.results[stage].values()) == consumed

    @invariant()
    def tickets_carry_only_grants(self) -> None:
        """S8, no phantom, and S7: at most one open ticket a site, and no gift on two tickets."""
        for state in self.network.nodes["desk"].store.values(ORDERS).values():
            said = [t for t in tickets(state) if t.state != "void"]
            assert len({t.site for t in said}) == len(said)
            for offer, wish in state.wishes.items():
                on_paper = sum(f.on_paper(offer) for f in state.frozen if f.carries(offer, wish.answer))
                on_open = sum(g.units for t in said for g in t.gift_lines if g.offer == offer)
                assert on_open <= max(0, wish.held - on_paper)

    @invariant()
    def an_edition_is_one_content(self) -> None:
        """S6 of what is said: an order revision and edition of a ticket never name two contents."""
        for (channel, said), outputs in self.network.said.items():
            if channel == "pick-tickets":
                contents: dict[tuple[int, int], object] = {}
                for output in outputs:
                    number = (output.body.order_revision, output.body.edition)
                    assert contents.setdefault(number, output.body) == output.body, said

    @invariant()
    def notices_are_levels(self) -> None:
        """What is open is what a fresh look at the order finds; nothing of a paper goes below zero."""
        for state in self.network.nodes["desk"].store.values(ORDERS).values():
            fresh = {id_: n.amount for id_, n in notices(state, PLACED).items() if n.amount}
            assert {id_: n.amount for id_, n in state.notices.items() if n.amount} == fresh
            for frozen in state.frozen:
                for offer, units in frozen.gifts.items():
                    assert 0 <= frozen.gone.get(offer, 0) <= units
                assert min([*frozen.done.values(), *frozen.extra.values(), 0]) == 0
                assert all(0 <= n <= frozen.lines.get(at, 0) for at, n in frozen.gone_lines.items())
                assert not (frozen.packed and frozen.paper.take_off)

    def teardown(self) -> None:
        """L1: once everything is delivered all claims are answered and every outstanding grant is on a ticket."""
        if not hasattr(self, "units"):
            return
        self.network.drain()
        desk = self.network.nodes["desk"].store.values(ORDERS)
        claims = self.network.nodes["ledger"].store.values(CLAIMS)
        if any(state.look_again for state in desk.values()):
            # A node died over what the clock decided: no input comes again for that, so it is said when it is next due.
            self.network.now += LONGEST
            self.network.send("desk", Message(Tick("last", self.network.now)))
            self.network.drain()
        for state in desk.values():
            assert not state.waiting
            self._check_quiet(state, claims)
        if self.units == 1_000:
            self._compare(desk, claims)
        if not self.blunt:  # S1: what is booked as gone is what physically went
            assert untrue(desk.values(), self.network.nodes["ledger"].store.values(BALANCES).values()) == {}
        self.everything_is_counted()

    def _check_quiet(self, state, claims) -> None:
        open_tickets = [t for t in tickets(state) if t.state != "void"]
        missing = [x for x in state.order.lines if x.back_ordered and x.live_units]
        for offer, wish in state.wishes.items():
            claim = claims[f"{offer}\x1f{state.order.order}"]
            assert wish.held == claim.held
            assert wish.claim.number == claim.claim.number
            assert wish.answer.left >= state.left.get(offer, 0)  # nothing is waited for any more
            on_open = sum(g.units for t in open_tickets for g in t.gift_lines if g.offer == offer)
            on_paper = sum(f.on_paper(offer) for f in state.frozen if f.carries(offer, wish.answer))
            waits = bool(missing) and waits_for_goods(state, offer, missing)
            if state.order.status != "cancelled" and not wish.claim.benefit and not waits:
                assert on_open == max(0, claim.held - on_paper)
        for id_, kept in state.notices.items():
            last = self.network.said.get(("notices", id_))
            assert (last[-1].body.amount if last else 0) == kept.amount, id_
        if state.order.status == "cancelled":
            assert not open_tickets
        elif not state.frozen and len(missing) < len(state.order.lines):
            assert {t.site for t in open_tickets} >= {x.site for x in state.order.lines if not x.back_ordered}
        for frozen in state.frozen:
            # What was last said of a released ticket is its paper as it stands, S7.
            assert self.network.said["pick-tickets", frozen.ticket][-1].body == frozen.paper
        if state.order.status != "cancelled" and state.frozen:
            self._all_lines_on_paper(state, open_tickets)

    def _all_lines_on_paper(self, state, open_tickets) -> None:
        """S7: every live unit of every line is on an open ticket or on a paper, or its goods are not there yet."""
        for line in state.order.lines:
            out = sum(f.lines_left.get(str(line.number), 0) for f in state.frozen)
            still = sum(x.live_units for t in open_tickets for x in t.lines if x.number == line.number)
            assert line.back_ordered or out + still >= line.live_units
            assert still == 0 or out + still == line.live_units  # nothing is to be picked twice

    def _compare(self, desk, claims) -> None:
        """With ample stock and no facts, who holds what follows from the latest snapshots alone, caps aside."""
        if any(state.frozen for state in desk.values()):
            return
        reference = Reference([deepcopy(DOCUMENT)], [(offer, name, "N", 1_000) for offer, name in STOCKED])
        for state in sorted(desk.values(), key=lambda s: s.order.order):
            reference.order(_wire(state.order))
        expected = {
            key: (o["units"], o["gift"])
            for key, o in reference.outcomes().items()
            if key[1] in ("c/first", "c/each") and o["units"]
        }
        found = {
            (c.claim.order, c.claim.offer): (c.held, c.gift)
            for c in claims.values()
            if c.claim.offer in ("c/first", "c/each") and c.held
        }
        # 'second' is capped by customer, so a group member that holds it keeps its place: those orders are left out.
        sticky = {c.claim.order for c in claims.values() if c.claim.offer == "c/second" and c.live}
        assert {k: v for k, v in found.items() if k[0] not in sticky} == {
            k: v for k, v in expected.items() if k[0] not in sticky
        }


def _wire(body: Order) -> dict:
    return {
        **{k: v for k, v in vars(body).items() if k not in ("lines", "destination")},
        "placed_at": body.placed_at.isoformat(),
        "revised_at": body.revised_at.isoformat(),
        "lines": [dict(vars(line)) for line in body.lines],
        "destination": dict(vars(body.destination)),
    }


TestStages = Stages.TestCase
