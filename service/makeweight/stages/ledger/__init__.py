"""The ledger: keyed by offer. Settles claims against caps and stock, and keeps every unit accounted for."""

from typing import Any

from makeweight.domain.claims import (
    Arrival,
    Claim,
    Count,
    Damage,
    HandledGift,
    Receipt,
    TakenDown,
    Tick,
    Transfer,
    TransferIn,
)
from makeweight.stages.ledger import decide, fold, say
from makeweight.stages.ledger.state import BALANCES, CLAIMS, CUSTOMERS, EARLY, OFFERS, OWED, SEEN, SERVED, TRANSIT
from makeweight.stages.port import Message, Output, Space, Store, Subject, Verdict, View


class Ledger:
    """The ledger as a host sees it."""

    name = "ledger"
    spaces: tuple[Space[Any], ...] = (OFFERS, CLAIMS, BALANCES, CUSTOMERS, OWED, SEEN, SERVED, TRANSIT, EARLY)
    urgent = frozenset({"claim", "transfer"})

    def decide(self, store: Store, message: Message, view: View) -> Verdict:
        """What happened, as entries. Claims, handled gifts, what people say of stock, and ticks are its messages."""
        body = message.body
        if isinstance(body, Claim):
            return decide.claim(store, body, view)
        if isinstance(body, HandledGift):
            return decide.handled(store, body, view)
        if isinstance(body, Receipt):
            return decide.receipt(store, body, view)
        if isinstance(body, Count | Damage | Transfer | TransferIn | Arrival | TakenDown):
            return decide.booked(store, body, view)
        if isinstance(body, Tick):
            return Verdict("applied")  # nothing of the ledger's is due by the clock yet
        raise TypeError(f"the ledger takes no {type(body).__name__}")

    def key_of(self, entry: Any) -> str:
        """The offer id."""
        said = getattr(entry, "claim", None) or getattr(entry, "receipt", None) or entry.command
        return str(said.offer)

    def fold(self, store: Store, entry: Any) -> list[Subject]:
        """Apply an entry; the subjects to say."""
        return fold.fold(store, entry)

    def say(self, store: Store, subject: Subject) -> list[Output]:
        """The decision on a claim, or an offer's level."""
        return say.say(store, subject)
