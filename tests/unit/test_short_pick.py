"""What the warehouse does with units of an order beside packing them: short picks, put-backs and returns.

The ledger alone. The rules are common practice of the trade, without a source; examples have their number.
"""

import pytest

from makeweight.adapters.local.memory import MemoryStore
from makeweight.domain.book import Book
from makeweight.domain.claims import Decision, Option
from makeweight.domain.entries import Handled, Settled
from makeweight.domain.reasons import Reason
from makeweight.domain.values import replaced
from makeweight.stages.ledger.state import CLAIMS, key
from makeweight.stages.port import Message, View
from tests.support.build import PLACED
from tests.support.shop import gift_command
from tests.unit.test_ledger import OFFER, Books, accounts, claim, receipt

TWO_SITES = [Option("TIN", ["main", "S"])]
WITH_PAD = [Option("TIN", ["main", "S"]), Option("PAD", ["main"], substitute=True)]


def told(books, order="A"):
    """A decision in short, with the edition and what it knows to have left."""
    decision = books.decision(order)
    return decision.outcome, decision.units, decision.owed, decision.edition, decision.left


# ---------------------------------------------------------------- short picks


@pytest.mark.parametrize(
    ("stock", "options", "expected"),
    [
        pytest.param({"TIN/S": 1}, TWO_SITES, ("granted", "TIN", "S", 1, 0, None), id="another site"),
        pytest.param({"PAD/main": 1}, WITH_PAD, ("granted", "PAD", "main", 1, 0, None), id="a substitute"),
        pytest.param({"TIN/S": 1, "PAD/main": 1}, WITH_PAD, ("granted", "TIN", "S", 1, 0, None), id="in their order"),
        pytest.param({}, WITH_PAD, ("owed", None, None, 0, 1, Reason.NO_STOCK), id="send later"),
    ],
)
@pytest.mark.parametrize("when_out", ["next", "substitute", "owed"])
@pytest.mark.parametrize("released", [False, True])
def test_a_short_pick_looks_elsewhere_and_else_is_owed(stock, options, expected, when_out, released):
    """Rule 2.24: the bin goes into quarantine with all that is free of it; the gift was promised and is owed."""
    books = Books(3)
    for place, units in stock.items():
        gift, _, site = place.partition("/")
        books.take(receipt(units, gift, site=site))
    books.take(claim(options=options, when_out=when_out))
    if released:
        books.take(gift_command("released", 1))
    assert books.decision().site == "main"
    books.take(gift_command("short_picked", 1))
    decision = books.decision()
    assert (decision.outcome, decision.gift, decision.site, decision.units, decision.owed, decision.reason) == expected
    assert (decision.left, decision.edition) == (1, 3 if decision.units else 2)
    assert (*accounts(books.balance()), books.balance().quarantine) == (0, 0, 0, 0, 3)
    first, *rest = books.verdict.entries
    assert isinstance(first, Handled)
    assert [(e.cause, e.claim.number) for e in rest] == [(first.command.id, (1, 0))] * first.serves


def test_a_short_pick_takes_nothing_from_other_orders():
    """Another order's reservation of that bin waits for a pick or a count of its own."""
    books = Books(3)
    books.take(claim("A"), claim("B"), gift_command("short_picked", 1))
    assert (*accounts(books.balance()), books.balance().quarantine) == (0, 1, 0, 0, 2)
    assert books.short("B")[:3] == ("granted", 1, 0)


def test_a_short_pick_of_an_order_that_wants_none_is_not_owed():
    """It was cancelled while its ticket was on the floor."""
    books = Books(1)
    books.take(claim(), gift_command("released", 1), claim(units=0, revision=2), gift_command("short_picked", 1))
    assert told(books) == ("declined", 0, 0, 2, 1)
    assert books.balance().quarantine == 1


def test_what_is_owed_after_a_short_pick_is_served_by_the_next_receipt():
    """A later edition of the same claim number; its allowance was never given up."""
    books = Books(1)
    members = {"customer": "c", "customer_cap": 1, "total_cap": 1}
    books.take(claim(**members), gift_command("short_picked", 1))
    assert told(books) == ("owed", 0, 1, 2, 1)
    books.take(claim("B", **members))
    assert books.short("B")[3] is Reason.CUSTOMER_CAP
    books.take(receipt(1, name="more"))
    assert told(books) == ("granted", 1, 0, 3, 1)
    assert (*accounts(books.balance()), books.balance().quarantine) == (0, 1, 0, 0, 1)


