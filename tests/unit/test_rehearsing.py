"""What a change would come to, case by case; that it is what two replays differ in is a property, tested there."""

from datetime import timedelta

import pytest

from makeweight.adapters.local.memory import MemoryStore
from makeweight.adapters.local.rehearsing import Rehearsal
from makeweight.contracts.campaigns import read_campaign
from makeweight.domain.book import Book
from makeweight.domain.claims import Claim, HandledGift, Option, Receipt, Transfer
from makeweight.stages.ledger import Ledger
from makeweight.stages.ledger.brief import settled_in_brief
from makeweight.stages.ledger.state import CLAIMS
from makeweight.stages.port import Message, View
from tests.support.build import PLACED, line, order
from tests.support.shop import amended, document, gives

MUG, TIN = "week/mug", "week/tin"


def page(**mug):
    """A tin from 90.00 on, else a mug from 40.00 on."""
    return document(
        gives("tin", at_least=90_00, group="g", rank=1), gives("mug", "MUG", at_least=40_00, group="g", rank=2, **mug)
    )


def rehearsed(*orders):
    """A day of these orders, with stock for all."""
    made = Rehearsal(Book([read_campaign(page())]))
    for offer, gift in ((TIN, "TIN"), (MUG, "MUG")):
        made.take_stock(Receipt(gift, offer, gift, "main", 5), PLACED)
    for one in orders:
        made.take_order(one, max(one.placed_at, one.revised_at))
    return made


def stood(difference):
    """By order and offer, the units without the change and with it."""
    return {
        (one.order, one.offer): (one.before.units if one.before else None, one.after.units if one.after else None)
        for one in difference.orders
    }


def changed(**mug):
    """The page with another mug."""
    return read_campaign(page(**mug) | {"revision": 2})


def test_an_order_that_would_have_held_nothing_chooses_anew():
    """It kept its place in the group with the mug that it held; with no mug to be had it would have had the tin."""
    first = order(line(45_00))
    day = rehearsed(first, amended(first, line(95_00), at=PLACED + timedelta(hours=1)))
    assert stood(day.difference(changed(caps={"total": 0}), PLACED)) == {("A", MUG): (1, None), ("A", TIN): (None, 1)}


def test_only_what_is_touched_is_run_again():
    """Orders before the instant stand as they did; where none is known after it, nothing is run and nothing differs."""
    orders = [order(line(45_00), order=f"O{n}", placed_at=PLACED + timedelta(hours=n)) for n in range(4)]
    day = rehearsed(*orders)
    assert stood(day.difference(changed(paused=True), PLACED + timedelta(hours=2))) == {
        ("O2", MUG): (1, None), ("O3", MUG): (1, None)
    }  # fmt: skip
    nothing = day.difference(changed(paused=True), PLACED + timedelta(hours=4))
    assert (nothing.orders, nothing.rerun) == ([], 0)
    assert [one.offer for one in nothing.offers] == [MUG, TIN]


SHIPPING = "week/shipping"


@pytest.mark.parametrize(
    ("leads", "after", "gets"),
    [
        ({}, gives("mug", "MUG", at_least=40_00, group="g", rank=2), MUG),  # its turn was known from before
        ({"when_out": "owed"}, gives("mug", "MUG", at_least=40_00, group="g", rank=2), MUG),  # it was not
        ({}, gives("shipping", benefit="free_shipping", at_least=40_00, group="g", rank=2), SHIPPING),
    ],
)
def test_the_next_of_a_group_has_its_turn_where_the_first_is_stopped(leads, after, gets):
    """Whether it stood by before or not, and whether a claim gives it or the order itself."""
    asked, stopped = (
        read_campaign(
            document(gives("tin", at_least=90_00, group="g", rank=1, **leads, **how), after) | {"revision": n}
        )
        for n, how in ((1, {}), (2, {"paused": True}))
    )
    day = Rehearsal(Book([asked]))
    for offer, gift in ((TIN, "TIN"), (MUG, "MUG")):
        day.take_stock(Receipt(gift, offer, gift, "main", 5), PLACED)
    day.take_order(order(line(95_00)), PLACED)
    assert stood(day.difference(stopped, PLACED)) == {("A", TIN): (1, None), ("A", gets): (None, 1)}


def test_a_benefit_that_had_its_turn_keeps_no_place():
    """It is given with the order and held by nobody: an offer that ranks before it counts once the order meets it."""
    rest = [
        gives("mug", "MUG", at_least=90_00, group="g", rank=2),
        gives("shipping", benefit="free_shipping", at_least=40_00, group="g", rank=3),
    ]
    asked, stopped = (
        read_campaign(document(gives("tin", at_least=40_00, group="g", rank=1, **how), *rest) | {"revision": n})
        for n, how in ((1, {}), (2, {"paused": True}))
    )
    day = Rehearsal(Book([asked]))
    for offer, gift in ((TIN, "TIN"), (MUG, "MUG")):
        day.take_stock(Receipt(gift, offer, gift, "main", 5), PLACED)
    first = order(line(45_00))
    for one in (first, amended(first, line(95_00), at=PLACED + timedelta(hours=1))):
        day.take_order(one, one.revised_at)
    assert stood(day.difference(stopped, PLACED)) == {("A", TIN): (1, None), ("A", MUG): (None, 1)}


def test_stock_that_came_from_an_offer_that_is_not_touched():
    """Its units are there with the change as without it."""
    apart = document(gives("tin", at_least=90_00), gives("mug", "MUG", at_least=40_00))
    paused = document(gives("tin", at_least=90_00), gives("mug", "MUG", at_least=40_00, paused=True)) | {"revision": 2}
    day = Rehearsal(Book([read_campaign(apart)]))
    day.take_stock(Receipt("r", TIN, "TIN", "main", 5), PLACED)
    day.take_order(order(line(45_00)), PLACED)
    day.take_stock(Transfer("van", TIN, "TIN", "main", 2, MUG, "main", PLACED), PLACED)
    (mug,) = day.difference(read_campaign(paused), PLACED).offers
    assert (mug.offer, mug.before.free_units, mug.after.free_units) == (MUG, {"TIN/main": 2}, {"TIN/main": 2})


def test_a_claim_behind_early_facts_is_not_settled_in_brief():
    """How many units had left it by then is kept with it, which takes the entry; nothing is done."""
    store, ledger = MemoryStore(), Ledger()
    fact = HandledGift("f", "A", TIN, "TIN", "main", 1, "short_picked", PLACED)
    for entry in ledger.decide(store, Message(fact), View(Book(), PLACED)).entries:
        ledger.fold(store, entry)
    claim = Claim("A/tin/1.0", "A", TIN, 1, 0, 1, 1, PLACED, [Option("TIN", ["main"])])
    assert not settled_in_brief(store, claim, PLACED)
    assert not store.values(CLAIMS)
    assert settled_in_brief(MemoryStore(), claim, PLACED)
