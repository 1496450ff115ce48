"""Campaigns as the reference reads them: an offer with what is around it, and which gift may go with which order.

    Offer        an offer with the campaign around it
    blocked      whether a gift may not go with an order
    gifts_for    the gifts that may, the preferred one first

Where the documents leave something open, the reading taken here is marked with 'Reading:' where it is made.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

Json = dict[str, Any]

RANK_DEFAULT = 1000


# ---------------------------------------------------------------- campaigns


def instant(text: str | datetime) -> datetime:
    """An RFC 3339 instant, comparable with any other."""
    moment = text if isinstance(text, datetime) else datetime.fromisoformat(text)
    assert moment.tzinfo is not None, f"an instant needs its offset: {text}"
    return moment.astimezone(UTC)


def wall_clock(text: str | date, zone: str) -> datetime:
    """A local boundary as an instant. YAML gives a date for '2026-11-23' and text for '2026-11-23 00:00'."""
    local = datetime.fromisoformat(text if isinstance(text, str) else text.isoformat())
    return local.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC)


@dataclass
class Offer:
    """An offer that gives something, with the campaign around it."""

    campaign: Json
    body: Json

    @property
    def key(self) -> str:
        """The offer's id on the wire."""
        return f"{self.campaign['campaign']}/{self.body['offer']}"

    @property
    def start(self) -> datetime:
        """The first instant of the window."""
        return wall_clock(self.campaign["from"], self.campaign["zone"])

    @property
    def end(self) -> datetime:
        """The first instant after the window."""
        return wall_clock(self.campaign["until"], self.campaign["zone"])

    @property
    def classes(self) -> list[str]:
        """The order classes that take part."""
        return self.campaign.get("classes") or ["retail"]

    @property
    def counts(self) -> Json:
        """What the offer looks at, and how."""
        counts: Json = self.body["counts"]
        return counts

    @property
    def gives(self) -> Json:
        """The one thing that it gives."""
        gives: Json = self.body["gives"]
        return gives

    @property
    def caps(self) -> Json:
        """The caps that are set."""
        return {name: units for name, units in (self.body.get("caps") or {}).items() if units is not None}

    @property
    def threshold(self) -> int:
        """Reading: 'any' asks for something charged, which is one minor unit, and is of that tier in its group."""
        if self.counts["by"] == "any":
            return 1
        return int(self.counts["over"] if "over" in self.counts else self.counts["at_least"])

    @property
    def is_strict(self) -> bool:
        """The word is 'over'."""
        return "over" in self.counts

    @property
    def uses_value(self) -> bool:
        """What it counts, no other offer of the kind may count."""
        return self.body.get("value_used", "shared") == "once"

    @property
    def when_out(self) -> str:
        """What follows when the gift is out."""
        return self.body.get("when_out") or ("substitute" if self.gives.get("otherwise") else "next")

    @property
    def clawback(self) -> str:
        """What follows when the goods kept no longer earn the gift."""
        return self.body.get("clawback") or "none"

    @property
    def is_benefit(self) -> bool:
        """Free shipping and the like: nothing that lies on a shelf."""
        return "benefit" in self.gives

    @property
    def is_claimed_at_ledger(self) -> bool:
        """Reading: a cap over orders makes a benefit a claim; an order has it once, so `per_order` caps nothing."""
        return not self.is_benefit or bool(self.caps.keys() & {"per_customer", "total"})

    @property
    def precedence(self) -> tuple[int, int, datetime, str]:
        """Place among others, best first."""
        rank = self.body.get("rank")
        return (RANK_DEFAULT if rank is None else rank, -self.threshold, self.start, self.key)

    def gift(self, name: str) -> Json:
        """What the campaign says of a gift."""
        return next(entry for entry in self.campaign["gifts"] if entry["gift"] == name)

    def pay_by(self, placed: datetime) -> datetime | None:
        """The same time of day so many days later; at the later reading where the clock changes."""
        days = self.body.get("paid_within_days")
        if days is None:
            return None
        zone = ZoneInfo(self.campaign["zone"])
        local = placed.astimezone(zone).replace(tzinfo=None) + timedelta(days=days)
        return max(local.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1))

    def delivers_to(self, event: Json) -> bool:
        """The destination's country and the service are among those of the offer, where it names any."""
        # Reading: an order that names no service has none that fits, as one without a country.
        country, service = place(event)[0], event.get("service") or ""
        only_to, services = self.body.get("only_to"), self.body.get("services")
        return (not only_to or country in only_to) and (not services or service in services)


