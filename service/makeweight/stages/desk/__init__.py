"""The desk: keyed by order. Judges order revisions, claims gifts, and says what the warehouse is to pick."""

from typing import Any

from makeweight.domain.claims import Decision, Redress, Tick
from makeweight.domain.orders import Fulfilment, Order
from makeweight.stages.desk import decide, facts, fold, say
from makeweight.stages.desk.state import ORDERS
from makeweight.stages.port import Message, Output, Space, Store, Subject, Verdict, View


class Desk:
    """The desk as a host sees it."""

    name = "desk"
    spaces: tuple[Space[Any], ...] = (ORDERS,)
    urgent = frozenset({"claims", "commands"})

    def decide(self, store: Store, message: Message, view: View) -> Verdict:
        """What happened, as entries. Order events, warehouse facts, decisions and ticks are its messages."""
        body = message.body
        if isinstance(body, Order):
            return decide.order(store, body, message.digest, view)
        if isinstance(body, Decision):
            return decide.decision(store, body, view)
        if isinstance(body, Fulfilment):
            return facts.fact(store, body, message.digest, view)
        if isinstance(body, Redress):
            return decide.redress(store, body, view)
        if isinstance(body, Tick):
            return decide.tick(store, body, view)
        raise TypeError(f"the desk takes no {type(body).__name__}")

    def key_of(self, entry: Any) -> str:
        """The order id."""
        order = entry.order
        return order.order if isinstance(order, Order) else str(order)

    def fold(self, store: Store, entry: Any) -> list[Subject]:
        """Apply an entry; the subjects to say."""
        return fold.fold(store, entry)

    def say(self, store: Store, subject: Subject) -> list[Output]:
        """Claims, commands, tickets and notices of one subject."""
        return say.say(store, subject)
