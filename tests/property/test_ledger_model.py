"""The ledger against the reference's, written from the documents alone: any commands, compared after each of them.

One offer competes with no other, but transfers lead from one to another; so there are two, of two gifts at two sites.
"""

from datetime import UTC, datetime

from hypothesis import event, given, note
from hypothesis import strategies as st

from makeweight.adapters.local.memory import MemoryStore
from makeweight.domain.book import Book
from makeweight.domain.claims import Arrival, Claim, Count, Damage, HandledGift, Option, Receipt, Transfer
from makeweight.stages.ledger import Ledger
from makeweight.stages.ledger.brief import settled_in_brief
from makeweight.stages.ledger.state import BALANCES, CLAIMS, CUSTOMERS, key
from makeweight.stages.ledger.state import OFFERS as OFFER_TOTALS
from makeweight.stages.port import Message, View
from tests.support.reference_ledger import Ledger as Reference
from tests.support.reference_ledger import Wish

AT = datetime(2026, 11, 24, 10, tzinfo=UTC)
OFFERS, GIFTS, SITES, ORDERS = ("c/one", "c/two"), ("G", "H"), ("N", "S"), ("A", "B", "C", "D")
COUNTERS = (
    "received", "free", "reserved", "released", "packed", "over_gift", "restocked", "count_gain", "count_loss",
    "damaged", "transferred_in", "transferred_out", "quarantine", "in_transit",
)  # fmt: skip
_offer, _gift, _site, _order = (st.sampled_from(names) for names in (OFFERS, GIFTS, SITES, ORDERS))
_few = st.integers(1, 3)
_sites = st.lists(_site, min_size=1, max_size=2, unique=True)

claims = st.tuples(
    st.just("claim"), _order, _offer, st.integers(0, 3), st.sampled_from([("G",), ("G", "H"), ("H", "G")]),
    _sites, st.sampled_from(["next", "owed", "substitute"]), st.sampled_from([None, 2]), st.sampled_from([None, 4]),
)  # fmt: skip
receipts = st.tuples(st.just("receive"), _offer, _gift, _site, st.integers(1, 4))
commands = st.one_of(
    claims,
    st.tuples(st.just("fact"), _order, _offer, st.sampled_from(
        ["released", "packed", "short_picked", "put_back", "unpacked", "returned", "scrapped"]), _few),
    receipts,
    st.tuples(st.just("count"), _offer, _gift, _site, st.integers(0, 6)),
    st.tuples(st.just("damage"), _offer, _gift, _site, _few),
    st.tuples(st.just("transfer"), _offer, _gift, _site, _offer, _site, _few),
    st.tuples(st.just("arrived"), st.integers(0, 5), st.integers(1, 4)),
)  # fmt: skip


