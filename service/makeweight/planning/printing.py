"""Which tickets of an order can be printed, and how far the warehouse is with each."""

from makeweight.domain.tickets import PickTicket
from makeweight.planning.sheet import Floor, Sheet, sheet
from makeweight.stages.desk.state import Frozen, OrderState
from makeweight.stages.desk.tickets import tickets


class NoSuchTicket(LookupError):
    """There is no such ticket; the message says which there are."""


def order_of(ticket: str) -> str:
    """The order that a ticket's id begins with; neither an order's id nor a site's holds a slash."""
    return ticket.partition("/")[0]


def papers(state: OrderState) -> list[tuple[PickTicket, Floor]]:
    """The tickets of an order: those on the floor or gone as they were printed, then the open ones."""
    return [(one.paper, _floor(one)) for one in state.frozen] + [(one, "open") for one in tickets(state)]


def sheet_of(ticket: str, state: OrderState | None) -> Sheet:
    """The sheet of a ticket, of its order as it stands. ``NoSuchTicket`` where the order has none of that id."""
    if state is None:
        raise NoSuchTicket(f"order {order_of(ticket)!r} was never seen here; a ticket is named ORDER/SITE/NUMBER")
    known = papers(state)
    found = next(((one, floor) for one, floor in known if one.ticket == ticket), None)
    if found is None:
        named = ", ".join(one.ticket for one, _ in known) or "none"
        raise NoSuchTicket(f"order {state.order.order} has no ticket {ticket!r}; it has {named}")
    return sheet(*found)


def _floor(frozen: Frozen) -> Floor:
    return "packed" if frozen.packed else "released"
