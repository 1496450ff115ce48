"""What can become of a gift unit, a ticket and an offer, as tables: every step that there is, and no other.

A balance refuses a move that is not in its table, and the ledger's fold takes a grant with one for void. Tickets and
offers follow from rules; the tests drive both stages and hold every step that they see against the tables, and every
step of the tables against what they saw. The diagrams in DEVELOPERS.md are drawn from here: `make diagrams`.

States and events are names, since `stock` imports this module. To stay in a state is never a step.
"""

from collections.abc import Mapping
from dataclasses import field
from typing import NamedTuple

from makeweight.domain.values import value

START = "start"  # where what has never been said stands


class Step(NamedTuple):
    """What an event takes from one state to another."""

    source: str
    event: str
    target: str


@value
class Machine:
    """States and events with what they mean, and the steps; ``groups`` are what a diagram frames."""

    name: str
    title: str
    states: Mapping[str, str]
    events: Mapping[str, str]
    steps: tuple[Step, ...]
    groups: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def pairs(self, *events: str) -> frozenset[tuple[str, str]]:
        """The (source, target) pairs of the steps of these events, or of all."""
        return frozenset((s.source, s.target) for s in self.steps if not events or s.event in events)


def _steps(table: str) -> tuple[Step, ...]:
    """Read the lines of a table: a state, an event, and the states that it may lead to."""
    rows = [line.split() for line in table.strip().splitlines()]
    return tuple(Step(source, event, target) for source, event, *targets in rows for target in targets)


UNITS = Machine(
    name="units",
    title="A gift unit, between the accounts of its offer, gift and site",
    states={
        "outside": "not in yet",
        "free": "to be given",
        "reserved": "an order's",
        "released": "on a paper on the floor",
        "packed": "gone out with an order",
        "over_gift": "the other side of what went out and never came in",
        "quarantine": "should lie there and was not found: a count settles it",
        "in_transit": "on its way from another site",
        "damaged": "gone, as waste",
        "counted": "the other side of what a count finds or misses",
        "elsewhere": "with another offer, or at another site",
        "shelf": "the other side of what comes back and had gone out as no order's own",
    },
    events={
        "received": "stock comes in",
        "granted": "a claim is granted, or an owed one served",
        "given_back": "the order wants less, or another gift",
        "released": "its ticket goes to the floor",
        "packed": "the warehouse packed it: of the order's own, else of free stock, else from nowhere",
        "short_picked": "the bin was empty: what the order had there, and all that is free",
        "put_back": "the warehouse put it back: off the floor, or out of its box",
        "returned": "it came back, and can be given again",
        "scrapped": "it came back, and can't",
        "counted": "someone counted by hand: free units are missed first, then the newest reservations",
        "damaged": "of free stock, else of the newest reservations, else of the quarantine",
        "transferred": "it goes to another offer or site",
        "transferred_in": "it comes from another offer, or is on its way from another site",
        "arrived": "what was on its way is there, or part of it",
    },
    steps=_steps("""
        outside     received        free
        free        granted         reserved
        reserved    given_back      free
        reserved    released        released
        released    packed          packed
        reserved    packed          packed
        free        packed          packed
        over_gift   packed          packed
        released    short_picked    quarantine
        reserved    short_picked    quarantine
        free        short_picked    quarantine
        released    put_back        free
        packed      put_back        free
        shelf       put_back        free
        packed      returned        free
        shelf       returned        free
        packed      scrapped        damaged
        shelf       scrapped        damaged
        quarantine  counted         free counted
        counted     counted         free
        free        counted         counted
        reserved    counted         counted
        free        damaged         damaged
        reserved    damaged         damaged
        quarantine  damaged         damaged
        free        transferred     elsewhere
        elsewhere   transferred_in  free in_transit
        in_transit  arrived         free counted
        counted     arrived         free
    """),
)

