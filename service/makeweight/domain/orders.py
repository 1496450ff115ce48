"""An order as the shop's back end says it: a full snapshot at a revision. Also what the warehouse reports back."""

from dataclasses import field
from typing import Literal

from makeweight.domain.moments import Instant
from makeweight.domain.values import value

DEFAULT_SITE = "main"

OrderStatus = Literal["placed", "amended", "cancelled"]
OrderClass = Literal["retail", "staff", "wholesale", "marketplace", "replacement", "subscription", "test"]
LineKind = Literal["goods", "gift_card", "wrap", "service", "donation"]
Lane = Literal["any", "ground", "air"]
# dispatched: with the carrier; short_picked: not found in its place; put_back: off the floor and on its shelf again
HappenedKind = Literal["released", "packed", "dispatched", "short_picked", "put_back", "gift_returned"]
Condition = Literal["saleable", "scrap"]
CustomerBy = Literal["account", "email", "payment"]


@value
class Line:
    """A line of an order. Totals are for all its units, in minor units; unit prices are derived, never stored."""

    number: int
    sku: str
    units: int
    total_charged: int
    total_list: int | None = None
    brand: str = ""
    categories: list[str] = field(default_factory=list)
    kind: LineKind = "goods"
    gtin: str | None = None
    added_at: Instant | None = None
    cancelled_units: int = 0
    returned_units: int = 0
    faulty_units: int = 0
    site: str = DEFAULT_SITE
    back_ordered: bool = False
    hs_code: str | None = None

    @property
    def live_units(self) -> int:
        """Units ordered and not cancelled."""
        return self.units - self.cancelled_units

    def live_share(self, total: int) -> int:
        """The part of a total that falls to the units not cancelled; a broken minor unit counts for the customer."""
        return total if not self.cancelled_units else -(-total * self.live_units // self.units)


@value
class Destination:
    """Where the parcel goes, as far as a rule may ask."""

    country: str = ""
    area: str = ""
    lane: Lane = "any"


@value
class Order:
    """A snapshot of an order: revision 3 says all that revisions 1 and 2 said.

    Members that are not declared here (a ship-to block, instructions) ride along in ``__dict__`` and are never read.
    """

    order: str
    revision: int
    status: OrderStatus
    placed_at: Instant
    revised_at: Instant
    market: str
    currency: str
    lines: list[Line]
    order_class: OrderClass = "retail"
    channel: str = ""
    customer: str | None = None
    destination: Destination = field(default_factory=Destination)
    service: str = ""
    discount: int = 0
    codes: list[str] = field(default_factory=list)
    shipping_charged: int = 0
    tax: Literal["included", "on_top"] = "included"
    paid_at: Instant | None = None
    hold: str | None = None
    chosen_gift: str | None = None
    age_answer: Literal["adult", "minor"] | None = None
    customer_by: CustomerBy = "account"


@value
class HandledLine:
    """What the warehouse did with one line of a ticket: an order line by its number, or a gift line by its offer.

    ``condition`` is what a returned gift was found to be; one that nobody has said is scrap.
    """

    units: int
    line: int | None = None
    offer: str | None = None
    gift: str | None = None
    condition: Condition | None = None


@value
class Fulfilment:
    """A fact from the warehouse about one ticket. Without lines it is about the whole ticket.

    ``edition`` is the one on the paper; 0 means whichever was current when the fact came.
    """

    event: str
    order: str
    ticket: str
    happened: HappenedKind
    at: Instant
    edition: int = 0
    lines: list[HandledLine] = field(default_factory=list)
    reason: str | None = None
