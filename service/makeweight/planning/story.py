"""The story of one order: what happened to it, and for every offer of its campaigns what came of it and why."""

from collections.abc import Iterable
from typing import Any

from makeweight.domain.book import Book
from makeweight.domain.campaigns import Offer
from makeweight.domain.entries import Answered, DeskEntry, Judged, Lapsed, NotPutBack, Overdue, Reported
from makeweight.domain.qualify import judge_one
from makeweight.domain.reasons import Reason, amount, sentence
from makeweight.stages.desk.state import Frozen, OrderState
from makeweight.stages.desk.telling import explain_shortfall, told
from makeweight.stages.desk.tickets import tickets


def story(state: OrderState, entries: Iterable[DeskEntry], book: Book) -> dict[str, Any]:
    """What ``explain`` prints: the order, its events, its offers with a sentence each, and its tickets."""
    order = state.order
    return {
        "order": order.order,
        "revision": order.revision,
        "status": order.status,
        "placed_at": order.placed_at.isoformat(),
        "first_seen_at": state.first_at.isoformat(),
        "judged_by": state.evaluation.campaigns,
        "events": [_event(entry) for entry in entries],
        "offers": _offers(state, book),
        "tickets": [
            {
                "ticket": t.ticket,
                "state": t.state,
                "edition": t.edition,
                "gifts": [{"gift": g.gift, "units": g.units, "offer": g.offer} for g in t.gift_lines],
            }
            for t in tickets(state)
        ]
        + [{"ticket": f.ticket, "state": _of_floor(f), "gifts": f.gifts_left} for f in state.frozen],
        "notices": [{"kind": n.kind, "amount": n.amount, "says": n.sentence} for n in state.notices.values()],
    }


def _of_floor(frozen: Frozen) -> str:
    if frozen.paper.state == "void":
        return "void"
    return "packed" if frozen.packed else "released"


def _event(entry: DeskEntry) -> dict[str, Any]:
    at = entry.at.isoformat()
    if isinstance(entry, Judged):
        what = f"revision {entry.order.revision} ({entry.order.status}) judged; claims {len(entry.claims)} offers"
    elif isinstance(entry, Answered):
        answer = entry.decision
        gift = f" {answer.units} x {answer.gift}" if answer.units and answer.gift else ""
        reason = f" ({answer.reason})" if answer.reason else ""
        what = f"ledger answered on {answer.offer}: {answer.outcome}{gift}{reason}"
        if entry.claims:
            what += f"; next of the group claimed: {entry.claims[0].offer}"
    elif isinstance(entry, Reported):
        what = f"warehouse: ticket {entry.fact.ticket} {entry.fact.happened}"
    elif isinstance(entry, Overdue):
        what = "the ledger had not answered in time: the ticket goes out and its gift follows"
    elif isinstance(entry, Lapsed):
        what = f"not paid in time: lapsed for {', '.join(entry.offers)}"
    elif isinstance(entry, NotPutBack):
        what = f"nothing has come of what was to be taken off ticket {entry.ticket}"
    else:
        what = f"superseded: {entry.what}"
    return {"at": at, "what": what}


def _offers(state: OrderState, book: Book) -> list[dict[str, Any]]:
    order = state.order
    said = {
        t.offer: {"offer": t.offer, "outcome": t.outcome, "reason": t.reason, "says": t.sentence} for t in told(state)
    }
    pins = state.evaluation.campaigns or None
    live = book.live(order.placed_at, order.market, order.currency, pins, order.order_class)
    for key, offer in live.offers.items():
        if key in said or offer.kind in ("price", "reduction"):
            continue
        said[key] = {"offer": key, "outcome": "declined", **_missed(state, offer)}
    for campaign in book.in_force(order.placed_at):
        if order.market not in campaign.markets:
            continue
        if not campaign.window.holds(order.placed_at):
            reason = Reason.OUTSIDE_WINDOW
        elif campaign.currency == order.currency and order.order_class not in campaign.classes:
            reason = Reason.ORDER_CLASS
        else:
            continue
        says = sentence(reason, {"order_class": order.order_class})
        for offer in campaign.offers:
            said.setdefault(offer.key, {"offer": offer.key, "outcome": "declined", "reason": reason, "says": says})
    for check in state.evaluation.prices:
        text = f"Line {check.line} ({check.sku}): charged {amount(check.charged, order.currency)}, advertised "
        text += amount(check.advertised, order.currency)
        outcome = "as_advertised" if check.due == 0 else "mismatch"
        said[f"{check.offer} line {check.line}"] = {
            "offer": check.offer, "outcome": outcome, "reason": None, "says": text,
        }  # fmt: skip
    return [said[key] for key in sorted(said)]


def _missed(state: OrderState, offer: Offer) -> dict[str, Any]:
    order = state.order
    if order.status == "cancelled":
        return {"reason": Reason.CANCELLED, "says": sentence(Reason.CANCELLED, {})}
    judged = judge_one(order, offer)
    reason = judged.reason or Reason.BELOW_THRESHOLD
    if reason is Reason.NO_PURCHASE:
        return {"reason": reason, "says": sentence(reason, {})}
    return {"reason": reason, "says": explain_shortfall(judged, reason, order.currency)}
