"""Order events and fulfilment events: the messages that come from outside most often.

The wire's classes declare the same members as the domain's, with the limits and descriptions that only the wire needs,
and are read straight into them: an order is built once. Members that nobody declared stay on the order.
"""

import hashlib
from dataclasses import fields
from itertools import islice
from typing import Annotated

from annotated_types import Ge, Le, MaxLen, MinLen
from pydantic import AwareDatetime, ConfigDict, Field

from makeweight.contracts.codec import Codec, canonical_values, not_carried
from makeweight.contracts.problems import WireError
from makeweight.domain.money import digits
from makeweight.domain.orders import (
    DEFAULT_SITE,
    Destination,
    Fulfilment,
    HandledLine,
    HappenedKind,
    Line,
    LineKind,
    Order,
    OrderClass,
    OrderStatus,
)
from makeweight.domain.values import value

FIRST_YEAR = 1990
MAX_LINES = 1_000  # of an order; a basket beyond it is a feed gone wrong
MAX_AMOUNT = 10**12  # minor units; keeps every product of amounts far inside 64 bits
MAX_UNITS = 10**6 * 100  # fuel and cloth are counted in small units

MAX_DEPTH = 64  # of an undeclared member; the reader ends at 200, and in the log an order stands deeper than it came

MAX_ID = 120
Id = Annotated[str, MinLen(1), MaxLen(MAX_ID), Field(pattern=r"^[^\x00-\x1f\x7f/]+$")]
CustomerKey = Annotated[str, MinLen(1), MaxLen(120), Field(pattern=r"^[^\x00-\x1f\x7f]+$")]
Name = Annotated[str, MaxLen(200)]
Minor = Annotated[int, Ge(0), Le(MAX_AMOUNT)]
Units = Annotated[int, Ge(0), Le(MAX_UNITS)]


@value
class OrderLine(Line):
    """A line of an order. Totals are for all its units, in minor units."""

    number: Annotated[int, Ge(1), Le(100_000), Field(description="line number, unique in the order")]
    sku: Annotated[str, MinLen(1), MaxLen(120)]
    units: Annotated[Units, Field(description="units ordered; 0 adds its value and is no purchase")]
    total_charged: Annotated[Minor, Field(description="charged for all units, before order-level discounts")]
    total_list: Annotated[Minor | None, Field(description="list price of all units; the charged total if absent")] = (
        None
    )
    brand: Annotated[Name, Field(description="'' is unknown and matches no brand")] = ""
    categories: Annotated[list[Name], MaxLen(50)] = Field(default_factory=list)
    kind: LineKind = "goods"
    gtin: Annotated[str, Field(pattern=r"^\d{8}(\d{4,6})?$")] | None = None
    added_at: AwareDatetime | None = None
    cancelled_units: Units = 0
    returned_units: Units = 0
    faulty_units: Units = 0
    site: Annotated[Id, Field(description="the site that ships it")] = DEFAULT_SITE
    back_ordered: Annotated[bool, Field(description="not there yet: it stays off the tickets until it is")] = False
    hs_code: Annotated[str, Field(pattern=r"^\d{4}(\.?\d{2}){0,3}$", description="for customs")] | None = None


@value
class OrderEvent(Order):
    """A full snapshot of an order at a revision; unknown members are carried through to the ticket untouched."""

    order: Id
    revision: Annotated[int, Ge(1), Le(1_000_000)]
    status: OrderStatus
    placed_at: Annotated[AwareDatetime, Field(description="when the shop accepted the order")]
    revised_at: AwareDatetime
    market: Name
    currency: Annotated[str, Field(pattern=r"^[A-Z]{3}$", description="ISO 4217")]
    lines: Annotated[list[OrderLine], MaxLen(MAX_LINES)]  # type: ignore[assignment]
    order_class: OrderClass = "retail"
    channel: Name = ""
    customer: Annotated[CustomerKey, Field(description="opaque key; never a name or an address")] | None = None
    destination: Destination = Field(default_factory=Destination)
    service: Name = ""
    discount: Annotated[Minor, Field(description="order-level discount, shared over the goods")] = 0
    codes: Annotated[list[Name], MaxLen(50)] = Field(default_factory=list)
    shipping_charged: Minor = 0
    paid_at: AwareDatetime | None = None


@value
class FulfilmentLine(HandledLine):
    """What was done with one line of the ticket: an order line by its number, or a gift line by its offer."""

    units: Annotated[int, Ge(1), Le(MAX_UNITS)]


