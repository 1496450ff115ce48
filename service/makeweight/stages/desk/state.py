"""What the desk keeps of an order: one value, the fold of the order's entries."""

from dataclasses import field
from datetime import timedelta
from zlib import crc32

from makeweight.domain.campaigns import Gift
from makeweight.domain.claims import Claim, Decision, HandledGift
from makeweight.domain.moments import Instant
from makeweight.domain.orders import Order
from makeweight.domain.qualify import Evaluation
from makeweight.domain.reasons import Reason
from makeweight.domain.tickets import Notice, PickTicket
from makeweight.domain.values import replaced, value
from makeweight.stages.port import Space

FOLLOW_AFTER_SECONDS = 30  # a paid order never waits longer than this for the ledger
MAX_DOUBLINGS = 7  # of that interval: a ledger that is down for long is asked about once an hour
MAX_REVISIONS = 1_000  # of one order; a feed that exceeds it is broken, and each costs state
MAX_PAPERS = 8  # contents of open tickets that are remembered: the warehouse may hold an older edition
PUT_BACK_WITHIN = timedelta(hours=24)  # of asking to take something off; then it is a discrepancy (common practice)
MAX_FACTS = 1_000  # of one order, for the same reason


@value
class Wish:
    """A claim of the order, and the latest answer to it."""

    claim: Claim
    answer: Decision | None = None

    @property
    def answered(self) -> bool:
        """Whether the answer is to the current claim number."""
        answer, claim = self.answer, self.claim
        return answer is not None and answer.revision == claim.revision and answer.step == claim.step

    @property
    def held(self) -> int:
        """Units that the order holds, as far as the ledger has said."""
        return self.answer.units if self.answer else 0


@value
class Paper:
    """What a ticket carried from an edition on: units by line number, gift units by offer, and which gifts they are."""

    edition: int
    ticket: str
    lines: dict[str, int]
    gifts: dict[str, int]
    named: dict[str, str] = field(default_factory=dict)


@value
class Frozen:
    """A ticket that was released to the floor: what is on the paper stays on it, until the warehouse takes it off.

    By line number or offer: ``done`` gift units are packed and still out, ``gone`` and ``gone_lines`` have left the
    paper (short-picked, put back, returned), ``back`` of those came back from the customer. ``asked_at``: since when
    something is to be taken off it; ``alerted``: nothing came of that for too long. ``since`` is when that was, as the
    warehouse said. ``printed`` names the gift of each offer on it, ``extra`` the units beyond it that the warehouse has
    named, and ``over`` by event and offer those that were not the order's when the event came.
    """

    ticket: str
    site: str
    lines: dict[str, int]
    gifts: dict[str, int]
    paper: PickTicket
    packed: bool = False
    done: dict[str, int] = field(default_factory=dict)
    gone: dict[str, int] = field(default_factory=dict)
    gone_lines: dict[str, int] = field(default_factory=dict)
    back: dict[str, int] = field(default_factory=dict)
    spoilt: dict[str, int] = field(default_factory=dict)
    asked_at: Instant | None = None
    alerted: bool = False
    printed: dict[str, str] = field(default_factory=dict)
    extra: dict[str, int] = field(default_factory=dict)
    over: dict[str, dict[str, int]] = field(default_factory=dict)
    since: Instant | None = None

    def on_paper(self, offer: str) -> int:
        """Gift units of an offer that are on it, packed or not."""
        return self.gifts.get(offer, 0) - self.gone.get(offer, 0)

    def carries(self, offer: str, answer: Decision | None) -> bool:
        """Whether its gift of an offer may be what the order holds: the same gift, from the same site."""
        return answer is None or answer.gift is None or self.place(offer) == (answer.gift, answer.site)

    def place(self, offer: str) -> tuple[str | None, str]:
        """The gift of an offer that is on it, and the site that it leaves from."""
        return self.printed.get(offer), self.site

    @property
    def gifts_left(self) -> dict[str, int]:
        """Gift units by offer that are on it."""
        if not self.gone:
            return self.gifts
        left = {offer: units - self.gone.get(offer, 0) for offer, units in self.gifts.items()}
        return {offer: units for offer, units in left.items() if units > 0}

    @property
    def lines_left(self) -> dict[str, int]:
        """Units by line number that are on it."""
        if not self.gone_lines:
            return self.lines
        left = {number: units - self.gone_lines.get(number, 0) for number, units in self.lines.items()}
        return {number: units for number, units in left.items() if units > 0}


@value
class Fact:
    """A warehouse event that was taken in, and the commands that it caused."""

    digest: str
    commands: list[HandledGift]


