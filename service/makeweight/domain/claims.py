"""What desk and ledger say to each other: claims, facts and stock commands one way, decisions the other."""

from dataclasses import field
from typing import Literal

from makeweight.domain.campaigns import By, WhenOut
from makeweight.domain.moments import Instant
from makeweight.domain.reasons import Figures, Reason
from makeweight.domain.values import value

Outcome = Literal["granted", "owed", "declined"]
# What became of gift units; a returned gift is saleable (returned) or not (scrapped).
GiftHappened = Literal["released", "packed", "short_picked", "put_back", "returned", "scrapped"]


@value
class Option:
    """A gift that would do, and the sites it may leave from, best first. A substitute is not the announced one."""

    gift: str
    sites: list[str]
    substitute: bool = False


@value
class Claim:
    """'This order wants this many units of this offer': a level with a number (revision, step), not an increment.

    It carries all that decides, so the ledger never reads a campaign. No options: the offer gives a benefit and needs
    no stock. ``for_each``: an order of several times the threshold is given as much as several orders are. ``kept`` are
    units that the goods that didn't come back still earn, None where none came back; for signals alone.
    """

    id: str
    order: str
    offer: str
    revision: int
    step: int
    units: int
    campaign_revision: int
    placed_at: Instant
    options: list[Option] = field(default_factory=list)
    when_out: WhenOut = "next"
    customer_cap: int | None = None
    total_cap: int | None = None
    customer: str | None = None
    group: str | None = None
    benefit: str | None = None
    worth: int = 0
    threshold: int = 0
    by: By = "total"
    for_each: bool = False
    kept: int | None = None
    kind: Literal["claim"] = "claim"

    @property
    def number(self) -> tuple[int, int]:
        """Claims of an order and offer are compared by this: the higher one supersedes."""
        return (self.revision, self.step)


@value
class HandledGift:
    """What the warehouse did with gift units of an order's grant.

    ``packed``: so many of the units that were put back had been packed; the others had only been on the floor.
    """

    id: str
    order: str
    offer: str
    gift: str
    site: str
    units: int
    happened: GiftHappened
    at: Instant
    packed: int = 0
    kind: Literal["handled"] = "handled"


@value
class Receipt:
    """Gift units put at the disposal of one offer at one site. The id is given by whoever sends it."""

    id: str
    offer: str
    gift: str
    site: str
    units: int
    kind: Literal["receipt"] = "receipt"


@value
class Count:
    """What lies there by hand, whatever the ledger thinks of it: all units that have not gone out or are on the way."""

    id: str
    offer: str
    gift: str
    site: str
    units: int
    at: Instant
    by: str = ""
    why: str = ""
    kind: Literal["count"] = "count"


@value
class Damage:
    """Gift units that can't be given any more."""

    id: str
    offer: str
    gift: str
    site: str
    units: int
    at: Instant
    by: str = ""
    why: str = ""
    kind: Literal["damage"] = "damage"


@value
class Transfer:
    """Free units go to another offer, to another site, or both. ``TransferIn`` follows from it."""

    id: str
    offer: str
    gift: str
    site: str
    units: int
    to_offer: str
    to_site: str
    at: Instant
    by: str = ""
    why: str = ""
    kind: Literal["transfer"] = "transfer"


@value
class TransferIn:
    """The receiving half of a transfer, said by the ledger itself: free at once, or on its way to another site."""

    id: str
    offer: str
    gift: str
    site: str
    units: int
    transfer: str
    from_offer: str
    from_site: str
    at: Instant
    kind: Literal["transfer_in"] = "transfer_in"


@value
class Arrival:
    """Of a transfer, so many units have arrived; no more of it will."""

    id: str
    offer: str
    transfer: str
    units: int
    at: Instant
    by: str = ""
    why: str = ""
    kind: Literal["arrival"] = "arrival"


@value
class TakenDown:
    """The announcement of an offer is gone from wherever it was shown."""

    id: str
    offer: str
    at: Instant
    by: str = ""
    why: str = ""
    kind: Literal["taken_down"] = "taken_down"


@value
class Tick:
    """The time, as a message: what is due by then is done."""

    id: str
    at: Instant
    kind: Literal["tick"] = "tick"


@value
class Redress:
    """An order is to be judged by a correction that came after it, as far as that is in its favour."""

    id: str
    order: str
    campaign: str
    revision: int
    at: Instant
    kind: Literal["redress"] = "redress"


# What people say of stock, and may say ``why`` and who answers for it (``by``).
StockCommand = Count | Damage | Transfer | TransferIn | Arrival | TakenDown
Command = Claim | HandledGift | Receipt | StockCommand | Tick


@value
class Decision:
    """The ledger's answer to one claim number. A higher edition of the same number replaces a lower one.

    ``units`` is what the order holds (reserved, released or packed) of ``gift`` at ``site``; ``owed`` comes on top.
    ``left`` counts the units, of all claim numbers together, that the warehouse reported as short-picked, put back or
    returned and that this decision knows of.
    """

    id: str
    order: str
    offer: str
    revision: int
    step: int
    edition: int
    outcome: Outcome
    units: int
    figures: Figures
    at: Instant
    gift: str | None = None
    site: str | None = None
    owed: int = 0
    substitute: bool = False
    reason: Reason | None = None
    left: int = 0
    kind: Literal["decision"] = "decision"

    @property
    def number(self) -> tuple[int, int]:
        """The number of the claim that is answered."""
        return (self.revision, self.step)