def test_a_part_that_is_short_stays_with_its_gift():
    """Two of three are there: the third is not sent from elsewhere, since one order gets one gift from one site."""
    books = Books(3)
    books.take(receipt(5, site="S"), claim(units=3, options=TWO_SITES), gift_command("released", 3))
    books.take(gift_command("short_picked", 1))
    assert told(books) == ("granted", 2, 1, 2, 1)
    assert accounts(books.balance()) == (0, 0, 2, 0)


@pytest.mark.parametrize("kept", [0, 1])
def test_a_host_that_dies_over_a_short_pick_decides_the_rest_when_it_comes_again(kept):
    """Only the first entries reached the log: a repeat finds the gift again, and one more says all of it."""
    books = Books(1)
    books.take(receipt(1, site="S"), claim(options=TWO_SITES))
    fact = gift_command("short_picked", 1)
    entries = books.stage.decide(books.store, Message(fact), View(Book(), PLACED)).entries
    for entry in entries[: kept + 1]:
        books.fold(entry)
    assert told(books) == (("granted", 1, 0, 3, 1) if kept else ("owed", 0, 1, 2, 1))
    assert books.take(fact).result == "repeat"
    assert told(books) == ("granted", 1, 0, 3, 1)
    assert books.take(fact).result == "repeat"
    assert books.verdict.entries == []
    assert [d for d in books.said() if isinstance(d, Decision)] == [books.decision()]


def test_a_fact_before_its_claim_is_known_to_the_decision():
    """What the warehouse asked of the ledger is counted, whatever it came to."""
    books = Books(2)
    books.take(gift_command("short_picked", 1), gift_command("returned", 1))
    assert (*accounts(books.balance()), books.balance().quarantine) == (1, 0, 0, 0, 2)
    books.take(claim())
    assert books.decision().left == 2


# ---------------------------------------------------------------- put-backs


def test_a_cancelled_order_frees_its_gift_when_it_is_put_back():
    """Ex-25: reserved one, cancelled at released; what can be given does not rise until the put-back."""
    books = Books(1)
    books.take(claim(), claim("B", when_out="owed"), gift_command("released", 1), claim(units=0, revision=2))
    assert accounts(books.balance()) == (0, 0, 1, 0)
    assert books.short("B")[:3] == ("owed", 0, 1)
    books.take(gift_command("put_back", 1))
    assert told(books) == ("declined", 0, 0, 2, 1)
    assert books.short("B") == ("granted", 1, 0, None)
    assert accounts(books.balance()) == (0, 1, 0, 0)


@pytest.mark.parametrize("happened", ["released", "packed"])
def test_an_order_that_still_wants_what_is_put_back_has_it_again(happened):
    """Before anybody else: it was the order's own."""
    books = Books(1)
    books.take(claim("B", units=2, when_out="owed"), claim("B", units=0, revision=2), claim("A"))
    back = gift_command("put_back", 1, packed=int(happened == "packed"))
    books.take(claim("C", when_out="owed"), gift_command(happened, 1), back)
    assert told(books) == ("granted", 1, 0, 3, 1)
    assert books.short("C")[:3] == ("owed", 0, 1)
    balance = books.balance()
    assert (balance.free, balance.reserved, balance.released, balance.restocked) == (0, 1, 0, int(happened == "packed"))


@pytest.mark.parametrize(("packed", "free"), [(0, 1), (1, 2)])
def test_what_is_put_back_beyond_the_order_is_a_unit_only_if_it_had_gone_out(packed, free):
    """S1: two were on the paper and the order had one: the other is booked on the shelf, unless it was in the box."""
    books = Books(1)
    back = gift_command("put_back", 2, packed=packed)
    books.take(claim(), gift_command("released", 1), claim(units=0, revision=2), back)
    assert accounts(books.balance()) == (free, 0, 0, 0)
    assert books.balance().restocked == packed


# ---------------------------------------------------------------- returns, and the caps


def test_a_cancelled_order_gives_its_allowance_back():
    """Ex-8: one to a customer; A is granted and cancelled before the pick, and B is granted."""
    books = Books(5)
    members = {"customer": "c", "customer_cap": 1}
    books.take(claim("A", **members), claim("A", units=0, revision=2, **members), claim("B", **members))
    assert books.short("B")[0] == "granted"


