"""The ledger's protocol: claims in any order, caps before stock, owed claims, facts of the warehouse, void grants.

The stage alone, as a host runs it: decide, fold, say. The rules are those of the shop's contract with its ledger; what
is common practice of the trade, without a source, says so.
"""

from datetime import timedelta
from itertools import permutations

import pytest

from makeweight.adapters.local.memory import MemoryStore
from makeweight.domain.book import Book
from makeweight.domain.claims import Claim, Decision, Option, Receipt, Tick
from makeweight.domain.entries import Outnumbered, Settled
from makeweight.domain.reasons import Figures, Reason
from makeweight.domain.stock import Account, Balance, Move
from makeweight.domain.values import replaced
from makeweight.stages.ledger import Ledger
from makeweight.stages.ledger.state import BALANCES, CLAIMS, CUSTOMERS, key
from makeweight.stages.port import Message, View
from tests.support.build import PLACED
from tests.support.shop import gift_command

OFFER, SITE = "week/tin", "main"
SECOND = timedelta(seconds=1)


def claim(order="A", units=1, revision=1, step=0, **members):
    """A claim on tins from the main site."""
    defaults = {
        "id": f"{order}/{OFFER}/{revision}.{step}",
        "offer": OFFER,
        "campaign_revision": 1,
        "placed_at": PLACED,
        "options": [Option("TIN", [SITE])],
    }
    return Claim(**{**defaults, **members}, order=order, units=units, revision=revision, step=step)


class Books:
    """A ledger and its store, with the log it wrote."""

    def __init__(self, stock=0, **gifts):
        self.stage, self.store, self.log, self.now = Ledger(), MemoryStore(), [], PLACED
        for gift, units in {"TIN": stock, **gifts}.items():
            if units:
                self.take(receipt(units, gift))

    def take(self, *bodies):
        """Messages in turn; the last one's verdict."""
        for body in bodies:
            self.now += SECOND
            verdict = self.stage.decide(self.store, Message(body), View(Book(), self.now))
            for entry in verdict.entries:
                self.fold(entry)
            self.verdict = verdict
        return self.verdict

    def fold(self, entry):
        """An entry of the log, whoever wrote it; the decisions that are then said."""
        self.log.append(entry)
        return [o.body for s in self.stage.fold(self.store, entry) for o in self.stage.say(self.store, s)]

    def said(self):
        """Everything that the last verdict makes the ledger say."""
        return [o.body for s in self.verdict.subjects for o in self.stage.say(self.store, s)]

    def decision(self, order="A"):
        """The decision on an order's claim as it stands."""
        (output,) = self.stage.say(self.store, ("claim", OFFER, order))
        return output.body

    def short(self, order="A"):
        """A decision in short: outcome, units held, owed, reason."""
        decision = self.decision(order)
        return decision.outcome, decision.units, decision.owed, decision.reason

    def level(self):
        """The offer's level, and the amounts of its notices by kind."""
        level, *notices = [o.body for o in self.stage.say(self.store, ("level", OFFER))]
        return level, {n.kind: n.amount for n in notices}

    def balance(self, gift="TIN", site=SITE):
        """The balance of a gift."""
        return self.store.get(BALANCES, key(OFFER, gift, site)) or Balance(OFFER, gift, site)

    def customer(self, name):
        """Units that a customer holds or is owed."""
        live = self.store.get(CUSTOMERS, key(OFFER, name))
        return live.units if live else 0


def receipt(units, gift="TIN", name=None, site=SITE):
    """A receipt of gift units."""
    return Receipt(name or f"r-{gift}-{site}-{units}", OFFER, gift, site, units)


def accounts(balance):
    """Free, reserved, released, packed."""
    return balance.free, balance.reserved, balance.released, balance.packed


# ---------------------------------------------------------------- claim numbers


def test_a_repeated_claim_is_answered_again_and_writes_nothing():
    """Same number, same content: the decision is said again, word for word, and the offer's level with it."""
    books = Books(5)
    books.take(claim())
    first, entries = books.decision(), len(books.log)
    assert books.take(claim()).result == "repeat"
    assert [one for one in books.said() if isinstance(one, Decision)] == [first]
    assert len(books.log) == entries
    assert accounts(books.balance()) == (4, 1, 0, 0)


