"""The reference model on what the warehouse does with gifts and what people say of the stock.

'Ex-n' is a worked example of the rules of the trade (common practice, no source), 'Rule n' one of its rules. Other
figures are worked by hand.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.support.reference import CUSTOMER_CAP, NO_STOCK, Reference
from tests.support.reference_cases import (
    accounts,
    campaign,
    counters,
    gift,
    held,
    line,
    offer,
    outcome,
    played,
    snapshot,
)

TIN = "week/tin"
EACH = offer(counts={"at_least": 1000}, gives={"for_each": True})
HERE = (TIN, "TIN", "main")


def orders_of(units, *names, **members):
    """One order a name, each earning so many of `EACH`."""
    return [snapshot(name, line(1000 * units), **members) for name in names]


def north_south(order, **members):
    """An order whose gift may ride from N, else from S."""
    return snapshot(order, line(2500, site="N"), line(2500, number=2, site="S"), **members)


# ---------------------------------------------------------------- caps and what left


def test_ex9_a_gift_that_is_kept_keeps_the_allowance():
    """Ex-9: A was shipped and its goods returned, the gift was not: B is refused. With the gift back C is granted."""
    each = campaign(offer(caps={"per_customer": 1}))
    reference = played([each], [(*HERE, 9)], snapshot("A", line(5000), customer="c"))
    reference.packed("A", "A/main")
    back = line(5000, returned_units=1)
    reference.order(snapshot("A", back, revision=2, customer="c"))
    reference.order(snapshot("B", line(5000), customer="c"))
    assert outcome(reference, "B") == ("declined", 0, 0, CUSTOMER_CAP)
    reference.gift_fact("A", TIN, "returned", 1)
    reference.order(snapshot("C", line(5000), customer="c"))
    assert outcome(reference, "C") == ("granted", 1, 0, None)
    reference.order(snapshot("A", back, revision=3, customer="c"))
    assert outcome(reference, "A") == ("granted", 0, 0, None), "given once, and never again"
    assert counters(reference, "free", "reserved", "packed", "restocked") == (8, 1, 1, 1)


def test_ex33_six_orders_of_one_customer():
    """Ex-33: six orders, one card, one a customer. Ex-34: four cards, four gifts."""
    stock = [(*HERE, 20)]
    week = campaign(offer(caps={"per_customer": 1}))
    six = [snapshot(f"A{at}", line(5000 + 40 * at), customer="card") for at in range(6)]
    four = [snapshot(f"B{at}", line(5000), customer=f"flat {at}") for at in range(4)]
    reference = played([week], stock, *six, *four)
    assert [outcome(reference, f"A{at}")[0] for at in range(6)] == ["granted", *["declined"] * 5]
    assert {outcome(reference, f"A{at}")[3] for at in range(1, 6)} == {CUSTOMER_CAP}
    assert [outcome(reference, f"B{at}")[0] for at in range(4)] == ["granted"] * 4


# ---------------------------------------------------------------- the warehouse


def test_ex24_packed_though_no_longer_wanted():
    """Ex-24: released 09:00, an item removed 09:10, packed 09:40: over-gift. Put back in time it is none."""
    for happened, over, free in (("packed", {("A", TIN): 1}, 0), ("put_back", {}, 1)):
        reference = played([campaign(offer())], [(*HERE, 1)], snapshot("A", line(5200)))
        reference.released("A", "A/main")
        reference.order(snapshot("A", line(4700), revision=2, status="amended"))
        assert accounts(reference) == (0, 0, 1, 0)
        if happened == "packed":
            reference.packed("A", "A/main")
        else:
            reference.gift_fact("A", TIN, "put_back", 1)
        assert reference.over_gifts() == over
        assert counters(reference, "free", "over_gift") == (free, 0)


def test_what_was_packed_while_wanted_is_no_over_gift():
    """Rule 2.17: packed, then cancelled, is a return."""
    reference = played([campaign(offer())], [(*HERE, 1)], snapshot("A", line(5000)))
    reference.packed("A", "A/main")
    reference.order(snapshot("A", revision=2, status="cancelled"))
    assert reference.over_gifts() == {}


def test_ex25_a_cancelled_gift_is_free_when_it_is_put_back():
    """Ex-25: what is on the floor rises to free with the scan, not with the cancellation; it serves who waits."""
    week = campaign(offer(when_out="owed"))
    reference = played([week], [(*HERE, 1)], snapshot("A", line(5000)), snapshot("B", line(5000)))
    reference.released("A", "A/main")
    reference.order(snapshot("A", revision=2, status="cancelled"))
    assert outcome(reference, "B") == ("owed", 0, 1, NO_STOCK)
    reference.gift_fact("A", TIN, "put_back", 1)
    assert outcome(reference, "A") is None
    assert outcome(reference, "B") == ("granted", 1, 0, None)
    assert counters(reference, "free", "reserved", "released", "restocked") == (0, 1, 0, 0)


def test_put_back_though_wanted_is_taken_again():
    """The design's put back: the order wants it still, so it takes it before those who wait."""
    week = campaign(offer(when_out="owed"))
    reference = played([week], [(*HERE, 1)], snapshot("A", line(5000)), snapshot("B", line(5000)))
    reference.released("A", "A/main")
    reference.gift_fact("A", TIN, "put_back", 1)
    assert outcome(reference, "A") == ("granted", 1, 0, None)
    assert outcome(reference, "B") == ("owed", 0, 1, NO_STOCK)
    assert accounts(reference) == (0, 1, 0, 0)
    reference.packed("A", "A/main")
    assert accounts(reference) == (0, 1, 0, 0), "it lies on another ticket now"