# ---------------------------------------------------------------- cautions


def place(event: Json) -> tuple[str, str, str]:
    """Country, area and lane of an order; empty where unknown, and a lane that nobody named may be any."""
    there = event.get("destination") or {}
    return there.get("country") or "", there.get("area") or "", there.get("lane") or "any"


def blocked(campaign: Json, gift: Json, event: Json) -> bool:
    """Whether the gift may not go with this order: a caution speaks against it, or is not answered."""
    cautions = gift.get("cautions") or {}
    country, area, lane = place(event)
    return (
        _dangerous_goods_block(cautions.get("dangerous_goods"), lane)
        or _age_blocks(cautions.get("age"), event.get("age_answer"))
        or _is_unknown_food(cautions.get("food"))
        # Reading: a list of countries that is left out is an empty one; it is no question that waits for an answer.
        or bool(cautions.get("never_to") and _is_banned(cautions["never_to"], country, area))
        or bool(_crosses_a_border(campaign, country) and not gift.get("customs"))
    )


def _is_banned(places: list[str], country: str, area: str) -> bool:
    """Reading: a place is a country, an area or both as in US-HI; who doesn't say the area may be in any of its own."""
    here = {country, area, f"{country}-{area}"} if area else {country}
    return not country or any(name in here or (not area and name.startswith(f"{country}-")) for name in places)


def _dangerous_goods_block(answer: Json | str | None, lane: str) -> bool:
    if answer == "none":
        return False
    if not isinstance(answer, dict) or not answer.get("class"):
        return True  # unanswered
    lanes = set(answer.get("lanes") or ())
    return not {"ground", "air"} <= lanes if lane == "any" else lane not in lanes


def _age_blocks(answer: str | None, told: str | None) -> bool:
    return answer != "none" and not (answer == "adult" and told == "adult")


def _is_unknown_food(answer: Json | str | None) -> bool:
    return answer != "none" and not (isinstance(answer, dict) and isinstance(answer.get("allergens"), list))


def _crosses_a_border(campaign: Json, country: str) -> bool:
    ships_from = campaign.get("ships_from") or ""
    return bool(ships_from and country and ships_from != country)


def caution_set(gift: Json) -> set[tuple[str, str]]:
    """All that a customer might mind of a gift."""
    cautions = gift.get("cautions") or {}
    goods, food = cautions.get("dangerous_goods"), cautions.get("food")
    found = {("carries", text) for text in cautions.get("carries") or ()}
    if isinstance(goods, dict):
        found.add(("class", str(goods.get("class"))))
    if cautions.get("age") == "adult":
        found.add(("age", "adult"))
    if isinstance(food, dict):
        found |= {("allergen", allergen) for allergen in food.get("allergens") or ()}
    return found


def may_stand_in(announced: Json, substitute: Json) -> bool:
    """Worth no less, and with no caution that the announced one has not."""
    worth_it = (substitute.get("stated_value") or 0) >= (announced.get("stated_value") or 0)
    return worth_it and caution_set(substitute) <= caution_set(announced)


def gifts_for(offer: Offer, event: Json) -> list[str]:
    """The gifts that may go, in order of preference: the chosen one, the announced one, then what stands in."""
    default = offer.gives["gift"]
    chosen = event.get("chosen_gift")
    if chosen not in [*(offer.gives.get("choice") or ()), default]:
        chosen = default
    # Reading: a substitute stands in for what was announced and for what was chosen. The default may be worth less than
    # what was chosen, as both were offered; but rule 2.9 knows no way across a caution, so not to the default either.
    instead = offer.gives.get("otherwise") or [] if offer.when_out == "substitute" else []
    fitting = [
        name
        for name in instead
        if all(may_stand_in(offer.gift(wanted), offer.gift(name)) for wanted in (chosen, default))
    ]
    fallback = [default] if caution_set(offer.gift(default)) <= caution_set(offer.gift(chosen)) else []
    names = dict.fromkeys([chosen, *fallback, *fitting])
    return [name for name in names if not blocked(offer.campaign, offer.gift(name), event)]