def test_the_same_number_with_other_content_is_a_conflict():
    """S6: the first in the log counts, and nothing changes."""
    books = Books(5)
    books.take(claim())
    verdict = books.take(claim(units=3))
    assert (verdict.result, verdict.entries, verdict.problem.code) == ("conflict", [], "other_content")
    assert books.short() == ("granted", 1, 0, None)


NUMBERED = [claim(units=2), claim(revision=2, units=4), claim(revision=2, step=1, units=1), claim(revision=3, units=3)]


@pytest.mark.parametrize("way", list(permutations(range(4))), ids=lambda way: "".join(map(str, way)))
def test_claim_numbers_supersede_in_any_order(way):
    """Revision, then step: whatever arrives first, the highest number decides, and every claim has an entry."""
    books = Books(10)
    results = [books.take(NUMBERED[place]).result for place in way]
    highest = [max(way[: n + 1]) for n in range(4)]
    assert results == ["applied" if place == top else "superseded" for place, top in zip(way, highest, strict=True)]
    assert books.short() == ("granted", 3, 0, None)
    assert books.decision().number == (3, 0)
    assert accounts(books.balance()) == (7, 3, 0, 0)
    assert len([e for e in books.log if isinstance(e, Settled | Outnumbered)]) == 4


def test_a_withdrawal_before_its_claim_leaves_a_tombstone():
    """S5: the claim that it withdraws comes later, and is superseded."""
    books = Books(5)
    books.take(claim(revision=2, units=0))
    assert books.take(claim()).result == "superseded"
    assert books.short() == ("declined", 0, 0, Reason.NOT_WANTED)
    assert accounts(books.balance()) == (5, 0, 0, 0)


def test_a_decline_is_final_for_its_number():
    """Rule 3: also after stock came in; the next number is settled anew."""
    books = Books()
    books.take(claim())
    before = books.decision()
    books.take(receipt(5), claim())
    assert books.verdict.result == "repeat"
    assert books.decision() == before
    assert books.short() == ("declined", 0, 0, Reason.NO_STOCK)
    books.take(claim(revision=2))
    assert books.short() == ("granted", 1, 0, None)


# ---------------------------------------------------------------- raising and lowering


@pytest.mark.parametrize(
    ("stock", "members", "reason"),
    [
        (1, {}, Reason.NO_STOCK),
        (9, {"total_cap": 1}, Reason.CAMPAIGN_CAP),
        (9, {"customer_cap": 1, "customer": "c"}, Reason.CUSTOMER_CAP),
    ],
)
def test_a_failed_raise_keeps_what_is_held(stock, members, reason):
    """One is held and three are wanted: one stays, with the reason why it is no more."""
    books = Books(stock)
    books.take(claim(**members), claim(revision=2, units=3, **members))
    assert books.short() == ("granted", 1, 0, reason)
    assert books.balance().reserved == 1


@pytest.mark.parametrize(("wanted", "freed"), [(2, 1), (1, 1), (0, 1), (3, 0)])
def test_lowering_frees_only_what_is_reserved(wanted, freed):
    """Two of three are on the floor: those wait for the warehouse's word, whatever is wanted."""
    books = Books(5)
    books.take(claim(units=3), gift_command("released", 2), claim(revision=2, units=wanted))
    assert accounts(books.balance()) == (2 + freed, 1 - freed, 2, 0)
    assert books.decision().units == 3 - freed


def test_lowering_takes_from_what_is_owed_first():
    """Two are held and two owed: lowered to three, one is owed; lowered to one, a unit comes free."""
    books = Books(2)
    books.take(claim(units=4, when_out="owed"))
    assert books.short() == ("granted", 2, 2, Reason.NO_STOCK)
    books.take(claim(revision=2, units=3, when_out="owed"))
    assert books.short() == ("granted", 2, 1, Reason.NO_STOCK)
    books.take(claim(revision=3, units=1, when_out="owed"))
    assert books.short() == ("granted", 1, 0, None)
    assert accounts(books.balance()) == (1, 1, 0, 0)


@pytest.mark.parametrize(
    ("units", "when_out", "left"), [(1, "owed", 0), (2, "owed", 0), (3, "owed", 1), (1, "next", 0)]
)
def test_what_is_owed_is_looked_for_once_more(units, when_out, left):
    """Owed from a site that has none; the next revision may have it from another one, where there are two."""
    books = Books()
    books.take(receipt(2, site="annex"), claim(when_out="owed"))
    assert books.short() == ("owed", 0, 1, Reason.NO_STOCK)
    books.take(claim(units=units, revision=2, when_out=when_out, options=[Option("TIN", ["annex"])]))
    assert books.short() == ("granted", units - left, left, Reason.NO_STOCK if left else None)


