"""The immutable entries of the two logs: what happened, in an order that every reader agrees on.

Every entry has a deterministic id and the instant at which it was handled; the first with an id counts.
"""

from dataclasses import field
from typing import Literal

from makeweight.domain.campaigns import Gift
from makeweight.domain.claims import Claim, Decision, HandledGift, Outcome, Receipt, Redress, StockCommand
from makeweight.domain.moments import Instant
from makeweight.domain.orders import Fulfilment, Order
from makeweight.domain.qualify import Evaluation
from makeweight.domain.reasons import Figures, Reason
from makeweight.domain.stock import Move
from makeweight.domain.values import value

# --- the desk's log ---------------------------------------------------------------------------------------------


@value
class Judged:
    """An order revision was judged: its facts, the evaluation, the campaign revisions used, and what it claims.

    ``standby`` are the next members of a group, best first, in case the one that is claimed is out of stock;
    ``withheld`` says of an offer which of its gifts may not be sent, and why, where another one may.
    """

    id: str
    order: Order
    digest: str
    evaluation: Evaluation
    claims: list[Claim]
    standby: list[Claim]
    benefits: dict[str, str]
    gifts: dict[str, Gift]
    blocked: dict[str, str]
    at: Instant
    withheld: dict[str, str] = field(default_factory=dict)
    kind: Literal["judged"] = "judged"


@value
class Superseded:
    """A lower revision came late, or an answer to a claim that has been replaced: recorded, and nothing changes."""

    id: str
    order: str
    what: str
    digest: str
    at: Instant
    kind: Literal["superseded"] = "superseded"


@value
class Answered:
    """A decision of the ledger was received, and what the desk claims because of it."""

    id: str
    order: str
    decision: Decision
    claims: list[Claim]
    at: Instant
    kind: Literal["answered"] = "answered"


@value
class Reported:
    """A fact from the warehouse, and the gift units that it concerns, by offer.

    ``lines`` and ``paper`` are the units by line number and the gift units by offer that were on the ticket's paper,
    ``over`` the gift units beyond what the order holds on it. ``trail`` says which state of the order its writer knew;
    where the log has another, the fact alone counts, and what it concerns is looked for anew.
    """

    id: str
    order: str
    fact: Fulfilment
    digest: str
    site: str
    lines: dict[str, int]
    gifts: list[HandledGift]
    over: dict[str, int]
    paper: dict[str, int]
    at: Instant
    trail: int | None = None
    kind: Literal["reported"] = "reported"


@value
class Overdue:
    """The ledger has not answered in time: the ticket goes out and its gift follows. ``count`` is how often so far.

    Without ``waits`` all is answered, and what the clock decided is said once more.
    """

    id: str
    order: str
    revision: int
    at: Instant
    count: int = 1
    waits: bool = True
    kind: Literal["overdue"] = "overdue"


@value
class Lapsed:
    """An order was not paid in time for some offers: what it claims of them is withdrawn.

    The rest is judged anew, as by a revision: what they used is there for others, and the next of a group has its turn.
    """

    id: str
    order: str
    revision: int
    offers: list[str]
    evaluation: Evaluation
    claims: list[Claim]
    standby: list[Claim]
    benefits: dict[str, str]
    gifts: dict[str, Gift]
    blocked: dict[str, str]
    withheld: dict[str, str]
    at: Instant
    kind: Literal["lapsed"] = "lapsed"


@value
class Redressed:
    """An order was judged anew by a correction of a campaign, in its favour; it stays with that revision.

    ``revision`` is the order's own.
    """

    id: str
    order: str
    revision: int
    redress: Redress
    evaluation: Evaluation
    claims: list[Claim]
    standby: list[Claim]
    benefits: dict[str, str]
    gifts: dict[str, Gift]
    blocked: dict[str, str]
    withheld: dict[str, str]
    at: Instant
    kind: Literal["redressed"] = "redressed"


@value
class NotPutBack:
    """Something was to be taken off a released ticket, and the warehouse has not said what became of it."""

    id: str
    order: str
    ticket: str
    asked_at: Instant
    at: Instant
    kind: Literal["not_put_back"] = "not_put_back"


DeskEntry = Judged | Superseded | Answered | Reported | Overdue | Lapsed | Redressed | NotPutBack

# --- the ledger's log -------------------------------------------------------------------------------------------


@value
class Settled:
    """A claim was settled, or an owed one served: its outcome with the figures, and the moves that it makes.

    ``units`` is the change in what the order holds; for a benefit it comes without a move. An order that gets another
    gift gives all of the old one back in the same entry. Where units come free that owed claims can use, ``serves``
    entries with this one's claim as their ``cause`` follow.
    """

    id: str
    claim: Claim
    edition: int
    outcome: Outcome
    moves: list[Move]
    figures: Figures
    at: Instant
    units: int = 0
    gift: str | None = None
    site: str | None = None
    owed: int = 0
    substitute: bool = False
    reason: Reason | None = None
    cut: Reason | None = None
    serves: int = 0
    cause: str | None = None
    kind: Literal["settled"] = "settled"


@value
class Outnumbered:
    """A claim came after a higher one of its order and offer: recorded, and nothing changes."""

    id: str
    claim: Claim
    at: Instant
    kind: Literal["outnumbered"] = "outnumbered"


@value
class Received:
    """Stock came in; ``serves`` entries follow that serve owed claims because of it."""

    id: str
    receipt: Receipt
    moves: list[Move]
    at: Instant
    serves: int = 0
    kind: Literal["received"] = "received"


@value
class Handled:
    """What the warehouse did with an order's units; units without cover come from the over-gift account.

    Where the order's own are to be found again, or free units can be used, ``serves`` entries follow.
    """

    id: str
    command: HandledGift
    moves: list[Move]
    at: Instant
    over: int = 0
    serves: int = 0
    kind: Literal["handled"] = "handled"


@value
class Booked:
    """A count, damage, transfer or arrival, or the end of an announcement.

    ``owed`` are the units, by order, that a loss took from reservations, ``unexplained`` those that a count missed
    beyond all that it may take from. ``refused`` is a code, and then nothing moves; ``serves`` entries follow.
    """

    id: str
    command: StockCommand
    moves: list[Move]
    at: Instant
    owed: dict[str, int] = field(default_factory=dict)
    unexplained: int = 0
    refused: str | None = None
    serves: int = 0
    kind: Literal["booked"] = "booked"


LedgerEntry = Settled | Outnumbered | Received | Handled | Booked
