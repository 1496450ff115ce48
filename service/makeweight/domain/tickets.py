"""Pick tickets, notices and offer levels: what is said to the warehouse, the exceptions desk and the dashboards."""

from dataclasses import field
from typing import Literal

from makeweight.domain.campaigns import Cautions, Customs
from makeweight.domain.customs import CustomsLine
from makeweight.domain.moments import Instant
from makeweight.domain.orders import Destination, HandledLine, Line
from makeweight.domain.stock import Balance
from makeweight.domain.values import value

TicketState = Literal["final", "gift_to_follow", "held", "void"]
NoticeKind = Literal[
    "near_miss",
    "owed_gift",
    "over_gift",
    "price_mismatch",
    "blocked_by_caution",
    "late_arrival",
    "intercept",
    "put_back_overdue",
    "clawback_advice",
    "repeated_refusal",
    "order_splitting",
    "unearned_gifts",
    "running_low",
    "exhausted",
]


@value
class GiftLine:
    """A gift on a ticket: charged nothing, worth its stated value, tied to what earned it.

    ``notes`` are for whoever packs it; ``customs_line`` is there where the parcel is known to cross a border.
    """

    offer: str
    campaign_revision: int
    gift: str
    title: str
    units: int
    stated_value: int
    triggered_by: list[int]
    gtin: str | None = None
    substitute: bool = False
    weight_grams: int = 0
    customs: Customs | None = None
    cautions: Cautions = field(default_factory=Cautions)
    total_charged: int = 0
    notes: list[str] = field(default_factory=list)
    customs_line: CustomsLine | None = None


@value
class Told:
    """One offer's outcome on an order, with the sentence that an agent reads out."""

    offer: str
    outcome: str
    sentence: str
    reason: str | None = None


@value
class PickTicket:
    """What one site is to pick for one order. The highest (order revision, edition) of a ticket id is the valid one.

    The opaque members of the order (ship-to block, instructions) stand in ``order_parts``, as they came. ``take_off``
    is what a ticket that was released already should no longer carry: to be put back if it can still be stopped.
    ``tariff_categories`` counts the tariff sub-headings of a parcel with customs lines, None where one is unknown.
    """

    ticket: str
    order: str
    order_revision: int
    edition: int
    state: TicketState
    site: str
    currency: str
    destination: Destination
    service: str
    lines: list[Line]
    gift_lines: list[GiftLine]
    benefits: list[str]
    told: list[Told]
    order_parts: dict[str, object] = field(default_factory=dict)
    hold: str | None = None
    take_off: list[HandledLine] = field(default_factory=list)
    tariff_categories: int | None = None


@value
class Notice:
    """Something a person should see: a level by id. A newer (revision, edition) replaces it, amount 0 closes it.

    ``amount`` is minor units for near misses (the gap), prices (what is due) and clawback advice (what it is about),
    else units.
    """

    id: str
    kind: NoticeKind
    amount: int
    revision: int
    sentence: str
    at: Instant
    order: str | None = None
    offer: str | None = None
    line: int | None = None
    edition: int = 0


@value
class OfferLevel:
    """What the ledger knows of one offer, as of its ``sequence``-th entry.

    ``advertised_after_seconds`` is how long it was still announced after it ran out, as far as someone has said when
    the announcement went; ``owed_after`` counts the claims that have become owed since it ran out.
    """

    offer: str
    sequence: int
    live_units: int
    owed_units: int
    total_cap: int | None
    exhausted_at: Instant | None
    balances: list[Balance]
    taken_down_at: Instant | None = None
    advertised_after_seconds: int | None = None
    owed_after: int = 0
