"""The tickets that someone may have to do something about, by site and standing: to look at, select and print."""

from collections import Counter
from collections.abc import Iterable, Sequence
from html import escape
from typing import NamedTuple
from urllib.parse import urlencode

from makeweight.adapters.board import cards, words
from makeweight.adapters.local.wave import Listed

PAGE = 50
STANDINGS = {
    "to_pick": "To pick",
    "held": "Held",
    "on_floor": "On the floor",
    "take_off": "To take off",
}


class Choice(NamedTuple):
    """What was asked for: a site ('' is all), a standing, a page from 1."""

    site: str
    standing: str
    page: int


def wave(tickets: Sequence[Listed], asked: Choice) -> str:
    """The tickets of a choice, the oldest first, with a form that prints those selected."""
    standing = asked.standing if asked.standing in STANDINGS else "to_pick"
    sites = sorted({one.site for one in tickets})
    site = asked.site if asked.site in sites else ""
    here = [one for one in tickets if not site or one.site == site]
    chosen = sorted((one for one in here if one.standing == standing), key=lambda one: one.position)
    last = max(1, -(-len(chosen) // PAGE))
    page = min(max(1, asked.page), last)
    shown = chosen[(page - 1) * PAGE : page * PAGE]
    counts = Counter[str](one.standing for one in here)
    links = "".join(_standing(name, counts[name], site, here=name == standing) for name in STANDINGS)
    return (
        f'{_sites(sites, site, standing)}<ul class="kinds">{links}</ul>'
        f"{_form(shown, standing) if shown else '<p>No ticket.</p>'}{_pages(page, last, site, standing)}"
    )


def _address(site: str, standing: str, page: int = 1) -> str:
    query = {"standing": standing} | ({"site": site} if site else {}) | ({"page": str(page)} if page > 1 else {})
    return escape(f"/tickets?{urlencode(query)}")


def _standing(name: str, count: int, site: str, *, here: bool) -> str:
    current = ' aria-current="true"' if here else ""
    return (
        f'<li><a href="{_address(site, name)}"{current}><span class="count">{words.number(count)}</span> '
        f"{STANDINGS[name]}</a></li>"
    )


def _sites(sites: Sequence[str], chosen: str, standing: str) -> str:
    if len(sites) < 2:  # noqa: PLR2004 - nothing to choose
        return ""
    options = "".join(
        f'<option value="{escape(one)}"{" selected" if one == chosen else ""}>{escape(one) or "all sites"}</option>'
        for one in ("", *sites)
    )
    return (
        f'<form action="/tickets" method="get" class="ask"><input type="hidden" name="standing" value="{standing}">'
        f'<label for="site">Site</label><select id="site" name="site">{options}</select>'
        '<button type="submit">Show</button></form>'
    )


def _form(shown: Sequence[Listed], standing: str) -> str:
    columns = {"Print": False, "Ticket": False, "Order": False, "Site": False, "Goods": True, "Gifts": False}
    checked = standing == "to_pick"
    rows = [_row(one, checked=checked) for one in shown]
    return (
        f'<form action="/print" method="get" class="wave"><div class="actions">'
        '<button type="submit">Print selected</button>'
        '<button type="submit" formaction="/print.pdf">Selected as PDF</button>'
        f"<p>{_needed(shown)}</p></div>{cards.table(STANDINGS[standing], columns, rows, 'desk')}</form>"
    )


def _needed(shown: Iterable[Listed]) -> str:
    """The gifts of the tickets that are shown, for whoever fetches them."""
    found: Counter[str] = Counter()
    for one in shown:
        found.update(dict(one.gifts))
    told = ", ".join(f"{words.number(units)} x {escape(gift)}" for gift, units in sorted(found.items()))
    return f"Gifts on this page: {told}." if told else "No gifts on this page."


def _row(one: Listed, *, checked: bool) -> str:
    name, gifts = escape(one.ticket), ", ".join(f"{units} x {gift}" for gift, units in one.gifts)
    follows = "; a gift follows" if one.follows else ""
    mark = " checked" if checked else ""
    return (
        f'<tr role="row"><td role="cell" data-label="print"><input type="checkbox" name="ticket" value="{name}"{mark} '
        f'aria-label="Print {name}"></td><th role="rowheader" class="id" scope="row">'
        f'<a href="/print?{escape(urlencode({"ticket": one.ticket}))}">{name}</a></th>'
        f'<td role="cell" class="id" data-label="order">{cards.order_link(one.order)}</td>'
        f'<td role="cell" data-label="site">{escape(one.site)}</td>'
        f'<td role="cell" class="number" data-label="goods">{words.number(one.goods)}</td>'
        f'<td role="cell" data-label="gifts">{escape(gifts or "none")}{follows}</td></tr>'
    )


def _pages(page: int, last: int, site: str, standing: str) -> str:
    if last == 1:
        return ""
    before = f'<a href="{_address(site, standing, page - 1)}">Earlier</a>' if page > 1 else ""
    after = f'<a href="{_address(site, standing, page + 1)}">Later</a>' if page < last else ""
    return f'<nav class="pages" aria-label="More tickets">{before}<span>Page {page} of {last}</span>{after}</nav>'
