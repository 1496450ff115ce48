"""Worked examples of orders: value, caps, groups, windows, revisions and amendments. See `tests.support.scenarios`."""

from datetime import timedelta

from makeweight.domain.orders import Destination
from makeweight.domain.reasons import Reason
from makeweight.domain.values import replaced
from tests.support.build import PLACED, WEEK, line, order
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
    clock,
    does,
    ended,
    passes,
    places,
    tins,
)
from tests.support.shop import ANSWERED, amended, document, gives

SECOND, DAY = timedelta(seconds=1), timedelta(days=1)
REFUSED = "declined"
CAPPED = (document(gives(caps={"per_customer": 1})),)

# ---------------------------------------------------------------- value, caps and groups

LAMPS = order(line(9000, 3, brand="Dogwood"))
ALL_OF_19 = [amended(order(line(n)), revision=r) for r, n in enumerate([6000, 12_000, 4000, 4900, 15_000], 1)]
WAYS = ["12345", "54321", "31524", "15243", "52413"]
BY_CARD = {"customer": "card-7", "customer_by": "payment"}


def arriving(number, way):
    """Ex-19's five events of one order in one way."""
    return places(*(replaced(ALL_OF_19[int(w) - 1], order=f"O{number}") for w in way), at=T40)


JUDGED = [
    Scenario(
        "ex7",
        "Ex-7: a gift with each lamp; three, of which one is cancelled before the release: two.",
        (document(gives(by="units", brands=["Dogwood"], at_least=1, for_each=True)),),
        tins(),
        (
            *places(LAMPS),
            *ended(LAMPS, lines=[line(9000, 3, brand="Dogwood", cancelled_units=1)], at=T10),
            *does("released", "A/main/1", T20),
            *does("packed", "A/main/1", T40),
        ),
        Expected(
            {"A/main/1": Paper("final", {"TIN": 2}, lines={1: 2})},
            {"A": Answer("granted", 2, "TIN")},
            {"tin/TIN/main": {"free": 7, "reserved": 0, "released": 0, "packed": 2}},
        ),
    ),
    Scenario(
        "ex8",
        "Ex-8: one to a customer; A is cancelled before the pick, so B, placed after that, is granted.",
        CAPPED,
        tins(),
        (
            *places(order(line(6000), customer="c")),
            *places(order(line(6000), order="TOO-SOON", customer="c", placed_at=T10)),
            *ended(order(line(6000), customer="c"), status="cancelled", at=T20),
            *places(order(line(6000), order="B", customer="c", placed_at=T40)),
        ),
        Expected(
            {"A/main/1": Paper("void"), "TOO-SOON/main/1": Paper(), "B/main/1": Paper("final", {"TIN": 1})},
            {
                "A": Answer(REFUSED, reason=Reason.NOT_WANTED),
                "TOO-SOON": Answer(REFUSED, reason=Reason.CUSTOMER_CAP),
                "B": GIVEN,
            },
            {"tin/TIN/main": {"free": 8, "reserved": 1}},
        ),
    ),
    Scenario(
        "ex9",
        "Ex-9: A is shipped and sent back with its gift kept, so B is refused; C's came back too, so D is granted.",
        CAPPED,
        tins(),
        (
            *beside(*places(order(line(6000), customer="kept"), order(line(6000), order="C", customer="back"))),
            *beside(*does("packed", "A/main/1", T10), *does("packed", "C/main/1", T10)),
            *beside(
                *ended(order(line(6000), customer="kept"), lines=[line(6000, returned_units=1)], at=T20),
                *ended(order(line(6000), order="C", customer="back"), lines=[line(6000, returned_units=1)], at=T20),
                *does("gift_returned", "C/main/1", T20, back("saleable")),
            ),
            *beside(
                *places(order(line(6000), order="B", customer="kept", placed_at=T40)),
                *places(order(line(6000), order="D", customer="back", placed_at=T40)),
            ),
        ),
        Expected(
            {
                "A/main/1": Paper("final", {"TIN": 1}),
                "C/main/1": Paper("final", {"TIN": 1}),
                "B/main/1": Paper(),
                "D/main/1": Paper("final", {"TIN": 1}),
            },
            {"B": Answer(REFUSED, reason=Reason.CUSTOMER_CAP), "C": Answer("granted", 0), "D": GIVEN},
            {"tin/TIN/main": {"free": 7, "reserved": 1, "packed": 2, "restocked": 1}},
        ),
    ),
    Scenario(
        "ex10",
        "Ex-10: 499 of 500 are live and two orders arrive together: one has the last, the other none.",
        (document(gives(for_each=True, caps={"total": 500})),),
        tins(1_000),
        (
            *places(order(line(499 * 5000), order="BEFORE")),
            *beside(*places(A, B, at=T10)),
        ),
        Expected(
            {
                "BEFORE/main/1": Paper("final", {"TIN": 499}),
                "A/main/1": Paper("final", {"TIN": 1}),
                "B/main/1": Paper(),
            },
            {"A": GIVEN, "B": Answer(REFUSED, reason=Reason.CAMPAIGN_CAP)},
            {"tin/TIN/main": {"free": 500, "reserved": 500}},
            # Ten minutes after both were placed: whoever loses by coming late is told to a person.
            notices={"B": {"late_arrival/week/tin": 1}},
            levels={"tin": {"live_units": 500, "total_cap": 500}},
        ),
        either=("A", "B"),
    ),
    Scenario(
        "ex13-next",
        "Ex-13, fall-through on: G1 is exhausted by A, so B has G2.",
        (document(gives("first", "G1", group="g", rank=1, when_out="next"), gives("second", "G2", group="g", rank=2)),),
        {("week/first", "G1", "main"): 1, ("week/second", "G2", "main"): 5},
        (*places(A), *places(B)),
        Expected(
            {"A/main/1": Paper("final", {"G1": 1}), "B/main/1": Paper("final", {"G2": 1})},
            {
                ("B", "week/first"): Answer(REFUSED, reason=Reason.NO_STOCK),
                ("B", "week/second"): Answer("granted", 1, "G2"),
            },
            {"first/G1/main": {"reserved": 1, "free": 0}, "second/G2/main": {"reserved": 1, "free": 4}},
        ),
    ),
    Scenario(
        "ex13-substitute",
        "Ex-13, fall-through off: the substitute S1 for B, and the next that comes is owed where the offer owes.",
        (
            document(
                gives("first", "G1", otherwise=["S1"], when_out="substitute", group="g", rank=1),
                gives("second", "G2", group="g", rank=2),
            ),
        ),
        {("week/first", "G1", "main"): 1, ("week/first", "S1", "main"): 1, ("week/second", "G2", "main"): 5},
        (*places(A), *places(B)),
        Expected(
            {"A/main/1": Paper("final", {"G1": 1}), "B/main/1": Paper("final", {"S1": 1})},
            {("B", "week/first"): Answer("granted", 1, "S1"), ("B", "week/second"): None},
        ),
    ),
    Scenario(
        "ex19",
        "Ex-19: the five events of an order in five of the 120 ways: the same entitlement and the same balance.",
        (document(gives(for_each=True)),),
        tins(100),
        beside(*(step for n, way in enumerate(WAYS) for step in arriving(n, way))),
        Expected(
            {f"O{n}/main/1": Paper("final", {"TIN": 3}) for n in range(5)},
            {f"O{n}": Answer("granted", 3, "TIN") for n in range(5)},
            {"tin/TIN/main": {"free": 85, "reserved": 15}},
        ),
    ),
    Scenario(
        "ex20",
        "Ex-20: the last unit goes by arrival; who was placed first and came 300 s late has none, and a person hears.",
        (document(gives()),),
        tins(1),
        (
            *places(order(line(6000), order="O2", placed_at=clock(1)), at=clock(1)),
            *places(order(line(6000), order="O1"), at=clock(5)),
        ),
        Expected(
            {"O1/main/1": Paper(), "O2/main/1": Paper("final", {"TIN": 1})},
            {"O1": Answer(REFUSED, reason=Reason.NO_STOCK), "O2": GIVEN},
            notices={"O1": {"late_arrival/week/tin": 1}},
        ),
    ),
    Scenario(
        "ex33",
        "Ex-33: six orders within 20 minutes with one card: one is granted; of the third and its refusal people hear.",
        CAPPED,
        tins(),
        tuple(
            step
            for n, at in enumerate([T0, T0, T10, T10, T20, T20])
            for step in places(order(line(5100), order=f"O{n}", placed_at=at, **BY_CARD))
        ),
        Expected(
            {f"O{n}/main/1": Paper("final", {"TIN": 1} if n == 0 else {}) for n in range(6)},
            {"O0": GIVEN} | {f"O{n}": Answer(REFUSED, reason=Reason.CUSTOMER_CAP) for n in range(1, 6)},
            {"tin/TIN/main": {"free": 8, "reserved": 1}},
            {"O2": {"order_splitting/week/tin": 3}}
            | {f"O{n}": {"repeated_refusal/week/tin": n, "order_splitting/week/tin": n + 1} for n in range(3, 6)},
        ),
    ),
    Scenario(
        "ex34",
        "Ex-34: four flats of one building with a card each: four customers.",
        CAPPED,
        tins(),
        beside(
            *places(*(order(line(5100), order=f"O{n}", customer=f"card-{n}", customer_by="payment") for n in range(4)))
        ),
        Expected(
            {f"O{n}/main/1": Paper("final", {"TIN": 1}) for n in range(4)},
            {f"O{n}": GIVEN for n in range(4)},
            {"tin/TIN/main": {"free": 5, "reserved": 4}},
        ),
    ),
    Scenario(
        "ex44",
        "Ex-44: perfume to an island that is served by air alone: the card instead; once it goes by road, the perfume.",
        (
            document(
                gives(gift="PERFUME", otherwise=["CARD"]),
                cautions={"PERFUME": {**ANSWERED, "dangerous_goods": {"class": "3", "lanes": ["ground"]}}},
            ),
        ),
        {(TIN, "PERFUME", "main"): 5, (TIN, "CARD", "main"): 5},
        (
            *beside(
                *places(order(line(6000), destination=Destination("IE", "island", "air"))),
                *places(order(line(6000), order="B", destination=Destination("IE", "island", "air"))),
            ),
            *ended(
                order(line(6000), order="B", destination=Destination("IE", "island", "air")),
                destination=Destination("IE", "", "ground"),
                at=T10,
            ),
        ),
        Expected(
            {"A/main/1": Paper("final", {"CARD": 1}), "B/main/1": Paper("final", {"PERFUME": 1})},
            {"A": Answer("granted", 1, "CARD"), "B": Answer("granted", 1, "PERFUME")},
            {"tin/CARD/main": {"free": 4, "reserved": 1}, "tin/PERFUME/main": {"free": 4, "reserved": 1}},
        ),
    ),
    Scenario(
        "ex41",
        "Ex-41: 80.00 has neither; at 80.01 the tin is out and free carriage stays, also when 60.00 are kept of it.",
        (document(gives("ships", benefit="free_shipping", over=8000), gives(over=8000)),),
        {},
        (
            *beside(*places(order(line(8000)), order(line(6001), line(2000), order="B"))),
            *does("packed", "B/main/1", T10),
            *ended(order(line(6001), line(2000), order="B"), lines=[line(6001), line(2000, returned_units=1)], at=T20),
        ),
        Expected(
            {"A/main/1": Paper(benefits=()), "B/main/1": Paper(benefits=("free_shipping",))},
            {"B": Answer(REFUSED, reason=Reason.NO_STOCK), ("B", "week/ships"): None},
            notices={"A": {"near_miss/week/ships": 1, "near_miss/week/tin": 1}},
        ),
    ),
]

