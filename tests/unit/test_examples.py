"""The trade's worked examples, from order events in to tickets out.

'Ex-n' is a worked example of the rules of the trade. They are common practice, no source, unless one is named beside
them. Amounts are in cents. Other examples than these, and the figures by themselves, are in test_money, test_moments
and test_qualify.
"""

from datetime import UTC, datetime, timedelta
from itertools import permutations

import pytest

from makeweight.contracts.campaigns import DocumentError, read_campaign
from makeweight.domain.reasons import Reason
from tests.support.build import PLACED, WEEK, line, order
from tests.support.shop import Shop, amended, document, gives

SECOND, MINUTE, DAY = timedelta(seconds=1), timedelta(minutes=1), timedelta(days=1)
AMPLE = {("week/tin", "TIN", "main"): 1_000}
GIVEN, DECLINED = ("granted", 1, "TIN", None), "declined"


def asked(*offers, stock=None, **members):
    """A shop with one campaign; its default is the week's tin with ample stock."""
    return Shop([document(*(offers or (gives(),)), **members)], AMPLE if stock is None else stock)


def worth(shop, name, offer="week/tin"):
    """The qualifying value that the desk recorded for an offer."""
    judged = next(j for j in shop.state(name).evaluation.judgements if j.offer == offer)
    assert judged.worth % judged.per == 0
    return judged.worth // judged.per


# ---------------------------------------------------------------- value and words


def ex1():
    """Ex-1's order: serum 2 x 18.00, brush, gift card, wrap, a code of 10 % on merchandise, and shipping."""
    return order(
        line(3600, 2, brand="Alder", sku="SERUM"),
        line(1200, brand="Birch", sku="BRUSH"),
        line(2500, kind="gift_card"),
        line(300, kind="wrap"),
        discount=480,
        codes=["TEN"],
        shipping_charged=490,
    )


@pytest.mark.parametrize(
    ("counts", "value"),
    [
        pytest.param({"at_least": 4500}, None, id="order of 45 or more, after discount: 43.20"),
        pytest.param({"at_least": 4500, "basis": "before_discount"}, 4800, id="the same before discount"),
        pytest.param({"at_least": 4320}, 4320, id="order of 43.20 or more"),
        pytest.param({"at_least": 3240, "brands": ["Alder"]}, 3240, id="Alder subtotal"),
        pytest.param({"at_least": 3240, "by": "line"}, 3240, id="largest line"),
        pytest.param({"over": 1600, "by": "unit", "brands": ["Alder"]}, 1620, id="a single Alder item over 16"),
        pytest.param({"over": 1620, "by": "unit", "brands": ["Alder"]}, None, id="16.20 is not over 16.20"),
        pytest.param(
            {"over": 1800, "by": "unit", "brands": ["Alder"], "basis": "before_discount"}, None, id="18 is not over 18"
        ),
    ],
)
def test_ex1_basis_scope_and_measure_decide(counts, value):
    """Ex-1 (common practice, no source): which value an offer sees, and what the order then gets."""
    shop = asked(gives(**counts))
    shop.place(ex1())
    given = [g.gift for g in shop.ticket("A").gift_lines]
    assert given == ([] if value is None else ["TIN"])
    if value is not None:
        assert worth(shop, "A") == value


@pytest.mark.parametrize(
    ("charged", "brand", "given"),
    [(0, "Cedar", False), (50, "Cedar", True), (50, "Birch", True), (50, "Dogwood", False)],
)
def test_ex2_a_free_sample_is_no_purchase(charged, brand, given):
    """Ex-2 (common practice, no source): 'any purchase from Birch or Cedar' takes a pin at 0.50, no sachet at 0.00."""
    shop = asked(gives(by="any", brands=["Birch", "Cedar"]))
    shop.place(order(line(charged, brand=brand), line(9000, brand="Elm")))
    assert bool(shop.ticket("A").gift_lines) is given


@pytest.mark.parametrize(
    ("words", "charged", "given"),
    [("over", 5000, False), ("over", 5001, True), ("at_least", 4999, False), ("at_least", 5000, True)],
)
def test_ex3_over_and_or_more(words, charged, given):
    """Ex-3 (common practice, no source): 50.00 is 50 or more, and not over 50."""
    shop = asked(gives(**{words: 5000}))
    shop.place(order(line(charged)))
    assert bool(shop.ticket("A").gift_lines) is given