@pytest.mark.parametrize(("came", "granted", "free"), [(None, False, 4), ("returned", True, 5), ("scrapped", True, 4)])
def test_a_returned_gift_gives_its_allowance_back(came, granted, free):
    """Ex-9: A was shipped and sent back; B is refused by the cap unless A's gift came back. A gets no other one."""
    books = Books(5)
    members = {"customer": "c", "customer_cap": 1, "total_cap": 9}
    books.take(claim("A", **members), gift_command("packed", 1))
    if came:
        books.take(gift_command(came, 1))
        assert told(books) == ("granted", 0, 0, 2, 1)
    assert books.balance().free == free
    books.take(claim("A", revision=2, **members))
    assert books.balance().free == free
    assert books.decision("A").units == (0 if came else 1)
    books.take(claim("B", **members))
    assert books.short("B")[0] == ("granted" if granted else "declined")
    assert books.short("B")[3] is (None if granted else Reason.CUSTOMER_CAP)


@pytest.mark.parametrize(("happened", "free", "damaged"), [("returned", 3, 0), ("scrapped", 1, 2)])
def test_more_comes_back_than_the_order_had(happened, free, damaged):
    """Whosever they were, they had gone out: saleable units are stock, the others came in and are waste."""
    books = Books(2)
    books.take(claim(), gift_command("packed", 1), gift_command(happened, 2))
    balance = books.balance()
    assert (balance.free, balance.packed, balance.damaged) == (free, 1, damaged)
    assert books.store.get(CLAIMS, key(OFFER, "A")).came_back == 1


def test_a_returned_gift_serves_an_owed_claim():
    """It is stock like any other."""
    books = Books(1)
    books.take(claim(), gift_command("packed", 1), claim("B", when_out="owed"), gift_command("returned", 1))
    assert books.short("B") == ("granted", 1, 0, None)
    entries = len(books.log)
    assert books.take(gift_command("returned", 1)).result == "repeat"
    assert len(books.log) == entries
    assert {d.order for d in books.said() if isinstance(d, Decision)} == {"A", "B"}


def test_a_returned_gift_goes_to_whoever_has_waited_longest():
    """The order that sends one back and is owed another waits in its turn."""
    books = Books(1)
    books.take(claim("B", when_out="owed"), claim("C", when_out="owed"), claim("A", units=2, when_out="owed"))
    books.take(gift_command("packed", 1, order="B"), gift_command("returned", 1, order="B"))
    assert [books.short(n)[:3] for n in "CA"] == [("granted", 1, 0), ("owed", 0, 2)]
    books.take(gift_command("packed", 1, order="C"), receipt(1, name="more"))
    assert books.short("A")[:3] == ("granted", 1, 1)
    books.take(
        claim("D", when_out="owed"), gift_command("packed", 1, order="A"), gift_command("returned", 1, order="A")
    )
    assert [books.short(n)[:3] for n in "AD"] == [("granted", 1, 0), ("owed", 0, 1)]  # A has waited longer than D


def test_a_gift_that_was_short_never_counts_as_packed():
    """Ex-27, the ledger's part: the rest of the order is shipped and sent back; of this gift nothing went out."""
    books = Books(1)
    books.take(claim(), gift_command("released", 1), gift_command("short_picked", 1))
    state = books.store.get(CLAIMS, key(OFFER, "A"))
    assert (state.packed, state.came_back, state.owed) == (0, 0, 1)


# ---------------------------------------------------------------- repeats, conflicts, late writers


@pytest.mark.parametrize("happened", ["short_picked", "put_back", "returned", "scrapped"])
def test_a_repeated_fact_moves_nothing_and_says_its_decision_again(happened):
    """The same id with other content is a conflict."""
    books = Books(3)
    books.take(claim(), gift_command("packed" if happened in ("returned", "scrapped") else "released", 1))
    books.take(gift_command(happened, 1))
    before, balance, entries = books.decision(), books.balance(), len(books.log)
    assert books.take(gift_command(happened, 1)).result == "repeat"
    assert (books.decision(), books.balance(), len(books.log)) == (before, balance, entries)
    assert before in books.said()
    assert books.take(replaced(gift_command(happened, 1), units=2)).result == "conflict"


def test_a_late_writer_s_short_pick_folds_as_far_as_it_fits():
    """Its writer knew of no claim, or of no other; the fold takes what is there, and the log reads alike for all."""
    books = Books(2)
    fact = gift_command("short_picked", 1)
    late = books.stage.decide(MemoryStore(), Message(fact), View(Book(), PLACED)).entries
    books.take(receipt(1, site="S"), claim(options=TWO_SITES))
    for entry in late:
        books.fold(entry)
    assert told(books) == ("owed", 0, 1, 2, 1)
    assert books.take(fact).result == "repeat"  # nobody decided the rest, and a higher number or receipt does
    books.take(receipt(1))
    assert told(books) == ("granted", 1, 0, 3, 1)
    assert isinstance(books.log[-1], Settled)