def test_put_back_beyond_what_was_out_is_no_unit():
    """The design's put back: one off the floor, one out of the box; of a third nobody knows where it was taken."""
    reference = played([campaign(EACH)], [(*HERE, 2)], *orders_of(2, "A"))
    reference.gift_fact("A", TIN, "packed", 1)
    reference.gift_fact("A", TIN, "released", 1)
    reference.order(snapshot("A", revision=2, status="cancelled"))
    reference.gift_fact("A", TIN, "put_back", 3, boxed=1)
    assert counters(reference, "free", "released", "packed", "restocked") == (2, 0, 1, 1)


def test_rule_2_24_a_short_pick_tries_elsewhere():
    """Rule 2.24: the bin is empty, so what should be free there waits for a count, and S serves the order."""
    week = campaign(offer())
    reference = played([week], [(TIN, "TIN", "N", 3), (TIN, "TIN", "S", 1)], north_south("A"))
    reference.released("A", "A/N")
    reference.gift_fact("A", TIN, "short_picked", 1)
    assert held(reference, "A") == ("TIN", "S", 1)
    assert counters(reference, "free", "released", "quarantine", site="N") == (0, 0, 3)
    reference.packed("A", "A/N")
    assert held(reference, "A") == ("TIN", "S", 1)
    assert counters(reference, "packed", site="N") == (0,), "the box of N left without it"
    reference.packed("A", "A/S")
    assert counters(reference, "packed", site="S") == (1,)


def test_rule_2_24_then_a_substitute_then_later():
    """Rule 2.24: another site, a substitute, else owed, though this offer owes nothing of itself."""
    week = campaign(offer(gives={"otherwise": ["PAD"]}), gifts=(gift(), gift("PAD")))
    stock = [(TIN, "TIN", "N", 1), (TIN, "PAD", "S", 1)]
    reference = played([week], stock, north_south("A"))
    reference.gift_fact("A", TIN, "short_picked", 1)
    assert held(reference, "A") == ("PAD", "S", 1)
    reference.gift_fact("A", TIN, "short_picked", 1)
    assert outcome(reference, "A") == ("owed", 0, 1, NO_STOCK)
    reference.order(north_south("B"))
    assert outcome(reference, "B") == ("declined", 0, 0, NO_STOCK)
    reference.receive(TIN, "PAD", "N", 1)
    assert held(reference, "A") == ("PAD", "N", 1)


def test_a_short_pick_of_what_nobody_wants_any_more():
    """By hand: the order was cancelled while its gift was on the floor, so it is not taken again."""
    reference = played([campaign(offer())], [(TIN, "TIN", "N", 1), (TIN, "TIN", "S", 1)], north_south("A"))
    reference.released("A", "A/N")
    reference.order(north_south("A", revision=2, status="cancelled"))
    reference.gift_fact("A", TIN, "short_picked", 1)
    assert outcome(reference, "A") is None
    assert counters(reference, "free", site="S") == (1,)
    assert counters(reference, "quarantine", site="N") == (1,)


