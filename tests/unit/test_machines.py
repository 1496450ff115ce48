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
from makeweight.domain.claims import Arrival, Count, Damage, Receipt, Transfer
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
        return self.revised([document(*(offers or (TIN,)))], stock, site)

    def revised(self, documents, stock, site="main"):
        """The same with several revisions of its campaign."""
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


def reservations_are_lost(tell):
    """Nobody finds the gift of a ticket: it follows; and where it was all that the site had to send, nothing goes."""
    shop = tell.shop(gives(at_least=1000))
    shop.place(order(line(1000)))
    booked(shop, Count, 0, "none")
    shop = tell.shop(gives(at_least=1000), site="S")
    shop.place(order(line(1000), line(100, site="S")))
    shop.released("A/S/1", lines=[handled_line(1, 2)])
    booked(shop, Count, 0, "none", "S")


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


def facts_on_any_ticket(tell):
    """The warehouse speaks of a ticket that it never said to have released: it is frozen as it was printed."""
    states = {
        "held": ((TIN,), {"hold": "payment"}),
        "gift_to_follow": ((EARLY,), {}),
        "final": ((TIN,), {}),
        "void": ((TIN,), {"status": "cancelled"}),
    }
    for offers, members in states.values():
        shop = tell.shop(*offers)
        facts = (shop.short_picked, shop.dispatched, shop.put_back, shop.gift_returned)
        for number, happens in enumerate(facts):
            shop.place(order(line(1000), line(100), order=f"O{number}", **members))
            happens(f"O{number}/main/1")
        shop.place(order(line(1000), line(100), order="P", **members))
        shop.put_back("P/main/1", lines=[handled_line(1, 2)])


def off_the_floor(tell):
    """A released ticket goes to the carrier; one is put back, and one that was packed."""
    shop = tell.shop()
    for name in ("A", "B", "C"):
        shop.place(order(line(1000), order=name))
        shop.released(f"{name}/main/1")
    shop.dispatched("A/main/1")
    shop.put_back("B/main/1")
    shop.packed("C/main/1")
    shop.put_back("C/main/1")


def gifts_alone_that_are_not_found(tell):
    """A site sends nothing but the gift, and has none: nothing is left of its ticket, released or not."""
    alone = gives(at_least=1000, own_parcel=["S"])
    for offers, members in (((alone,), {}), ((alone,), {"hold": "payment"}), ((alone, EARLY), {})):
        shop = tell.shop(*offers, site="S")
        shop.place(order(line(1000), **members))
        shop.short_picked("A/S/1")
    shop = tell.shop(alone, site="S")
    shop.place(order(line(1000)))
    shop.released("A/S/1")
    shop.short_picked("A/S/1")


def lapsed(tell):
    """An order is not paid: what it was given is claimed back, and the ticket waits for that."""
    for when_out, stock in (("next", 9), ("owed", 0)):
        shop = tell.shop(gives(at_least=1000, paid_within_days=1, when_out=when_out), stock=stock)
        shop.place(order(line(1000)))
        shop.tick(PLACED + timedelta(days=1))
    shop = tell.shop(gives(at_least=1000, paid_within_days=1))
    shop.sleep()
    shop.place(order(line(1000)))
    shop.tick(PLACED + 31 * SECOND)
    shop.wake(PLACED + 32 * SECOND)
    shop.sleep()
    shop.tick(PLACED + timedelta(days=1))


def put_back_for_another_site(tell):
    """One site took another's line along and puts it back: the other's ticket, void meanwhile, carries it again."""
    for offers, members in (((TIN,), {}), ((TIN,), {"hold": "payment"}), ((EARLY,), {})):
        shop = tell.shop(*offers)
        shop.place(order(line(1000), line(1000, site="S"), **members))
        shop.released("A/main/1", lines=[handled_line(1), handled_line(1, 2)])
        shop.put_back("A/main/1", lines=[handled_line(1, 2)])


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


def fact(shop, happened, number, order, name="", **members):
    """What the warehouse did with units, straight to the ledger."""
    name = f"{order}-{happened}-{number}{name}"
    shop.take("ledger", gift_command(happened, number, order, id=name, **members), PLACED)


def booked(shop, kind, number, name, site="main"):
    """What someone counted or threw away."""
    shop.take("ledger", kind(name, "week/tin", "TIN", site, number, PLACED), PLACED)


