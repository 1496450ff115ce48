"""Worked examples of what happens on the floor, after the sale and to stock. See `tests.support.scenarios`."""

from datetime import timedelta

from makeweight.domain.claims import Arrival, Count, Damage, TakenDown, Transfer
from makeweight.domain.orders import HandledLine
from makeweight.domain.reasons import Reason
from tests.support.build import PLACED, line, order
from tests.support.playing import (
    GIVEN,
    T0,
    T10,
    T20,
    T40,
    TIN,
    A,
    Answer,
    B,
    Expected,
    Paper,
    Scenario,
    back,
    beside,
    does,
    ended,
    passes,
    places,
    receives,
    says,
    tins,
)
from tests.support.shop import ANSWERED, document, gives, handled_gift, handled_line

EIGHT = [{"gift": "TIN", "title": "Tin", "stated_value": 800, "cautions": ANSWERED}]
NEXT_NOON = PLACED.replace(day=24, hour=11, minute=58)
TWO_LINES = order(line(4000), line(2000))
TWO_SITES = order(line(6000), line(100, site="S"))
ASKED = order(line(4500), line(1500))


def two(name):
    """Ex-26's order of 60.00 under a name."""
    return order(line(4500), line(1500), order=name)


def sent_back(name, faulty=0, at=T40):
    """15.00 of it come back."""
    return ended(two(name), lines=[line(4500), line(1500, returned_units=1, faulty_units=faulty)], at=at)


