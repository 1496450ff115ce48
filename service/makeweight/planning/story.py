"""The story of one order: what happened to it, and for every offer of its campaigns what came of it and why."""

from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from typing import Any

from makeweight.domain.book import Book
from makeweight.domain.campaigns import Campaign, Offer
from makeweight.domain.entries import Answered, DeskEntry, Judged, Lapsed, NotPutBack, Overdue, Redressed, Reported
from makeweight.domain.moments import Window
from makeweight.domain.nearest import nearest
from makeweight.domain.orders import Order
from makeweight.domain.qualify import judge_one
from makeweight.domain.reasons import Reason, amount, flipped, sentence
from makeweight.domain.tickets import OfferLevel
from makeweight.planning.rejects import PutAside
from makeweight.planning.still import still_to_be_had
from makeweight.stages.desk.state import Frozen, OrderState
from makeweight.stages.desk.telling import explain_shortfall, told
from makeweight.stages.desk.tickets import tickets

Levels = Callable[[str], OfferLevel | None]


def story(
    state: OrderState, entries: Iterable[DeskEntry], book: Book, levels: Levels, aside: Iterable[PutAside] = ()
) -> dict[str, Any]:
    """What ``explain`` prints: the order, its events, its offers with a sentence each, and its tickets.

    ``levels`` gives the latest level of an offer, for what is nearly earned: None where the ledger knows none.
    ``aside`` are the order's events that were put aside: they stand among those that happened.
    """
    order = state.order
    return {
        "order": order.order,
        "revision": order.revision,
        "status": order.status,
        "placed_at": order.placed_at.isoformat(),
        "first_seen_at": state.first_at.isoformat(),
        "judged_by": state.evaluation.campaigns,
        "events": _events(entries, aside),
        "offers": _offers(state, book, levels),
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


def _events(entries: Iterable[DeskEntry], aside: Iterable[PutAside]) -> list[dict[str, Any]]:
    found = [(entry.at, _event(entry)) for entry in entries]
    for one in aside:
        place = next((n for n, (at, _) in enumerate(found) if at > one.at), len(found))
        what = f"an event of {one.topic} was put aside, {one.why}"
        found.insert(place, (one.at, {"at": one.at.isoformat(), "what": what}))
    return [event for _, event in found]


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
        what = what if entry.waits else "looked at again: what the clock decided is said once more"
    elif isinstance(entry, Lapsed):
        what = f"not paid in time: lapsed for {', '.join(entry.offers)}"
    elif isinstance(entry, Redressed):
        what = f"judged by the correction {entry.redress.campaign} revision {entry.redress.revision}, in its favour"
    elif isinstance(entry, NotPutBack):
        what = f"nothing has come of what was to be taken off ticket {entry.ticket}"
    else:
        what = f"superseded: {entry.what}"
    return {"at": at, "what": what}


def _offers(state: OrderState, book: Book, levels: Levels) -> list[dict[str, Any]]:
    order = state.order
    said: dict[str, dict[str, Any]] = {
        t.offer: {"offer": t.offer, "outcome": t.outcome, "reason": t.reason, "says": t.sentence} for t in told(state)
    }
    near = {j.offer: j.lines for j in state.evaluation.judgements if j.near_miss and not j.held_back}
    for campaign in _campaigns(state, book):
        for offer in campaign.offers:
            known = said.get(offer.key)
            if known is not None and offer.key in near:
                now = still_to_be_had(order, offer, near[offer.key], levels(offer.key))
                known = said[offer.key] = {**known, "now": now}
            if known is None and (offer.kind in ("gift", "benefit") or _would_price(order, offer)):
                said[offer.key] = {"offer": offer.key, "outcome": "declined", **_missed(state, book, campaign, offer)}
            elif known is not None and known["reason"] is Reason.NOT_WANTED and order.status != "cancelled":
                why = _missed(state, book, campaign, offer)["says"]
                said[offer.key] = {**known, "says": f"{str(known['says']).removesuffix('.')}: {why}"}
    for check in state.evaluation.prices:
        text = f"Line {check.line} ({check.sku}): charged {amount(check.charged, order.currency)}, advertised "
        text += amount(check.advertised, order.currency)
        outcome = "as_advertised" if check.due == 0 else "mismatch"
        said[f"{check.offer} line {check.line}"] = {
            "offer": check.offer, "outcome": outcome, "reason": None, "says": text,
        }  # fmt: skip
    return [said[key] for key in sorted(said)]


def _would_price(order: Order, offer: Offer) -> bool:
    """Whether an offer of prices was closed to an order that has goods of it: of others it says nothing."""
    return not offer.open_at(order.placed_at) and any(offer.scope.holds(line) for line in order.lines)


def _campaigns(state: OrderState, book: Book) -> list[Campaign]:
    """The campaigns that could have been the order's: of its market and currency, at the revisions it was judged by."""
    order = state.order
    found = {c.campaign: c for c in book.in_force(order.placed_at)}
    found |= {c: pinned for c, r in state.evaluation.campaigns.items() if (pinned := book.get(c, r))}
    return [c for c in found.values() if order.market in c.markets and order.currency == c.currency]


def _missed(state: OrderState, book: Book, campaign: Campaign, offer: Offer) -> dict[str, Any]:
    """Why the order has no offer of a campaign, by the first check that it failed, and what would have flipped it."""
    order = state.order
    if order.status == "cancelled":
        return {"reason": Reason.CANCELLED, "says": sentence(Reason.CANCELLED, {})}
    opening, asked = offer.window, offer
    if order.order_class not in campaign.classes:
        reason, why = Reason.ORDER_CLASS, sentence(Reason.ORDER_CLASS, {"order_class": order.order_class})
    elif not offer.open_at(order.placed_at):
        reason, why = Reason.OUTSIDE_WINDOW, _closed(campaign, offer, order.placed_at)
    else:
        judged = judge_one(order, offer, state.released_at)
        reason = judged.reason or Reason.BELOW_THRESHOLD
        if reason is Reason.NO_PURCHASE:
            why = sentence(reason, {})
        else:
            why = explain_shortfall(judged, reason, order.currency)
    if not offer.open_at(order.placed_at):
        opening, asked = _opening(book, campaign, offer, order.placed_at)
    change = nearest(order, asked, classes=campaign.classes, opening=opening, released_at=state.released_at)
    return {"reason": reason, "says": flipped(why, change.how if change else "")}


def _closed(campaign: Campaign, offer: Offer, placed_at: datetime) -> str:
    """Why an offer was open to no order at an instant, as a sentence."""
    if campaign.window.holds(placed_at):
        return "The offer was paused when the order was placed." if offer.paused else "The offer had ended by then."
    return sentence(Reason.OUTSIDE_WINDOW, {})


def _opening(book: Book, campaign: Campaign, offer: Offer, placed_at: datetime) -> tuple[Window, Offer]:
    """When a campaign was open next to an instant, and its offer as it was then: each revision is in force in its turn.

    What an earlier or later order would have met are the words of the revision that was in force for it.
    """
    revisions = [c for c in book if c.campaign == campaign.campaign]
    cuts = sorted({c.effective_at for c in revisions})
    found = [(offer.window, offer)]
    for start, end in zip(cuts, [*cuts[1:], datetime.max.replace(tzinfo=UTC)], strict=True):
        revision = max((c for c in revisions if c.effective_at <= start), key=lambda c: c.revision)
        asked = revision.offer(offer.key)
        if asked is None or asked.paused:
            continue
        open_from, open_until = max(start, asked.window.start), min(end, asked.window.end)
        if open_from < open_until:
            found.append((Window(open_from, open_until), asked))
    if len(found) > 1:
        del found[0]
    return min(found, key=lambda one: max(one[0].start - placed_at, placed_at - one[0].end))