class Both:
    """The product's ledger and the reference's, fed alike."""

    def __init__(self) -> None:
        self.stage, self.store, self.reference = Ledger(), MemoryStore(), Reference([])
        self.view = View(Book(), AT)
        self.revisions: dict[tuple[str, str], int] = {}
        self.under_way: list[tuple[str, str]] = []  # a transfer to another site, and the offer that it goes to
        self.terms: dict[str, tuple[str, int | None, int | None]] = {}
        self.number = 0

    def take(self, body) -> str:
        """A command, and what follows from it at the ledger itself."""
        verdict = self.stage.decide(self.store, Message(body), self.view)
        subjects = [s for entry in verdict.entries for s in self.stage.fold(self.store, entry)]
        for subject in [*subjects, *verdict.subjects]:
            for output in self.stage.say(self.store, subject):
                if output.channel == "ledger-commands":
                    self.take(output.body)
        return verdict.result

    def do(self, what, *arguments) -> None:
        """One command of the random ones."""
        self.number += 1
        getattr(self, what)(f"n{self.number}", *arguments)

    def claim(self, name, order, offer, units, gifts, sites, when_out, customer_cap, total_cap) -> None:
        """An order wants so many."""
        del name
        revision = self.revisions[order, offer] = self.revisions.get((order, offer), 0) + 1
        customer = "cd"[ORDERS.index(order) % 2]
        # An order stays with the revision of its campaign, so these don't change under it.
        when_out, customer_cap, total_cap = self.terms.setdefault(offer, (when_out, customer_cap, total_cap))
        options = [Option(gift, sites, substitute=gift != gifts[0]) for gift in gifts]
        body = Claim(f"{order}/{offer}/{revision}.0", order, offer, revision, 0, units, 1, AT, options,
                     when_out, customer_cap, total_cap, customer)  # fmt: skip
        self.take(body)
        pairs = tuple((gift, site) for gift in gifts for site in sites)
        wish = Wish(units, pairs, True, when_out == "owed", customer, customer_cap, total_cap)
        self.reference.settle(order, offer, wish)
        self.owes_nothing_that_is_there(body)

    def owes_nothing_that_is_there(self, claim) -> None:
        """An order that has just asked is owed nothing that it may take, and that is free."""
        state = self.store.get(CLAIMS, key(claim.offer, claim.order))
        for option in claim.options if state.owed else ():
            for site in option.sites:
                balance = self.store.get(BALANCES, key(claim.offer, option.gift, site))
                one_line = not state.held or (option.gift, site) == (state.gift, state.site)
                assert not (one_line and balance and balance.free), f"{state} is owed what is free: {balance}"

    def fact(self, name, order, offer, happened, units) -> None:
        """The warehouse did something with what the order has or last had."""
        known = self.reference.claims.get((order, offer))
        place = known and (known.position or known.last)
        if known is not None and happened in ("returned", "scrapped"):
            units = min(units, known.packed)  # the desk says 'packed' first of what comes back and nobody had packed
        if known is None or place is None or not units:
            return
        _, gift, site = place
        boxed = {"unpacked": units, "put_back": min(units, known.packed)}.get(happened, 0)
        happened = "put_back" if happened == "unpacked" else happened
        self.take(HandledGift(name, order, offer, gift, site, units, happened, AT, boxed))
        self.reference.fact(known, happened, units, boxed=boxed)

    def receive(self, name, offer, gift, site, units) -> None:
        """Stock comes in."""
        self.take(Receipt(name, offer, gift, site, units))
        self.reference.receive(offer, gift, site, units)

    def count(self, name, offer, gift, site, units) -> None:
        """Someone counts."""
        self.take(Count(name, offer, gift, site, units, AT))
        self.reference.count(offer, gift, site, units)

    def damage(self, name, offer, gift, site, units) -> None:
        """Something breaks."""
        result = self.take(Damage(name, offer, gift, site, units, AT))
        assert (result == "applied") == self.reference.damage(offer, gift, site, units)

    def transfer(self, name, offer, gift, site, to_offer, to_site, units) -> None:
        """Free units go to another place."""
        if (offer, site) == (to_offer, to_site):
            return
        result = self.take(Transfer(name, offer, gift, site, units, to_offer, to_site, AT))
        done = self.reference.transfer(name, (offer, gift, site), (to_offer, gift, to_site), units)
        assert (result == "applied") == done
        if done and site != to_site:
            self.under_way.append((name, to_offer))

    def arrived(self, name, which, units) -> None:
        """What is under way arrives, more or less of it."""
        if self.under_way:
            transfer, offer = self.under_way.pop(which % len(self.under_way))
            self.take(Arrival(name, offer, transfer, units, AT))
            self.reference.arrived(transfer, units)

    def agree(self) -> None:
        """Every claim and every balance are the same."""
        ours = {
            (c.claim.order, c.claim.offer): _claim(c, (c.gift, c.site) if c.held else None)
            for c in self.store.values(CLAIMS).values()
        }
        theirs = {at: _claim(c, c.position and c.position[1:]) for at, c in self.reference.claims.items()}
        assert ours == theirs
        found = {(b.offer, b.gift, b.site): {name: getattr(b, name) for name in COUNTERS}
                 for b in self.store.values(BALANCES).values()}  # fmt: skip
        expected = {at: {name: one[name] for name in COUNTERS} for at, one in self.reference.balances().items()}
        assert {at: one for at, one in found.items() if any(one.values())} == expected


def _claim(one, place):
    return {
        "reserved": one.reserved,
        "released": one.released,
        "packed": one.packed,
        "owed": one.owed,
        "came back": one.came_back,
        "where": place,
        "outcome": one.outcome,
    }


@given(st.lists(commands, max_size=40))
def test_the_ledger_is_that_of_the_reference(sequence) -> None:
    """After every command, whatever came before it."""
    both = Both()
    for one in sequence:
        note(str(one))
        both.do(*one)
        both.agree()


class InBrief(Both):
    """The product's ledger as a rehearsal uses it."""

    def take(self, body) -> str:
        """A command; a claim in brief, where that can be."""
        if isinstance(body, Claim) and settled_in_brief(self.store, body, AT):
            event("in brief")
            return "applied"
        return super().take(body)


@given(st.lists(st.one_of(claims, claims, receipts, commands), min_size=5, max_size=40))
def test_claims_are_settled_in_brief_as_at_length(sequence) -> None:
    """Each claim comes to the same for the same reason, and leaves as much for the next, of stock and of caps."""
    brief, full = InBrief(), Both()
    for one in sequence:
        note(str(one))
        brief.do(*one)
        full.do(*one)
        brief.agree()
        assert _told(brief.store) == _told(full.store)


def _told(store):
    claims = {
        name: (c.claim, c.edition, c.gift, c.site, c.substitute, c.reason, c.cut, bool(c.since))
        for name, c in store.values(CLAIMS).items()
    }
    customers = {name: kept.units for name, kept in store.values(CUSTOMERS).items() if kept.units}
    totals = {
        name: (kept.live_units, kept.owed_units, kept.free_units)
        for name, kept in store.values(OFFER_TOTALS).items()
        if kept.live_units or kept.free_units
    }
    return claims, customers, totals