@pytest.mark.parametrize(
    ("totals", "shares"),
    [
        pytest.param((1999, 2499, 3334), (255, 319, 426), id="Ex-4"),
        pytest.param((5000, 5000, 5000), (334, 333, 333), id="Ex-5"),
    ],
)
def test_ex4_and_ex5_an_order_discount_is_shared_to_the_cent(totals, shares):
    """Ex-4 and Ex-5 (common practice, no source): 10.00 off over three lines by largest remainder, ties by order."""
    offers = [gives(f"of-{n}", gift=None, benefit="stamp", skus=[f"SKU-{n}"], at_least=1) for n in (1, 2, 3)]
    shop = asked(*offers)
    shop.place(order(*map(line, totals), discount=1000))
    left = [worth(shop, "A", f"week/of-{n}") for n in (1, 2, 3)]
    assert left == [total - share for total, share in zip(totals, shares, strict=True)]
    assert sum(left) == sum(totals) - 1000


@pytest.mark.parametrize(
    ("charged", "caps", "units"),
    [(3999, {}, 0), (11_999, {}, 2), (12_000, {}, 3), (12_000, {"per_order": 2}, 2)],
)
def test_ex6_one_tin_for_each_40(charged, caps, units):
    """Ex-6 (common practice, no source): 119.99 makes 2, 120.00 makes 3, capped at 2 an order 2."""
    shop = asked(gives(at_least=4000, for_each=True, caps=caps))
    shop.place(order(line(charged)))
    assert sum(g.units for g in shop.ticket("A").gift_lines) == units
    assert shop.balance().reserved == units


def test_ex6_the_cap_of_an_order_is_told():
    """Ex-6 with rule 2.5 (common practice, no source): each limit has its own reason, and agents are told it."""
    shop = asked(gives(at_least=4000, for_each=True, caps={"per_order": 2}))
    shop.place(order(line(12_000)))
    assert "At most 2 to an order." in shop.told("A").sentence


# ---------------------------------------------------------------- caps, groups and what follows when a gift is out


def test_ex8_a_cancelled_order_gives_the_customers_allowance_back():
    """Ex-8 (common practice, no source): one to a customer; A granted and cancelled before the pick, so B is too."""
    shop = asked(gives(caps={"per_customer": 1}))
    shop.place(order(line(6000), customer="c"))
    shop.place(order(line(6000), order="TOO-SOON", customer="c", placed_at=PLACED + MINUTE))
    shop.cancel("A", at=PLACED + DAY)
    shop.place(order(line(6000), order="B", customer="c", placed_at=PLACED + 2 * DAY))
    assert shop.got("TOO-SOON") == (DECLINED, 0, None, Reason.CUSTOMER_CAP)
    assert shop.got("A") == (DECLINED, 0, None, Reason.NOT_WANTED)
    assert shop.got("B") == GIVEN


def test_ex10_the_last_of_the_campaign_goes_to_one_order():
    """Ex-10 (common practice, no source): 499 of 500 are live, two orders come: one has the last, the other none."""
    shop = asked(gives(for_each=True, caps={"total": 500}))
    shop.place(order(line(499 * 5000), order="BEFORE"))
    shop.place(order(line(6000), order="A"), order(line(6000), order="B"))
    assert shop.got("BEFORE") == ("granted", 499, "TIN", None)
    assert [shop.got("A"), shop.got("B")] == [GIVEN, (DECLINED, 0, None, Reason.CAMPAIGN_CAP)]
    assert shop.level().live_units == 500
    assert shop.level().exhausted_at == PLACED


TWO = [("week/alder", "CARD", "main"), ("week/whole", "TIN", "main")]


