"""The one catalogue of topics: what they carry, how they are keyed and kept. AsyncAPI is drawn from it."""

from typing import Any, Literal

from makeweight.contracts.codec import Codec
from makeweight.contracts.members import CampaignDocument
from makeweight.contracts.messages import COMMAND, DECISION, DESK_ENTRY, LEDGER_ENTRY, LEVEL, NOTICE, REJECT, TICKET
from makeweight.contracts.orders import FULFILMENT, ORDER
from makeweight.domain.values import value

DAY_MS = 86_400_000
MAX_EVENT_BYTES = 1_000_000  # of one event from outside
MAX_RECORD_BYTES = 8_388_608  # of what the program writes: an entry holds an order and what was judged of it


@value
class Topic:
    """A topic. ``partitions`` names a group of topics with one partition count, so that equal keys meet.

    A log is never compacted: compaction keeps the last body of an id, and the stages take the first.
    """

    name: str
    schema: str
    key: str
    partitions: Literal["order", "offer", "one"]
    cleanup: Literal["delete", "compact"]
    retention_ms: int
    about: str
    direction: Literal["in", "out", "inside"]

    @property
    def max_bytes(self) -> int:
        """The largest record: an event with some room for its headers; what holds events and more is larger."""
        return MAX_EVENT_BYTES + 48_576 if self.direction == "in" else MAX_RECORD_BYTES


FOR_EVER = -1
TOPICS = (
    Topic("orders.v1", "order-event", "order id", "order", "delete", 400 * DAY_MS, "Order snapshots.", "in"),
    Topic(
        "fulfilment.v1", "fulfilment-event", "order id", "order", "delete", 400 * DAY_MS, "Warehouse facts.", "in"
    ),
    Topic("campaigns.v1", "campaign", "campaign id/revision", "one", "delete", FOR_EVER, "Campaign revisions.", "in"),
    Topic(
        "ledger-commands.v1", "ledger-command", "offer id", "offer", "delete", 400 * DAY_MS, "Claims and stock.",
        "inside",
    ),
    Topic("decisions.v1", "decision", "order id", "order", "delete", 400 * DAY_MS, "Answers to claims.", "inside"),
    Topic("order-log.v1", "desk-entry", "order id", "order", "delete", FOR_EVER, "The desk's log.", "inside"),
    Topic("ledger-log.v1", "ledger-entry", "offer id", "offer", "delete", FOR_EVER, "The ledger's log.", "inside"),
    Topic("pick-tickets.v1", "pick-ticket", "ticket id", "order", "compact", FOR_EVER, "Pick tickets.", "out"),
    Topic("offer-levels.v1", "offer-level", "offer id", "offer", "compact", FOR_EVER, "Levels of offers.", "out"),
    Topic("notices.v1", "notice", "order id or offer id", "order", "delete", 90 * DAY_MS, "For people.", "out"),
    Topic("rejects.v1", "reject", "original key", "order", "delete", 30 * DAY_MS, "What can't be processed.", "out"),
)  # fmt: skip

SCHEMAS: dict[str, Codec[Any]] = {
    "order-event": ORDER,
    "fulfilment-event": FULFILMENT,
    "campaign": Codec(CampaignDocument),
    "ledger-command": COMMAND,
    "decision": DECISION,
    "desk-entry": DESK_ENTRY,
    "ledger-entry": LEDGER_ENTRY,
    "pick-ticket": TICKET,
    "offer-level": LEVEL,
    "notice": NOTICE,
    "reject": REJECT,
}
