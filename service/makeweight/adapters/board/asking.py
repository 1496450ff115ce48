"""The form that asks what is to become of an offer or its stock, and what was written into it."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import field
from datetime import UTC, datetime
from html import escape
from typing import Any, Literal, NamedTuple, get_args
from zoneinfo import ZoneInfo

from makeweight.adapters.board import words
from makeweight.domain.book import Book
from makeweight.domain.campaigns import Campaign, Offer
from makeweight.domain.claims import Transfer
from makeweight.domain.moments import Instant, instant_of
from makeweight.domain.values import value
from makeweight.planning.changing import Change, ChangeRefused, Kind
from makeweight.planning.moving import StockMove, check_said
from makeweight.planning.picture import Picture

Asking = Kind | Literal["move"]
KINDS: dict[Asking, tuple[str, str]] = {
    "pause": ("Pause it", "No order can have it until it is resumed."),
    "resume": ("Resume it", "Orders can have it again."),
    "end": ("End it at an instant", "Earlier than it says now, or later."),
    "cap": ("Change its caps", "How many units at most, in all and for a customer."),
    "swap": ("Give another gift", "One of the campaign's."),
    "move": ("Move its stock", "Free units go to another offer, another site, or both."),
}
CAPS = {"total": ("In all", "total_cap"), "per_customer": ("For a customer", "customer_cap")}
FIELDS = ("kind", "at", *CAPS, "gift", "place", "units", "to_offer", "to_site", "why", "by")
_INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d+)?(?:Z|[+-]\d\d:\d\d)")
_UNITS = re.compile(r"[1-9][0-9]{0,8}")
_MOST = 300  # characters of a reason


class Wrong(ValueError):
    """What is wrong with a field, and what to do."""

    def __init__(self, field: str, text: str) -> None:
        super().__init__(text)
        self.field = field


class Place(NamedTuple):
    """A gift of an offer at a site: what it is called, how many are free, and how many have gone elsewhere so far."""

    gift: str
    title: str
    site: str
    free: int
    sent: int


@value
class Asked:
    """An offer that may be changed, in the latest revision of its campaign.

    ``places`` are where it has free units, ``takers`` the other offers that they may go to, ``sites`` all that there
    are. Of an offer that is ``over`` only the stock is of use, to others.
    """

    campaign: Campaign
    offer: Offer
    over: bool = False
    places: dict[str, Place] = field(default_factory=dict)
    takers: dict[str, str] = field(default_factory=dict)
    sites: list[str] = field(default_factory=list)

    @property
    def kinds(self) -> list[Asking]:
        """What can become of it."""
        found: list[Asking] = [] if self.over else ["resume" if self.offer.paused else "pause", "end", "cap"]
        if self.gifts and not self.over:
            found.append("swap")
        if self.places and (self.takers or (len(self.sites) > 1 and not self.over)):
            found.append("move")
        return found

    @property
    def gifts(self) -> dict[str, str]:
        """The titles of the gifts that it could give instead, by their names."""
        if self.offer.kind != "gift":
            return {}
        return {name: gift.title for name, gift in self.campaign.gifts.items() if name != self.offer.gift}


def latest(book: Book) -> list[Campaign]:
    """The latest revision of each campaign."""
    found: dict[str, Campaign] = {}
    for one in book:
        if one.campaign not in found or one.revision > found[one.campaign].revision:
            found[one.campaign] = one
    return [found[name] for name in sorted(found)]


def open_to_change(book: Book, now: Instant, picture: Picture, sites: Iterable[str]) -> list[Asked]:
    """The offers in force that give something and are not over, or have stock that others may use.

    ``sites`` are those that are known beside the ones with stock.
    """
    in_force = {one.campaign for one in book.in_force(now)}
    campaigns = [one for one in latest(book) if one.campaign in in_force]
    every = sorted({*sites, *(p.balance.site for one in picture.offers for p in one.stock)})
    found = []
    for campaign in campaigns:
        for offer in campaign.offers:
            if offer.kind in ("gift", "benefit"):
                places, over = places_of(picture, campaign, offer.key), now >= offer.window.end
                takers = {
                    other.key: one.title
                    for one in campaigns
                    for other in one.offers
                    if other.kind == "gift" and other.key != offer.key and now < other.window.end
                    and any(place.gift in one.gifts for place in places.values())
                }  # fmt: skip
                found.append(Asked(campaign, offer, over, places, takers, every))
    return [one for one in found if one.kinds]


def places_of(picture: Picture, campaign: Campaign, offer: str) -> dict[str, Place]:
    """Where an offer has free units, by gift/site, most of them first."""
    stock = (place.balance for one in picture.offers if one.key == offer for place in one.stock if place.balance.free)
    titles = {name: gift.title for name, gift in campaign.gifts.items()}
    return {
        f"{b.gift}/{b.site}": Place(b.gift, titles.get(b.gift, b.gift), b.site, b.free, b.transferred_out)
        for b in sorted(stock, key=lambda b: -b.free)
    }


def sent(picture: Picture, move: StockMove | Transfer) -> int:
    """How many units have gone elsewhere so far from where a move takes them."""
    balances = (place.balance for one in picture.offers if one.key == move.offer for place in one.stock)
    return sum(b.transferred_out for b in balances if (b.gift, b.site) == (move.gift, move.site))


# ---------------------------------------------------------------- the form


def chooser(offers: Iterable[Asked], chosen: str) -> str:
    """The form that asks which offer, by campaign."""
    groups: dict[str, list[str]] = {}
    for one in offers:
        mark = " selected" if one.offer.key == chosen else ""
        paused = ", ended" if one.over else ", paused" if one.offer.paused else ""
        groups.setdefault(one.campaign.title, []).append(
            f'<option value="{escape(one.offer.key)}"{mark}>{escape(words.name(one.offer.key))}{paused}</option>'
        )
    options = "".join(
        f'<optgroup label="{escape(title)}">{"".join(found)}</optgroup>' for title, found in groups.items()
    )
    return (
        '<form action="/changes" method="get" class="ask"><label for="offer">Offer</label>'
        f'<select id="offer" name="offer">{options}</select><button type="submit">Choose</button></form>'
    )


def head(one: Asked, now: Instant) -> str:
    """The offer as its latest revision has it."""
    offer, facts = one.offer, {"Campaign": f"{one.campaign.title}, revision {one.campaign.revision}"}
    if one.campaign.effective_at > now:
        facts["In force from"] = moment(one.campaign.effective_at, offer.zone)
    if offer.paused:
        facts["State"] = "Paused"
    facts["Ended" if one.over else "Ends"] = moment(offer.window.end, offer.zone)
    if offer.gift is not None:
        gift = one.campaign.gifts.get(offer.gift)
        facts["Gives"] = gift.title if gift is not None else offer.gift
    told = "".join(f"<div><dt>{name}</dt><dd>{escape(text)}</dd></div>" for name, text in facts.items())
    return f'<p class="says">{escape(offer.says)}</p><dl class="facts">{told}</dl>'


def fields(one: Asked) -> dict[str, str]:
    """The parts of the form by the field that each asks for."""
    zone = escape(one.offer.zone)
    hint = f"Date and time on the clock of {zone}. Left empty, it is as soon as may be."
    named = '<span class="not-end">Counts from</span><span class="only-end">Ends at</span>'
    caps = {name: getattr(one.offer, member) for name, (_, member) in CAPS.items()}
    gifts = _options((key, f"{title} ({key})") for key, title in one.gifts.items())
    return {
        "kind": _kinds(one.kinds),
        **{
            name: f'<label for="{name}">{said}</label><input id="{name}" name="{name}" inputmode="numeric" '
            f'autocomplete="off" value="{"" if caps[name] is None else caps[name]}" {_tied(name, hinted=True)}>'
            f'<p class="hint" id="{name}-hint">Units at most; left empty, there is no such cap.</p>'
            for name, (said, _) in CAPS.items()
        },
        "gift": _select("gift", "Gift", gifts),
        **_moving(one),
        "at": f'<label for="at">{named}</label><input id="at" name="at" type="datetime-local" '
        f'{_tied("at", hinted=True)}><p class="hint" id="at-hint">{hint}</p>',
        "why": f'<label for="why">Why</label><input id="why" name="why" maxlength="{_MOST}" autocomplete="off" '
        f'aria-required="true" {_tied("why", hinted=True)}>'
        '<p class="hint" id="why-hint">For whoever reads it later.</p>',
        "by": f'<label for="by">Who answers for it</label><input id="by" name="by" maxlength="{_MOST}" '
        f'autocomplete="name" aria-required="true" {_tied("by")}>',
    }


def _moving(one: Asked) -> dict[str, str]:
    """The parts that ask which units go where."""
    places = [
        (key, f"{words.number(place.free)} free at {place.site}: {place.title} ({place.gift})")
        for key, place in one.places.items()
    ]
    takers = _options([("", "The same offer")])
    for title in dict.fromkeys(one.takers.values()):
        offers = [(key, words.name(key)) for key, of in one.takers.items() if of == title]
        takers += f'<optgroup label="{escape(title)}">{_options(offers)}</optgroup>'
    sites = _options([("", "The same site"), *((site, site) for site in one.sites)])
    return {
        "place": _select("place", "What, from where", _options(places)),
        "units": '<label for="units">How many</label><input id="units" name="units" inputmode="numeric" '
        f'autocomplete="off" aria-required="true" {_tied("units")}>',
        "to_offer": _select("to_offer", "To the offer", takers),
        "to_site": _select("to_site", "To the site", sites, "What goes to another site is free once it arrives."),
    }


def _select(name: str, said: str, options: str, hint: str = "") -> str:
    hinted = f'<p class="hint" id="{name}-hint">{hint}</p>' if hint else ""
    tied = _tied(name, hinted=bool(hint))
    return f'<label for="{name}">{said}</label><select id="{name}" name="{name}" {tied}>{options}</select>{hinted}'


def _options(options: Iterable[tuple[str, str]]) -> str:
    return "".join(f'<option value="{escape(key)}">{escape(said)}</option>' for key, said in options)


def _tied(name: str, *, hinted: bool = False) -> str:
    hint = f"{name}-hint " if hinted else ""
    return f'aria-describedby="{hint}{name}-wrong"'


def _kinds(kinds: Sequence[Asking]) -> str:
    checked = " checked" if len(kinds) == 1 else ""
    choices = "".join(
        f'<div><input type="radio" name="kind" id="kind-{kind}" value="{kind}"{checked} '
        f'aria-describedby="kind-{kind}-hint">'
        f'<label for="kind-{kind}">{KINDS[kind][0]}</label><p class="hint" id="kind-{kind}-hint">{KINDS[kind][1]}</p>'
        "</div>"
        for kind in kinds
    )
    return f'<fieldset aria-describedby="kind-wrong"><legend>What is to become of it</legend>{choices}</fieldset>'


# ---------------------------------------------------------------- what was written


def read(form: Mapping[str, Any], one: Asked) -> Change | StockMove:
    """What a form asks for. ``Wrong`` names the field that can't be read."""
    given = {name: str(form.get(name) or "").strip() for name in FIELDS}
    if given["kind"] not in one.kinds:
        raise Wrong("kind", "Choose what is to become of the offer.")
    kind = next((kind for kind in get_args(Kind) if kind == given["kind"]), None)
    return _move(given, one) if kind is None else _change(kind, given, one)


