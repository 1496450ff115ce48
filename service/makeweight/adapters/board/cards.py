"""What the pages show of a picture, as pieces of HTML by key: made once for all, and sent only where they differ."""

from collections.abc import Iterable, Mapping, Sequence
from html import escape
from typing import NamedTuple
from urllib.parse import quote

from makeweight.adapters.board import drawings, words
from makeweight.domain.moments import Instant
from makeweight.domain.tickets import Notice
from makeweight.planning.picture import OfferPicture, Picture, Signal, StockPlace
from makeweight.planning.rejects import PutAside

SHOWN_OF_A_KIND = 25  # on the page of all kinds; a kind's own page has them all
_ORDER = ("act_now", "running_low", "exhausted", "paused", "live", "scheduled", "ended")
_SIGN_OF = {
    "act_now": "stop",
    "exhausted": "stop",
    "running_low": "heed",
    "paused": "wait",
    "live": "go",
    "scheduled": "wait",
    "ended": "over",
}
_NUMBER = ' class="number"'
_LOUD = {"act_now": "stop", "exhausted": "stop", "running_low": "heed", "paused": "heed"}


class Piece(NamedTuple):
    """A piece of a page: its key among its neighbours, its HTML, and the class of the element that holds it."""

    key: str
    html: str
    classes: str = ""


def order_link(order: str) -> str:
    """A link to an order's page."""
    return f'<a href="/orders?q={quote(order, safe="")}">{escape(order)}</a>'


def table(name: str, columns: Mapping[str, bool], rows: Iterable[str], classes: str = "") -> str:
    """A table by its columns, those of numbers marked so. Roles are said, since a narrow page shows rows as blocks."""
    return (
        f'<table role="table" class="{classes}" aria-label="{escape(name)}">{table_head(columns)}'
        f'<tbody role="rowgroup">{"".join(rows)}</tbody></table>'
    )


def table_head(columns: Mapping[str, bool]) -> str:
    """The head of a table by its columns, those of numbers marked so."""
    heads = "".join(
        f'<th role="columnheader" scope="col"{_NUMBER if is_number else ""}>{escape(column)}</th>'
        for column, is_number in columns.items()
    )
    return f'<thead role="rowgroup"><tr role="row">{heads}</tr></thead>'


# ---------------------------------------------------------------- offers


def urgency(offer: OfferPicture) -> str:
    """How much an offer asks for attention: the first of ``_ORDER`` that holds."""
    if offer.state in ("live", "running_low") and offer.clock is not None and offer.clock.act_now:
        return "act_now"
    return offer.state


GROUPS = ("Gifts, and what else is limited", "Prices and benefits", "Not begun, or over")


def group_of(offer: OfferPicture) -> str:
    """Under which of ``GROUPS`` an offer stands."""
    if offer.state in ("scheduled", "ended"):
        return GROUPS[2]
    return GROUPS[1] if offer.left_units is None else GROUPS[0]


def offers(picture: Picture) -> dict[str, list[Piece]]:
    """A card for each offer by group, the most urgent first; ties in the order of the picture."""
    found: dict[str, list[Piece]] = {group: [] for group in GROUPS}
    for one in sorted(picture.offers, key=lambda o: _ORDER.index(urgency(o))):
        piece = Piece(one.key, card(one, picture.as_of), f"card {_LOUD.get(urgency(one), '')}".strip())
        found[group_of(one)].append(piece)
    return found


def card(offer: OfferPicture, now: Instant) -> str:
    """One offer."""
    state = urgency(offer)
    word = "Act now" if state == "act_now" else words.STATES[state]
    badge = f'<p class="badge {_LOUD.get(state, "")}">{drawings.sign(_SIGN_OF[state])}{word}</p>'
    head = (
        f'<div class="head"><div><h3>{escape(words.name(offer.key))}</h3>'
        f'<p class="quiet">{escape(offer.title)}, {escape(words.ends(offer, now))}</p></div>{badge}</div>'
        f'<p class="says">{escape(offer.says)}</p>'
    )
    body = _prices(offer) if offer.kind in ("price", "reduction") else _given(offer, now)
    return head + body + _rates(offer) + _stock(offer, now) + _rest(offer)


def _figure(value: str, name: str, more: str = "") -> str:
    beside = f'<span class="quiet">{escape(more)}</span>' if more else ""
    return f"<div><dt>{escape(name)}</dt><dd>{escape(value)}{beside}</dd></div>"