FLOOR = [
    Scenario(
        "ex24",
        "Ex-24: released, amended below the threshold ten minutes later, packed without an intercept: an over-gift.",
        (document(gives()),),
        tins(),
        (
            *places(TWO_LINES),
            *does("released", "A/main/1", T0),
            *ended(TWO_LINES, lines=[line(4000)], at=T10),
            *does("packed", "A/main/1", T40),
        ),
        Expected(
            {"A/main/1": Paper("final", {"TIN": 1})},
            balances={"tin/TIN/main": {"free": 8, "packed": 1, "released": 0}},
            notices={"A": {"over_gift/kept/week/tin": 1}},
        ),
    ),
    Scenario(
        "intercepted",
        "Rule 2.16: the intercept comes in time for A, whose gift is free again; for B it is still asked.",
        (document(gives()),),
        tins(),
        (
            *beside(*places(TWO_LINES, order(line(4000), line(2000), order="B"))),
            *beside(*does("released", "A/main/1", T0), *does("released", "B/main/1", T0)),
            *beside(
                *ended(TWO_LINES, lines=[line(4000)], at=T10),
                *ended(order(line(4000), line(2000), order="B"), lines=[line(4000)], at=T10),
            ),
            *does("put_back", "A/main/1", T20, handled_gift(1), handled_line(1, 2)),
            *does("dispatched", "A/main/1", T40, handled_line(1)),
        ),
        Expected(
            {"A/main/1": Paper("final", {"TIN": 1}), "B/main/1": Paper("final", {"TIN": 1}, {2: 1, TIN: 1})},
            balances={"tin/TIN/main": {"free": 8, "released": 1, "packed": 0}},
            notices={"B": {"intercept/B/main/1": 2, "put_back_overdue/B/main/1": 2}},
        ),
    ),
    Scenario(
        "ex25",
        "Ex-25: cancelled at released: nothing is free until the put-back; after a day without one a person hears.",
        (document(gives()),),
        tins(),
        (
            *beside(*places(A, B)),
            *beside(*does("released", "A/main/1", T0), *does("released", "B/main/1", T0)),
            *beside(*ended(A, status="cancelled", at=T10), *ended(B, status="cancelled", at=T10)),
            *passes(NEXT_NOON),
            *does("put_back", "A/main/1", NEXT_NOON + timedelta(days=1)),
        ),
        Expected(
            {
                "A/main/1": Paper("void", lines={}),
                "B/main/1": Paper("final", {"TIN": 1}, {1: 1, TIN: 1}),
            },
            {},
            {"tin/TIN/main": {"free": 8, "released": 1, "restocked": 0}},
            {"B": {"intercept/B/main/1": 2, "put_back_overdue/B/main/1": 2}},
        ),
    ),
    Scenario(
        "short-elsewhere",
        "Rule 2.24: the bin is empty; all of it waits for a count, and another site gives the gift.",
        (document(gives()),),
        tins(9, "main", "S"),
        (
            *places(TWO_SITES),
            *does("released", "A/main/1", T0),
            *does("short_picked", "A/main/1", T10, handled_gift(1), reason="bin empty"),
            *beside(*does("packed", "A/main/1", T20), *does("packed", "A/S/1", T20)),
            *says(Count("c-1", TIN, "TIN", "main", 2, T40)),
        ),
        Expected(
            {"A/main/1": Paper("final", {"TIN": 1}, lines={1: 1}), "A/S/1": Paper("final", {"TIN": 1}, lines={2: 1})},
            {"A": Answer("granted", 1, "TIN", site="S")},
            {
                "tin/TIN/main": {"free": 2, "quarantine": 0, "packed": 0, "count_loss": 7},
                "tin/TIN/S": {"free": 8, "packed": 1},
            },
        ),
    ),
    Scenario(
        "short-substitute",
        "Rule 2.24: no other site has it, so the substitute goes on a second ticket.",
        (document(gives(otherwise=["MUG"], when_out="substitute")),),
        {(TIN, "TIN", "main"): 3, (TIN, "MUG", "main"): 3},
        (
            *places(A),
            *does("released", "A/main/1", T0),
            *does("short_picked", "A/main/1", T10, handled_gift(1)),
            *beside(*does("packed", "A/main/1", T20), *does("released", "A/main/2", T20)),
            *does("dispatched", "A/main/2", T40),
        ),
        Expected(
            {"A/main/1": Paper("final", {"TIN": 1}, lines={1: 1}), "A/main/2": Paper("final", {"MUG": 1}, lines={})},
            {"A": Answer("granted", 1, "MUG")},
            {"tin/TIN/main": {"quarantine": 3, "free": 0}, "tin/MUG/main": {"free": 2, "packed": 1}},
        ),
    ),
    Scenario(
        "short-owed",
        "Rule 2.24: nobody has another, so it is owed whatever the offer does for who comes too late; then served.",
        (document(gives()),),
        tins(1),
        (
            *places(A),
            *does("released", "A/main/1", T0),
            *does("short_picked", "A/main/1", T10, handled_gift(1)),
            *beside(*places(order(line(6000), order="B", placed_at=T20)), *does("packed", "A/main/1", T20)),
            *receives(1, T20),
            *does("packed", "A/main/2", T40),
        ),
        Expected(
            {
                "A/main/1": Paper("final", {"TIN": 1}, lines={1: 1}),
                "A/main/2": Paper("final", {"TIN": 1}, lines={}),
                "B/main/1": Paper(),
            },
            {"A": GIVEN, "B": Answer("declined", reason=Reason.NO_STOCK)},
            {"tin/TIN/main": {"free": 0, "packed": 1, "quarantine": 1, "received": 2}},
        ),
    ),
    Scenario(
        "undone",
        "Rule 2.17: the warehouse undoes a whole ticket that is still wanted: its lines and gift are on the next one.",
        (document(gives()),),
        tins(),
        (
            *places(A),
            *does("released", "A/main/1", T0),
            *does("put_back", "A/main/1", T10),
            *does("released", "A/main/2", T20),
            *does("dispatched", "A/main/2", T40),
        ),
        Expected(
            {"A/main/1": Paper("void", lines={}), "A/main/2": Paper("final", {"TIN": 1}, lines={1: 1})},
            {"A": GIVEN},
            {"tin/TIN/main": {"free": 8, "packed": 1, "released": 0}},
        ),
    ),
]

