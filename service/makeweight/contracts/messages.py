"""The messages that the program's own stages send and log: the domain's shapes, read and written."""

from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field

from makeweight.contracts.codec import Codec
from makeweight.domain.claims import Command, Decision, Redress, Tick
from makeweight.domain.entries import DeskEntry, LedgerEntry
from makeweight.domain.orders import Line, Order
from makeweight.domain.tickets import Notice, OfferLevel, PickTicket
from makeweight.domain.values import value

# An order inside an entry or a ticket keeps the members that the shop's back end added, as on the way in.
for _open in (Order, Line):
    setattr(_open, "__pydantic_config__", ConfigDict(extra="allow"))  # noqa: B010 - pydantic's hook


@value
class Reject:
    """An input that could not be processed: its original bytes (base64), why, and where it stood."""

    topic: str
    partition: int
    position: int
    key: str
    code: str
    sentence: str
    body: str


COMMAND: Codec[Command] = Codec(Annotated[Command, Field(discriminator="kind")])
# What the topic of decisions carries: answers, the time for the desk, and what people owe an order.
DECISION: Codec[Decision | Redress | Tick] = Codec(Annotated[Decision | Redress | Tick, Field(discriminator="kind")])
DESK_ENTRY: Codec[Any] = Codec(Annotated[DeskEntry, Field(discriminator="kind")])
LEDGER_ENTRY: Codec[Any] = Codec(Annotated[LedgerEntry, Field(discriminator="kind")])
TICKET: Codec[PickTicket] = Codec(PickTicket)
LEVEL: Codec[OfferLevel] = Codec(OfferLevel)
NOTICE: Codec[Notice] = Codec(Notice)
REJECT: Codec[Reject] = Codec(Reject)

ENTRIES: dict[Literal["desk", "ledger"], Codec[Any]] = {"desk": DESK_ENTRY, "ledger": LEDGER_ENTRY}
