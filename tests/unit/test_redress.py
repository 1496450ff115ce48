"""An order is judged by a correction that came after it: once, in its favour alone, and it stays with it.

The rule (2.14 of the trade's rules, common practice, no source): a revision may be retroactive in the customer's
favour, never against one who ordered under an earlier one.
"""

from datetime import timedelta

import pytest

from makeweight.domain.claims import Redress
from makeweight.domain.entries import Redressed
from tests.support.build import PLACED, line, order
from tests.support.shop import Shop, document, gives

LATER = PLACED + timedelta(hours=1)
AMPLE = {("week/tin", "TIN", "main"): 10, ("week/mug", "MUG", "main"): 10}


def shop(*right, wrong=None):
    """A week whose tin asks 50.00 and its correction, in force an hour after the orders of this file are placed."""
    was = document(*(wrong or [gives()]))
    then = document(*right) | {"revision": 2, "effective": LATER.isoformat()}
    return Shop([was, then], AMPLE)


def redress(shop, name="A", revision=2, at=LATER):
    """The order is redressed."""
    return shop.take("desk", Redress(f"week/{revision}:{name}", name, "week", revision, at), at)


def test_a_lower_threshold_gives_more():
    """The gift is reserved, on the ticket, in the log with its judgement; the story says by what."""
    made = shop(gives(at_least=40_00))
    made.place(order(line(45_00)))
    assert not made.ticket("A").gift_lines
    assert redress(made).result == "applied"
    assert made.got("A") == ("granted", 1, "TIN", None)
    assert [g.gift for g in made.ticket("A").gift_lines] == ["TIN"]
    assert made.balance().free == 9
    assert [type(e) for e in made.entries["desk"]].count(Redressed) == 1


def test_said_again_it_changes_nothing():
    """The first counts, whatever came in between."""
    made = shop(gives(at_least=40_00))
    made.place(order(line(45_00)))
    redress(made)
    entries = len(made.entries["desk"])
    assert redress(made, at=LATER + timedelta(hours=1)).result == "repeat"
    assert len(made.entries["desk"]) == entries
    assert made.balance().free == 9


def test_later_revisions_stay_with_it():
    """The order is judged by the correction from then on: more goods keep the gift, too few lose it."""
    made = shop(gives(at_least=40_00))
    made.place(order(line(45_00)))
    redress(made)
    made.amend("A", line(41_00), at=LATER + timedelta(hours=1))
    assert made.got("A")[:2] == ("granted", 1)
    made.amend("A", line(39_00), at=LATER + timedelta(hours=2))
    assert made.got("A")[:2] == ("declined", 0)
    assert made.balance().free == 10


@pytest.mark.parametrize(
    "right",
    [
        [gives(at_least=70_00)],
        [gives(at_least=40_00) | {"paused": True}],
        [gives("mug", "MUG", at_least=40_00)],
        [gives(at_least=40_00, only_to=["GB"])],
        [gives(at_least=40_00, group="g", rank=2), gives("mug", "MUG", at_least=40_00, group="g", rank=1)],
    ],
)
def test_never_against_an_order(right):
    """One that would have less of anything keeps what it has, whatever else it would get."""
    wrong = [gives(group="g", rank=2)] if len(right) > 1 else None
    made = shop(*right, wrong=wrong)
    made.place(order(line(60_00)))
    held = made.got("A")
    if len(right) > 1:
        # In a group it keeps the place that it has: nothing is taken, and it is judged anew.
        assert redress(made).result == "applied"
    else:
        assert redress(made).problem.code == "no_redress"
        assert made.state("A").evaluation.campaigns == {"week": 1}
    assert made.got("A") == held


def test_what_was_declined_is_nothing_to_lose():
    """The first of a group was out of stock and the second was given: that it keeps, and the correction gives more."""
    wrong = [gives("mug", "MUG", at_least=40_00, group="g", rank=1), gives("bag", "BAG", group="g", rank=2, at_least=1)]
    was, then = document(*wrong, gives()), document(*wrong, gives(at_least=40_00))
    made = Shop(
        [was, then | {"revision": 2, "effective": LATER.isoformat()}],
        {("week/tin", "TIN", "main"): 1, ("week/bag", "BAG", "main"): 1},
    )
    made.place(order(line(45_00)))
    assert (made.got("A", "week/mug")[0], made.got("A", "week/bag")[0]) == ("declined", "granted")
    assert redress(made).result == "applied"
    assert (made.got("A", "week/bag")[0], made.got("A")[0]) == ("granted", "granted")


def test_a_benefit_is_not_lost_either():
    """What needs no ledger counts as well."""
    made = shop(gives(at_least=40_00), wrong=[gives(), gives("ships", benefit="free_shipping", over=50_00)])
    made.place(order(line(60_00)))
    assert redress(made).problem.code == "no_redress"


def test_what_can_not_be_redressed():
    """An order that nobody knows, a revision that is not in force or does not exist, an order that was cancelled."""
    made = shop(gives(at_least=40_00))
    assert redress(made).problem.code == "unknown_order"
    made.place(order(line(45_00)))
    assert redress(made, at=LATER - timedelta(seconds=1)).problem.code == "unknown_campaign"
    assert redress(made, revision=3).problem.code == "unknown_campaign"
    made.cancel("A", at=LATER)
    redress(made)
    assert not made.ticket("A").gift_lines
    assert made.balance().free == 10


def test_out_of_stock_by_then():
    """The ledger gives what is left when the redress comes, and takes nothing from anybody."""
    made = Shop(
        [document(gives()), document(gives(at_least=40_00)) | {"revision": 2, "effective": LATER.isoformat()}],
        {("week/tin", "TIN", "main"): 1},
    )
    made.place(order(line(45_00)), order(line(60_00), order="B"))
    assert redress(made).result == "applied"
    assert (made.got("A")[0], made.got("B")[:2]) == ("declined", ("granted", 1))