def test_a_short_pick_of_some_leaves_the_rest_where_it_is():
    """By hand: of two packed one is there; one gift line is at one site, so the other is owed, not sent from S."""
    reference = played(
        [campaign(EACH)],
        [(TIN, "TIN", "N", 2), (TIN, "TIN", "S", 2)],
        snapshot("A", line(2000, site="N"), line(0, number=2, site="S")),
    )
    reference.released("A", "A/N")
    reference.gift_fact("A", TIN, "short_picked", 1)
    assert (held(reference, "A"), outcome(reference, "A")) == (("TIN", "N", 1), ("granted", 1, 1, NO_STOCK))
    reference.packed("A", "A/N")
    assert counters(reference, "packed", "quarantine", site="N") == (1, 1)
    reference.receive(TIN, "TIN", "N", 1)
    assert outcome(reference, "A") == ("granted", 2, 0, None)


def test_a_short_pick_asks_for_no_more_than_it_lost():
    """By hand: three wanted, one under the cap; the one that is lost is owed, the two never were."""
    week = campaign(offer(counts={"at_least": 1000}, gives={"for_each": True}, caps={"total": 1}))
    reference = played([week], [(*HERE, 9)], *orders_of(3, "A"))
    reference.gift_fact("A", TIN, "short_picked", 1)
    assert outcome(reference, "A") == ("owed", 0, 1, NO_STOCK)


def test_returned_gifts_serve_those_who_wait_or_are_scrapped():
    """Rule 2.18: only a saleable one goes back to the shelf; either way the order is never granted it again."""
    week = campaign(offer(when_out="owed"))
    for happened, of_b, figures in (
        ("returned", ("granted", 1, 0, None), (0, 1, 1, 1, 0)),
        ("scrapped", ("owed", 0, 1, NO_STOCK), (0, 0, 1, 1, 1)),
    ):
        reference = played([week], [(*HERE, 1)], snapshot("A", line(5000)), snapshot("B", line(5000)))
        reference.packed("A", "A/main")
        reference.gift_fact("A", TIN, happened, 2)
        assert reference.outcomes()["A", TIN]["came_back"] == 1, "only one was packed"
        assert outcome(reference, "B") == of_b
        assert counters(reference, "free", "reserved", "packed", "restocked", "damaged") == figures


def test_packed_without_cover():
    """S1: never refused. Its own, then free stock, then the over-gift account; the order is granted no more."""
    reference = played([campaign(offer())], [(*HERE, 2)], snapshot("A", line(5000)))
    reference.gift_fact("A", TIN, "packed", 3)
    assert counters(reference, "free", "reserved", "packed", "over_gift") == (0, 0, 3, 1)
    assert outcome(reference, "A") == ("granted", 1, 0, None)


def test_a_group_keeps_the_member_whose_gift_came_back():
    """By hand: the gift given once is not followed by another of its group."""
    offers = [offer("tin", group="g", rank=2), offer("two", group="g", rank=1, counts={"at_least": 6000})]
    stock = [(*HERE, 1), ("week/two", "TIN", "main", 1)]
    reference = played([campaign(*offers)], stock, snapshot("A", line(5000)))
    reference.packed("A", "A/main")
    reference.gift_fact("A", TIN, "returned", 1)
    reference.order(snapshot("A", line(7000), revision=2))
    assert set(reference.outcomes()) == {("A", TIN)}


# ---------------------------------------------------------------- what is held is swapped


def test_a_site_that_no_longer_ships_is_left():
    """The design's swap (a): the goods move from N to S, so does the gift; with none at S it is declined."""
    for at_south, expected in ((1, ("TIN", "S", 1)), (0, (None, None, 0))):
        stock = [(TIN, "TIN", "N", 1), *([(TIN, "TIN", "S", 1)] if at_south else [])]
        reference = played([campaign(offer())], stock, snapshot("A", line(5000, site="N")))
        reference.order(snapshot("A", line(5000, site="S"), revision=2))
        assert held(reference, "A") == expected
        assert counters(reference, "free", "reserved", site="N") == (1, 0)