TICKET = Machine(
    name="ticket",
    title="A ticket, by its number",
    states={
        "held": "waits for the ledger, or for whoever put the order on hold",
        "gift_to_follow": "may go out, while a gift is owed or the ledger is late",
        "final": "may go out, with all that it will carry",
        "void": "nothing is to be picked",
        "released": "frozen: on the floor, as its paper was printed",
        "packed": "frozen, and gone, unless it comes back",
    },
    events={
        "judged": "a revision of the order",
        "answered": "a decision of the ledger",
        "overdue": "no decision for 30 s",
        "lapsed": "the order was not paid in time",
        "released": "the warehouse released this ticket",
        "short_picked": "it did not find something of the ticket, or the gift that was all of it",
        "packed": "it packed the ticket",
        "dispatched": "it gave the ticket's parcel to the carrier, after it packed it without saying so",
        "put_back": "it put everything, or something, of the ticket back on the shelf",
        "gift_returned": "a gift came back, of a ticket that was never said to be released",
        "beside": "the warehouse did something with another ticket of the order",
    },
    steps=_steps("""
        start           judged    held final void
        start           answered  held gift_to_follow final
        start           beside    held gift_to_follow final
        held            judged    final void
        held            answered  gift_to_follow final void
        held            overdue   gift_to_follow
        held            beside    void
        held            released  released
        held            short_picked released void
        held            packed    packed
        held            dispatched packed
        held            put_back  released void
        held            gift_returned released
        gift_to_follow  judged    held void
        gift_to_follow  answered  final void
        gift_to_follow  beside    void
        gift_to_follow  lapsed    held
        gift_to_follow  released  released
        gift_to_follow  short_picked released void
        gift_to_follow  packed    packed
        gift_to_follow  dispatched packed
        gift_to_follow  put_back  released void
        gift_to_follow  gift_returned released
        final           judged    held void
        final           answered  gift_to_follow void
        final           lapsed    held gift_to_follow
        final           beside    void
        final           released  released
        final           short_picked released void
        final           packed    packed
        final           dispatched packed
        final           put_back  released void
        final           gift_returned released
        void            judged    held final
        void            answered  held gift_to_follow final
        void            beside    held gift_to_follow final
        void            released  released
        void            short_picked released
        void            packed    packed
        void            dispatched packed
        void            put_back  released
        void            gift_returned released
        released        packed    packed
        released        dispatched packed
        released        short_picked void
        released        put_back  void
        packed          put_back  void
    """),
    groups={"open": ("held", "gift_to_follow", "final", "void")},
)

OFFER = Machine(
    name="offer",
    title="An offer, by its window and by what the ledger can still give",
    states={
        "scheduled": "its window has not begun",
        "live": "there is enough to give, as far as is known",
        "running_low": "at most a tenth is left, of its stock or of its cap",
        "exhausted": "nothing is left to give",
        "paused": "its revision in force stops it for now, whatever is left",
        "ended": "its window is over, though orders placed in it are still served",
    },
    events={
        "published": "its campaign is published",
        "starts": "its window begins",
        "paused": "a revision that pauses it takes effect",
        "resumed": "a revision that no longer does takes effect",
        "settled": "a claim is settled, and takes units, gives units back or brings another cap",
        "received": "stock comes in",
        "handled": "the warehouse packed units that no order held, missed some, or has some back",
        "booked": "stock is counted, damaged or transferred",
        "ends": "its window ends",
    },
    steps=_steps("""
        start        published  scheduled live paused
        scheduled    starts     live running_low exhausted paused
        live         paused     paused
        running_low  paused     paused
        exhausted    paused     paused
        paused       resumed    live running_low exhausted
        live         settled    running_low exhausted
        live         handled    running_low exhausted
        live         booked     running_low exhausted
        running_low  settled    live exhausted
        running_low  received   live
        running_low  handled    live exhausted
        running_low  booked     live exhausted
        exhausted    settled    live running_low
        exhausted    received   live running_low
        exhausted    handled    live running_low
        exhausted    booked     live running_low
        live         ends       ended
        running_low  ends       ended
        exhausted    ends       ended
        paused       ends       ended
    """),
)

MACHINES = (UNITS, TICKET, OFFER)
