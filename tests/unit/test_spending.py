"""Value that counts once, and what goods that were kept still earn.

'Ex-n' is a worked example of the rules of the trade, 'rule n' one of its rules. They are common practice, no source,
unless one is named beside them.
"""

import pytest

from makeweight.domain.campaigns import Cautions, Gift, Offer
from makeweight.domain.choose import Choice, choose
from makeweight.domain.orders import Line, Order
from makeweight.domain.qualify import Kept, evaluate, judge_one
from makeweight.domain.reasons import Reason
from tests.support.build import campaign, line, live, offer, order
from tests.support.shop import Shop, document, gives

ADULT = {"G": Gift("G", "G", stated_value=600, cautions=Cautions("none", "adult", "none"))}


def chosen(placed: Order, *offers: Offer) -> Choice:
    """What the order asks for of these offers."""
    on = live(campaign(*offers))
    return choose(placed, evaluate(placed, on), on, ())


def outcomes(choice: Choice) -> dict[str, tuple[int, Reason | None, str | None]]:
    """Worth, reason and winner of each offer that was met."""
    return {j.offer.partition("/")[2]: (j.worth, j.reason, j.winner) for j in choice.evaluation.judgements}


# ---------------------------------------------------------------- value used once


def test_ex12_value_that_is_used_once():
    """Ex-12: order of 120.00; GWP-1 (Alder, 30) is first and uses 30.00, 90.00 are less than 100: only GWP-1."""
    first = gives("gwp-1", "CARD", brands=["Alder"], at_least=3000, rank=1, value_used="once")
    second = gives("gwp-2", "TIN", at_least=10_000, rank=2, value_used="once")
    shop = Shop([document(first, second)], {("week/gwp-1", "CARD", "main"): 5, ("week/gwp-2", "TIN", "main"): 5})
    shop.place(order(line(3000, brand="Alder"), line(9000, brand="Birch")))
    assert [g.gift for g in shop.ticket("A").gift_lines] == ["CARD"]
    told = shop.told("A", "week/gwp-2")
    assert (told.outcome, told.reason) == ("declined", Reason.VALUE_USED)
    assert told.sentence == (
        "90.00 EUR is left where at least 100.00 EUR is asked: the rest earned week/gwp-1; "
        "it would have been earned with 10.00 EUR more on the order."
    )


def once(name: str, **members) -> Offer:
    """An offer that lets a value count once."""
    return offer(name, value_used="once", **members)


SHARED = offer("z", at_least=10_000)