def test_what_is_on_the_floor_is_not_swapped():
    """The design's swap: only what is still reserved."""
    stock = [(TIN, "TIN", "N", 1), (TIN, "TIN", "S", 1)]
    reference = played([campaign(offer())], stock, snapshot("A", line(5000, site="N")))
    reference.released("A", "A/N")
    reference.order(snapshot("A", line(5000, site="S"), revision=2))
    assert held(reference, "A") == ("TIN", "N", 1)


def test_another_choice_is_followed_if_it_is_there():
    """The design's swap (b): from plain to rose, which is free; to plum, which is out: rose stays."""
    shades = campaign(
        offer(gift="PLAIN", gives={"choice": ["ROSE", "PLUM"]}), gifts=[gift(n) for n in ("PLAIN", "ROSE", "PLUM")]
    )
    stock = [(TIN, name, "main", 1) for name in ("PLAIN", "ROSE")]
    reference = played([shades], stock, snapshot("A", line(5000)))
    assert held(reference, "A")[0] == "PLAIN"
    reference.order(snapshot("A", line(5000), chosen_gift="ROSE", revision=2))
    assert held(reference, "A")[0] == "ROSE"
    assert counters(reference, "free", gift="PLAIN") == (1,)
    reference.order(snapshot("A", line(5100), chosen_gift="ROSE", revision=3))
    assert held(reference, "A")[0] == "ROSE"
    reference.receive(TIN, "PLUM", "elsewhere", 1)
    reference.order(snapshot("A", line(5000), chosen_gift="PLAIN", revision=4))
    reference.order(snapshot("A", line(5000), chosen_gift="PLUM", revision=5))
    assert held(reference, "A")[0] == "PLAIN", "the default, as the chosen one is out where it ships from"


# ---------------------------------------------------------------- people and their stock


def test_ex29_stock_at_the_wrong_site():
    """Ex-29: 90 at N, 10 at S, two of five orders ship from S alone: its 10 are gone with the 25th order.

    The next of S is declined though 75 lie at N; a transfer of 20 serves it when it arrives, not before.
    """
    week = campaign(offer(when_out="owed"))
    reference = Reference([week], [(TIN, "TIN", "N", 90), (TIN, "TIN", "S", 10)])
    for at in range(25):
        reference.order(snapshot(str(at), line(5000, site="S" if at % 5 in (1, 3) else "N")))
    assert counters(reference, "free", site="S") == (0,)
    assert counters(reference, "free", site="N") == (75,)
    reference.order(snapshot("late", line(5000, site="S")))
    assert outcome(reference, "late") == ("owed", 0, 1, NO_STOCK)
    assert not reference.transfer("t0", (TIN, "TIN", "N"), (TIN, "TIN", "S"), 76), "more than is free"
    assert reference.transfer("t1", (TIN, "TIN", "N"), (TIN, "TIN", "S"), 20)
    assert counters(reference, "free", "transferred_out", site="N") == (55, 20)
    assert counters(reference, "free", "in_transit", site="S") == (0, 20)
    assert outcome(reference, "late") == ("owed", 0, 1, NO_STOCK)
    reference.arrived("t1", 18)
    reference.arrived("t1", 18)
    assert outcome(reference, "late") == ("granted", 1, 0, None)
    assert counters(reference, "free", "reserved", "in_transit", "count_loss", site="S") == (17, 11, 0, 2)


def test_a_transfer_between_offers_of_one_site_is_there_at_once():
    """The design's transfer: same site, so free at once, and served to those who wait."""
    week = campaign(offer(), offer("two", when_out="owed"))
    reference = played([week], [(*HERE, 3)], snapshot("A", line(5000)))
    assert outcome(reference, "A", "week/two") == ("owed", 0, 1, NO_STOCK)
    assert reference.transfer("t", HERE, ("week/two", "TIN", "main"), 2)
    assert outcome(reference, "A", "week/two") == ("granted", 1, 0, None)
    assert counters(reference, "free", "reserved", "transferred_in", offer_key="week/two") == (1, 1, 2)
    assert counters(reference, "free", "reserved", "transferred_out") == (0, 1, 2)


