"""Campaign documents: what people write in YAML and the topic carries in JSON, and the domain's campaign made of it."""

from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime
from itertools import islice
from typing import Any, Literal
from zoneinfo import available_timezones

from pydantic import ValidationError

from makeweight.contracts.codec import dumps
from makeweight.contracts.members import (
    ANSWER,
    KNOWN_NAMES,
    NO_CAUTION,
    CampaignDocument,
    Counts,
    DangerousGoods,
    Document,
    Food,
    GiftCautions,
    GiftModel,
    Gives,
    Looks,
    OfferModel,
)
from makeweight.contracts.problems import MAX_ERRORS, Fault, WireError, faults, in_words, nearest
from makeweight.domain import gtin
from makeweight.domain.campaigns import (
    NEVER_CLASSES,
    SINCE_EVER,
    Campaign,
    Cautions,
    Customs,
    Gift,
    Offer,
    Scope,
    may_stand_in,
)
from makeweight.domain.moments import Window, instant_of, window_of, zone_of
from makeweight.domain.money import digits


class DocumentError(WireError):
    """A campaign document with faults; each has the path to its place, so that a file can name the line."""

    def __init__(self, found: list[Fault]) -> None:
        super().__init__("campaign", in_words(found))
        self.faults = found


def read_campaign(document: Mapping[str, Any] | bytes) -> Campaign:
    """The campaign of a document, as parsed YAML or as JSON. ``DocumentError`` lists its faults with their paths."""
    body = document if isinstance(document, bytes) else dumps(document)
    try:
        model = CampaignDocument.model_validate_json(body)
    except ValidationError as error:
        told = [
            Fault(tuple(p for p in f.path if p not in (NO_CAUTION, ANSWER)), f.text) for f in faults(error, KNOWN_NAMES)
        ]
        raise DocumentError(told) from None
    found = list(islice(_contradictions(model), MAX_ERRORS))
    if found:
        raise DocumentError(found)
    window = _window(model)
    return _campaign(model, window, _ends(model, window))


def _ends(model: CampaignDocument, window: Window) -> dict[str, Window]:
    """The windows of offers that end before their campaign, by offer."""
    found: dict[str, Window] = {}
    for i, offer in enumerate(model.offers):
        if offer.until is None:
            continue
        try:
            end = instant_of(_local(offer.until), model.zone)
        except ValueError as error:
            raise DocumentError([Fault(("offers", i, "until"), str(error))]) from None
        if not window.start < end <= window.end:
            text = f"{offer.until} is not within the campaign's own window, {model.from_} to {model.until}"
            raise DocumentError([Fault(("offers", i, "until"), text)])
        found[offer.offer] = Window(window.start, end)
    return found


def _window(model: CampaignDocument) -> Window:
    for name, text in (("from", model.from_), ("until", model.until)):
        try:
            instant_of(_local(text), model.zone)
        except ValueError as error:  # a change of the clock, or no time of UTC
            raise DocumentError([Fault((name,), str(error))]) from None
    try:
        return window_of(_local(model.from_), _local(model.until), model.zone)
    except ValueError as error:
        raise DocumentError([Fault(("until",), str(error))]) from None


def _local(text: str) -> datetime:
    return datetime.fromisoformat(text)


def _contradictions(model: CampaignDocument) -> Iterator[Fault]:
    """What a schema can't say."""
    checks: list[tuple[str, Callable[[str], object], str]] = [
        ("currency", digits, model.currency),
        ("zone", zone_of, model.zone),
        ("from", _local, model.from_),
        ("until", _local, model.until),
    ]
    for name, check, given in checks:
        try:
            check(given)
        except ValueError as error:
            hint = nearest(given, sorted(available_timezones())) if name == "zone" else ""
            yield Fault((name,), f"{error}{hint}")
    try:
        _effective(model)
    except OverflowError:
        yield Fault(("effective",), f"{model.effective}: expected a time between the years 1 and 9999 of UTC")
    yield from _twice("gifts", [g.gift for g in model.gifts])
    yield from _twice("offers", [o.offer for o in model.offers])
    for i, gift in enumerate(model.gifts):
        if gift.gtin is not None and not gtin.valid(gift.gtin):
            yield Fault(("gifts", i, "gtin"), f"{gift.gtin} has a wrong check digit; read it again from the pack")
    for i, name in enumerate(model.classes):
        if name in NEVER_CLASSES:
            yield Fault(("classes", i), f"{name} orders never take part in a campaign; take {name!r} out")
    gifts = {g.gift: _gift(g, model) for g in model.gifts}
    for i, offer in enumerate(model.offers):
        for place, text in _offer_faults(offer, gifts):
            yield Fault(("offers", i, *place), text)


def _effective(model: CampaignDocument) -> datetime:
    return model.effective.astimezone(UTC) if model.effective else SINCE_EVER