def _change(kind: Kind, given: Mapping[str, str], one: Asked) -> Change:
    caps = _caps(given, one.offer) if kind == "cap" else {}
    gift = given["gift"] if kind == "swap" else ""
    if kind == "swap" and gift not in one.gifts:
        raise Wrong("gift", "Choose one of the campaign's gifts.")
    at = _at(given["at"], one.offer.zone)
    by, why = _said(given)
    return Change(kind, one.offer.key, by, why, at, caps, gift)


def _move(given: Mapping[str, str], one: Asked) -> StockMove:
    place = one.places.get(given["place"])
    if place is None:
        raise Wrong("place", "Choose a gift and the site that it is at.")
    units = given["units"].replace(",", "")
    if not _UNITS.fullmatch(units):
        raise Wrong("units", f"{given['units']!r} is no number of units: write one such as 20.")
    to_offer, to_site = given["to_offer"] or one.offer.key, given["to_site"] or place.site
    if to_offer not in (one.offer.key, *one.takers):
        raise Wrong("to_offer", "Choose one of the offers.")
    if to_site not in one.sites:
        raise Wrong("to_site", "Choose one of the sites.")
    move = StockMove(one.offer.key, place.gift, place.site, int(units), to_offer, to_site, *_said(given))
    try:
        check_said(move)
    except ChangeRefused as error:
        raise Wrong("to_offer", f"{str(error)[:1].upper()}{str(error)[1:]}.") from None
    return move


