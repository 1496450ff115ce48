"""What people say of stock: counts, damage, transfers, arrivals, and the end of an announcement.

The ledger alone. The rules are common practice of the trade, without a source; examples have their number.
"""

from datetime import timedelta
from itertools import count

import pytest

from makeweight.adapters.local.memory import MemoryStore
from makeweight.contracts.codec import dumps
from makeweight.contracts.commands import read_command
from makeweight.contracts.messages import COMMAND, LEDGER_ENTRY
from makeweight.contracts.problems import WireError
from makeweight.domain.book import Book
from makeweight.domain.claims import (
    Arrival,
    Count,
    Damage,
    Decision,
    Option,
    Receipt,
    TakenDown,
    Transfer,
    TransferIn,
)
from makeweight.domain.reasons import Reason
from makeweight.domain.stock import Balance
from makeweight.domain.values import replaced
from makeweight.stages.ledger import Ledger
from makeweight.stages.ledger.state import BALANCES, TRANSIT, key
from makeweight.stages.port import Message, View
from tests.support.build import PLACED
from tests.support.shop import gift_command
from tests.unit.test_ledger import OFFER, SITE, Books, accounts, claim, receipt

NUMBERS = count(1)


def counted(units, name=None):
    """So many tins lie there by hand."""
    return Count(name or f"count-{next(NUMBERS)}", OFFER, "TIN", SITE, units, PLACED)


def damaged(units, name=None):
    """So many tins are broken."""
    return Damage(name or f"damage-{next(NUMBERS)}", OFFER, "TIN", SITE, units, PLACED)


def transfer(units, to_offer=OFFER, to_site="S", name="t-1"):
    """Tins go to another offer or site."""
    return Transfer(name, OFFER, "TIN", SITE, units, to_offer, to_site, PLACED)


def arrival(units, name="a-1", offer=OFFER):
    """So many of them have arrived."""
    return Arrival(name, offer, "t-1", units, PLACED)


def sent(books):
    """What the last command makes the ledger say to itself."""
    subjects = [s for e in books.verdict.entries for s in books.stage.fold(books.store, e)]
    subjects = [*subjects, *books.verdict.subjects, ("transfer", OFFER, "t-1")]
    said = [o.body for s in dict.fromkeys(subjects) for o in books.stage.say(books.store, s)]
    return [one for one in said if isinstance(one, TransferIn)]


def closing(balance):
    """What a count of the shelf would find."""
    return balance.free + balance.reserved + balance.released + balance.quarantine


def identity(balance, opening=0):
    """Rule 2.23's identity at close."""
    return (
        opening + balance.received + balance.restocked + balance.count_gain - balance.packed - balance.damaged
        - balance.count_loss - balance.transferred_out + balance.transferred_in
    )  # fmt: skip


# ---------------------------------------------------------------- the identity


def test_the_identity_at_close():
    """Ex-32: open 500, receipt 100, packed 548, damage 4, restocked 3, count +1: 52 are left."""
    books = Books(500)
    books.take(receipt(100), claim(units=548), gift_command("packed", 548), damaged(4))
    books.take(gift_command("returned", 3), counted(52))
    balance = books.balance()
    assert (balance.packed, balance.damaged, balance.restocked, balance.count_gain) == (548, 4, 3, 1)
    assert closing(balance) == identity(balance) == 52
    assert identity(replaced(balance, received=balance.received - 500), opening=500) == 52
    balance.check()


# ---------------------------------------------------------------- counts


