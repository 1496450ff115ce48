"""The form that asks what is to become of an offer, and what was written into it."""

import re
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from html import escape
from typing import Any, NamedTuple, get_args
from zoneinfo import ZoneInfo

from makeweight.adapters.board import words
from makeweight.domain.book import Book
from makeweight.domain.campaigns import Campaign, Offer
from makeweight.domain.moments import Instant, instant_of
from makeweight.planning.changing import Change, Kind

KINDS: dict[Kind, tuple[str, str]] = {
    "pause": ("Pause it", "No order can have it until it is resumed."),
    "resume": ("Resume it", "Orders can have it again."),
    "end": ("End it at an instant", "Earlier than it says now, or later."),
    "cap": ("Change its caps", "How many units at most, in all and for a customer."),
    "swap": ("Give another gift", "One of the campaign's."),
}
CAPS = {"total": ("In all", "total_cap"), "per_customer": ("For a customer", "customer_cap")}
FIELDS = ("kind", "at", *CAPS, "gift", "why", "by")
_INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d+)?(?:Z|[+-]\d\d:\d\d)")
_UNITS = re.compile(r"[1-9][0-9]{0,8}")
_MOST = 300  # characters of a reason


class Wrong(ValueError):
    """What is wrong with a field, and what to do."""

    def __init__(self, field: str, text: str) -> None:
        super().__init__(text)
        self.field = field


class Asked(NamedTuple):
    """An offer that may be changed, in the latest revision of its campaign."""

    campaign: Campaign
    offer: Offer

    @property
    def kinds(self) -> list[Kind]:
        """What can become of it."""
        found: list[Kind] = ["resume" if self.offer.paused else "pause", "end", "cap"]
        return [*found, "swap"] if self.gifts else found

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


def open_to_change(book: Book, now: Instant) -> list[Asked]:
    """The offers in force that give something and are not over."""
    in_force = {one.campaign for one in book.in_force(now)}
    return [
        Asked(campaign, offer)
        for campaign in latest(book)
        if campaign.campaign in in_force
        for offer in campaign.offers
        if offer.kind in ("gift", "benefit") and now < offer.window.end
    ]


# ---------------------------------------------------------------- the form


def chooser(offers: Iterable[Asked], chosen: str) -> str:
    """The form that asks which offer, by campaign."""
    groups: dict[str, list[str]] = {}
    for one in offers:
        mark = " selected" if one.offer.key == chosen else ""
        paused = ", paused" if one.offer.paused else ""
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
    facts["Ends"] = moment(offer.window.end, offer.zone)
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
    gifts = "".join(f'<option value="{escape(k)}">{escape(title)} ({escape(k)})</option>' for k, title in
                    one.gifts.items())  # fmt: skip
    return {
        "kind": _kinds(one.kinds),
        **{
            name: f'<label for="{name}">{said}</label><input id="{name}" name="{name}" inputmode="numeric" '
            f'autocomplete="off" value="{"" if caps[name] is None else caps[name]}" {_tied(name, hinted=True)}>'
            f'<p class="hint" id="{name}-hint">Units at most; left empty, there is no such cap.</p>'
            for name, (said, _) in CAPS.items()
        },
        "gift": f'<label for="gift">Gift</label><select id="gift" name="gift" {_tied("gift")}>{gifts}</select>',
        "at": f'<label for="at">{named}</label><input id="at" name="at" type="datetime-local" '
        f'{_tied("at", hinted=True)}><p class="hint" id="at-hint">{hint}</p>',
        "why": f'<label for="why">Why</label><input id="why" name="why" maxlength="{_MOST}" autocomplete="off" '
        f'aria-required="true" {_tied("why", hinted=True)}>'
        '<p class="hint" id="why-hint">For whoever reads it later.</p>',
        "by": f'<label for="by">Who answers for it</label><input id="by" name="by" maxlength="{_MOST}" '
        f'autocomplete="name" aria-required="true" {_tied("by")}>',
    }


def _tied(name: str, *, hinted: bool = False) -> str:
    hint = f"{name}-hint " if hinted else ""
    return f'aria-describedby="{hint}{name}-wrong"'


def _kinds(kinds: Iterable[Kind]) -> str:
    choices = "".join(
        f'<div><input type="radio" name="kind" id="kind-{kind}" value="{kind}" aria-describedby="kind-{kind}-hint">'
        f'<label for="kind-{kind}">{KINDS[kind][0]}</label><p class="hint" id="kind-{kind}-hint">{KINDS[kind][1]}</p>'
        "</div>"
        for kind in kinds
    )
    return f'<fieldset aria-describedby="kind-wrong"><legend>What is to become of it</legend>{choices}</fieldset>'


# ---------------------------------------------------------------- what was written


def read(form: Mapping[str, Any], one: Asked) -> Change:
    """The change that a form asks for. ``Wrong`` names the field that can't be read."""
    given = {name: str(form.get(name) or "").strip() for name in FIELDS}
    kind = next((kind for kind in get_args(Kind) if kind == given["kind"] and kind in one.kinds), None)
    if kind is None:
        raise Wrong("kind", "Choose what is to become of the offer.")
    caps = _caps(given, one.offer) if kind == "cap" else {}
    gift = given["gift"] if kind == "swap" else ""
    if kind == "swap" and gift not in one.gifts:
        raise Wrong("gift", "Choose one of the campaign's gifts.")
    at = _at(given["at"], one.offer.zone)
    if not given["why"]:
        raise Wrong("why", "Say why: whoever meets the change later will ask.")
    if not given["by"]:
        raise Wrong("by", "Say who answers for it.")
    return Change(kind, one.offer.key, given["by"][:_MOST], given["why"][:_MOST], at, caps, gift)


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
