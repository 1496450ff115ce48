"""The tables of what can become of a unit, a ticket and an offer: every step is taken by the stages, and no other is.

Each scenario is a short story of a shop under watch (tests/support/transitions.py), which fails at a step that no table
has. Together they take every step of the tables. tests/property/test_machines.py does the same with random days.
"""

from datetime import timedelta
from itertools import product
from typing import get_args

import pytest

from makeweight.adapters.local.memory import MemoryStore
from makeweight.contracts.campaigns import read_campaign
from makeweight.domain.book import Book
from makeweight.domain.claims import Receipt
from makeweight.domain.entries import Received, Settled
from makeweight.domain.machines import MACHINES, OFFER, START, TICKET, UNITS
from makeweight.domain.stock import Account, Balance, Move
from makeweight.domain.tickets import NoticeKind, TicketState
from makeweight.domain.values import InvariantViolation, replaced
from makeweight.stages.ledger import Ledger
from makeweight.stages.ledger.state import BALANCES, CLAIMS, key
from makeweight.stages.port import Message, View
from tests.support.build import PLACED, WEEK, line, order
from tests.support.shop import Shop, document, gift_command, gives, handled_gift, handled_line
from tests.support.transitions import Watch
from tests.unit.test_ledger import claim, receipt

SECOND = timedelta(seconds=1)
TIN = gives(at_least=1000, for_each=True)
# Claims are made in the order of the names: one of these is answered before the tin, the other after it.
EARLY, LATE = (gives(name, "MUG", at_least=1000, when_out="owed") for name in ("early", "zlate"))


class Stories:
    """Shops under one watch."""

    def __init__(self):
        self.watch = Watch(Book())

    def shop(self, *offers, stock=9, site="main"):
        """A shop with tins at one site."""
        documents = [document(*(offers or (TIN,)))]
        self.watch = self.watch.elsewhere(Book([read_campaign(one) for one in documents]))
        return Shop(documents, {("week/tin", "TIN", site): stock} if stock else None, self.watch)

    def look(self, shop, at):
        """Let time pass."""
        self.watch.look(shop.books, at)


# ---------------------------------------------------------------- tickets


def revisions(tell):
    """An order that earns nothing, then a tin, is cancelled and comes back; another that comes cancelled."""
    shop = tell.shop()
    shop.place(order(line(100)))
    shop.amend("A", line(6000))
    shop.cancel("A")
    shop.amend("A", line(6000))
    shop.place(order(line(100), order="B"))
    shop.cancel("B")
    shop.amend("B", line(100))
    shop.place(order(line(6000), order="C", status="cancelled"))
    shop.sleep()
    shop.place(order(line(6000), order="D"))
    shop.cancel("D")


def holds(tell):
    """A hold comes and goes; a ticket is released and packed, and one is packed at once."""
    shop = tell.shop()
    shop.place(order(line(100), hold="payment"))
    shop.amend("A", line(100), hold=None)
    shop.released("A/main/1")
    shop.packed("A/main/1")
    shop.place(order(line(100), order="B"))
    shop.packed("B/main/1")
    for name, happens in (("C", shop.released), ("D", shop.packed)):
        shop.place(order(line(100), order=name, hold="payment"))
        happens(f"{name}/main/1")
    for name, happens in (("E", shop.released), ("F", shop.packed)):
        shop.place(order(line(100), order=name, status="cancelled"))
        happens(f"{name}/main/1")


def a_late_ledger(tell):
    """No decision for 31 s: the ticket goes out all the same."""
    shop = tell.shop()
    shop.sleep()
    shop.place(order(line(1000)))
    shop.tick(PLACED + 31 * SECOND)


def owed(tell):
    """A gift is owed, and comes in; or the order is amended, cancelled, released or packed meanwhile."""
    for what in ("served", "amended", "cancelled", "released", "packed"):
        shop = tell.shop(gives(at_least=1000, when_out="owed"), stock=0)
        shop.place(order(line(1000)))
        if what == "served":
            shop.receive("week/tin", "TIN", 1)
        elif what == "amended":
            shop.amend("A", line(2000))
        elif what == "cancelled":
            shop.cancel("A")
        else:
            {"released": shop.released, "packed": shop.packed}[what]("A/main/1")