AFTER_SALE = [
    Scenario(
        "ex26-deduct",
        "Ex-26, deduct: advice of 8.00 if the gift is kept; none if it came back, or the item was faulty.",
        (document(gives(clawback="deduct"), gifts=EIGHT),),
        tins(),
        (
            *beside(*places(*map(two, "ABC"))),
            *beside(*(step for name in "ABC" for step in does("packed", f"{name}/main/1", T10))),
            *does("gift_returned", "B/main/1", T20, back("saleable")),
            *beside(*sent_back("A"), *sent_back("B"), *sent_back("C", faulty=1)),
        ),
        Expected(
            {f"{name}/main/1": Paper("final", {"TIN": 1}) for name in "ABC"},
            {"A": GIVEN, "B": Answer("granted", 0), "C": GIVEN},
            {"tin/TIN/main": {"free": 7, "packed": 3, "restocked": 1}},
            {"A": {"clawback_advice/week/tin": 800}},
        ),
    ),
    Scenario(
        "ex26-gift-back",
        "Ex-26, gift back: the refund of 15.00 waits for a saleable gift; with policy none it is nobody's business.",
        (document(gives(clawback="gift_back"), gives("card", "CARD")),),
        tins() | {("week/card", "CARD", "main"): 9},
        (
            *beside(*places(two("A"), two("B"), two("C"))),
            *beside(*(step for name in "ABC" for step in does("packed", f"{name}/main/1", T10))),
            *beside(*(step for name in "ABC" for step in sent_back(name, at=T20))),
            *does("gift_returned", "B/main/1", T40, back("saleable")),
            *does("gift_returned", "C/main/1", T40, back("scrap")),
        ),
        Expected(
            {f"{name}/main/1": Paper("final", {"TIN": 1, "CARD": 1}) for name in "ABC"},
            {"A": GIVEN, "B": Answer("granted", 0), "C": Answer("granted", 0)},
            {"tin/TIN/main": {"free": 7, "packed": 3, "restocked": 2, "damaged": 1}},
            {name: {"clawback_advice/week/tin": 1500} for name in "AC"},
        ),
    ),
    Scenario(
        "ex27",
        "Ex-27: the gift was never sent, and the goods come back later: no clawback.",
        (document(gives(clawback="deduct"), gifts=EIGHT),),
        tins(1),
        (
            *places(ASKED),
            *does("released", "A/main/1", T0),
            *does("short_picked", "A/main/1", T10, handled_gift(1)),
            *does("packed", "A/main/1", T20, HandledLine(1, line=1), HandledLine(1, line=2)),
            *sent_back("A"),
        ),
        Expected(
            {"A/main/1": Paper("final", {"TIN": 1}, lines={1: 1, 2: 1})},
            {"A": Answer("owed", owed=1, reason=Reason.NO_STOCK)},
            {"tin/TIN/main": {"packed": 0, "quarantine": 1}},
            {"A": {"owed_gift/week/tin": 1}},
        ),
    ),
]