def _said(given: Mapping[str, str]) -> tuple[str, str]:
    if not given["why"]:
        raise Wrong("why", "Say why: whoever meets the change later will ask.")
    if not given["by"]:
        raise Wrong("by", "Say who answers for it.")
    return given["by"][:_MOST], given["why"][:_MOST]


def _caps(given: Mapping[str, str], offer: Offer) -> dict[str, int | None]:
    found: dict[str, int | None] = {}
    for name, (_, member) in CAPS.items():
        text = given[name].replace(",", "")
        if text and not _UNITS.fullmatch(text):
            raise Wrong(name, f"{given[name]!r} is no number of units: write one such as 450, or leave it empty.")
        units = int(text) if text else None
        if units != getattr(offer, member):
            found[name] = units
    if not found:
        raise Wrong("total", "These are its caps already: change one of them.")
    return found


def _at(text: str, zone: str) -> Instant | None:
    if not text:
        return None
    try:
        local = datetime.fromisoformat(text)
    except ValueError:
        raise Wrong("at", f"{text!r} is no date and time: write one such as 2026-11-24T16:00.") from None
    if local.tzinfo is not None:
        raise Wrong("at", f"Leave the offset out: the time is on the clock of {zone}.")
    try:
        return instant_of(local, zone)
    except ValueError as error:
        raise Wrong("at", str(error)) from None


def moment(instant: Instant, zone: str) -> str:
    """An instant on the clock of a zone, in full: 'Tue 24 Nov 2026 16:00 GMT'; seconds where there are any."""
    local = instant.astimezone(ZoneInfo(zone))
    return f"{local:%a} {local.day} {local:%b %Y %H:%M}{f':{local:%S}' if local.second else ''} {local:%Z}"


def localised(text: str, offer: Offer) -> str:
    """A sentence of the core on an offer, for the page: its instants on the offer's clock, the offer by its name."""
    named = text.replace(offer.key, words.name(offer.key))
    return _INSTANT.sub(lambda found: moment(datetime.fromisoformat(found[0]).astimezone(UTC), offer.zone), named)