@pytest.mark.parametrize(
    ("found", "quarantine", "expected", "gain", "loss", "unexplained"),
    [
        pytest.param(10, 0, (4, 3, 3, 0), 0, 0, 0, id="as expected"),
        pytest.param(12, 0, (6, 3, 3, 0), 2, 0, 0, id="more"),
        pytest.param(8, 0, (2, 3, 3, 0), 0, 2, 0, id="fewer: free units"),
        pytest.param(4, 0, (0, 1, 3, 0), 0, 6, 0, id="fewer: reservations"),
        pytest.param(2, 0, (0, 0, 3, 0), 0, 7, 1, id="fewer: what is on the floor is not explained"),
        pytest.param(0, 0, (0, 0, 3, 0), 0, 7, 3, id="nothing there"),
        pytest.param(10, 4, (4, 3, 3, 0), 0, 0, 0, id="the quarantine lies there"),
        pytest.param(8, 4, (2, 3, 3, 0), 0, 2, 0, id="a part of it"),
        pytest.param(6, 4, (0, 3, 3, 0), 0, 4, 0, id="none of it"),
        pytest.param(5, 4, (0, 2, 3, 0), 0, 5, 0, id="and a reservation is missing"),
        pytest.param(11, 4, (5, 3, 3, 0), 1, 0, 0, id="all of it and one more"),
    ],
)
def test_a_count(found, quarantine, expected, gain, loss, unexplained):
    """Ten lie there: three are an order's, three on the floor, and four free or in quarantine."""
    books = Books(10)
    books.take(claim("A", units=3), claim("B", units=3), gift_command("released", 3, order="A"))
    if quarantine:
        books.take(gift_command("short_picked", 1, order="STRANGER"))
    books.take(counted(found))
    balance = books.balance()
    free, reserved, released, left = expected
    assert (balance.free, balance.reserved, balance.released, balance.quarantine) == (free, reserved, released, left)
    assert (balance.count_gain, balance.count_loss) == (gain, loss)
    assert books.log[-1].unexplained == unexplained
    assert closing(balance) == found + unexplained


def test_a_count_that_misses_reservations_takes_the_newest():
    """Three orders have one each, and two lie there: the newest is owed, by the same entry; then the next one."""
    books = Books(3)
    books.take(claim("B"), claim("A"), claim("C"), counted(2))
    assert [books.short(n) for n in "BAC"] == [
        ("granted", 1, 0, None), ("granted", 1, 0, None), ("owed", 0, 1, Reason.NO_STOCK),
    ]  # fmt: skip
    assert (books.decision("C").edition, books.log[-1].owed) == (2, {"C": 1})
    books.take(counted(0))
    assert books.log[-1].owed == {"A": 1, "B": 1}
    assert [books.short(n)[0] for n in "BAC"] == ["owed"] * 3
    books.take(counted(2))  # served in the order in which they became owed, the older reservation of two first
    assert [books.short(n)[0] for n in "BAC"] == ["granted", "owed", "granted"]


def test_an_order_that_loses_its_reservation_is_sent_another():
    """From another of its options, where one is free: it was promised."""
    books = Books(1)
    books.take(receipt(1, site="S"), claim(options=[Option("TIN", [SITE, "S"])]), counted(0))
    assert books.short() == ("granted", 1, 0, None)
    assert (books.decision().site, books.decision().edition) == ("S", 3)
    assert books.take(replaced(books.verdict.entries[0].command)).result == "repeat"
    assert books.decision() in books.said()


def test_what_a_count_finds_serves_owed_claims():
    """A gain is stock like any other."""
    books = Books()
    books.take(claim(when_out="owed"), counted(2))
    assert books.short() == ("granted", 1, 0, None)
    assert accounts(books.balance()) == (1, 1, 0, 0)


# ---------------------------------------------------------------- damage


@pytest.mark.parametrize(
    ("units", "expected", "owed"),
    [
        pytest.param(1, (1, 1, 1), 0, id="free"),
        pytest.param(3, (0, 0, 1), 1, id="then reserved"),
        pytest.param(4, (0, 0, 0), 1, id="then what is in quarantine"),
    ],
)
def test_damage(units, expected, owed):
    """Two are free, one is an order's, and one is in quarantine."""
    books = Books(1)
    books.take(gift_command("short_picked", 1, order="STRANGER"), receipt(3, name="more"), claim(), damaged(units))
    balance = books.balance()
    assert (balance.free, balance.reserved, balance.quarantine, balance.damaged) == (*expected, units)
    assert books.decision().owed == owed