def test_what_stays_owed_keeps_its_reason():
    """An amended order wants as much as before: it is still owed, and still for want of stock."""
    books = Books()
    books.take(claim(when_out="owed"), claim(revision=2, when_out="owed"))
    assert books.short() == ("owed", 0, 1, Reason.NO_STOCK)


# ---------------------------------------------------------------- caps and reasons


@pytest.mark.parametrize(
    ("customer_cap", "total_cap", "stock", "units", "reason"),
    [
        pytest.param(9, 9, 9, 3, None, id="room everywhere"),
        pytest.param(3, 9, 9, 2, Reason.CUSTOMER_CAP, id="the customer's cap lowers it"),
        pytest.param(9, 3, 9, 2, Reason.CAMPAIGN_CAP, id="the campaign's cap lowers it"),
        pytest.param(9, 9, 2, 2, Reason.NO_STOCK, id="stock lowers it"),
        pytest.param(3, 2, 9, 1, Reason.CAMPAIGN_CAP, id="both caps: the last that lowered it"),
        pytest.param(3, 9, 1, 1, Reason.NO_STOCK, id="a cap, then stock"),
        pytest.param(1, 1, 0, 0, Reason.CUSTOMER_CAP, id="none is left at the first check: the rest isn't asked"),
        pytest.param(9, 1, 0, 0, Reason.CAMPAIGN_CAP, id="none is left at the second"),
        pytest.param(9, 9, 0, 0, Reason.NO_STOCK, id="none is left at the last"),
    ],
)
def test_customer_cap_then_campaign_cap_then_stock(customer_cap, total_cap, stock, units, reason):
    """Rule 2.5's order (common practice, no source): three are wanted, the customer has one already."""
    books = Books(stock + 1)
    books.take(claim("BEFORE", customer="c"))
    books.take(claim(units=3, customer="c", customer_cap=customer_cap, total_cap=total_cap))
    assert books.short() == ("granted" if units else "declined", units, 0, reason)
    assert accounts(books.balance()) == (stock - units, 1 + units, 0, 0)


def test_a_decision_carries_the_figures_that_decided():
    """Caps and what was live, stock and what was free, as they stood at the claim's place in the log."""
    books = Books(4)
    books.take(claim("BEFORE", customer="c"), claim("OTHER", units=2, customer="d"))
    books.take(claim(units=3, customer="c", customer_cap=9, total_cap=5))
    figures = books.decision().figures
    assert replaced(figures, last_order=None, last_at=None) == Figures(3, 9, 1, 5, 3, 1)


def test_figures_name_who_took_the_last_unit():
    """Of stock, of the offer's cap and of the customer's: the order whose claim took it, and when it was placed.

    Not when it was handled: that differs between two runs that decide alike, and tickets are told of it.
    """
    books = Books(2)
    books.take(claim("A"), claim("B", placed_at=PLACED + SECOND), claim("C"))
    assert books.short("C")[3] is Reason.NO_STOCK
    assert (books.decision("C").figures.last_order, books.decision("C").figures.last_at) == ("B", PLACED + SECOND)
    books = Books(9)
    members = {"total_cap": 2, "when_out": "owed"}
    books.take(claim("A", **members), claim("B", **members), claim("A", revision=2, **members), claim("C", **members))
    assert (books.short("C")[3], books.decision("C").figures.last_order) == (Reason.CAMPAIGN_CAP, "B")


def test_the_cap_of_a_customer_counts_whom_it_refuses():
    """Ex-33 (common practice, no source): six orders with one token, one is granted and five are refused, and told so.

    An order that is refused again after a change is refused once. Ex-34: other tokens are other customers.
    """
    books = Books(20)
    members = {"customer": "token", "customer_cap": 1}
    books.take(*(claim(f"O{n}", **members) for n in range(6)))
    decisions = [books.decision(f"O{n}") for n in range(6)]
    assert [d.outcome for d in decisions] == ["granted", *["declined"] * 5]
    assert {d.reason for d in decisions[1:]} == {Reason.CUSTOMER_CAP}
    assert [d.figures.customer_refused for d in decisions] == [0, 1, 2, 3, 4, 5]
    assert {d.figures.last_order for d in decisions[1:]} == {"O0"}
    books.take(claim("O5", revision=2, **members))
    assert books.decision("O5").figures.customer_refused == 5
    books.take(*(claim(f"flat-{n}", customer=f"card-{n}", customer_cap=1) for n in range(4)))
    assert {books.short(f"flat-{n}")[0] for n in range(4)} == {"granted"}