@pytest.mark.parametrize(
    ("members", "given"),
    [
        pytest.param([{}, {}], ["CARD", "TIN"], id="ungrouped: both"),
        pytest.param([{"group": "g", "rank": 1}, {"group": "g", "rank": 2}], ["CARD"], id="one group: the first"),
        pytest.param([{"group": "g", "rank": 2}, {"group": "g", "rank": 1}], ["TIN"], id="ranked the other way"),
        pytest.param([{"group": "g"}, {"group": "h"}], ["CARD", "TIN"], id="different groups stack"),
        pytest.param([{"group": "g"}, {"group": "g"}], ["TIN"], id="rule 2.8: at equal rank the higher tier"),
    ],
)
def test_ex12_offers_stack_unless_they_share_a_group(members, given):
    """Ex-12 (common practice, no source): order of 120.00, one offer on Alder >= 30 and one on the order >= 100."""
    offers = [
        gives("alder", "CARD", brands=["Alder"], at_least=3000, **members[0]),
        gives("whole", "TIN", at_least=10_000, **members[1]),
    ]
    shop = asked(*offers, stock=dict.fromkeys(TWO, 10))
    shop.place(order(line(3000, brand="Alder"), line(9000, brand="Birch")))
    assert [g.gift for g in shop.ticket("A").gift_lines] == given
    if len(given) == 1:
        lost = "week/whole" if given == ["CARD"] else "week/alder"
        assert shop.told("A", lost).reason == Reason.OUTRANKED


def test_ex12_a_group_spans_the_campaigns_of_a_market():
    """Ex-12 (common practice, no source) with the two offers in two campaigns: still one of a group."""
    alder = document(gives("alder", "CARD", brands=["Alder"], at_least=3000, group="g", rank=1), campaign="other")
    whole = document(gives("whole", "TIN", at_least=10_000, group="g", rank=2))
    shop = Shop([alder, whole], {("other/alder", "CARD", "main"): 1, ("week/whole", "TIN", "main"): 1})
    shop.place(order(line(3000, brand="Alder"), line(9000, brand="Birch")))
    assert [g.gift for g in shop.ticket("A").gift_lines] == ["CARD"]


def test_ex13_the_next_of_the_group_when_the_winner_is_out():
    """Ex-13 (common practice, no source), fall-through on: G1 is exhausted, so G2, and the reason is told."""
    shop = asked(
        gives("first", "G1", group="g", rank=1, when_out="next"),
        gives("second", "G2", group="g", rank=2),
        stock={("week/second", "G2", "main"): 5},
    )
    shop.place(order(line(6000)))
    assert shop.got("A", "week/first") == (DECLINED, 0, None, Reason.NO_STOCK)
    assert shop.got("A", "week/second") == ("granted", 1, "G2", None)
    assert shop.told("A", "week/first").reason == Reason.NO_STOCK
    assert [(g.offer, g.gift) for g in shop.ticket("A").gift_lines] == [("week/second", "G2")]
    assert shop.ticket("A").state == "final"


def test_ex13_a_substitute_when_the_winner_is_out():
    """Ex-13 (common practice, no source), fall-through off: the substitute S1, told as one."""
    shop = asked(
        gives("first", "G1", otherwise=["S1"], when_out="substitute", group="g", rank=1),
        gives("second", "G2", group="g", rank=2),
        stock={("week/first", "S1", "main"): 5, ("week/second", "G2", "main"): 5},
    )
    shop.place(order(line(6000)))
    assert shop.got("A", "week/first") == ("granted", 1, "S1", None)
    (given,) = shop.ticket("A").gift_lines
    assert (given.gift, given.substitute) == ("S1", True)
    assert "instead of the announced gift" in shop.told("A", "week/first").sentence
    assert shop.outcome("A", "week/second") is None


def test_ex13_owed_when_out_is_no_fall_through():
    """Ex-13 (common practice, no source): an offer that owes keeps its order; the group goes no further."""
    shop = asked(
        gives("first", "G1", when_out="owed", group="g", rank=1),
        gives("second", "G2", group="g", rank=2),
        stock={("week/second", "G2", "main"): 5},
    )
    shop.place(order(line(6000)))
    assert shop.got("A", "week/first") == ("owed", 0, None, Reason.NO_STOCK)
    assert shop.outcome("A", "week/second") is None
    assert shop.amounts("A") == {"owed_gift/week/first": 1}


# ---------------------------------------------------------------- windows and clocks