def test_ex31_orders_after_the_stock_ran_out_are_owed_and_served_by_a_receipt():
    """Ex-31: nine orders while the page still showed the gift: nine in the queue, the oldest served first."""
    week = campaign(offer(when_out="owed"))
    reference = played([week], [(*HERE, 1)], *(snapshot(str(at), line(5000)) for at in range(10)))
    waiting = [str(at) for at in range(10) if outcome(reference, str(at))[0] == "owed"]
    assert waiting == [str(at) for at in range(1, 10)]
    reference.receive(*HERE, 4)
    assert [o for o in waiting if outcome(reference, o)[0] == "owed"] == ["5", "6", "7", "8", "9"]
    reference.receive(*HERE, 7)
    assert accounts(reference) == (2, 10, 0, 0)


def test_ex32_the_identity_at_close():
    """Ex-32: open 500, receipt 100, packed 548, damage 4, restocked 3, count + 1: 52."""
    reference = Reference([campaign(EACH)], [(*HERE, 500)])
    reference.receive(*HERE, 100)
    for at in range(137):
        reference.order(snapshot(str(at), line(4000)))
        reference.gift_fact(str(at), TIN, "packed", 4)
    assert reference.damage(*HERE, 4)
    reference.gift_fact("0", TIN, "returned", 3)
    assert reference.count(*HERE, 52) == 0
    names = ("received", "packed", "damaged", "restocked", "count_gain", "count_loss", "free")
    assert counters(reference, *names) == (600, 548, 4, 3, 1, 0, 52)


@pytest.mark.parametrize(
    ("by_hand", "figures", "unexplained", "owed"),
    [
        # 2 free, 1 on the floor, 3 reserved, 0 quarantined: 6 in the books
        (8, (4, 3, 1, 2, 0), 0, []),
        (6, (2, 3, 1, 0, 0), 0, []),
        (5, (1, 3, 1, 0, 1), 0, []),
        (4, (0, 3, 1, 0, 2), 0, []),
        (3, (0, 2, 1, 0, 3), 0, ["D"]),
        (1, (0, 0, 1, 0, 5), 0, ["B", "C", "D"]),
        (0, (0, 0, 1, 0, 5), 1, ["B", "C", "D"]),
    ],
)
def test_a_count_takes_free_units_then_the_newest_reservations(by_hand, figures, unexplained, owed):
    """S1: a loss beyond the free stock turns the newest reservations into owed; the floor's paper stays as it is."""
    reference = played([campaign(EACH)], [(*HERE, 6)], *orders_of(1, "A", "B", "C", "D"))
    reference.released("A", "A/main")
    assert reference.count(*HERE, by_hand) == unexplained
    assert counters(reference, "free", "reserved", "released", "count_gain", "count_loss") == figures
    assert [order for order in "ABCD" if outcome(reference, order)[0] == "owed"] == owed


@pytest.mark.parametrize(
    ("by_hand", "figures"), [(0, (0, 0, 0, 3)), (2, (2, 0, 0, 1)), (3, (3, 0, 0, 0)), (4, (4, 0, 1, 0))]
)
def test_a_count_settles_the_quarantine(by_hand, figures):
    """Rule 2.24: three are quarantined after a short pick of one; found by hand they are free, the others lost."""
    reference = played([campaign(offer())], [(*HERE, 3)], snapshot("A", line(5000)))
    reference.gift_fact("A", TIN, "short_picked", 1)
    assert counters(reference, "free", "quarantine") == (0, 3)
    reference.order(snapshot("A", revision=2, status="cancelled"))
    assert reference.count(*HERE, by_hand) == 0
    assert counters(reference, "free", "quarantine", "count_gain", "count_loss") == figures


def test_what_a_count_finds_serves_those_who_wait():
    """By hand: the short-picked order is owed; two of three are found, so it has its own."""
    reference = played([campaign(offer())], [(*HERE, 3)], snapshot("A", line(5000)))
    reference.gift_fact("A", TIN, "short_picked", 1)
    assert outcome(reference, "A") == ("owed", 0, 1, NO_STOCK)
    reference.count(*HERE, 2)
    assert outcome(reference, "A") == ("granted", 1, 0, None)
    assert counters(reference, "free", "reserved", "quarantine", "count_loss") == (1, 1, 0, 1)