def test_each_claim_is_judged_by_the_cap_that_it_carries():
    """Against all live units: a later revision's higher cap lets more in, and an older one's does not."""
    books = Books(9)
    books.take(claim("A", total_cap=1), claim("B", total_cap=1), claim("C", total_cap=2), claim("D", total_cap=2))
    assert [books.short(name)[0] for name in "ABCD"] == ["granted", "declined", "granted", "declined"]


def test_owed_units_count_towards_the_caps():
    """What is promised is as good as given: the next claim finds the cap taken."""
    books = Books()
    members = {"when_out": "owed", "customer_cap": 1, "total_cap": 2, "customer": "c"}
    books.take(claim("A", **members), claim("B", **members), claim("C", **{**members, "customer": "d"}))
    books.take(claim("D", **{**members, "customer": "e"}))
    assert [books.short(n)[0] for n in "ABCD"] == ["owed", "declined", "owed", "declined"]
    assert [books.short(n)[3] for n in "BD"] == [Reason.CUSTOMER_CAP, Reason.CAMPAIGN_CAP]


def test_a_customer_that_changes_takes_the_units_along():
    """The counters hold live units: a revision under another key moves them."""
    books = Books(9)
    books.take(claim(units=2, customer="c"), claim(revision=2, units=2, customer="d"))
    assert (books.customer("c"), books.customer("d")) == (0, 2)
    books.take(claim(revision=3, units=0, customer="d"))
    assert books.customer("d") == 0


def test_a_claim_without_a_customer_has_no_customer_cap():
    """Nobody to count: common practice, no source."""
    books = Books(9)
    books.take(claim("A", customer_cap=1), claim("B", customer_cap=1))
    assert books.short("B") == ("granted", 1, 0, None)


def test_a_benefit_is_capped_and_needs_no_stock():
    """Claims without options count live units and move nothing; the allowance comes back."""
    books = Books()
    members = {"options": [], "benefit": "free_shipping", "total_cap": 1}
    books.take(claim("A", **members), claim("B", **members))
    assert books.short("A") == ("granted", 1, 0, None)
    assert books.short("B") == ("declined", 0, 0, Reason.CAMPAIGN_CAP)
    books.take(claim("A", revision=2, units=0, **members), claim("B", revision=2, **members))
    assert books.short("B") == ("granted", 1, 0, None)
    assert books.level()[0].balances == []


# ---------------------------------------------------------------- gifts, sites, substitutes


OPTIONS = [Option("TIN", ["N", "S"]), Option("PAD", ["N", "S"], substitute=True)]


@pytest.mark.parametrize(
    ("stock", "units", "expected"),
    [
        pytest.param({"TIN/N": 2, "TIN/S": 9, "PAD/N": 9}, 2, ("TIN", "N", 2, False), id="the first that covers all"),
        pytest.param({"TIN/N": 1, "TIN/S": 2, "PAD/N": 9}, 2, ("TIN", "S", 2, False), id="the next site"),
        pytest.param({"TIN/N": 1, "TIN/S": 1, "PAD/S": 2}, 2, ("PAD", "S", 2, True), id="a substitute covers all"),
        pytest.param({"TIN/N": 1, "TIN/S": 2, "PAD/S": 1}, 3, ("TIN", "S", 2, False), id="else the fullest"),
        pytest.param({"PAD/N": 1}, 1, ("PAD", "N", 1, True), id="only a substitute"),
        pytest.param({}, 1, (None, None, 0, False), id="nothing"),
    ],
)
def test_one_gift_at_one_site(stock, units, expected):
    """Options in their order, sites in theirs; one gift on one ticket (common practice, no source)."""
    books = Books()
    for place, held in stock.items():
        gift, _, site = place.partition("/")
        books.take(receipt(held, gift, site=site))
    books.take(claim(units=units, options=OPTIONS, when_out="substitute"))
    decision = books.decision()
    assert (decision.gift, decision.site, decision.units, decision.substitute) == expected