def _twice(path: str, ids: list[str]) -> Iterator[Fault]:
    seen: set[str] = set()
    for i, name in enumerate(ids):
        if name in seen:
            yield Fault((path, i), f"{name!r} is declared twice; give one of them another id")
        seen.add(name)


Place = tuple[tuple[str | int, ...], str]


def _offer_faults(offer: OfferModel, gifts: dict[str, Gift]) -> Iterator[Place]:
    forms = [offer.gives is not None, offer.prices is not None, offer.reduces is not None]
    if sum(forms) != 1:
        yield (), "an offer has either `counts` and `gives`, or `prices`, or `reduces`"
        return
    if offer.gives is None:
        if offer.counts is not None:
            yield ("counts",), "counts go with `gives`; a price offer names its goods in `prices` or `reduces`"
        for name in ("only_to", "services", "value_used", "top_up", "paid_within_days", "clawback", "expected_units"):
            if _says(offer, name):
                yield (name,), f"`{name}` goes with `gives`; a price is for every order in the window"
        return
    if offer.counts is None:
        yield (), "`gives` needs `counts`: what the order must hold, and how much of it"
        return
    yield from _counts_faults(offer.counts, for_each=offer.gives.for_each)
    yield from _gives_faults(offer, offer.gives, gifts)
    yield from _once_faults(offer, offer.counts, offer.gives)


def _says(model: Document, name: str) -> bool:
    """Whether a member says something else than its default."""
    return bool(getattr(model, name) != type(model).model_fields[name].get_default(call_default_factory=True))


def _once_faults(offer: OfferModel, counts: Counts, gives: Gives) -> Iterator[Place]:
    """What is used up must be an amount, the same each time, and of an offer that is certain to be claimed."""
    if offer.value_used != "once":
        return
    if counts.by != "total":
        yield ("value_used",), f"`once` goes with `by: total`, not with `by: {counts.by}`, which uses up no amount"
    if gives.for_each:
        yield ("value_used",), "`once` does not go with `for_each`, which uses the value up by itself; drop one of them"
    if offer.group is not None:
        yield ("value_used",), "`once` does not go with `group`, which gives one of its offers only; drop one of them"


def _counts_faults(counts: Counts, *, for_each: bool) -> Iterator[Place]:
    asked = [counts.at_least is not None, counts.over is not None]
    if counts.by == "any":
        if any(asked):
            yield ("counts",), "`by: any` takes no threshold; leave out `at_least` and `over`"
    elif sum(asked) == 0 and counts.by != "units":
        yield ("counts",), "a threshold is missing: `at_least` for 'or more', `over` for 'over'"
    elif sum(asked) == 2:  # noqa: PLR2004 - both of the two
        yield ("counts",), "`at_least` and `over` exclude each other; keep the one that the announcement says"
    if counts.at_least == 0:
        yield ("counts", "at_least"), "a threshold of 0 asks nothing; use `by: any` for 'any purchase'"
    if for_each and counts.over is not None:
        yield ("gives", "for_each"), "'for each' with 'over' is ambiguous; say `at_least`"
    if for_each and counts.by not in ("total", "units"):
        yield ("gives", "for_each"), f"'for each' goes with `by: total` or `by: units`, not with `by: {counts.by}`"


def _gives_faults(offer: OfferModel, gives: Gives, gifts: dict[str, Gift]) -> Iterator[Place]:
    if (gives.gift is None) == (gives.benefit is None):
        yield ("gives",), "an offer gives one thing: a `gift` or a `benefit`"
    if gives.gift is not None:
        yield from _gift_faults(gives, gifts)
    else:
        for name in ("choice", "rides_with", "own_parcel", "back_orders"):
            if _says(gives, name):
                yield ("gives", name), f"`{name}` goes with a `gift`; a benefit lies in no parcel"
        if _says(offer, "clawback"):
            yield ("clawback",), "`clawback` goes with a `gift`; a benefit is not taken back"
    if offer.when_out == "substitute" and not gives.otherwise:
        yield ("when_out",), "`substitute` needs a gift in `gives.otherwise`"
    if gives.benefit is not None and (gives.otherwise or offer.when_out == "owed"):
        yield ("gives",), "a benefit needs no stock, so it has neither `otherwise` nor `when_out: owed`"
    if gives.benefit is not None and gives.for_each:
        yield ("gives", "for_each"), "a benefit is given once to an order"