def _prices(offer: OfferPicture) -> str:
    checked = offer.rates["price_accuracy"]
    wrong = checked.tries - checked.hits
    figures = _figure(words.number(wrong), "Lines not as advertised", f"of {words.number(checked.tries)}")
    if offer.overcharged:
        figures += _figure(words.amount(offer.overcharged, offer.currency), "Charged too much")
    if offer.undercharged:
        figures += _figure(words.amount(offer.undercharged, offer.currency), "Charged too little")
    return f'<dl class="figures">{figures}</dl>'


def _given(offer: OfferPicture, now: Instant) -> str:
    figures = ""
    if offer.left_units is not None:
        received = sum(place.balance.received for place in offer.stock)
        of = f"of {words.number(received)}" if received else ""
        if offer.total_cap is not None:
            of = f"{of}, cap {words.number(offer.total_cap)}" if of else f"cap {words.number(offer.total_cap)}"
        name = "Left over" if offer.state == "ended" else "Left to give"
        figures += _figure(words.number(offer.left_units), name, of)
    figures += _figure(words.number(offer.granted_units), "Given")
    if offer.owed_units:
        figures += _figure(words.number(offer.owed_units), "Owed")
    if offer.over_gift_units:
        figures += _figure(words.number(offer.over_gift_units), "Sent unearned")
    likely = words.chance(offer.clock) if (offer.left_units or 0) > 0 else ""
    if likely:
        figures += _figure(likely, "Chance to run out", "before it ends")
    return f'<dl class="figures">{figures}</dl>{_clock(offer, now)}{_burn(offer)}'


def _clock(offer: OfferPicture, now: Instant) -> str:
    says = words.run_out(offer, offer.clock, now)
    if offer.left_units is None and offer.state not in ("scheduled", "ended"):
        return ""
    clock, parts = offer.clock, [f'<p class="clock">{escape(says)}</p>']
    if clock is not None and offer.left_units:
        drawn = drawings.band(clock, now, offer.ends, f"Run-out: {says}")
        if drawn:
            end = drawings.axis_end(clock, now, offer.ends)
            last = "the offer ends " if end == offer.ends else ""
            parts.append(
                f'{drawn}<p class="axis"><span>now</span><span>{last}{words.at(end, now, offer.zone)}</span></p>'
            )
        parts.append(f'<p class="act">{_act(offer)}</p>')
    return "".join(parts)


def _act(offer: OfferPicture) -> str:
    assert offer.clock is not None
    level = words.number(offer.clock.act_level_units)
    if urgency(offer) == "act_now":
        return (
            f"<strong>Act now</strong>: {words.number(offer.left_units or 0)} left, and the level to act at is {level}."
        )
    return f"Act when {level} are left."


def _burn(offer: OfferPicture) -> str:
    if not any(count > 0 for count in offer.units_by_hour):
        return ""
    told = f"{words.number(offer.units_by_hour[-2])} in the last whole hour" if len(offer.units_by_hour) > 1 else ""
    most = f"{words.number(max(offer.units_by_hour))} at most"
    hours = len(offer.units_by_hour)
    says = f"Units asked for by hour, the latest {hours} hours: {told}, {most}."
    drawn = drawings.spark(offer.units_by_hour, says)
    named = f'<span class="quiet">Burn, the latest {hours} hours:</span>'
    return f'<div class="burn">{drawn}<p>{named} {told}, {most}</p></div>'


def _rates(offer: OfferPicture) -> str:
    rows = []
    for key, one in offer.rates.items():
        share, between, of = words.rate(one)
        name, what = words.RATES[key]
        rows.append(
            f'<tr role="row"><th role="rowheader" scope="row">{name} <span class="quiet">{what}</span></th>'
            f'<td role="cell" class="number" data-label="rate">{share}</td>'
            f'<td role="cell" class="number" data-label="95 % interval">{between}</td>'
            f'<td role="cell" class="number quiet" data-label="count">{of}</td></tr>'
        )
    columns = {"Rate": False, "%": True, "95 % interval": True, "Count": True}
    return table(f"Rates of {words.name(offer.key)}", columns, rows, "rates")