@pytest.mark.parametrize(
    ("offers", "expected"),
    [
        pytest.param(
            [once("a", at_least=6000, rank=1), once("b", at_least=6000, rank=2)],
            {"a": (12_000, None, None), "b": (6000, None, None)},
            id="enough for both, to the cent",
        ),
        pytest.param(
            [once("a", over=6000, rank=1), once("b", at_least=6000, rank=2)],
            {"a": (12_000, None, None), "b": (5999, Reason.VALUE_USED, "week/a")},
            id="over uses a cent more",
        ),
        pytest.param(
            [once("a", at_least=6000, rank=2), once("b", at_least=6001, rank=1)],
            {"b": (12_000, None, None), "a": (5999, Reason.VALUE_USED, "week/b")},
            id="in order of rank",
        ),
        pytest.param(
            [once("a", at_least=3000), once("b", at_least=10_000)],
            {"b": (12_000, None, None), "a": (2000, Reason.VALUE_USED, "week/b")},
            id="then of the higher tier",
        ),
        pytest.param(
            [once("a", brands=["Alder"], at_least=3000), once("b", brands=["Birch"], at_least=9000)],
            {"a": (3000, None, None), "b": (9000, None, None)},
            id="different goods",
        ),
        pytest.param(
            [once("a", at_least=3000, rank=1), once("b", brands=["Birch"], at_least=9000, rank=2)],
            {"a": (12_000, None, None), "b": (9000, None, None)},
            id="used in line order: Alder's line first",
        ),
        pytest.param(
            [once("a", at_least=3001, rank=1), once("b", brands=["Birch"], at_least=9000, rank=2)],
            {"a": (12_000, None, None), "b": (8999, Reason.VALUE_USED, "week/a")},
            id="and then of the next",
        ),
        pytest.param(
            [once("a", at_least=6000, rank=1), SHARED],
            {"a": (12_000, None, None), "z": (12_000, None, None)},
            id="an offer that shares is not concerned",
        ),
        pytest.param(
            [
                once("a", at_least=6000, rank=1),
                once("b", at_least=6001, rank=2),
                once("c", at_least=6000, rank=3),
            ],
            {
                "a": (12_000, None, None),
                "b": (6000, Reason.VALUE_USED, "week/a"),
                "c": (6000, None, None),
            },
            id="one that gets nothing uses nothing",
        ),
        pytest.param(
            [once("a", at_least=6000, rank=1, gift="G", gifts=ADULT), once("b", at_least=12_000, rank=2)],
            {"a": (12_000, Reason.CAUTION, None), "b": (12_000, None, None)},
            id="nor does one that is withheld",
        ),
        pytest.param(
            [once("a", at_least=6000, rank=1, only_to=frozenset({"GB"})), once("b", at_least=12_000, rank=2)],
            {"a": (12_000, Reason.DESTINATION, None), "b": (12_000, None, None)},
            id="nor one for elsewhere",
        ),
        pytest.param(
            [once("a", benefit="free_shipping", at_least=6000, rank=1), once("b", at_least=6001, rank=2)],
            {"a": (12_000, None, None), "b": (6000, Reason.VALUE_USED, "week/a")},
            id="a benefit uses value too",
        ),
    ],
)
def test_value_used_once(offers, expected):
    """Rule 2.7, 'value used once', on an order of 120.00 of which the first 30.00 are Alder's."""
    choice = chosen(order(line(3000, brand="Alder"), line(9000, brand="Birch")), *offers)
    assert outcomes(choice) == expected
    asked = {c.offer.partition("/")[2] for c in choice.claims} | {o.partition("/")[2] for o in choice.benefits}
    assert asked == {name for name, (_, reason, _) in expected.items() if reason is None}


def test_the_winner_left_less_than_is_asked():
    """Rule 2.36: a used 10.00 and left enough for c; b left 10.00, so it is b's doing."""
    offers = [once("a", at_least=1000, rank=1), once("b", at_least=10_000, rank=2), once("c", at_least=9000, rank=3)]
    found = outcomes(chosen(order(line(12_000)), *offers))
    assert found["c"] == (1000, Reason.VALUE_USED, "week/b")


@pytest.mark.parametrize(("used", "near"), [(400, (9500, True)), (3000, None)])
def test_a_near_miss_is_one_of_what_is_left(used, near):
    """Rule 2.37: 'add 1.00' is said only where that would do; others have used 4.00 or 30.00 of 99.00."""
    choice = chosen(order(line(9900)), once("a", at_least=used, rank=1), once("b", at_least=10_000, rank=2))
    found = {j.offer: (j.worth, j.near_miss) for j in choice.evaluation.judgements}
    assert found.get("week/b") == near


def test_value_is_used_before_a_caution_is_asked():
    """Rule 2.36, one reason: of those that stand in the way, the first in the order of the checks."""
    choice = chosen(
        order(line(12_000)),
        once("a", at_least=6000, rank=1),
        once("b", at_least=10_000, rank=2, gift="G", gifts=ADULT),
    )
    assert outcomes(choice)["b"] == (6000, Reason.VALUE_USED, "week/a")
    assert choice.blocked == {}


def test_lines_that_are_used_up_earn_nothing_else():
    """Rule 2.10: the gift points to the lines that earned it."""
    choice = chosen(order(line(3000), line(9000)), once("a", at_least=3000, rank=1), once("b", at_least=6000, rank=2))
    assert {j.offer: j.lines for j in choice.evaluation.judgements} == {"week/a": [1, 2], "week/b": [2]}


