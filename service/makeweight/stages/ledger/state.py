"""What the ledger keeps: per offer its totals, per order its claim, per gift and site its balance."""

from dataclasses import field

from makeweight.domain.campaigns import SINCE_EVER
from makeweight.domain.claims import Claim, HandledGift, Outcome, Receipt, StockCommand
from makeweight.domain.moments import Instant
from makeweight.domain.reasons import Figures, Reason
from makeweight.domain.stock import Balance
from makeweight.domain.values import value
from makeweight.stages.port import Space


@value
class ClaimState:
    """The claim of one order on one offer: its latest number, and what it holds of which gift at which site.

    ``came_back`` counts units that the order had and sent back: they are given, so it gets no others, and no longer
    live. ``left`` counts all that the warehouse said of units that left the order's hands, and ``since`` is the entry
    of its offer with which it last took units. ``cut`` is the reason but for what is owed. ``unearned``: gifts are out
    that the order earned when they were packed, and no longer does.
    """

    claim: Claim
    edition: int
    outcome: Outcome
    figures: Figures
    at: Instant
    gift: str | None = None
    site: str | None = None
    reserved: int = 0
    released: int = 0
    packed: int = 0
    owed: int = 0
    owed_key: str | None = None
    substitute: bool = False
    reason: Reason | None = None
    cut: Reason | None = None
    came_back: int = 0
    left: int = 0
    since: int = 0
    unearned: bool = False

    @property
    def held(self) -> int:
        """Units that are the order's, wherever they are."""
        return self.reserved + self.released + self.packed

    @property
    def live(self) -> int:
        """Units that count towards the caps."""
        return self.held + self.owed


@value
class OfferState:
    """An offer's totals. ``sequence`` counts its entries; ``low`` and ``exhausted_at`` are levels, not events.

    ``taken_by`` is the order that last took units, ``live_by`` the one that last brought more of them to count
    towards the cap. ``early`` counts orders of which the warehouse spoke before their claim.
    """

    offer: str
    sequence: int = 0
    live_units: int = 0
    owed_units: int = 0
    free_units: int = 0
    received_units: int = 0
    total_cap: int | None = None
    needs_stock: bool = True
    exhausted_at: Instant | None = None
    levelled_at: Instant = SINCE_EVER
    low: bool = False
    stock: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    taken_by: str | None = None
    taken_at: Instant | None = None
    live_by: str | None = None
    live_at: Instant | None = None
    taken_down_at: Instant | None = None
    owed_after: int = 0
    early: int = 0


@value
class JustOver:
    """An order that is worth hardly more than its offer asks, and when it was placed."""

    order: str
    at: Instant


@value
class Live:
    """Units that one customer holds or is owed of one offer, who took the last of them, and how often the cap said no.

    An order that is refused again after a change is refused once. ``recent`` are the latest orders just over the
    threshold, first placed first; ``unearned`` counts orders that lost their goods and kept the gift.
    """

    units: int
    last_order: str | None = None
    last_at: Instant | None = None
    refused: int = 0
    recent: list[JustOver] = field(default_factory=list)
    unearned: int = 0


@value
class Seen:
    """A command that was taken in, to tell a repeat from a conflict; and what is said again on a repeat.

    ``orders`` are those whose decision it changed, ``units`` what a transfer sent, ``refused`` a code.
    """

    command: Receipt | HandledGift | StockCommand
    orders: list[str] = field(default_factory=list)
    units: int = 0
    refused: str | None = None


@value
class OwedClaim:
    """An owed claim's place in the queue."""

    order: str


@value
class Served:
    """Claims that a command serves: how many were decided with it, and those whose entry is in the log.

    ``again`` are orders that lost units by it and look for others first. A host may die between the entries of one
    command; a repeat of it then decides the rest, and says all of them.
    """

    expected: int
    gift: str
    site: str
    orders: list[str]
    again: list[str] = field(default_factory=list)


@value
class InTransit:
    """Units on their way to an offer's site, and the transfer's name as people know it."""

    transfer: str
    gift: str
    site: str
    units: int


@value
class Early:
    """Units that left an order's hands before its claim was known."""

    units: int


OFFERS: Space[OfferState] = Space("offers", OfferState)
CLAIMS: Space[ClaimState] = Space("claims", ClaimState)
BALANCES: Space[Balance] = Space("balances", Balance)
CUSTOMERS: Space[Live] = Space("customers", Live)
OWED: Space[OwedClaim] = Space("owed", OwedClaim)
SEEN: Space[Seen] = Space("seen", Seen)
SERVED: Space[Served] = Space("served", Served)
TRANSIT: Space[InTransit] = Space("transit", InTransit)
EARLY: Space[Early] = Space("early", Early)

SEPARATOR = "\x1f"  # joins the parts of a key; ids on the wire hold no control characters


def key(*parts: str) -> str:
    """A key of several parts."""
    return SEPARATOR.join(parts)