def _stock(offer: OfferPicture, now: Instant) -> str:
    if not offer.stock:
        return ""
    columns = {"Gift": False, "Site": False, "Free": True, "Reserved": True, "On the floor": True, "Packed": True}
    columns |= {"An hour": True, "Gone": False}
    rows = [_place(offer, place, now) for place in offer.stock]
    return table(f"Stock by site of {words.name(offer.key)}", columns, rows, "stock")


def _place(offer: OfferPicture, place: StockPlace, now: Instant) -> str:
    b = place.balance
    gone = words.gone_by(place.clock if offer.left_units else None, now, offer.zone) if b.free > 0 else "gone"
    burn = f"{place.burn_units_per_hour:.1f}" if place.burn_units_per_hour is not None else "-"
    kept = f' <span class="quiet">{_elsewhere(place)}</span>' if _elsewhere(place) else ""
    numbers = "".join(
        f'<td role="cell" class="number" data-label="{label}">{text}</td>'
        for label, text in (
            ("free", f"<strong>{words.number(b.free)}</strong>"),
            ("reserved", words.number(b.reserved)),
            ("on the floor", words.number(b.released)),
            ("packed", words.number(b.packed)),
            ("an hour", burn),
        )
    )
    return (
        f'<tr role="row"><th role="rowheader" scope="row">{escape(place.title)}{kept}</th>'
        f'<td role="cell" data-label="site">{escape(b.site)}</td>{numbers}'
        f'<td role="cell" data-label="gone">{escape(gone)}</td></tr>'
    )


def _elsewhere(place: StockPlace) -> str:
    b = place.balance
    told = [(b.quarantine, "not found"), (b.in_transit, "on the way"), (b.damaged, "damaged")]
    return ", ".join(f"{words.number(units)} {what}" for units, what in told if units)


def _rest(offer: OfferPicture) -> str:
    told = []
    if offer.declined:
        reasons = sorted(offer.declined.items(), key=lambda one: -one[1])
        told.append("Not given: " + ", ".join(f"{words.number(n)} {r.replace('_', ' ')}" for r, n in reasons))
    if offer.mean_gap:
        told.append(f"Near misses lack {words.amount(offer.mean_gap, offer.currency)} on average")
    if offer.gift_cost and offer.revenue > 0:
        share = words.percent(offer.gift_cost / offer.revenue)
        of = words.amount(offer.revenue, offer.currency)
        told.append(f"Gifts cost {words.amount(offer.gift_cost, offer.currency)}, {share} % of {of} charged for goods")
    if offer.top_share is not None and offer.customers > 10:  # noqa: PLR2004 - the share is that of the largest ten
        told.append(f"Ten of {words.number(offer.customers)} customers hold {words.percent(offer.top_share)} %")
    if offer.advertised_after_seconds:
        told.append(f"Announced for {words.span(offer.advertised_after_seconds)} after it ran out")
    return "".join(f'<p class="rest">{escape(text)}.</p>' for text in told)


# ---------------------------------------------------------------- signals and the feed


def signals(picture: Picture) -> list[Piece]:
    """A box for each signal, in the order of the picture."""
    zone = zone_of(picture)
    return [Piece(f"{one.kind} {one.offer}", _signal(one, picture.at, zone), "signal") for one in picture.signals]


def _signal(one: Signal, now: Instant, zone: str) -> str:
    since = f' <span class="quiet">(since {words.at(one.since, now, zone)})</span>' if one.since else ""
    of = f" {escape(words.name(one.offer))}:" if one.offer else ""
    return (
        f"{drawings.sign('heed')}<p><strong>{words.SIGNALS[one.kind]}.</strong>{of} {escape(one.sentence)}{since}</p>"
    )


def zone_of(picture: Picture) -> str:
    """The zone for what belongs to no offer: that of the first one, as shops have one more often than not."""
    return picture.offers[0].zone if picture.offers else "UTC"


def status(picture: Picture) -> str:
    """How far the numbers beside it reach: the event lag and the watermark."""
    zone, feed = zone_of(picture), picture.feed
    if feed.watermark is None:
        return "<p>No order yet.</p>"
    known = f"Orders known up to <strong>{words.at(feed.watermark, picture.at, zone)}</strong>"
    lag = f"; they take {words.span(feed.lag_seconds)} to come in" if feed.lag_seconds is not None else ""
    recent = f"; {words.number(feed.per_hour[-2])} in the last whole hour" if len(feed.per_hour) > 1 else ""
    return f'<p>{known}{lag}{recent}. <span class="quiet">{escape(zone)}</span></p>'