def test_a_value_counts_once_on_both_bases():
    """Half of the list price is used, so half of what was charged is: 40.00 of 80.00 are left."""
    bought = order(line(8000, total_list=10_000))
    listed = once("a", at_least=5000, basis="before_discount", rank=1)
    assert outcomes(chosen(bought, listed, once("b", at_least=4000, rank=2)))["b"] == (4000, None, None)
    assert outcomes(chosen(bought, listed, once("b", at_least=4001, rank=2)))["b"][1] is Reason.VALUE_USED


def test_a_broken_cent_of_used_value_is_used():
    """10.00 of a list price of 30.00 is a third of the 10.00 charged: 6.66 are left, and not 6.67."""
    bought = order(line(1000, total_list=3000))
    listed = once("a", at_least=1000, basis="before_discount", rank=1)
    assert outcomes(chosen(bought, listed, once("b", at_least=666, rank=2)))["b"] == (666, None, None)
    assert outcomes(chosen(bought, listed, once("b", at_least=667, rank=2)))["b"][1] is Reason.VALUE_USED


# ---------------------------------------------------------------- what was kept


@pytest.mark.parametrize(
    ("returned", "policy", "expected"),
    [
        (line(1500, returned_units=1), "none", Kept(0, 1500, "none")),
        (line(1500, returned_units=1), "deduct", Kept(0, 1500, "deduct")),
        (line(1500, returned_units=1), "gift_back", Kept(0, 1500, "gift_back")),
        # A faulty item counts as kept, and nothing may be taken from what is paid back for it.
        (line(1500, returned_units=1, faulty_units=1), "deduct", Kept(1, 0, "deduct")),
        (line(1500), "deduct", None),
    ],
)
def test_ex26_what_kept_goods_still_earn(returned, policy, expected):
    """Ex-26 as far as judging goes: T 50, order 60.00, 15.00 comes back and 45.00 are kept."""
    (judged,) = chosen(order(line(4500), returned), offer(clawback=policy)).evaluation.judgements
    assert judged.qualifies
    assert judged.kept == expected


@pytest.mark.parametrize(
    ("lines", "members", "expected"),
    [
        # 50.00 of 60.00 for two, of which one comes back: 30.00 are kept.
        ([line(6000, 2, returned_units=1)], {}, (0, 3000)),
        ([line(6000, 2, returned_units=1)], {"at_least": 3000}, (1, 3000)),
        # A broken cent counts for the customer: 33.34 of 50.00 are kept.
        ([line(5000, 3, returned_units=1)], {"at_least": 3334}, (1, 1666)),
        # Cancelled units are gone already, and no more comes back than there was.
        ([line(9000, 3, cancelled_units=1, returned_units=2)], {"at_least": 6000}, (0, 6000)),
        ([line(9000, 3, cancelled_units=2, returned_units=2)], {"at_least": 3000}, (0, 3000)),
        # Goods that the offer does not look at: nothing changes but what is paid back.
        ([line(6000, brand="Alder"), line(900, returned_units=1)], {"brands": ["Alder"]}, (1, 900)),
        ([line(9000, 3, returned_units=1)], {"by": "units", "at_least": 1, "for_each": True}, (2, 3000)),
        (
            [line(9000, 3, returned_units=1)],
            {"by": "units", "at_least": 1, "for_each": True, "order_cap": 1},
            (1, 3000),
        ),
        ([line(9000, 3, returned_units=1)], {"by": "unit", "at_least": 3000}, (1, 3000)),
        ([line(9000, 3, returned_units=3), line(100)], {"by": "unit", "at_least": 3000}, (0, 9000)),
        ([line(9000, 3, returned_units=1)], {"by": "line", "at_least": 9000}, (0, 3000)),
        ([line(9000, returned_units=1), line(1)], {"by": "any"}, (1, 9000)),
        ([line(9000, returned_units=1)], {"by": "any"}, (0, 9000)),
        # Goods that are all free earn nothing, as no order of them would (rule 2.26).
        ([line(9000, returned_units=1), line(0, 2)], {"by": "units", "at_least": 2}, (0, 9000)),
        ([line(9000, returned_units=1), line(0, 2), line(1)], {"by": "units", "at_least": 2}, (1, 9000)),
        ([line(4000, total_list=8000, returned_units=1), line(4000)], {"basis": "before_discount"}, (0, 4000)),
    ],
)
def test_what_is_kept_by_measure(lines, members, expected):
    """Rule 2.18: the value of what is kept, on the offer's own basis."""
    bought, asked = order(*lines), offer(**members)
    (judged,) = evaluate(bought, live(campaign(asked))).judgements
    assert judged.kept is not None
    assert (judged.kept.units, judged.kept.refund) == expected
    assert judge_one(bought, asked) == judged