def test_a_raise_stays_with_the_gift_that_is_held():
    """Never two gifts of one offer on an order, even where the announced one is back."""
    books = Books(PAD=3)
    options = [Option("TIN", [SITE]), Option("PAD", [SITE], substitute=True)]
    books.take(claim(options=options), receipt(9), claim(revision=2, units=2, options=options))
    decision = books.decision()
    assert (decision.gift, decision.units, decision.substitute) == ("PAD", 2, True)


ONLY_S, ONLY_N = [Option("TIN", ["S"])], [Option("TIN", ["N"])]
PAD_FIRST = [Option("PAD", ["N"]), Option("TIN", ["N"])]
TIN_FIRST = [Option("TIN", ["N"]), Option("PAD", ["N"])]


@pytest.mark.parametrize(
    ("stock", "before", "after", "expected"),
    [
        pytest.param({"TIN/N": 2, "TIN/S": 2}, ONLY_N, ONLY_S, ("TIN", "S", 2, 0), id="its site is no option any more"),
        pytest.param({"TIN/N": 2, "TIN/S": 1}, ONLY_N, ONLY_S, ("TIN", "S", 1, 0), id="less is better than none"),
        pytest.param({"TIN/N": 2}, ONLY_N, ONLY_S, (None, None, 0, 0), id="nothing there: freed and declined"),
        pytest.param({"TIN/N": 2, "PAD/N": 2}, TIN_FIRST, PAD_FIRST, ("PAD", "N", 2, 0), id="another choice, and free"),
        pytest.param({"TIN/N": 2, "PAD/N": 1}, TIN_FIRST, PAD_FIRST, ("TIN", "N", 2, 0), id="free for fewer: kept"),
        pytest.param({"TIN/N": 2}, TIN_FIRST, PAD_FIRST, ("TIN", "N", 2, 0), id="another choice, and out: kept"),
        pytest.param({"PAD/N": 2, "TIN/N": 0}, TIN_FIRST, TIN_FIRST, ("PAD", "N", 2, 0), id="the same choice: kept"),
    ],
)
def test_a_reserved_gift_is_exchanged_in_one_entry(stock, before, after, expected):
    """Rule 2.15 (common practice, no source): release and reserve are one step, and the customer's choice counts."""
    books = Books()
    for place, units in stock.items():
        gift, _, site = place.partition("/")
        if units:
            books.take(receipt(units, gift, site=site))
    books.take(claim(units=2, options=before), claim(units=2, revision=2, options=after))
    decision = books.decision()
    assert (decision.gift, decision.site, decision.units, decision.owed) == expected
    assert len(books.verdict.entries) == 1
    held = sum(books.balance(gift, site).reserved for gift in ("TIN", "PAD") for site in ("N", "S"))
    assert held == expected[2]


def test_what_is_freed_by_an_exchange_serves_owed_claims():
    """The order that gives it up needs none of its allowance anew, and the next in the queue has it."""
    books = Books()
    books.take(receipt(1, site="N"), receipt(1, site="S"))
    members = {"total_cap": 2, "customer": "c", "customer_cap": 1}
    books.take(claim("A", options=ONLY_N, **members), claim("B", options=ONLY_N, when_out="owed"))
    books.take(claim("A", revision=2, options=ONLY_S, **members))
    assert [books.short(n)[:3] for n in "AB"] == [("granted", 1, 0), ("granted", 1, 0)]
    assert (books.decision("A").site, books.decision("B").site) == ("S", "N")
    entries = len(books.log)
    assert books.take(claim("A", revision=2, options=ONLY_S, **members)).result == "repeat"
    assert len(books.log) == entries
    assert {d.order for d in books.said() if isinstance(d, Decision)} == {"A", "B"}


def test_an_exchange_that_finds_nothing_owes_where_the_offer_owes():
    """Its site is no option any more, and the other one has none: freed, and owed."""
    books = Books()
    books.take(receipt(2, site="N"))
    books.take(claim(units=2, options=ONLY_N), claim(units=2, revision=2, options=ONLY_S, when_out="owed"))
    assert books.short() == ("owed", 0, 2, Reason.NO_STOCK)
    assert accounts(books.balance(site="N")) == (2, 0, 0, 0)


