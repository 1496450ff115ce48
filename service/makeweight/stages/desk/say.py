"""What the desk says of an order: levels, so saying one again does no harm."""

from makeweight.stages.desk.state import ORDERS
from makeweight.stages.desk.tickets import tickets
from makeweight.stages.port import Output, Store, Subject


def say(store: Store, subject: Subject) -> list[Output]:
    """Outputs of a subject.

    ``(claims, order)``: its unanswered claims; ``(commands, order, event)``: what a warehouse event caused;
    ``(ticket, order)``: its open tickets; ``(paper, order, ticket)``: a released one, as it went to the floor;
    ``(notices, order, what)``: its notices, of one offer or event if named.
    """
    kind, order = subject[0], subject[1]
    state = store.get(ORDERS, order)
    if state is None:
        return []
    if kind == "ticket":
        return [Output("pick-tickets", t.ticket, order, t) for t in tickets(state)]
    if kind == "paper":
        papers = [f.paper for f in state.frozen if f.ticket == subject[2]]
        return [Output("pick-tickets", t.ticket, order, t) for t in papers]
    if kind == "claims":
        # A claim is said only while it is unanswered.
        claims = [wish.claim for wish in state.wishes.values() if not wish.answered]
        return [Output("ledger-commands", claim.id, claim.offer, claim) for claim in claims]
    if kind == "commands":
        fact = state.facts.get(subject[2])
        return [Output("ledger-commands", c.id, c.offer, c) for c in fact.commands] if fact else []
    what = subject[2]
    named = [n for n in state.notices.values() if not what or n.offer == what or n.id.endswith(f"/{what}")]
    return [Output("notices", notice.id, order, notice) for notice in named]