# ---------------------------------------------------------------- what is refused


@pytest.mark.parametrize(
    ("command", "code"),
    [
        (damaged(3, "d"), "not_enough"),
        (transfer(2), "not_enough"),
        (arrival(1), "unknown_transfer"),
    ],
)
def test_a_command_that_can_t_be_is_refused_and_stays_so(command, code):
    """Two lie there, one of them an order's. What was refused once is refused when it comes again, whatever came in."""
    books = Books(2)
    books.take(claim())
    before = books.balance()
    for _ in range(2):
        verdict = books.take(command)
        assert (verdict.result, verdict.problem.code) == ("rejected", code)
        books.take(receipt(50))
    assert len([e for e in books.log if e.kind == "booked"]) == 1
    assert books.balance() == replaced(before, free=before.free + 50, received=before.received + 50)


@pytest.mark.parametrize(
    "command", [counted(3, "x"), damaged(1, "x"), transfer(1, name="x"), TakenDown("x", OFFER, PLACED)]
)
def test_a_repeated_command_changes_nothing_and_another_of_its_id_is_a_conflict(command):
    """The id is given by whoever sends it."""
    books = Books(5)
    books.take(command)
    balance, entries = books.balance(), len(books.log)
    assert books.take(command).result == "repeat"
    assert (books.balance(), len(books.log)) == (balance, entries)
    assert books.take(counted(4, "x")).result == "conflict"


# ---------------------------------------------------------------- transfers


def test_units_on_their_way_are_not_available():
    """Ex-29, the ledger's part: 75 lie at N while S runs out; sent there, they can be given when they have arrived."""
    books = Books()
    books.take(receipt(90, site="N"), receipt(10, site="S"))
    at_s = [Option("TIN", ["S"])]
    books.take(*(claim(f"S{n}", options=at_s) for n in range(10)), claim("LATE", options=at_s, when_out="owed"))
    assert books.short("LATE")[0] == "owed"
    move = Transfer("t-1", OFFER, "TIN", "N", 75, OFFER, "S", PLACED)
    books.take(move)
    (half,) = sent(books)
    assert (half.id, half.offer, half.site, half.units) == (f"{OFFER}:t-1:in", OFFER, "S", 75)
    books.take(half)
    assert (books.balance(site="N").free, books.balance(site="S").in_transit, books.balance(site="S").free) == (
        15,
        75,
        0,
    )
    books.take(claim("NEXT", options=at_s))
    assert (books.short("LATE")[0], books.short("NEXT")[0]) == ("owed", "declined")
    books.take(arrival(75))
    assert books.short("LATE")[0] == "granted"
    assert (books.balance(site="S").in_transit, books.balance(site="S").free) == (0, 74)


@pytest.mark.parametrize(("arrived", "free", "loss", "gain"), [(5, 5, 0, 0), (3, 3, 2, 0), (0, 0, 5, 0), (6, 6, 0, 1)])
def test_what_does_not_arrive_is_lost(arrived, free, loss, gain):
    """Five were sent: fewer arrive, none, or one more. Nothing more of it will."""
    books = Books(5)
    books.take(transfer(5))
    books.take(*sent(books), arrival(arrived))
    balance = books.balance(site="S")
    assert (balance.free, balance.in_transit, balance.count_loss, balance.count_gain) == (free, 0, loss, gain)
    assert books.store.values(TRANSIT) == {}
    assert closing(balance) == identity(balance)
    assert books.take(arrival(1, "a-2")).problem.code == "unknown_transfer"


def test_a_transfer_to_another_offer_at_its_site_is_free_at_once():
    """Both halves are levels of their own, and the second serves who is owed there."""
    books, other = Books(5), "week/other"
    books.take(claim(offer=other, id=f"A/{other}/1.0", when_out="owed"), transfer(3, other, SITE))
    (half,) = sent(books)
    books.take(half)
    there = books.store.get(BALANCES, key(other, "TIN", SITE))
    assert (books.balance().free, books.balance().transferred_out) == (2, 3)
    assert (there.free, there.reserved, there.transferred_in) == (2, 1, 3)
    assert books.take(transfer(3, other, SITE)).result == "repeat"
    assert sent(books) == [half]
    assert books.take(half).result == "repeat"