@value
class FulfilmentEvent(Fulfilment):
    """A fact from the warehouse about a ticket; without lines it is about the whole ticket."""

    event: Id
    order: Id
    ticket: Annotated[str, MinLen(1), MaxLen(300)]
    happened: HappenedKind
    at: AwareDatetime
    edition: Annotated[int, Ge(0), Field(description="edition on the paper; 0: whichever was current")] = 0
    lines: Annotated[list[FulfilmentLine], MaxLen(MAX_LINES)] = Field(default_factory=list)  # type: ignore[assignment]


_READING: dict[type, ConfigDict] = {
    OrderEvent: ConfigDict(strict=True, extra="allow"),
    OrderLine: ConfigDict(strict=True, extra="allow"),
    FulfilmentEvent: ConfigDict(strict=True, extra="forbid"),
    FulfilmentLine: ConfigDict(strict=True, extra="forbid"),
}
for _kind, _config in _READING.items():
    setattr(_kind, "__pydantic_config__", _config)  # noqa: B010 - pydantic's hook; the classes are plain dataclasses

_MEMBERS_OF_ORDER, _MEMBERS_OF_LINE = len(fields(OrderEvent)), len(fields(OrderLine))
ORDER: Codec[OrderEvent] = Codec(OrderEvent)
FULFILMENT: Codec[FulfilmentEvent] = Codec(FulfilmentEvent)


def read_order(body: bytes | str) -> OrderEvent:
    """An order event from JSON; ``WireError`` where it is malformed or contradicts itself."""
    order = ORDER.loads(body)
    check_order(order)
    return order


def check_order(order: Order) -> None:
    """What a schema can't say: line numbers are unique, no more is cancelled than was ordered, a currency exists."""
    numbers = {line.number for line in order.lines}
    if len(numbers) != len(order.lines):
        raise WireError("contradiction", f"order {order.order}: two lines have the same number; number them 1, 2, 3 …")
    if order.placed_at.year < FIRST_YEAR:
        # A bare number is read as seconds since 1970; no order of a shop is that old.
        text = f"order {order.order}: placed_at is read as {order.placed_at.isoformat()}; expected RFC 3339 text"
        raise WireError("contradiction", f"{text} such as 2026-11-24T10:00:00+00:00")
    for line in order.lines:
        if len(line.__dict__) > _MEMBERS_OF_LINE:
            _check_carried(line, _MEMBERS_OF_LINE)
        if line.cancelled_units > line.units:
            raise WireError(
                "contradiction",
                f"order {order.order} line {line.number}: {line.cancelled_units} units cancelled of {line.units}; "
                "expected at most as many as were ordered",
            )
    if len(order.__dict__) > _MEMBERS_OF_ORDER:
        _check_carried(order, _MEMBERS_OF_ORDER)
    try:
        digits(order.currency)
    except ValueError as error:
        raise WireError("currency", f"order {order.order}: {error}") from None


def _check_carried(kept: Order | Line, declared: int) -> None:
    """What was not declared stands after what was, and must be such that every reader of JSON takes it again."""
    for member in islice(kept.__dict__.values(), declared, None):
        if isinstance(member, (float, dict, list)):
            _walk(member, MAX_DEPTH)


def _walk(member: object, deeper: int) -> None:
    if isinstance(member, float):
        # Infinity and NaN would be written as null, and a longer whole number has become a float with other digits.
        if not -(2.0**63) < member < 2.0**63:
            raise not_carried(TypeError("Number is not finite or exceeds 64-bit range"))
    elif isinstance(member, (dict, list)):
        if not deeper:
            raise not_carried(TypeError(f"It is nested more than {MAX_DEPTH} times"))
        for part in member.values() if isinstance(member, dict) else member:
            _walk(part, deeper - 1)


def read_fulfilment(body: bytes | str) -> FulfilmentEvent:
    """A fulfilment event from JSON; ``WireError`` where it is malformed."""
    return FULFILMENT.loads(body)


def digest(event: Order | Fulfilment) -> str:
    """Stands for the event's content: equal for two events exactly if they say the same.

    ``WireError`` where an undeclared member can't be carried through: readers of JSON differ on it.
    """
    try:
        return hashlib.sha256(canonical_values(event)).hexdigest()[:32]
    except TypeError as error:
        raise not_carried(error) from None