def test_what_is_on_the_floor_is_not_exchanged():
    """A part of it is released: nothing changes until the warehouse says so."""
    books = Books()
    books.take(receipt(2, site="N"), receipt(2, site="S"), claim(units=2, options=ONLY_N))
    books.take(gift_command("released", 1, site="N"), claim(units=2, revision=2, options=ONLY_S))
    assert (books.decision().site, books.decision().units) == ("N", 2)


def test_an_exchange_without_cover_is_void():
    """A late writer's: what the order has stays, at its place, and the fold goes on."""
    books = Books()
    books.take(receipt(1, site="N"), receipt(1, site="S"), claim(options=ONLY_N))
    late = books.stage.decide(books.store, Message(claim(revision=2, options=ONLY_S)), View(Book(), PLACED)).entries
    books.take(claim("B", options=ONLY_S))
    for entry in late:
        books.fold(entry)
    assert (books.decision().site, books.decision().units) == ("N", 1)
    assert accounts(books.balance(site="N")) == (0, 1, 0, 0)


# ---------------------------------------------------------------- owed


def test_a_receipt_serves_owed_claims_oldest_first_by_a_higher_edition():
    """Three are owed, two come in: the two oldest have them, each by an entry of its own, and the third waits on."""
    books = Books()
    books.take(*(claim(name, when_out="owed") for name in "BAC"))
    books.take(receipt(2))
    assert [books.short(name) for name in "BAC"] == [
        ("granted", 1, 0, None),
        ("granted", 1, 0, None),
        ("owed", 0, 1, Reason.NO_STOCK),
    ]
    assert [books.decision(name).edition for name in "BAC"] == [2, 2, 1]
    assert [e.claim.order for e in books.verdict.entries if isinstance(e, Settled)] == ["B", "A"]
    assert accounts(books.balance()) == (0, 2, 0, 0)


def test_a_claim_served_in_part_keeps_its_place():
    """Two are owed to A and one to B; one unit comes, then two: A is whole before B has any."""
    books = Books()
    books.take(claim("A", units=2, when_out="owed"), claim("B", when_out="owed"), receipt(1))
    assert [books.short(n)[:3] for n in "AB"] == [("granted", 1, 1), ("owed", 0, 1)]
    books.take(receipt(2))
    assert [books.short(n)[:3] for n in "AB"] == [("granted", 2, 0), ("granted", 1, 0)]
    assert books.decision("A").edition == 3


def test_a_raised_claim_keeps_its_place_in_the_queue():
    """A higher number of an owed claim is no new arrival."""
    books = Books()
    books.take(claim("A", when_out="owed"), claim("B", when_out="owed"))
    books.take(claim("A", units=2, revision=2, when_out="owed"), receipt(2))
    assert [books.short(n)[:3] for n in "AB"] == [("granted", 2, 0), ("owed", 0, 1)]


def test_units_that_come_free_serve_owed_claims():
    """A withdrawn reservation is as good as a receipt, and never goes back to the claim that gave it up."""
    books = Books(1)
    books.take(claim("A", when_out="owed"), claim("B", when_out="owed"), claim("A", units=0, revision=2))
    assert books.short("A") == ("declined", 0, 0, Reason.NOT_WANTED)
    assert books.short("B") == ("granted", 1, 0, None)
    assert accounts(books.balance()) == (0, 1, 0, 0)


def test_a_receipt_elsewhere_serves_nobody():
    """Of another gift, or at a site that the claim does not allow."""
    books = Books()
    books.take(claim(when_out="owed"), receipt(1, site="elsewhere"), receipt(1, "PAD"))
    assert books.short() == ("owed", 0, 1, Reason.NO_STOCK)


def test_a_withdrawn_claim_is_owed_nothing():
    """A receipt after it stays free."""
    books = Books()
    books.take(claim(when_out="owed"), claim(units=0, revision=2, when_out="owed"), receipt(1))
    assert books.short() == ("declined", 0, 0, Reason.NOT_WANTED)
    assert accounts(books.balance()) == (1, 0, 0, 0)
    assert books.level()[0].owed_units == 0


# ---------------------------------------------------------------- stock and its notices


def test_a_repeated_receipt_adds_nothing_and_another_of_its_id_is_a_conflict():
    """Ids of receipts are given by whoever sends them; the first content counts."""
    books = Books()
    books.take(receipt(5, name="r"), receipt(5, name="r"))
    assert books.verdict.result == "repeat"
    assert books.take(receipt(6, name="r")).result == "conflict"
    assert accounts(books.balance()) == (5, 0, 0, 0)