def test_a_late_writer_s_transfer_sends_what_is_there():
    """Five were free when it was decided, two are at its place in the log: both offers are told two."""
    books = Books(5)
    late = books.stage.decide(books.store, Message(transfer(5)), View(Book(), PLACED)).entries
    books.take(claim(units=3))
    for entry in late:
        books.fold(entry)
    assert [half.units for half in sent(books)] == [2]
    assert books.balance().transferred_out == 2
    books = Books(1)
    books.take(claim())
    for entry in late:
        books.fold(entry)
    assert sent(books) == []


# ---------------------------------------------------------------- announcements


def test_orders_after_the_stock_ran_out_are_owed_while_it_was_still_announced():
    """Ex-31: none is left at 14:03:10, the page shows it until 14:20, and nine orders come between: nine are owed."""
    books = Books(1)
    books.take(claim("LAST", when_out="owed"))
    out = books.level()[0].exhausted_at
    assert out == books.now
    books.take(*(claim(f"O{n}", when_out="owed") for n in range(9)))
    level = books.level()[0]
    assert (level.owed_after, level.advertised_after_seconds) == (9, None)
    down = out + timedelta(minutes=16, seconds=50)
    books.take(TakenDown("x-1", OFFER, down))
    level = books.level()[0]
    assert (level.taken_down_at, level.advertised_after_seconds, level.owed_after) == (down, 1010, 9)
    books.take(receipt(20, name="more"))
    level = books.level()[0]
    assert (level.exhausted_at, level.advertised_after_seconds, level.owed_after) == (None, None, 0)


# ---------------------------------------------------------------- the wire

COMMANDS = [
    counted(0), damaged(1), transfer(1), arrival(0), TakenDown("x", OFFER, PLACED),
    TransferIn("i", OFFER, "TIN", SITE, 1, "t", "week/other", "S", PLACED),
]  # fmt: skip


@pytest.mark.parametrize("command", COMMANDS, ids=lambda c: c.kind)
def test_commands_and_their_entries_are_read_as_they_were_written(command):
    """From a topic or the log."""
    assert COMMAND.loads(dumps(command)) == read_command(dumps(command)) == command
    for entry in Ledger().decide(MemoryStore(), Message(command), View(Book(), PLACED)).entries:
        assert LEDGER_ENTRY.loads(dumps(entry)) == entry


@pytest.mark.parametrize(
    ("command", "text"),
    [
        (counted(-1), "at least 0"),
        (damaged(0), "at least 1"),
        (transfer(0), "at least 1"),
        (arrival(-1), "at least 0"),
        (Receipt("r", OFFER, "TIN", SITE, 0), "at least 1"),
        (counted(10**9), "at most"),
        (replaced(damaged(1), site=""), "site is empty"),
        (replaced(damaged(1), gift="TIN\x1f"), "no text"),
        (replaced(damaged(1), id="d" * 401), "too long"),
        (replaced(damaged(1), offer="tin"), "campaign/offer"),
        (transfer(1, "other"), "campaign/offer"),
        (transfer(1, OFFER, SITE), "another offer or site"),
    ],
)
def test_what_people_say_has_limits(command, text):
    """Each is told in words."""
    with pytest.raises(WireError, match=text):
        read_command(dumps(command))


def test_a_decision_of_a_count_is_said_again_on_its_repeat():
    """With the level; and a balance that nothing has touched is all zero."""
    books = Books(1)
    books.take(claim())
    loss = counted(0, "c")
    books.take(loss, loss)
    assert books.verdict.result == "repeat"
    assert [d.owed for d in books.said() if isinstance(d, Decision)] == [1]
    assert books.balance("PAD") == Balance(OFFER, "PAD", SITE)
