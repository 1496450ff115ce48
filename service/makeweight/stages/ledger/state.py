"""What the ledger keeps: per offer its totals, per order its claim, per gift and site its balance."""

from dataclasses import field

from makeweight.domain.campaigns import SINCE_EVER
from makeweight.domain.claims import Claim, HandledGift, Outcome, Receipt
from makeweight.domain.moments import Instant
from makeweight.domain.reasons import Figures, Reason
from makeweight.domain.stock import Balance
from makeweight.domain.values import value
from makeweight.stages.port import Space


@value
class ClaimState:
    """The claim of one order on one offer: its latest number, and what it holds of which gift at which site."""

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
    """An offer's totals. ``sequence`` counts its entries; ``low`` and ``exhausted_at`` are levels, not events."""

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


@value
class Live:
    """Units that one customer holds or is owed of one offer."""

    units: int


@value
class Seen:
    """A command that was taken in, to tell a repeat from a conflict."""

    command: Receipt | HandledGift


@value
class OwedClaim:
    """An owed claim's place in the queue."""

    order: str


@value
class Served:
    """Owed claims that a command serves: how many were decided with it, and those whose entry is in the log.

    A host may die between the entries of one command; a repeat of it then decides the rest, and says all of them.
    """

    expected: int
    gift: str
    site: str
    orders: list[str]


OFFERS: Space[OfferState] = Space("offers", OfferState)
CLAIMS: Space[ClaimState] = Space("claims", ClaimState)
BALANCES: Space[Balance] = Space("balances", Balance)
CUSTOMERS: Space[Live] = Space("customers", Live)
OWED: Space[OwedClaim] = Space("owed", OwedClaim)
SEEN: Space[Seen] = Space("seen", Seen)
SERVED: Space[Served] = Space("served", Served)

SEPARATOR = "\x1f"  # joins the parts of a key; ids on the wire hold no control characters


def key(*parts: str) -> str:
    """A key of several parts."""
    return SEPARATOR.join(parts)