def test_the_discount_is_not_shared_anew():
    """Rule 2.18: shares are those of the original order: 54.00 of 60.00, and 40.50 of them are kept."""
    bought = order(line(4500), line(1500, returned_units=1), discount=600)
    assert judge_one(bought, offer(at_least=4050)).kept == Kept(1, 1350, "none")
    assert judge_one(bought, offer(at_least=4051)).kept == Kept(0, 1350, "none")


def test_an_offer_that_was_not_given_uses_no_kept_value():
    """Rules 2.7 and 2.18: b had nothing for a's sake. That a lapses now gives it no claim on what c was given for."""
    bought = order(line(3000, brand="Alder", returned_units=1), line(3000, brand="Alder"), line(4000, brand="Birch"))
    offers = [
        once("a", brands=["Alder"], at_least=6000, rank=1),
        once("b", at_least=6000, rank=2),
        once("c", at_least=4000, rank=3),
    ]
    choice = chosen(bought, *offers)
    assert {c.offer for c in choice.claims} == {"week/a", "week/c"}
    kept = {j.offer: j.kept.units for j in choice.evaluation.judgements if j.kept}
    assert (kept["week/a"], kept["week/c"]) == (0, 1)


def lines_of(*charged: int, returned: int) -> list[Line]:
    """Lines of which one comes back."""
    return [line(c, returned_units=int(n == returned)) for n, c in enumerate(charged, 1)]


@pytest.mark.parametrize(
    ("returned", "kept"),
    [(1, {"week/a": 1, "week/b": 0}), (3, {"week/a": 1, "week/b": 1})],
)
def test_kept_value_counts_once_too(returned, kept):
    """Rules 2.7 and 2.18: of 130.00, 60.00 or 120.00 are kept for two offers that ask 60.00 each."""
    bought = order(*lines_of(7000, 5000, 1000, returned=returned))
    choice = chosen(bought, once("a", at_least=6000, rank=1), once("b", at_least=6000, rank=2))
    assert {j.offer: j.kept.units for j in choice.evaluation.judgements if j.kept} == kept


def test_a_benefit_uses_kept_value_too():
    """Rules 2.7 and 2.18: 50.00 of the 60.00 that are kept carry the benefit, so the gift is no longer earned."""
    bought = order(line(6000), line(4000, returned_units=1))
    offers = [once("a", benefit="free_shipping", at_least=5000, rank=1), once("b", at_least=5000, rank=2)]
    kept = {j.offer: j.kept for j in chosen(bought, *offers).evaluation.judgements}
    assert kept["week/b"] == Kept(0, 4000, "none")


# ---------------------------------------------------------------- one reason, and what earned


def test_an_outranked_offer_is_told_that_first():
    """Rule 2.36 and the order of the checks: its group comes before the caution of its gift, which nobody hears of."""
    best = offer("a", group="g", rank=1, when_out="next")
    choice = chosen(order(line(6000)), best, offer("b", group="g", rank=2, gift="G", gifts=ADULT))
    assert outcomes(choice)["b"] == (6000, Reason.OUTRANKED, "week/a")
    assert choice.blocked == {}


def test_a_line_of_no_units_earns_no_units():
    """Rule 2.10: the gift points to the lines that earned it; a line of 0 units adds its value and is no purchase."""
    (judged,) = chosen(order(line(1000, 0), line(500)), offer(by="units", at_least=1)).evaluation.judgements
    assert judged.lines == [2]