# ---------------------------------------------------------------- windows, clocks, revisions and amendments

LATE = PLACED.replace(hour=23, minute=50)
DUE = {"placed_at": LATE, "revised_at": LATE}
AT_END = WEEK.end - timedelta(minutes=10)
TOPPED = [line(4800), line(500, added_at=WEEK.end + DAY)]  # and told of another two days later
IN_TIME = [line(4800), line(500, added_at=WEEK.end - timedelta(minutes=1))]
NOON = "2026-11-24T12:00:00+00:00"
BEFORE_NOON = PLACED.replace(day=24, hour=11, minute=58)
AT_NOON = BEFORE_NOON + timedelta(minutes=2)

CLOCKED = [
    Scenario(
        "ex17",
        "Ex-17: a bank transfer on day 9 of 7 lapsed on day 7; one that authorises after midnight is in.",
        (document(gives(paid_within_days=7)),),
        tins(),
        (
            *beside(
                *places(order(line(6000), **DUE)),
                *places(order(line(6000), order="B", **DUE, paid_at=LATE + timedelta(minutes=10))),
            ),
            *passes(LATE + 7 * DAY),
            *ended(order(line(6000), **DUE), paid_at=LATE + 9 * DAY, at=LATE + 9 * DAY),
        ),
        Expected(
            {"A/main/1": Paper(), "B/main/1": Paper("final", {"TIN": 1})},
            {"A": Answer(REFUSED, reason=Reason.NOT_WANTED), "B": GIVEN},
            {"tin/TIN/main": {"free": 8, "reserved": 1}},
            told={"A": ("declined", Reason.UNPAID)},
        ),
    ),
    Scenario(
        "lapsed",
        "Ex-17: nothing but time makes it lapse; what was on the floor on credit is to be stopped.",
        (document(gives(paid_within_days=7)),),
        tins(),
        (
            *beside(*places(order(line(6000), **DUE), order(line(6000), order="B", **DUE))),
            *does("released", "B/main/1", BEFORE_NOON + DAY),
            *passes(LATE + 7 * DAY),
            *does("packed", "B/main/1", LATE + 7 * DAY),
        ),
        Expected(
            {"A/main/1": Paper(), "B/main/1": Paper("final", {"TIN": 1})},
            {"A": Answer(REFUSED, reason=Reason.NOT_WANTED)},
            {"tin/TIN/main": {"free": 8, "reserved": 0, "packed": 1}},
            {"B": {"over_gift/kept/week/tin": 1}},
            {"A": ("declined", Reason.UNPAID), "B": ("granted", Reason.NOT_WANTED)},
        ),
    ),
    Scenario(
        "ex18",
        "Ex-18: placed 110 s before the end and arrived 460 s after it: granted; placed at the end: not.",
        (document(gives()),),
        tins(),
        (
            *beside(
                *places(order(line(6000), placed_at=WEEK.end - 110 * SECOND), at=WEEK.end + 460 * SECOND),
                *places(order(line(6000), order="B", placed_at=WEEK.end), at=WEEK.end + 460 * SECOND),
            ),
        ),
        Expected(
            {"A/main/1": Paper("final", {"TIN": 1}), "B/main/1": Paper()},
            {"A": GIVEN, "B": None},
            {"tin/TIN/main": {"free": 8, "reserved": 1}},
        ),
    ),
    Scenario(
        "ex21",
        "Ex-21: raised from 50 to 60 at noon; 55.00 placed at 11:58 and handled at 12:10 has it, also when amended.",
        (document(gives()), document(gives(at_least=6000), revision=2, effective=NOON)),
        tins(),
        (
            *places(order(line(5500), placed_at=BEFORE_NOON), at=BEFORE_NOON + timedelta(minutes=12)),
            *beside(
                *places(order(line(5500), order="B", placed_at=AT_NOON), at=BEFORE_NOON + DAY),
                *ended(order(line(5500), placed_at=BEFORE_NOON), lines=[line(5400)], at=BEFORE_NOON + DAY),
            ),
        ),
        Expected(
            {"A/main/1": Paper("final", {"TIN": 1}), "B/main/1": Paper()},
            {"A": GIVEN, "B": None},
            notices={"B": {"near_miss/week/tin": 500}},
        ),
    ),
    Scenario(
        "ex22",
        "Ex-22: 48.00 in the window and 5.00 the day after its end: not granted, except where topping up is allowed.",
        (document(gives(), gives("card", "CARD", top_up=True)),),
        tins() | {("week/card", "CARD", "main"): 9},
        (
            *beside(*places(order(line(4800), placed_at=AT_END), order(line(4800), order="B", placed_at=AT_END))),
            *ended(order(line(4800), order="B", placed_at=AT_END), lines=IN_TIME, at=WEEK.end - timedelta(minutes=1)),
            *ended(order(line(4800), placed_at=AT_END), lines=TOPPED, at=LATE + 9 * DAY),
        ),
        Expected(
            {"A/main/1": Paper("final", {"CARD": 1}), "B/main/1": Paper("final", {"TIN": 1, "CARD": 1})},
            {"A": None, "B": GIVEN, ("A", "week/card"): Answer("granted", 1, "CARD")},
            {"tin/TIN/main": {"reserved": 1}, "card/CARD/main": {"reserved": 2}},
            {"A": {"near_miss/week/tin": 200}},
        ),
    ),
    Scenario(
        "ex23",
        "Ex-23: 52.00 is amended to 47.00 before the release: the gift is off, and the reservation back.",
        (document(gives()),),
        tins(),
        (*places(order(line(5200))), *ended(order(line(5200)), lines=[line(4700)], at=T10)),
        Expected(
            {"A/main/1": Paper()},
            {"A": Answer(REFUSED, reason=Reason.NOT_WANTED)},
            {"tin/TIN/main": {"free": 9, "reserved": 0}},
            {"A": {"near_miss/week/tin": 300}},
            {"A": ("near_miss", Reason.BELOW_THRESHOLD)},
        ),
    ),
    Scenario(
        "ex30",
        "Ex-30: the earning lines come six weeks later: the gift waits for them, where the offer says so it travels.",
        (document(gives(brands=["Alder"]), gives("card", "CARD", brands=["Alder"], back_orders="travel")),),
        tins() | {("week/card", "CARD", "main"): 9},
        (
            *places(order(line(6000, brand="Alder", back_ordered=True), line(100))),
            *does("packed", "A/main/1", T10),
            *ended(
                order(line(6000, brand="Alder", back_ordered=True), line(100)),
                lines=[line(6000, brand="Alder"), line(100)],
                at=clock(days=42),
            ),
            *does("packed", "A/main/2", clock(days=42)),
        ),
        Expected(
            {
                "A/main/1": Paper("final", {"CARD": 1}, lines={2: 1}),
                "A/main/2": Paper("final", {"TIN": 1}, lines={1: 1}),
            },
            {"A": GIVEN, ("A", "week/card"): Answer("granted", 1, "CARD")},
            {"tin/TIN/main": {"packed": 1, "reserved": 0}, "card/CARD/main": {"packed": 1, "reserved": 0}},
        ),
    ),
]
