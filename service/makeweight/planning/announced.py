"""What an announcement says, beside what is set up: amounts, comparison words, caps, percentages, prices, the last day.

English words are looked for, and numbers in any language. It finds what contradicts the set-up; that it finds nothing
is no proof that an announcement is right.
"""

import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from makeweight.domain.campaigns import Offer
from makeweight.domain.money import digits, to_major
from makeweight.domain.reasons import amount

_CURRENCY = r"(?:[€£$¥]|(?-i:[A-Z]{3}))"
_SIGN = rf"{_CURRENCY}?"
_OVER = re.compile(rf"\b(over|above|more than|exceeding|beyond)\s+{_SIGN}\s*$", re.IGNORECASE)
_FROM = re.compile(rf"\b(from|at least|minimum of|minimum)\s+{_SIGN}\s*$", re.IGNORECASE)
_OR_MORE = re.compile(
    rf"^\s*{_SIGN}\s*(or more|or over|or above|and above|and over|and up|or upwards)\b", re.IGNORECASE
)
_WORDS = {"one": 1, "two": 2, "three": 3, "four": 4, "five": 5, "six": 6, "ten": 10}
_COUNT = rf"(?<![\d.,])(\d+(?:[.,]\d{{3}})*|{'|'.join(_WORDS)})\b(?![.,]\d|\s*(?:{_CURRENCY}|%|euro|pound|dollar))"
_OF = rf"(?:\s+(?!{_COUNT})\w+){{0,3}}"  # what is counted, or 'at most': no other number
_TO = rf"\b{_COUNT}{_OF}\s+(?:per|to an?|for each|each)\s+"
_CAPS = {
    "total": re.compile(rf"\bfirst\s+{_COUNT}", re.IGNORECASE),
    "customer": re.compile(rf"{_TO}customer\b", re.IGNORECASE),
    "order": re.compile(rf"{_TO}order\b", re.IGNORECASE),
}
_PERCENT = re.compile(r"(\d+(?:[.,]\d+)?)\s?%")
_MONTHS = ("january", "february", "march", "april", "may", "june", "july", "august", "september", "october",
           "november", "december")  # fmt: skip
_DAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_UNTIL = r"\b(?:until|till|through|ends|ends on|to)\s+(?:the end of\s+)?"
_UNTIL_DATE = re.compile(
    rf"{_UNTIL}(?:\w+day,?\s+)?(\d{{1,2}})(?:st|nd|rd|th)?\s+({'|'.join(_MONTHS)})\b", re.IGNORECASE
)
_UNTIL_DAY = re.compile(rf"{_UNTIL}({'|'.join(_DAYS)})\b", re.IGNORECASE)


def contradictions(offer: Offer) -> Iterator[str]:
    """What the announcement of an offer says otherwise than it is set up, a sentence each."""
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
    if offer.by in ("total", "line", "unit") and offer.kind in ("gift", "benefit"):
        least = offer.threshold
        if not _places(offer.says, least, offer.currency):
            yield f"what it says names no {amount(least, offer.currency)}, which is what it asks for"
    brands = offer.scope.brands
    if brands and not any(brand.casefold() in offer.says.casefold() for brand in brands):
        yield f"what it says names none of the brands that it counts: {', '.join(sorted(brands))}"


def _forms(minor: int, currency: str) -> list[str]:
    """How people write an amount: 1,040.00 or 1040 or 1.040,00."""
    whole, _, rest = to_major(minor, currency).partition(".")
    grouped = f"{int(whole):,}"
    found = {
        (whole, "."),
        (whole, ","),
        (grouped, "."),
        (grouped.replace(",", "."), ","),
        (grouped.replace(",", " "), ","),
    }
    forms = {f"{left}{dot}{rest}" for left, dot in found} if rest else set()
    if not rest.strip("0"):
        forms |= {left for left, _ in found}
    return sorted(forms, key=len, reverse=True)


def _places(says: str, minor: int, currency: str) -> list[tuple[str, str]]:
    """What stands before and after each place where an amount is named."""
    pattern = "|".join(re.escape(form) for form in _forms(minor, currency))
    found = re.finditer(rf"(?<![\d.,])(?:{pattern})(?![\d]|[.,]\d|\s?%)", says)
    return [(says[: match.start()], says[match.end() :]) for match in found]


def _comparison(offer: Offer) -> Iterator[str]:
    if offer.by not in ("total", "line", "unit"):
        return
    least = amount(offer.threshold, offer.currency)
    for before, after in _places(offer.says, offer.threshold, offer.currency):
        over, more = _OVER.search(before), _OR_MORE.match(after) or _FROM.search(before)
        if over and not more and not offer.strict:
            yield f"it says '{over[1]}', and exactly {least} earns it too; write `over`, or say 'or more'"
        if more and offer.strict:
            yield f"it says '{more[1]}', and exactly {least} earns nothing; write `at_least`, or say 'over'"


def _caps(offer: Offer) -> Iterator[str]:
    caps = {"total": offer.total_cap, "customer": offer.customer_cap, "order": offer.order_cap}
    names = {"total": "in all", "customer": "to a customer", "order": "to an order"}
    for name, pattern in _CAPS.items():
        for match in pattern.finditer(offer.says):
            said, cap = _count(match[1]), caps[name]
            if said is not None and said != cap:
                has = f"its cap {names[name]} is {cap:,}" if cap is not None else f"it has no cap {names[name]}"
                yield f"it says '{match[0]}', and {has}"


def _count(text: str) -> int | None:
    if text.lower() in _WORDS:
        return _WORDS[text.lower()]
    plain = re.sub(r"[.,](?=\d{3}\b)", "", text).rstrip(".,")
    return int(plain) if plain.isdecimal() else None


def _prices(offer: Offer) -> Iterator[str]:
    """A number with the currency's decimals is meant as a price; it must be one."""
    places = digits(offer.currency)
    if not places:
        return
    known = {form for minor in offer.prices.values() for form in _forms(minor, offer.currency)}
    for number in re.findall(rf"(?<![\d.,])\d[\d.,]*[.,]\d{{{places}}}(?!\d)(?!\s?%)", offer.says):
        if number not in known:
            yield f"it says {number}, which is none of its prices"


def _reduction(offer: Offer) -> Iterator[str]:
    for match in _PERCENT.finditer(offer.says):
        if float(match[1].replace(",", ".")) != offer.up_to_percent:
            yield f"it says '{match[0]}', and reduces by up to {offer.up_to_percent} %"


def _ending(offer: Offer) -> Iterator[str]:
    last = (offer.window.end - timedelta(microseconds=1)).astimezone(ZoneInfo(offer.zone))
    for match in _UNTIL_DATE.finditer(offer.says):
        if (int(match[1]), _MONTHS.index(match[2].lower()) + 1) != (last.day, last.month):
            yield f"it says '{match[0]}', and its last day is {_day(last)}"
    for match in _UNTIL_DAY.finditer(offer.says):
        if _DAYS.index(match[1].lower()) != last.weekday():
            yield f"it says '{match[0]}', and its last day is {_day(last)}"


def _day(local: datetime) -> str:
    return f"{local:%A} {local.day} {local:%B}"
