"""The story of an order as a page tells it: the same words as ``makeweight explain``."""

from collections.abc import Sequence
from datetime import datetime
from html import escape
from typing import Any
from urllib.parse import quote

from makeweight.adapters.board import cards, words
from makeweight.planning.rejects import PutAside


def search(wanted: str) -> str:
    """The form that asks for an order."""
    return (
        '<form action="/orders" method="get" class="ask"><label for="q">Order or ticket</label>'
        f'<input id="q" name="q" value="{escape(wanted)}" autocomplete="off" spellcheck="false" required>'
        '<button type="submit">Find</button></form>'
    )


def unknown(order: str, near: Sequence[str], aside: Sequence[PutAside]) -> str:
    """That an order was never taken in, what was put aside of it, and which begin like it."""
    told = f"<p>Order <strong>{escape(order)}</strong> was never {'taken in' if aside else 'seen'} here.</p>"
    if aside:
        events = "".join(_event({"at": one.at.isoformat(), "what": one.why}) for one in reversed(aside))
        told += f'<h2>Put aside</h2><ol class="events">{events}</ol>'
    if not near:
        return told
    links = "".join(f"<li>{cards.order_link(one)}</li>" for one in near)
    return f"{told}<h2>Orders that begin like it</h2><ul>{links}</ul>"


def story(told: dict[str, Any]) -> str:
    """An order's story."""
    judged = ", ".join(f"{words.name(campaign)} revision {n}" for campaign, n in told["judged_by"].items())
    facts = {
        "Status": told["status"],
        "Revision": str(told["revision"]),
        "Placed": _at(told["placed_at"]),
        "First seen": _at(told["first_seen_at"]),
        "Judged by": judged or "no campaign",
    }
    head = "".join(f"<div><dt>{name}</dt><dd>{escape(text)}</dd></div>" for name, text in facts.items())
    return (
        f'<dl class="facts">{head}</dl>{_notices(told)}{_offers(told)}{_tickets(told)}'
        f'<h2>What happened</h2><ol class="events">{"".join(map(_event, told["events"]))}</ol>'
    )


def _at(text: str) -> str:
    """An instant in its own offset, to the second: '24 Nov 2026 10:00:00 +00:00'."""
    at = datetime.fromisoformat(text)
    return f"{at.day} {at:%b %Y %H:%M:%S} {at:%:z}" if at.utcoffset() else f"{at.day} {at:%b %Y %H:%M:%S} UTC"


def _event(event: dict[str, Any]) -> str:
    at = escape(_at(event["at"]))
    return f'<li><time datetime="{escape(event["at"])}">{at}</time> <span>{escape(event["what"])}</span></li>'


def _notices(told: dict[str, Any]) -> str:
    open_ = [one for one in told["notices"] if one["amount"]]
    if not open_:
        return ""
    kinds = [words.KINDS.get(one["kind"], words.name(one["kind"])) for one in open_]
    items = "".join(
        f"<li><strong>{escape(kind)}</strong> {escape(one['says'])}</li>"
        for kind, one in zip(kinds, open_, strict=True)
    )
    return f'<h2>To look at</h2><ul class="notices">{items}</ul>'


def _offers(told: dict[str, Any]) -> str:
    rows = "".join(
        f'<tr role="row"><th role="rowheader" scope="row">{escape(words.name(one["offer"]))}</th>'
        f'<td role="cell" data-label="outcome">{escape(one["outcome"].replace("_", " "))}</td>'
        f'<td role="cell" class="why" data-label="why">{escape(one["says"])}</td></tr>'
        for one in told["offers"]
    )
    if not rows:
        return "<p>No campaign concerned this order.</p>"
    return "<h2>Offers</h2>" + cards.table("Offers", {"Offer": False, "Outcome": False, "Why": False}, [rows], "desk")


def _tickets(told: dict[str, Any]) -> str:
    rows = "".join(map(_ticket, told["tickets"]))
    if not rows:
        return "<h2>Tickets</h2><p>It has no ticket.</p>"
    columns = {"Ticket": False, "State": False, "Gifts": False, "Print": False}
    return "<h2>Tickets</h2>" + cards.table("Tickets", columns, [rows], "desk")


def _ticket(one: dict[str, Any]) -> str:
    gifts = one["gifts"]
    if isinstance(gifts, list):
        named = [f"{gift['units']} x {gift['gift']}" for gift in gifts]
    else:
        named = [f"{units} x gift of {words.name(offer)}" for offer, units in gifts.items()]
    name, link = escape(one["ticket"]), quote(one["ticket"], safe="")
    return (
        f'<tr role="row"><th role="rowheader" class="id" scope="row">{name}</th>'
        f'<td role="cell" data-label="state">{escape(one["state"].replace("_", " "))}</td>'
        f'<td role="cell" data-label="gifts">{escape(", ".join(named) or "none")}</td>'
        f'<td role="cell" data-label="print"><span>'
        f'<a href="/print?ticket={link}">Page<span class="unseen"> of {name}</span></a> '
        f'<a href="/print.pdf?ticket={link}">PDF<span class="unseen"> of {name}</span></a></span></td></tr>'
    )