def a_site_that_has_only_the_gift(tell):
    """The line that left from there is gone, and then the gift: the ledger in time, or late."""
    for late in (False, True):
        shop = tell.shop(gives(at_least=1000), site="S")
        shop.place(order(line(1000), line(100, site="S")))
        shop.sleep()
        shop.amend("A", line(100))
        if late:
            shop.tick(PLACED + 31 * SECOND)
        shop.wake(PLACED + 32 * SECOND)


def answers_after_the_release(tell):
    """A second ticket is opened by the answer: with all, while another is waited for, and with one that is owed."""
    for offers in ((TIN,), (TIN, EARLY), (TIN, LATE)):
        shop = tell.shop(*offers)
        shop.sleep()
        shop.place(order(line(1000)))
        shop.released("A/main/1")
        shop.wake(PLACED + SECOND)


def answers_for_a_void_ticket(tell):
    """The warehouse took a site's line along from another; then the gift comes there."""
    for offers in ((TIN,), (TIN, EARLY), (TIN, LATE)):
        shop = tell.shop(*offers, site="S")
        shop.sleep()
        shop.place(order(line(1000), line(100, site="S")))
        shop.released("A/main/1", lines=[handled_line(1), handled_line(1, 2)])
        shop.wake(PLACED + SECOND)


def beside(tell):
    """A release of some lines opens a ticket for the rest; one of all lines makes the other site's ticket void."""
    for second in ("main", "S"):
        for offers, members in (((TIN,), {}), ((TIN,), {"hold": "payment"}), ((EARLY,), {})):
            shop = tell.shop(*offers)
            shop.place(order(line(1000), line(1000, site=second), **members))
            named = [handled_line(1)] if second == "main" else [handled_line(1), handled_line(1, 2)]
            shop.released("A/main/1", lines=named)


# ---------------------------------------------------------------- units


def units(tell):
    """Granted, given back, released, packed with and without a release, from free stock and from nowhere."""
    shop = tell.shop(stock=3)
    for name in ("A", "B"):
        shop.place(order(line(1000), order=name))
    shop.released("A/main/1")
    shop.packed("A/main/1")
    shop.packed("B/main/1")
    shop.place(order(line(100), order="C"))
    shop.packed("C/main/1", lines=[handled_gift(2)])
    shop.receive("week/tin", "TIN", 1)
    shop.place(order(line(1000), order="D"))
    shop.cancel("D")


# ---------------------------------------------------------------- offers


def stock_runs_out(tell):
    """Ten tins: nine are taken, then one, then each is given back."""
    shop = tell.shop(stock=10)
    shop.place(order(line(9000)))
    shop.place(order(line(1000), order="B"))
    shop.cancel("B")
    shop.cancel("A")
    shop = tell.shop(stock=10)
    shop.place(order(line(10_000)))
    shop.cancel("A")


def stock_comes_in(tell):
    """None is left: one comes in, then many; or many at once."""
    for received in (1, 10), (10,):
        shop = tell.shop(stock=10)
        shop.place(order(line(10_000)))
        for number in received:
            shop.receive("week/tin", "TIN", number)


def packed_from_free_stock(tell):
    """Tins that no order held go out."""
    for packed in (9, 1), (10,):
        shop = tell.shop(stock=10)
        for number in packed:
            shop.take("ledger", gift_command("packed", number), PLACED)


def window(tell):
    """Before the window and after it, with much, little and nothing to give."""
    for packed in (0, 9, 10):
        shop = tell.shop(stock=0)
        at = WEEK.start - SECOND
        tell.look(shop, at)
        shop.receive("week/tin", "TIN", 10, at=at)
        if packed:
            shop.take("ledger", gift_command("packed", packed), at)
        tell.look(shop, WEEK.start)
        tell.look(shop, WEEK.end - SECOND)
        tell.look(shop, WEEK.end)
    tell.look(tell.shop(), PLACED)