@value
class OrderState:
    """An order as the desk knows it.

    ``edition`` counts the changes; ``opened`` is the latest open ticket by site, ``papers`` what such tickets carried;
    ``overdue`` counts how often the ledger's answer was found missing; ``overdue_at`` is the last time, or when claims
    were withdrawn since, from which on an answer is waited for; ``left`` counts gift units by offer that the ledger was
    told to have left the order, which it may not have answered yet. ``unpaid`` says by offer until when the order has
    to be paid for it to stand, ``lapsed`` are offers whose time to pay has passed. ``look_again``: the clock decided
    something, and no input comes again to say it should a host have died over it; so it is said once more. ``trail`` is
    a checksum of the ids of the entries that made the state: two writers that saw the same have the same.
    """

    order: Order
    digests: dict[str, str]
    evaluation: Evaluation
    first_at: Instant
    judged_at: Instant
    edition: int = 1
    wishes: dict[str, Wish] = field(default_factory=dict)
    standby: list[Claim] = field(default_factory=list)
    benefits: dict[str, str] = field(default_factory=dict)
    gifts: dict[str, Gift] = field(default_factory=dict)
    blocked: dict[str, str] = field(default_factory=dict)
    withheld: dict[str, str] = field(default_factory=dict)
    overdue: int = 0
    overdue_at: Instant | None = None
    frozen: list[Frozen] = field(default_factory=list)
    facts: dict[str, Fact] = field(default_factory=dict)
    opened: dict[str, int] = field(default_factory=dict)
    papers: list[Paper] = field(default_factory=list)
    notices: dict[str, Notice] = field(default_factory=dict)
    left: dict[str, int] = field(default_factory=dict)
    unpaid: dict[str, Instant] = field(default_factory=dict)
    lapsed: list[str] = field(default_factory=list)
    look_again: bool = False
    trail: int = 0

    def after(self, entry_id: str) -> dict[str, int]:
        """The members that every entry moves on: how many there were, and which."""
        return {"edition": self.edition + 1, "trail": crc32(entry_id.encode(), self.trail)}

    @property
    def waiting(self) -> bool:
        """Whether a claim of the current numbers is unanswered."""
        return bool(self.wishes) and any(not wish.answered for wish in self.wishes.values())

    def benefits_given(self) -> set[str]:
        """Benefits that need no ledger, and those that the ledger granted."""
        counted = {w.claim.benefit for w in self.wishes.values() if w.claim.benefit and w.held > 0}
        return set(self.benefits.values()) | counted

    def due_at(self) -> Instant | None:
        """When something of the order is next due; None if nothing is waited for."""
        due = self.answer_due_at() if self.wishes or self.look_again else None
        for frozen in self.frozen:
            if frozen.asked_at is not None and not frozen.alerted:
                back = frozen.asked_at + PUT_BACK_WITHIN
                due = back if due is None else min(due, back)
        if self.unpaid:
            paid = min(self.unpaid.values())
            due = paid if due is None else min(due, paid)
        return due

    def answer_due_at(self) -> Instant | None:
        """When the ledger's answer is next looked for.

        Its claims and tickets are said again then, at growing intervals, in case a host died before it said them.
        """
        if not self.waiting and not self.look_again:
            return None
        if self.overdue_at is None:
            return self.judged_at + timedelta(seconds=FOLLOW_AFTER_SECONDS)
        return self.overdue_at + timedelta(seconds=FOLLOW_AFTER_SECONDS * 2 ** min(self.overdue, MAX_DOUBLINGS))

    @property
    def released_at(self) -> Instant | None:
        """When the first of its tickets went to the floor, as the warehouse says."""
        return min([f.since for f in self.frozen if f.since is not None], default=None) if self.frozen else None

    @property
    def given(self) -> set[str]:
        """Offers of which the order has units, is owed some, or had some that came back: those are given too."""
        return {offer for offer, wish in self.wishes.items() if wish.answer and wish.answer.outcome != "declined"}

    @property
    def step(self) -> int:
        """The highest step of the current revision."""
        return max((w.claim.step for w in self.wishes.values() if w.claim.revision == self.order.revision), default=0)


def unpaid_of(evaluation: Evaluation) -> dict[str, Instant]:
    """By offer, until when the order has to be paid for it to stand; one that has lapsed no longer waits."""
    return {j.offer: j.pay_by for j in evaluation.judgements if j.pay_by is not None and j.reason is not Reason.UNPAID}


def withdrawn(state: OrderState, event: Order, kept: set[str], step: int = 0) -> list[Claim]:
    """Offers claimed before and no longer wanted are claimed with 0."""
    return [
        replaced(
            wish.claim,
            id=f"{event.order}/{offer}/{event.revision}.{step}",
            revision=event.revision,
            step=step,
            units=0,
            customer=event.customer or wish.claim.customer,
        )
        for offer, wish in sorted(state.wishes.items())
        if offer not in kept
    ]


ORDERS: Space[OrderState] = Space("orders", OrderState, logged=True)
