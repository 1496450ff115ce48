"""What an announcement says, beside what is set up: amounts, comparison words, caps, percentages, prices, the last day.

English words are looked for, and numbers in any language. It finds what seems to contradict the set-up, for somebody to
look at: that it finds nothing is no proof that an announcement is right. Where any place of an announcement agrees with
the set-up, another number or word that doesn't is taken to speak of something else.
"""

import re
from collections.abc import Iterator, Mapping
from datetime import date, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

from makeweight.domain.campaigns import Offer
from makeweight.domain.money import CURRENCIES, digits, to_major
from makeweight.domain.reasons import measured

# ASCII: with IGNORECASE, letters of other scripts would match some of these (a dotless i, a long s).
_FLAGS = re.IGNORECASE | re.ASCII
_CODES = "|".join(sorted(CURRENCIES))
_NAMES = r"\b(?:kr|euros?|pounds?|dollars?|yen|units?|items?)\b"
_CURRENCY = rf"(?:US\$|[€£$¥₹]|\b(?-i:{_CODES})\b|{_NAMES})"
_BEFORE, _AFTER = rf"\s+{_CURRENCY}?\s*$", rf"^\s*{_CURRENCY}?\s*"
_OVER = re.compile(rf"\b(over|above|more than|greater than|exceeding|beyond){_BEFORE}", _FLAGS)
_LEAST = re.compile(rf"\b(from|at least|no less than|upwards of|minimum of|minimum|min\.?){_BEFORE}", _FLAGS)
_OR_MORE = re.compile(rf"{_AFTER}(\+|(?:or|and) (?:more|over|above|up|greater)\b(?! to)|or upwards\b)", _FLAGS)
_WORDS = {"one": 1, "two": 2, "three": 3, "four": 4, "five": 5, "six": 6, "ten": 10}
_COUNT = rf"(\d+(?:[.,]\d{{3}})*|\b(?:{'|'.join(_WORDS)}))\b"
# What has a cap: no amount of money, no part of a number, and not what is in the gift ('a set of five per order').
_NO_AMOUNT = rf"(?<![\d.,€£$¥₹])(?<!\bof )(?<!\b[A-Z]{{3}} ){_COUNT}(?![.,]\d|\s*{_CURRENCY}|\s*%)"
_BETWEEN = rf"(?:\s+(?!{_COUNT})\w+){{0,3}}"  # what is counted, or 'at most': no other number
_TO = rf"{_NO_AMOUNT}{_BETWEEN}\s+(?:per|to an?|for each|each)\s+"
_TIMES = "second|minute|hour|day|week|month|year"
_CAPS = {
    "in all": re.compile(rf"(?<!your )\bfirst\s+(\d+(?:[.,]\d{{3}})*)\b(?!\s*(?:{_TIMES}|%|{_CURRENCY}))", _FLAGS),
    "to a customer": re.compile(rf"{_TO}(?:customer|person)\b", _FLAGS),
    "to an order": re.compile(rf"{_TO}order\b", _FLAGS),
}
_PERCENT = re.compile(r"(\d+(?:[.,]\d+)?)\s?(?:%|per ?cent\b)", _FLAGS)
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_DAY = rf"({'|'.join(_DAYS)})(?:[a-z]*day|\b)"
_MONTH = rf"({'|'.join(_MONTHS)})[a-z]*"
_ENDS = re.compile(
    r"\b(?:until|till|ends?(?: on)?|ending(?: on)?)\W+(?:the end of |midnight on |the )?"
    rf"(?:{_DAY},?\s*)?(?:(?:the )?(\d{{1,2}})(?:st|nd|rd|th)?(?: of)? {_MONTH}|{_MONTH} (\d{{1,2}})(?:st|nd|rd|th)?)?"
    r"(?:,? (\d{4})\b)?(,?(?: at)? (?:00[:.]00|midnight)\b)?",
    _FLAGS,
)


def _says(offer: Offer) -> str:
    """What it says; spaces that don't break a line are spaces like others."""
    return offer.says.replace("\u00a0", " ").replace("\u202f", " ")


def contradictions(offer: Offer) -> Iterator[str]:
    """What the announcement of an offer seems to say otherwise than it is set up, a sentence each."""
    yield from _ending(offer)
    if offer.kind == "price":
        yield from _prices(offer)
    elif offer.kind == "reduction":
        yield from _reduction(offer)
    else:
        yield from _comparison(offer)
        yield from _caps(offer)


def unsaid(offer: Offer) -> Iterator[str]:
    """What it should name, and does not: its threshold, and the brands that it counts."""
    if offer.by in ("total", "line", "unit") and offer.kind in ("gift", "benefit") and not _places(offer):
        yield f"what it says names no {measured(offer.threshold, offer.by, offer.currency)}, which is what it asks for"
    brands = offer.scope.brands
    if brands and not any(brand.casefold() in _says(offer).casefold() for brand in brands):
        yield f"what it says names none of the brands that it counts: {', '.join(sorted(brands))}"


# --- amounts


def _forms(minor: int, currency: str) -> list[str]:
    """How people write an amount, the longest first: 1,040.00 or 1040 or 1.040,00 or 1 040."""
    whole, _, rest = to_major(minor, currency).partition(".")
    grouped = [f"{int(whole):,}".replace(",", sign) for sign in ",. '"]
    wholes = {(left, dot) for left in (whole, *grouped) for dot in ".," if dot not in left}
    forms = {f"{left}{dot}{rest}" for left, dot in wholes} if rest else set[str]()
    if not rest.strip("0"):
        forms |= {left for left, _ in wholes}
    return sorted(forms, key=len, reverse=True)