def _gift_faults(gives: Gives, gifts: dict[str, Gift]) -> Iterator[Place]:
    places: list[tuple[tuple[str | int, ...], str]] = [(("gives", "gift"), gives.gift or "")]
    places += [(("gives", "otherwise", i), name) for i, name in enumerate(gives.otherwise)]
    places += [(("gives", "choice", i), name) for i, name in enumerate(gives.choice)]
    for at, name in places:
        if name not in gifts:
            yield at, f"gift {name!r} is not among the campaign's `gifts`{nearest(name, sorted(gifts))}"
    announced = gifts.get(gives.gift or "")
    for i, name in enumerate(gives.otherwise):
        why = may_stand_in(announced, gifts[name]) if announced is not None and name in gifts else None
        if why is not None:
            text = f"{name!r} can't be sent in place of {gives.gift!r}: {why}; name another gift, or leave it out"
            yield ("gives", "otherwise", i), text


def _campaign(model: CampaignDocument, window: Window, ends: Mapping[str, Window]) -> Campaign:
    gifts = {g.gift: _gift(g, model) for g in model.gifts}
    offers = tuple(_offer(model, offer, ends.get(offer.offer, window), gifts) for offer in model.offers)
    return Campaign(
        campaign=model.campaign,
        revision=model.revision,
        title=model.title,
        markets=tuple(model.markets),
        currency=model.currency,
        zone=model.zone,
        window=window,
        offers=offers,
        effective_at=_effective(model),
        published_by=model.published_by,
        gifts=gifts,
        classes=tuple(model.classes),
        why=model.why,
    )


def _gift(model: GiftModel, document: CampaignDocument) -> Gift:
    customs = Customs(model.customs.hs_code, model.customs.origin) if model.customs else None
    return Gift(
        model.gift, model.title, model.gtin, model.stated_value, model.unit_cost, model.weight_grams, customs,
        _cautions(model.cautions), document.ships_from, list(document.same_customs_area),
    )  # fmt: skip


def _cautions(model: GiftCautions) -> Cautions:
    goods, food = model.dangerous_goods, model.food
    return Cautions(
        dangerous_goods=goods.class_ if isinstance(goods, DangerousGoods) else goods,
        age=model.age,
        food="food" if isinstance(food, Food) else food,
        lanes=list(goods.lanes) if isinstance(goods, DangerousGoods) else [],
        allergens=list(food.allergens) if isinstance(food, Food) else [],
        never_to=list(model.never_to),
        carries=list(model.carries),
    )


def _scope(model: Looks) -> Scope:
    return Scope(
        brands=frozenset(model.brands),
        categories=frozenset(model.categories),
        skus=frozenset(model.skus),
        not_skus=frozenset(model.not_skus),
        not_categories=frozenset(model.not_categories),
        not_reduced=isinstance(model, Counts) and model.not_reduced,
    )


def _offer(document: CampaignDocument, model: OfferModel, window: Window, gifts: dict[str, Gift]) -> Offer:
    base: dict[str, Any] = {
        "key": f"{document.campaign}/{model.offer}",
        "campaign": document.campaign,
        "revision": document.revision,
        "says": model.says,
        "window": window,
        "currency": document.currency,
        "zone": document.zone,
        "paused": model.paused,
    }
    if model.prices is not None:
        scope = Scope(skus=frozenset(model.prices))
        return Offer(**base, kind="price", scope=scope, prices=dict(model.prices))
    if model.reduces is not None:
        return Offer(**base, kind="reduction", scope=_scope(model.reduces), up_to_percent=model.reduces.up_to_percent)
    counts, gives = model.counts, model.gives
    assert counts is not None and gives is not None  # noqa: PT018 - checked by _offer_faults
    threshold = counts.over if counts.over is not None else counts.at_least
    when_out: Literal["substitute", "next", "owed"] = "substitute" if gives.otherwise else "next"
    named = {name: gifts[name] for name in (gives.gift, *gives.otherwise, *gives.choice) if name}
    return Offer(
        **base,
        kind="gift" if gives.gift else "benefit",
        scope=_scope(counts),
        by=counts.by,
        # 'any' is measured as 0 or 1, and units ask for one if nothing is said.
        threshold=1 if threshold is None else threshold,
        strict=counts.over is not None,
        basis=counts.basis,
        gift=gives.gift,
        otherwise=tuple(gives.otherwise),
        benefit=gives.benefit,
        units=gives.units,
        for_each=gives.for_each,
        order_cap=model.caps.per_order,
        customer_cap=model.caps.per_customer,
        total_cap=model.caps.total,
        group=model.group,
        rank=model.rank,
        when_out=model.when_out or when_out,
        gifts=named,
        clawback=model.clawback,
        rides_with=gives.rides_with,
        own_parcel=tuple(gives.own_parcel),
        back_orders=gives.back_orders,
        choice=tuple(gives.choice),
        value_used=model.value_used,
        top_up=model.top_up,
        paid_within_days=model.paid_within_days,
        expected_units=model.expected_units,
        only_to=frozenset(model.only_to),
        services=frozenset(model.services),
    )