# ---------------------------------------------------------------- the exceptions desk


def kinds(picture: Picture, chosen: str | None) -> list[Piece]:
    """A link to each kind of exception with how many are open, and one to all of them."""
    found = [("", "All", sum(picture.counts.get(kind, 0) for kind in words.KINDS))]
    found += [(kind, word, picture.counts.get(kind, 0)) for kind, word in words.KINDS.items()]
    return [Piece(kind, _kind(kind, word, count, here=kind == (chosen or ""))) for kind, word, count in found]


def _kind(kind: str, word: str, count: int, *, here: bool) -> str:
    path = f"/exceptions?kind={kind}" if kind else "/exceptions"
    current = ' aria-current="true"' if here else ""
    return f'<a href="{path}"{current}><span class="count">{words.number(count)}</span> {word}</a>'


def exceptions(picture: Picture, kind: str | None) -> list[Piece]:
    """A row for each exception: of one kind all that the picture has, else the newest of each."""
    wanted = [kind] if kind else list(words.KINDS)
    limit = None if kind else SHOWN_OF_A_KIND
    shown: Iterable[Notice] = (one for name in wanted for one in picture.exceptions.get(name, [])[:limit])
    currencies = {offer.key: (offer.currency, offer.zone) for offer in picture.offers}
    return [Piece(one.id, _exception(one, picture, currencies)) for one in shown]


def _exception(one: Notice, picture: Picture, known: dict[str, tuple[str, str]]) -> str:
    currency, zone = known.get(one.offer or "", ("", zone_of(picture)))
    much = words.number(one.amount)
    if one.kind in words.KINDS_OF_MONEY:
        much = words.amount(one.amount, currency) if currency else "see why"
    order = order_link(one.order) if one.order else ""
    offer = escape(words.name(one.offer)) if one.offer else ""
    return (
        f'<th role="rowheader" scope="row">{words.KINDS.get(one.kind, words.name(one.kind))}</th>'
        f'<td role="cell" class="id" data-label="order">{order}</td><td role="cell" data-label="offer">{offer}</td>'
        f'<td role="cell" class="number" data-label="how much">{much}</td>'
        f'<td role="cell" class="why" data-label="why">{escape(one.sentence)}</td>'
        f'<td role="cell" class="when" data-label="since">{words.at(one.at, picture.at, zone)}</td>'
    )


def rejects_below(picture: Picture) -> str:
    """How many inputs were put aside, with a link to where they stand."""
    count = picture.rejects_count
    how = f"{words.number(count)} inputs" if count > 1 else "1 input"
    return f'<a href="#put-aside">{how} put aside</a>, below.' if count else ""


def rejects(picture: Picture) -> list[Piece]:
    """A row for each of the newest inputs that were put aside."""
    zone = zone_of(picture)
    return [
        Piece(f"{picture.rejects_count - number}", _reject(one, picture.at, zone))
        for number, one in enumerate(picture.rejects)
    ]


def _reject(one: PutAside, now: Instant, zone: str) -> str:
    of_order = one.key and one.topic in ("orders", "fulfilment")
    about = order_link(one.key) if of_order else escape(one.key)
    return (
        f'<th role="rowheader" scope="row">{words.INPUTS.get(one.topic, escape(one.topic))}</th>'
        f'<td role="cell" class="id" data-label="about">{about}</td>'
        f'<td role="cell" class="why" data-label="why">{escape(one.why)}</td>'
        f'<td role="cell" class="when" data-label="when">{words.at(one.at, now, zone)}</td>'
    )


def rejects_not_shown(picture: Picture) -> str:
    """How many inputs were put aside and are not on the page."""
    hidden = picture.rejects_count - len(picture.rejects)
    return f"{words.number(hidden)} older ones are not shown; makeweight rejects lists them." if hidden > 0 else ""


def not_shown(picture: Picture, kind: str | None) -> str:
    """How many exceptions are open and not on the page."""
    wanted: Sequence[str] = [kind] if kind else list(words.KINDS)
    limit = None if kind else SHOWN_OF_A_KIND
    shown = sum(len(picture.exceptions.get(name, [])[:limit]) for name in wanted)
    hidden = sum(picture.counts.get(name, 0) for name in wanted) - shown
    if hidden <= 0:
        return ""
    return f"{words.number(hidden)} older ones are not shown{'' if kind else '; choose a kind to see more of it'}."