def at(text):
    """An instant of the examples."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    ("zone", "first", "until", "start", "end", "hours"),
    [
        ("America/New_York", "2026-10-26", "2026-11-02", "2026-10-26T04:00", "2026-11-02T05:00", 169),
        ("Europe/London", "2026-10-19", "2026-10-26", "2026-10-18T23:00", "2026-10-26T00:00", 169),
        ("Europe/Paris", "2026-03-23", "2026-03-30", "2026-03-22T23:00", "2026-03-29T22:00", 167),
    ],
)
def test_ex15_the_week_of_a_clock_change(zone, first, until, start, end, hours):
    """Ex-15 (common practice, no source): the first and last second of a 169 h or 167 h week, and those beside it."""
    week = {"zone": zone, "from": f"{first} 00:00", "until": f"{until} 00:00"}
    length = read_campaign(document(gives(), **week)).window.length
    assert length == timedelta(hours=hours)
    shop = asked(**week)
    edges = [at(start) - SECOND, at(start), at(end) - SECOND, at(end)]
    for number, placed_at in enumerate(edges):
        shop.place(order(line(6000), order=f"O{number}", placed_at=placed_at))
    given = [bool(shop.ticket(f"O{number}").gift_lines) for number in range(4)]
    assert given == [False, True, True, False]


@pytest.mark.parametrize(
    ("member", "zone", "wall", "earlier", "later"),
    [
        pytest.param(
            "until", "America/New_York", "2026-11-01 01:30", "2026-11-01T05:30Z", "2026-11-01T06:30Z", id="Ex-16"
        ),
        pytest.param(
            "from", "America/New_York", "2026-11-01 01:30", "2026-11-01T05:30Z", "2026-11-01T06:30Z", id="at the start"
        ),
        pytest.param("until", "Europe/Paris", "2026-03-29 02:30", "2026-03-29T00:30Z", "2026-03-29T01:30Z", id="a gap"),
    ],
)
def test_ex16_a_boundary_that_names_no_one_instant_is_refused(member, zone, wall, earlier, later):
    """Ex-16 (common practice, no source): publishing is refused with both instants, at the member that is wrong."""
    window = {"from": "2026-01-01 00:00", "until": "2026-12-31 00:00", member: wall}
    with pytest.raises(DocumentError) as refused:
        read_campaign(document(gives(), zone=zone, **window))
    (fault,) = refused.value.faults
    assert earlier in str(refused.value)
    assert later in str(refused.value)
    assert fault.path == (member,)


def test_ex18_placed_before_the_end_and_come_after_it():
    """Ex-18 (common practice, no source): placed 23:58:10, arrives 00:07:40 after the end; granted, there is stock."""
    shop = asked()
    shop.place(order(line(6000), placed_at=WEEK.end - timedelta(seconds=110)), at=WEEK.end + timedelta(seconds=460))
    assert shop.got("A") == GIVEN
    shop.place(order(line(6000), order="B", placed_at=WEEK.end), at=WEEK.end + timedelta(seconds=460))
    assert shop.ticket("B").gift_lines == []


EVENTS = {
    "up": [6000, 12_000, 4000, 4900, 15_000],
    "down": [15_000, 6000, 12_000, 6000, 4900],
    "cancelled": [6000, 12_000, 4900, 15_000, None],
    "back to life": [6000, None, 12_000, None, 10_100],
}


@pytest.mark.parametrize("story", sorted(EVENTS))
def test_ex19_five_events_of_an_order_in_all_120_ways(story):
    """Ex-19 (common practice, no source): whatever the order of arrival, the same entitlement, balances and ticket."""
    offers = [
        gives(for_each=True, caps={"per_customer": 10, "total": 10}),
        gives("card", "CARD", over=10_000, when_out="owed"),
        gives("ships", None, benefit="free_shipping", at_least=4000, caps={"total": 1}),
    ]
    snapshots, one = [], order(line(0), customer="c")
    for charged in EVENTS[story]:
        status = {"status": "cancelled"} if charged is None else {}
        one = amended(one, *([] if charged is None else [line(charged)]), **status)
        snapshots.append(one)
    finals = []
    for way in permutations(snapshots):
        shop = asked(*offers)
        for snapshot in way:
            shop.place(snapshot, at=PLACED + DAY)
        wishes = shop.state("A").wishes
        finals.append(
            (
                {o: shop.got("A", o) for o, w in wishes.items() if w.claim.units or w.held},
                shop.balance(),
                [
                    shop.level(f"week/{o}").live_units if shop.level(f"week/{o}") else 0
                    for o in ("tin", "card", "ships")
                ],
                {n: (t.state, t.lines, t.gift_lines, t.benefits) for n, t in shop.tickets("A").items()},
            )
        )
    assert len(finals) == 120
    for final in finals[1:]:
        assert final == finals[0]
    paid = EVENTS[story][-1] or 0
    assert finals[0][1].reserved == paid // 5000


def test_ex20_the_last_unit_goes_by_arrival_and_the_loser_is_told():
    """Ex-20 (common practice, no source): O1 placed first and 300 s late has none, and a notice says so."""
    shop = asked(stock={("week/tin", "TIN", "main"): 1})
    ten = PLACED
    shop.place(order(line(6000), order="O2", placed_at=ten + MINUTE), at=ten + timedelta(seconds=62))
    shop.place(order(line(6000), order="O1", placed_at=ten), at=ten + 5 * MINUTE)
    assert shop.got("O2") == GIVEN
    assert shop.got("O1") == (DECLINED, 0, None, Reason.NO_STOCK)
    (notice,) = shop.notices("O1").values()
    assert (notice.kind, notice.amount, notice.offer) == ("late_arrival", 1, "week/tin")
    assert notice.sentence.startswith("Late arrival 300 s")
    assert shop.notices("O2") == {}


# ---------------------------------------------------------------- revisions of campaigns and orders


@pytest.mark.parametrize(("placed", "revision"), [("11:58", 1), ("11:59:59", 1), ("12:00", 2)])
def test_ex21_the_revision_in_force_when_placed(placed, revision):
    """Ex-21 (common practice, no source): raised 50 -> 60 at 12:00; 55.00 placed 11:58 and handled 12:10 has it."""
    noon = "2026-11-24T12:00:00+00:00"
    first, second = document(gives()), document(gives(at_least=6000), revision=2, effective=noon)
    shop = Shop([first, second], AMPLE)
    shop.place(order(line(5500), placed_at=at(f"2026-11-24T{placed}")), at=at("2026-11-24T12:10"))
    given = shop.ticket("A").gift_lines
    assert [g.campaign_revision for g in given] == ([1] if revision == 1 else [])
    assert shop.state("A").evaluation.campaigns == {"week": revision}


def test_ex21_an_amendment_is_judged_by_the_same_revision():
    """Ex-21 with rule 2.15 (common practice, no source): amended after 12:00, by the terms it was placed under."""
    second = document(gives(at_least=6000), revision=2, effective="2026-11-24T12:00:00+00:00")
    shop = Shop([document(gives()), second], AMPLE)
    shop.place(order(line(4000), placed_at=at("2026-11-24T11:58")))
    shop.amend("A", line(5500), at=at("2026-11-25T10:00"))
    assert shop.got("A") == GIVEN


@pytest.mark.parametrize(("added_at", "given"), [(WEEK.end + 10 * MINUTE, False), (WEEK.end - MINUTE, True)])
def test_ex22_value_added_after_the_end_makes_no_entitlement(added_at, given):
    """Ex-22 (common practice, no source): 48.00 in the window and 5.00 more: after the end no gift, inside it one."""
    shop = asked()
    shop.place(order(line(4800), placed_at=WEEK.end - 10 * MINUTE))
    assert shop.ticket("A").gift_lines == []
    shop.amend("A", line(4800), line(500, added_at=added_at), at=added_at)
    assert [g.gift for g in shop.ticket("A").gift_lines] == (["TIN"] if given else [])
    assert [x.number for x in shop.ticket("A").lines] == [1, 2]


def test_ex22_value_removed_after_the_end_can_still_end_an_entitlement():
    """Rule 2.15 beside Ex-22 (common practice, no source): removal counts at any time."""
    shop = asked()
    shop.place(order(line(4800), line(500), placed_at=WEEK.end - MINUTE))
    shop.amend("A", line(4800), line(500, cancelled_units=1), at=WEEK.end + DAY)
    assert shop.ticket("A").gift_lines == []
    assert shop.balance().reserved == 0


def test_ex23_amended_below_the_threshold_before_release():
    """Ex-23 (common practice, no source): 52.00 becomes 47.00: gift off the ticket, reservation back, reason told."""
    shop = asked()
    shop.place(order(line(5200)))
    assert (shop.ticket("A").edition, shop.balance().reserved) == (2, 1)
    shop.amend("A", line(4700), at=PLACED + MINUTE)
    assert shop.got("A") == (DECLINED, 0, None, Reason.NOT_WANTED)
    assert shop.told("A").reason == Reason.BELOW_THRESHOLD
    assert (shop.balance().reserved, shop.balance().free) == (0, 1_000)
    ticket = shop.ticket("A")
    assert (ticket.state, ticket.order_revision, ticket.gift_lines) == ("final", 2, [])
    assert shop.amounts("A") == {"near_miss/week/tin": 300}