STOCK = [
    Scenario(
        "ex29",
        "Ex-29: S runs out while 75 lie at N; on their way they can't be given, there they serve who is owed.",
        (document(gives(when_out="owed")),),
        {(TIN, "TIN", "N"): 90, (TIN, "TIN", "S"): 1},
        (
            *places(order(line(6000, site="S"))),
            *places(order(line(6000, site="S"), order="B")),
            *says(Transfer("t-1", TIN, "TIN", "N", 75, TIN, "S", T10)),
            *places(order(line(6000, site="S"), order="C", placed_at=T10)),
            *says(Arrival("a-1", TIN, "t-1", 74, T20)),
        ),
        Expected(
            {f"{name}/S/1": Paper("final", {"TIN": 1}) for name in "ABC"},
            {name: Answer("granted", 1, "TIN", site="S") for name in "ABC"},
            {
                "tin/TIN/N": {"free": 15, "transferred_out": 75},
                "tin/TIN/S": {"free": 72, "reserved": 3, "in_transit": 0, "transferred_in": 75, "count_loss": 1},
            },
        ),
    ),
    Scenario(
        "to-another-offer",
        "Rule 2.20: units go to another offer at their site, and serve there at once; more than is free doesn't.",
        (document(gives(), gives("card", "TIN", brands=["Alder"], when_out="owed")),),
        tins(5),
        (
            *places(order(line(6000, brand="Alder"))),
            *says(Transfer("t-2", TIN, "TIN", "main", 5, "week/card", "main", T10)),
            *says(Transfer("t-3", TIN, "TIN", "main", 3, "week/card", "main", T20)),
        ),
        Expected(
            {"A/main/1": Paper("final", {"TIN": 1})},
            {"A": GIVEN, ("A", "week/card"): GIVEN},
            {
                "tin/TIN/main": {"free": 1, "reserved": 1, "transferred_out": 3},
                "card/TIN/main": {"free": 2, "reserved": 1, "transferred_in": 3},
            },
        ),
    ),
    Scenario(
        "ex31",
        "Ex-31: none is left, the page still shows it for 1,010 s, and nine orders come meanwhile: nine are owed.",
        (document(gives(when_out="owed")),),
        tins(1),
        (
            *places(A),
            *beside(*places(*(order(line(6000), order=f"O{n}") for n in range(9)))),
            *says(TakenDown("x-1", TIN, T0.replace(minute=16, second=50)), T20),
        ),
        Expected(
            {"A/main/1": Paper("final", {"TIN": 1})} | {f"O{n}/main/1": Paper("gift_to_follow") for n in range(9)},
            {f"O{n}": Answer("owed", owed=1, reason=Reason.NO_STOCK) for n in range(9)},
            notices={f"O{n}": {"owed_gift/week/tin": 1} for n in range(9)},
            levels={"tin": {"owed_after": 9, "owed_units": 9, "advertised_after_seconds": 1010}},
        ),
    ),
    Scenario(
        "ex32",
        "Ex-32: open 500, receipt 100, packed 548, damage 4, restocked 3, count +1: 52 are left.",
        (document(gives(for_each=True)),),
        tins(500),
        (
            *receives(100, T0),
            *places(order(line(548 * 5000))),
            *does("packed", "A/main/1", T10),
            *says(Damage("d-1", TIN, "TIN", "main", 4, T20)),
            *does("gift_returned", "A/main/1", T20, back("saleable", 3)),
            *says(Count("c-1", TIN, "TIN", "main", 52, T40)),
        ),
        Expected(
            {"A/main/1": Paper("final", {"TIN": 548})},
            {"A": Answer("granted", 545, "TIN")},
            {
                "tin/TIN/main": {
                    "received": 600,
                    "packed": 548,
                    "damaged": 4,
                    "restocked": 3,
                    "count_gain": 1,
                    "free": 52,
                }
            },
        ),
    ),
    Scenario(
        "counted-short",
        "Rule 2.23: a count finds one of three, so the newest two are owed; damage takes the last, and stock serves.",
        (document(gives()),),
        tins(3),
        (
            *places(A, B),
            *places(order(line(6000), order="C", placed_at=T10)),
            *says(Count("c-1", TIN, "TIN", "main", 1, T20)),
            *says(Damage("d-1", TIN, "TIN", "main", 1, T40)),
            *receives(2, T40),
        ),
        Expected(
            {
                "A/main/1": Paper("gift_to_follow"),
                "B/main/1": Paper("final", {"TIN": 1}),
                "C/main/1": Paper("final", {"TIN": 1}),
            },
            {"A": Answer("owed", owed=1, reason=Reason.NO_STOCK), "B": GIVEN, "C": GIVEN},
            {"tin/TIN/main": {"free": 0, "reserved": 2, "count_loss": 2, "damaged": 1}},
            {"A": {"owed_gift/week/tin": 1}},
        ),
    ),
]
