"""What the ledger's logs come to, by the reference's ledger: every claim and balance, from the commands alone.

It is asked of the same runs as a replay. Left out are offers whose units went to or came from another offer or site,
since the reference knows no time between the halves of a transfer, and those of which the warehouse spoke before their
claim, or of other units than the order had.
"""

from makeweight.domain.claims import Arrival, Count, Damage, Transfer, TransferIn
from makeweight.domain.entries import Booked, Handled, Received, Settled
from makeweight.stages.ledger.state import BALANCES, CLAIMS, SEPARATOR
from tests.simulation.replaying import UNLIKE
from tests.simulation.worker import Violation
from tests.support.reference_ledger import Ledger, Wish

COUNTERS = (
    "received", "free", "reserved", "released", "packed", "over_gift", "restocked", "count_gain", "count_loss",
    "damaged", "quarantine",
)  # fmt: skip


def check(world):
    """Compare the end of every ledger log of a run to which this applies."""
    if not UNLIKE.isdisjoint(world.faults):
        return
    for (stage, partition), log in world.broker.logs.items():
        if stage == "ledger":
            model = Ledger([])
            left_out = {offer for entry in log for offer in _take(model, entry)}
            _compare(world.witness[stage, partition].store, model, left_out)


def _take(model, entry):
    """Feed an entry to the model; the offers that can't be compared from then on."""
    match entry:
        case Settled(cause=None, claim=claim):
            pairs = tuple((option.gift, site) for option in claim.options for site in option.sites)
            owes = claim.when_out == "owed"
            wish = Wish(claim.units, pairs, bool(pairs), owes, claim.customer, claim.customer_cap, claim.total_cap)
            model.settle(claim.order, claim.offer, wish)
        case Received(receipt=body):
            model.receive(body.offer, body.gift, body.site, body.units)
        case Handled(command=body):
            return _handled(model, body)
        case Booked(command=body, refused=refused):
            return _booked(model, body, refused)
    return ()


def _handled(model, body):
    claim = model.claims.get((body.order, body.offer))
    place = claim and (claim.position or claim.last)
    back = body.happened in ("returned", "scrapped")
    if place != (body.offer, body.gift, body.site) or (back and body.units > claim.packed):
        return (body.offer,)
    model.fact(claim, body.happened, body.units, boxed=body.packed)
    return ()


def _booked(model, body, refused):
    match body:
        case Count():
            model.count(body.offer, body.gift, body.site, body.units)
        case Damage():
            if model.damage(body.offer, body.gift, body.site, body.units) is (refused is not None):
                return (body.offer,)
        case Transfer() | TransferIn() | Arrival():
            return () if refused else (body.offer,)
    return ()


def _compare(store, model, left_out):
    for (order, offer), expected in model.claims.items():
        if offer not in left_out:
            claim = store.values(CLAIMS)[f"{offer}{SEPARATOR}{order}"]
            found = _of(claim, (claim.gift, claim.site) if claim.held and claim.gift else None)
            said = _of(expected, expected.position and expected.position[1:])
            if found != said:
                raise Violation("model", f"{order} {offer} is {found}, the model says {said}")
    balances = model.balances()
    for balance in store.values(BALANCES).values():
        if balance.offer not in left_out:
            said = balances.get((balance.offer, balance.gift, balance.site), {})
            wrong = [name for name in COUNTERS if getattr(balance, name) != said.get(name, 0)]
            if wrong:
                raise Violation("model", f"{balance}: {wrong} differ, the model says {said}")


def _of(one, place):
    return one.reserved, one.released, one.packed, one.owed, one.came_back, one.outcome, place