SCENARIOS = (
    revisions, holds, a_late_ledger, owed, a_site_that_has_only_the_gift, answers_after_the_release,
    answers_for_a_void_ticket, beside, units, stock_runs_out, stock_comes_in, packed_from_free_stock, window,
)  # fmt: skip


@pytest.fixture(scope="module")
def seen():
    """Every step that the stories took, by machine."""
    tell = Stories()
    for scenario in SCENARIOS:
        scenario(tell)
    return tell.watch.seen


@pytest.mark.parametrize(
    "step", [(m.name, s) for m in MACHINES for s in m.steps], ids=lambda s: f"{s[0]}: {' '.join(s[1])}"
)
def test_every_step_is_taken(step, seen):
    """A step that no story takes is one that the stages may not have: out of the table, or into a story."""
    machine, taken = step
    assert taken in seen[machine]


@pytest.mark.parametrize("machine", MACHINES, ids=lambda m: m.name)
def test_a_table_names_what_it_has(machine):
    """Every state and event is in a step, every name in a step is told, and every state can be reached."""
    states = {state for step in machine.steps for state in (step.source, step.target)} - {START}
    assert states == set(machine.states)
    assert {step.event for step in machine.steps} == set(machine.events)
    assert len(set(machine.steps)) == len(machine.steps)
    assert {name for group in machine.groups.values() for name in group} <= states


def test_the_tables_have_the_words_of_the_code():
    """Accounts, the states that a ticket is said with, and the notices on an offer's stock."""
    assert set(UNITS.states) == {str(account) for account in Account}
    assert set(TICKET.states) == {*get_args(TicketState), "released", "packed"}
    assert {"running_low", "exhausted"} == set(OFFER.states) & set(get_args(NoticeKind))


# ---------------------------------------------------------------- what is refused

ILLEGAL = [(s, t) for s, t in product(Account, repeat=2) if (s, t) not in UNITS.pairs()]


@pytest.mark.parametrize(("source", "target"), ILLEGAL)
def test_a_move_that_no_table_has_is_refused(source, target):
    """S4, even where the figures would add up."""
    balance = Balance("week/tin", "TIN", "main", 20, 5, 5, 5, 5)
    with pytest.raises(InvariantViolation, match="no move leads from") as refused:
        balance.after(Move(source, target, "TIN", "main", 1))
    assert refused.value.code == "S4"


def test_a_claim_settled_with_another_move_is_void_for_every_reader():
    """Other code wrote it; a fold that failed would fail for every worker, for ever."""
    stage, store = Ledger(), MemoryStore()
    view = View(Book(), PLACED)
    for message in (receipt(5), claim(units=2)):
        for entry in stage.decide(store, Message(message), view).entries:
            stage.fold(store, entry)
    before = store.get(BALANCES, key("week/tin", "TIN", "main"))
    for source, target in product(Account, repeat=2):
        if (source, target) in UNITS.pairs("granted", "given_back"):
            continue
        revision = store.get(CLAIMS, key("week/tin", "A")).claim.revision + 1
        (entry,) = stage.decide(store, Message(claim(units=2, revision=revision)), view).entries
        assert isinstance(entry, Settled)
        odd = replaced(entry, moves=[Move(source, target, "TIN", "main", 1)])
        assert ("void", "week/tin", odd.claim.id) in stage.fold(store, odd)
        assert store.get(BALANCES, key("week/tin", "TIN", "main")) == before
        assert store.get(CLAIMS, key("week/tin", "A")).held == 2


def test_stock_comes_in_as_its_receipt_says():
    """Whatever moves the entry's writer made of it."""
    stage, store = Ledger(), MemoryStore()
    odd = Move(Account.OUTSIDE, Account.PACKED, "TIN", "main", 7)
    stage.fold(store, Received("r", Receipt("r", "week/tin", "TIN", "main", 5), [odd], PLACED))
    assert store.get(BALANCES, key("week/tin", "TIN", "main")) == Balance("week/tin", "TIN", "main", 5, 5)
