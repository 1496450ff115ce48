"""Customs lines of gifts, and what a gift adds to the tariff categories of a parcel.

A gift with purchase is no gift for customs, and nothing is declared at 0: without a sale there is no transaction value,
and the value is usually the price that would have been paid, such as that of a price list (GOV.UK, 'Free of charge
goods'). The commodity code, the value and the duty are answered for by a licensed broker or customs manager; nothing
here classifies goods, and nothing is charged.
"""

from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Literal

from makeweight.domain.campaigns import Customs
from makeweight.domain.moments import Instant, Window
from makeweight.domain.values import value

SUBHEADING_DIGITS = 6  # of the Harmonized System; what follows is each country's own

# Council of the EU, 11 February 2026, as several reports say: EUR 3 for each item category of a parcel below EUR 150,
# from 1 July 2026 until 1 July 2028. Midnights of Brussels, which is on UTC+2 then.
INTERIM_DUTY_MINOR = 3_00
INTERIM_BELOW_MINOR = 150_00
INTERIM_PERIOD = Window(datetime(2026, 6, 30, 22, tzinfo=UTC), datetime(2028, 6, 30, 22, tzinfo=UTC))


@value
class CustomsLine:
    """A line of a customs declaration. ``value`` is that of all its units in minor units, and never 0."""

    description: str
    hs_code: str
    origin: str
    units: int
    value: int
    category: Literal["sale of goods"] = "sale of goods"

    def __post_init__(self) -> None:
        """What no declaration may lack; ``ValueError`` says what."""
        for name, text in (
            ("description", self.description),
            ("commodity code", self.hs_code),
            ("origin", self.origin),
        ):
            if not text:
                raise ValueError(f"a customs line needs its {name}; a broker or customs manager answers for it")
        if self.units < 1:
            raise ValueError(f"customs line of {self.description}: {self.units} units; expected at least 1")
        if self.value < 1:
            text = f"customs line of {self.description}: value {self.value}; goods that are free are declared at what"
            raise ValueError(f"{text} they would cost, never at 0")


def customs_line(title: str, customs: Customs, stated_value: int, units: int = 1) -> CustomsLine:
    """The line of a gift, at its stated value for each unit. ``ValueError`` where that is 0 or something is missing."""
    return CustomsLine(title, customs.hs_code, customs.origin, units, stated_value * units)


def sub_heading(hs_code: str | None) -> str | None:
    """The six-digit tariff sub-heading of a commodity code, '3304.99.00' -> '330499'; None if the code lacks one."""
    digits = "".join((hs_code or "").split(".")).strip()
    return digits[:SUBHEADING_DIGITS] if len(digits) >= SUBHEADING_DIGITS and digits.isdecimal() else None


def tariff_categories(hs_codes: Iterable[str | None]) -> int | None:
    """How many tariff sub-headings a parcel holds; None if that of any of its goods is unknown."""
    found = {sub_heading(code) for code in hs_codes}
    return None if None in found else len(found)


def interim_duty(categories: int | None, parcel_value: int, at: Instant) -> int | None:
    """The EU's interim duty on a parcel, in cents: a hint to a customs manager, never an amount that is charged.

    0 where it doesn't apply: from EUR 150 on, or outside the period. None where a category is unknown.
    """
    if parcel_value >= INTERIM_BELOW_MINOR or not INTERIM_PERIOD.holds(at):
        return 0
    return None if categories is None else categories * INTERIM_DUTY_MINOR