def short_and_back(tell):
    """Missed in the bin, reserved, released or free; put back, returned and scrapped, an order's or nobody's."""
    shop = tell.shop(stock=4)
    for name in ("A", "B", "C"):
        shop.place(order(line(1000), order=name))
    for name in ("B", "C"):
        shop.released(f"{name}/main/1")
    fact(shop, "put_back", 1, "C")
    fact(shop, "packed", 1, "C")
    fact(shop, "put_back", 2, "C", packed=2)
    fact(shop, "short_picked", 1, "A")
    fact(shop, "short_picked", 1, "B")
    shop = tell.shop(stock=4)
    shop.place(order(line(4000)))
    fact(shop, "packed", 4, "A")
    fact(shop, "returned", 1, "A")
    fact(shop, "scrapped", 1, "A")
    fact(shop, "returned", 3, "A")
    fact(shop, "scrapped", 1, "A", "more")


def counts_and_damage(tell):
    """Of free stock, reservations and the quarantine; found again, lost, and more than was thought."""
    shop = tell.shop(stock=9)
    shop.place(order(line(3000)))
    booked(shop, Count, 11, "more")
    booked(shop, Count, 2, "fewer")
    for name, found in (("found", 6), ("lost", 0)):
        shop = tell.shop(stock=6)
        fact(shop, "short_picked", 1, "STRANGER")
        booked(shop, Count, found, name)
    shop = tell.shop(stock=6)
    shop.place(order(line(3000)))
    booked(shop, Damage, 4, "broken")
    fact(shop, "short_picked", 1, "A")
    shop.receive("week/tin", "TIN", 3)
    booked(shop, Damage, 5, "broken-too")


def transfers(tell):
    """To another offer, and to another site, where all of it arrives, a part, or more."""
    shop = tell.shop(TIN, EARLY, stock=9)
    shop.take("ledger", Transfer("t", "week/tin", "TIN", "main", 1, "week/early", "main", PLACED), PLACED)
    for name, arrived in (("all", 2), ("part", 1), ("more", 3)):
        shop.take("ledger", Transfer(name, "week/tin", "TIN", "main", 2, "week/tin", "S", PLACED), PLACED)
        shop.take("ledger", Arrival(f"a-{name}", "week/tin", name, arrived, PLACED), PLACED)


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


def found_and_lost(tell):
    """Ten tins, of which a count finds fewer and more again, and some are broken."""
    shop = tell.shop(stock=10)
    for number, found in enumerate((1, 10, 0, 1, 0, 10, 1)):
        booked(shop, Count, found, f"c{number}")
    booked(shop, Damage, 1, "d")


def back_from_the_floor(tell):
    """Ten are packed without a grant, and come back: a few, or all; and a return makes room under a cap."""
    for numbers in (1, 9), (10,):
        shop = tell.shop(stock=10)
        fact(shop, "packed", 10, "STRANGER")
        for number in numbers:
            fact(shop, "put_back", number, "STRANGER", packed=number)


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


def pauses(tell):
    """Paused and resumed with much, little and nothing to give; published so, and paused from before it to its end."""

    def revision(number, *, paused, at):
        return document(TIN | {"paused": paused}) | {"revision": number, "effective": at.isoformat()}

    hours = [PLACED + n * timedelta(hours=1) for n in range(3)]
    for packed in (0, 9, 10):
        shop = tell.revised([revision(n + 1, paused=n == 1, at=at) for n, at in enumerate(hours)], stock=10)
        tell.look(shop, hours[0])
        if packed:
            shop.take("ledger", gift_command("packed", packed), hours[0])
        for at in hours:
            tell.look(shop, at)
    for first in (WEEK.start - SECOND, WEEK.start):
        shop = tell.revised([revision(1, paused=True, at=WEEK.start - SECOND)], stock=10)
        for at in (first, WEEK.start, WEEK.end):
            tell.look(shop, at)


SCENARIOS = (
    revisions, holds, a_late_ledger, owed, a_site_that_has_only_the_gift, reservations_are_lost,
    answers_after_the_release, answers_for_a_void_ticket, beside, facts_on_any_ticket, off_the_floor,
    gifts_alone_that_are_not_found, lapsed, put_back_for_another_site, units, short_and_back, counts_and_damage,
    transfers, stock_runs_out, stock_comes_in, packed_from_free_stock, found_and_lost, back_from_the_floor, window,
    pauses,
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