def test_a_repeated_receipt_says_again_whom_it_served():
    """The bound: one decision for each claim that it served, and the level."""
    books = Books()
    books.take(claim("A", when_out="owed"), claim("B", when_out="owed"), receipt(2, name="r"))
    assert books.take(receipt(2, name="r")).result == "repeat"
    assert [said.order for said in books.said() if isinstance(said, Decision)] == ["A", "B"]
    assert len(books.verdict.subjects) == 3


def test_a_repeated_receipt_says_whom_another_writer_served():
    """A late writer that knew of nobody logged the receipt first; its heir served one, and died before it said so."""
    books = Books()
    (late,) = Ledger().decide(MemoryStore(), Message(receipt(1, name="r")), View(Book(), PLACED)).entries
    books.take(claim(when_out="owed"))
    heirs = books.stage.decide(books.store, Message(receipt(1, name="r")), View(Book(), PLACED)).entries
    for entry in (late, *heirs):
        books.fold(entry)
    assert books.short() == ("granted", 1, 0, None)
    assert books.take(receipt(1, name="r")).result == "repeat"
    assert books.decision() in books.said()


def test_running_low_and_exhausted_open_and_close():
    """Low at a tenth of what came in, exhausted at none; both close with amount 0 when stock comes in."""
    books = Books(10)
    books.take(claim("A", units=8))
    assert books.level()[1] == {}
    books.take(claim("B"))
    assert books.level()[1] == {"running_low": 1}
    books.take(claim("C"))
    level, notices = books.level()
    assert (notices, level.exhausted_at) == ({"running_low": 0, "exhausted": 1}, books.now)
    books.take(receipt(50))
    level, notices = books.level()
    assert (notices, level.exhausted_at) == ({"running_low": 0, "exhausted": 0}, None)


def test_a_tick_writes_nothing_when_nothing_is_due():
    """An idle tick is the one outcome that is not recorded."""
    books = Books(1)
    verdict = books.take(Tick("t", PLACED))
    assert (verdict.result, verdict.entries) == ("applied", [])


# ---------------------------------------------------------------- facts of the warehouse


def test_released_then_packed():
    """Reserved to released to packed; what the order holds stays the same."""
    books = Books(5)
    books.take(claim(units=2), gift_command("released", 2))
    assert accounts(books.balance()) == (3, 0, 2, 0)
    books.take(gift_command("packed", 2))
    assert accounts(books.balance()) == (3, 0, 0, 2)
    assert books.decision().units == 2


def test_packed_before_released():
    """Packing takes the reserved units; the release that comes later finds nothing to move and takes no other's."""
    books = Books(5)
    books.take(claim(units=2), claim("B"), gift_command("packed", 2), gift_command("released", 2))
    assert books.verdict.result == "applied"
    assert accounts(books.balance()) == (2, 1, 0, 2)
    assert books.balance().over_gift == 0


def test_packed_without_cover_takes_free_stock_then_the_over_gift_account():
    """S1: never refused. Four are packed, one was granted and two are free: the fourth is an over-gift."""
    books = Books(3)
    books.take(claim(), gift_command("packed", 4))
    balance = books.balance()
    assert (*accounts(balance), balance.over_gift) == (0, 0, 0, 4, 1)
    assert books.log[-1].over == 1
    assert books.decision().units == 1


def test_packed_without_any_claim_takes_free_stock():
    """S1: an order that the offer never saw; the units have left all the same."""
    books = Books(1)
    books.take(gift_command("packed", 2, order="STRANGER"))
    balance = books.balance()
    assert (*accounts(balance), balance.over_gift) == (0, 0, 0, 2, 1)


def test_packed_without_cover_never_takes_what_others_hold():
    """S1: reserved units of another order are not free stock."""
    books = Books(1)
    books.take(claim("B"), gift_command("packed", 1))
    balance = books.balance()
    assert (*accounts(balance), balance.over_gift) == (0, 1, 0, 1, 1)


def test_a_repeated_fact_moves_nothing_and_another_of_its_id_is_a_conflict():
    """The same id once: packing twice packs once."""
    books = Books(5)
    books.take(claim(), gift_command("packed", 1))
    assert books.take(gift_command("packed", 1)).result == "repeat"
    assert books.take(replaced(gift_command("packed", 1), units=3)).result == "conflict"
    assert accounts(books.balance()) == (4, 0, 0, 1)