def test_damage_takes_the_newest_reservations_and_then_the_quarantine():
    """The design's damage, by hand: 1 free, 2 and 2 reserved; 2 lost make the newer order owe 1, and so on."""
    reference = played([campaign(EACH)], [(*HERE, 5)], *orders_of(2, "A", "B"))
    assert not reference.damage(*HERE, 6)
    assert counters(reference, "free", "damaged") == (1, 0)
    assert reference.damage(*HERE, 2)
    assert outcome(reference, "A") == ("granted", 2, 0, None)
    assert outcome(reference, "B") == ("granted", 1, 1, NO_STOCK)
    assert reference.damage(*HERE, 2)
    assert outcome(reference, "A") == ("granted", 1, 1, NO_STOCK)
    assert outcome(reference, "B") == ("owed", 0, 2, NO_STOCK)
    reference.gift_fact("A", TIN, "short_picked", 1)
    assert not reference.damage(*HERE, 2)
    assert reference.damage(*HERE, 1)
    assert counters(reference, "free", "reserved", "quarantine", "damaged") == (0, 0, 0, 5)
    reference.receive(*HERE, 3)
    assert outcome(reference, "B") == ("granted", 2, 0, None), "it waits for longer"
    assert outcome(reference, "A") == ("granted", 1, 1, NO_STOCK)


def test_of_those_that_lose_their_gifts_together_the_older_is_served_first():
    """By hand: two reservations are lost by one count, and one tin comes."""
    reference = played([campaign(EACH)], [(*HERE, 2)], *orders_of(1, "A", "B"))
    assert reference.count(*HERE, 0) == 0
    reference.receive(*HERE, 1)
    assert outcome(reference, "A") == ("granted", 1, 0, None)
    assert outcome(reference, "B") == ("owed", 0, 1, NO_STOCK)


FACTS = st.sampled_from(["released", "packed", "short_picked", "put_back", "returned", "scrapped"])
SITES = st.sampled_from("NS")
STEPS = st.one_of(
    st.tuples(st.just("order"), st.sampled_from("ABC"), st.integers(0, 3), SITES),
    st.tuples(st.just("fact"), st.sampled_from("ABC"), FACTS, st.integers(1, 3), st.sampled_from(["N", "S", None])),
    st.tuples(st.sampled_from(["receive", "count", "damage"]), SITES, st.integers(0, 4)),
    st.tuples(st.just("transfer"), SITES, SITES, st.integers(1, 3)),
    st.tuples(st.just("arrived"), st.integers(0, 30), st.integers(0, 4)),
)


@given(steps=st.lists(STEPS, max_size=30), when_out=st.sampled_from(["owed", "next"]))
def test_whatever_happens_the_books_balance(steps, when_out):
    """S1, S4, S12 (the model asserts them for each answer): nothing below zero, what came in stands or went out.

    And no order has more live units than it was granted under the cap.
    """
    week = campaign(offer(counts={"at_least": 1000}, gives={"for_each": True}, when_out=when_out, caps={"total": 5}))
    reference = Reference([week], [(TIN, "TIN", site, 3) for site in "NS"])
    for at, (step, *figures) in enumerate(steps):
        match step, figures:
            case "order", (name, units, site):
                both = (line(1000 * units, site=site), line(1, number=2, site="N"))
                reference.order(snapshot(name, *both, revision=at + 1))
            case "fact", (name, happened, units, site) if (name, TIN) in reference._ledger.claims:  # noqa: SLF001
                boxed = units // 2 if happened == "put_back" else 0
                reference.gift_fact(name, TIN, happened, units, site, boxed)
            case "transfer", (source, target, units):
                reference.transfer(str(at), (TIN, "TIN", source), (TIN, "TIN", target), units)
            case "arrived", (name, units):
                reference.arrived(str(name), units)
            case _, (site, units):
                getattr(reference, step)(TIN, "TIN", site, units)
        reference.balances()
        found = [one for (_, _), one in reference.outcomes().items()]
        assert sum(one["units"] + one["owed"] for one in found) <= 5