def _named(says: str, forms: list[str]) -> list[tuple[str, str]]:
    """What stands before and after each place where a number is written in one of some forms."""
    pattern = "|".join(re.escape(form) for form in forms)
    found = re.finditer(rf"(?<![\d.,])(?:{pattern})(?!\d|[.,]\d|\s?%)", says, _FLAGS)
    return [(says[: match.start()], says[match.end() :]) for match in found]


def _places(offer: Offer) -> list[tuple[str, str]]:
    """Where the threshold is named."""
    if offer.by != "units":
        return _named(_says(offer), _forms(offer.threshold, offer.currency))
    spelled = [rf"{word}" for word, count in _WORDS.items() if count == offer.threshold]
    return _named(_says(offer), [str(offer.threshold), *spelled])


def _comparison(offer: Offer) -> Iterator[str]:
    if offer.by == "any":
        return
    overs, leasts = [], []
    for before, after in _places(offer):
        least = _OR_MORE.match(after) or _LEAST.search(before)
        over = _OVER.search(before)
        leasts += [least[1]] if least else []
        overs += [over[1]] if over else []
    exactly = measured(offer.threshold, offer.by, offer.currency)
    if overs and not leasts and not offer.strict:
        yield f"it says '{overs[0]}', and exactly {exactly} earns it too; write `over`, or say 'or more'"
    if leasts and not overs and offer.strict:
        yield f"it says '{leasts[0]}', and exactly {exactly} earns nothing; write `at_least`, or say 'over'"


# --- caps


def _limits(offer: Offer) -> Mapping[str, int | None]:
    """How many gift units there are at most, of an offer that isn't for each so much to an order as well."""
    order = offer.order_cap
    if not offer.for_each:
        order = offer.units if order is None else min(order, offer.units)
    return {"in all": offer.total_cap, "to a customer": offer.customer_cap, "to an order": order}


def _caps(offer: Offer) -> Iterator[str]:
    """Caps are gift units, and announcements may count the orders that get so many of them."""
    limits = _limits(offer)
    for name, pattern in _CAPS.items():
        limit = limits[name]
        said = [(match[0].strip(), count) for match in pattern.finditer(_says(offer)) if (count := _count(match[1]))]
        if said and not any(limit in (count, count * offer.units) for _, count in said):
            has = f"its cap {name} is {limit:,}" if limit is not None else f"it has no cap {name}"
            yield f"it says '{said[0][0]}', and {has}"


def _count(text: str) -> int | None:
    if text.lower() in _WORDS:
        return _WORDS[text.lower()]
    plain = re.sub(r"[.,](?=\d{3}\b)", "", text)
    return int(plain) if plain.isdecimal() else None


# --- prices and reductions


def _prices(offer: Offer) -> Iterator[str]:
    """A price that is not named, and a number with the currency's decimals that is none: one may be meant for both."""
    places = digits(offer.currency)
    missing = [minor for minor in offer.prices.values() if not _named(_says(offer), _forms(minor, offer.currency))]
    known = {form for minor in offer.prices.values() for form in _forms(minor, offer.currency)}
    # Without decimals any number may be a price; a date or a time of day is none (29.11., 23.59).
    number = rf"\d[\d.,]*[.,]\d{{{places}}}" if places else r"\d[\d,.]*\d"
    found = re.findall(rf"(?<![\d.,])({number})(?![\d]|[.,]\d|\s?%)", _says(offer))
    others = [one for one in found if one not in known]
    if missing and others:
        least = measured(min(missing), "total", offer.currency)
        yield f"it says {others[0]}, which is none of its prices, and does not name {least}"


def _reduction(offer: Offer) -> Iterator[str]:
    said = [(match[0], float(match[1].replace(",", "."))) for match in _PERCENT.finditer(_says(offer))]
    if said and offer.up_to_percent not in [percent for _, percent in said]:
        yield f"it says '{said[0][0]}', and reduces by up to {offer.up_to_percent} %"


# --- the last day


class _End(NamedTuple):
    """An end as an announcement says it; None is what it leaves out."""

    weekday: int | None
    day: int | None
    month: int | None
    year: int | None

    def is_on(self, when: date) -> bool:
        named = (self.weekday, self.day, self.month, self.year)
        real = (when.weekday(), when.day, when.month, when.year)
        return all(said in (None, is_) for said, is_ in zip(named, real, strict=True))


def _ending(offer: Offer) -> Iterator[str]:
    """No end that is named is the last day: 'until 30 November 00:00' is the end of the 29th."""
    last = (offer.window.end - timedelta(microseconds=1)).astimezone(ZoneInfo(offer.zone)).date()
    said = []
    for match in _ENDS.finditer(_says(offer)):
        day = match[2] or match[5]
        month = match[3] or match[4]
        end = _End(
            _DAYS.index(match[1].lower()) if match[1] else None,
            int(day) if day else None,
            _MONTHS.index(month.lower()) + 1 if month else None,
            int(match[6]) if match[6] else None,
        )
        if end.weekday is not None or end.day is not None:
            said.append((match[0].strip(), end.is_on(last + timedelta(days=1) if match[7] else last)))
    if said and not any(is_right for _, is_right in said):
        yield f"it says '{said[0][0]}', and its last day is {last:%A} {last.day} {last:%B %Y}"