# ---------------------------------------------------------------- void grants


def grant(wanted, units=1, edition=1, **members):
    """A grant as a writer that was late or wrong logged it."""
    return Settled(
        id=f"{wanted.id}:settled:late",
        claim=wanted,
        edition=edition,
        outcome="granted",
        moves=[Move(Account.FREE, Account.RESERVED, "TIN", SITE, units)],
        figures=Figures(wanted.units),
        at=PLACED,
        units=units,
        gift="TIN",
        site=SITE,
        **members,
    )


@pytest.mark.parametrize(
    ("when_out", "outcome", "owed"), [("next", "declined", 0), ("substitute", "declined", 0), ("owed", "owed", 1)]
)
def test_a_grant_without_cover_folds_as_no_stock(when_out, outcome, owed):
    """Rule 9: void for every reader, follows `when_out`, and is said so; caps count only what it then comes to."""
    books = Books(1)
    books.take(claim("FIRST", customer="d"))
    said = books.fold(grant(claim(when_out=when_out, customer="c", customer_cap=1, total_cap=2)))
    decision = said[0]
    assert (decision.outcome, decision.units, decision.owed, decision.reason) == (outcome, 0, owed, Reason.NO_STOCK)
    assert (decision.gift, decision.site) == (None, None)
    assert accounts(books.balance()) == (0, 1, 0, 0)
    assert books.customer("c") == owed
    assert books.level()[0].live_units == 1 + owed
    books.take(claim("NEXT", customer="c", customer_cap=1, total_cap=2, when_out="owed"))
    assert books.short("NEXT")[3] == (Reason.CUSTOMER_CAP if owed else Reason.NO_STOCK)


def test_a_void_raise_keeps_what_is_held():
    """One is held, one more was logged without cover: one is held."""
    books = Books(1)
    books.take(claim())
    books.fold(grant(claim(revision=2, units=2)))
    assert books.short() == ("granted", 1, 0, Reason.NO_STOCK)
    assert (books.decision().gift, accounts(books.balance())) == ("TIN", (0, 1, 0, 0))


def test_a_void_service_stays_owed_in_its_place():
    """An owed claim served without cover is still owed, still the oldest, and the next receipt serves it."""
    books = Books()
    books.take(claim("A", when_out="owed"), claim("B", when_out="owed"))
    books.fold(grant(claim("A", when_out="owed"), edition=2))
    assert books.short("A") == ("owed", 0, 1, Reason.NO_STOCK)
    books.take(receipt(1))
    assert [books.short(n)[:3] for n in "AB"] == [("granted", 1, 0), ("owed", 0, 1)]


def test_a_grant_of_a_number_that_is_known_changes_nothing():
    """First in the log wins: the second entry of a claim number and edition is said as the first."""
    books = Books(5)
    books.take(claim())
    (decision,) = books.fold(grant(claim(), units=3))
    assert decision.units == 1
    assert accounts(books.balance()) == (4, 1, 0, 0)


def test_folding_the_log_anew_gives_the_same_state():
    """S10, with a void grant, a served claim and an over-gift in the log."""
    books = Books(1)
    books.take(claim("A", when_out="owed"), claim("B", when_out="owed"))
    books.fold(grant(claim("C", when_out="owed")))
    books.take(receipt(1), gift_command("packed", 3), claim("B", revision=2, units=0))
    again = Books()
    for entry in books.log:
        again.fold(entry)
    for space in (CLAIMS, BALANCES, CUSTOMERS):
        assert again.store.values(space) == books.store.values(space)
    assert again.level() == books.level()


def test_the_cap_of_a_customer_counts_what_a_changed_order_brings_along():
    """Rule 2.5 (common practice, no source): the order moves to a customer who has one already, and may not raise."""
    books = Books(TIN=9)
    books.take(claim(order="B", customer="X", customer_cap=2), claim(order="A", customer="Y", customer_cap=2))
    books.take(claim(order="A", revision=2, units=2, customer="X", customer_cap=2))
    decision = books.decision("A")
    assert (decision.units, decision.reason, decision.figures.customer_live) == (1, Reason.CUSTOMER_CAP, 2)
