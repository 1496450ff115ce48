"""Money: integer minor units of an ISO 4217 currency, and how an amount is shared out without losing a cent."""

import re
from collections.abc import Sequence

# ISO 4217 (list published 2026-01-01): currencies by the digits of their minor unit. CLDR differs for some
# (IQD, RSD ...): CLDR is for display, ISO for arithmetic. A test compares this table with the iso4217 package.
_NO_DIGITS = "BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX UYI VND VUV XAF XOF XPF"
_THREE_DIGITS = "BHD IQD JOD KWD LYD OMR TND"
_FOUR_DIGITS = "CLF UYW"
_TWO_DIGITS = """AED AFN ALL AMD AOA ARS AUD AWG AZN BAM BBD BDT BMD BND BOB BOV BRL BSD BTN BWP BYN BZD CAD CDF CHE CHF
    CHW CNY COP COU CRC CUP CVE CZK DKK DOP DZD EGP ERN ETB EUR FJD FKP GBP GEL GHS GIP GMD GTQ GYD HKD HNL HTG HUF IDR
    ILS INR IRR JMD KES KGS KHR KPW KYD KZT LAK LBP LKR LRD LSL MAD MDL MGA MKD MMK MNT MOP MRU MUR MVR MWK MXN MXV MYR
    MZN NAD NGN NIO NOK NPR NZD PAB PEN PGK PHP PKR PLN QAR RON RSD RUB SAR SBD SCR SDG SEK SGD SHP SLE SOS SRD SSP STN
    SVC SYP SZL THB TJS TMT TOP TRY TTD TWD TZS UAH USD USN UYU UZS VED VES WST XAD XCD XCG YER ZAR ZMW ZWG"""
_DIGITS = {
    code: places
    for places, codes in ((0, _NO_DIGITS), (2, _TWO_DIGITS), (3, _THREE_DIGITS), (4, _FOUR_DIGITS))
    for code in codes.split()
}
CURRENCIES = frozenset(_DIGITS)
_AMOUNT = re.compile(r"([-+]?)([0-9]{1,18})(?:\.([0-9]*))?", re.ASCII)


def digits(currency: str) -> int:
    """Decimals of the currency's minor unit (ISO 4217): EUR 2, JPY 0, TND 3. Unknown code: ``ValueError``."""
    if currency not in CURRENCIES:
        raise ValueError(f"{currency!r} is not an ISO 4217 currency code; expected one such as EUR, GBP or USD")
    return _DIGITS[currency]


def to_minor(text: str, currency: str) -> int:
    """'12.50' EUR -> 1250. More decimals than the currency has, or no plain number: ``ValueError``."""
    places = digits(currency)
    match = _AMOUNT.fullmatch(text.strip())
    if match is None:
        raise ValueError(f"{text!r} is not an amount; expected a plain number such as 12.50")
    sign, whole, decimals = match[1], match[2], (match[3] or "").rstrip("0")
    if len(decimals) > places:
        raise ValueError(f"{text!r} has more than the {places} decimals of {currency}")
    return int(f"{sign}{whole}{decimals.ljust(places, '0')}")


def to_major(minor: int, currency: str) -> str:
    """1250 EUR -> '12.50', 1250 JPY -> '1250', -5 EUR -> '-0.05'."""
    places = digits(currency)
    if not places:
        return str(minor)
    whole, rest = divmod(abs(minor), 10**places)
    return f"{'-' if minor < 0 else ''}{whole}.{rest:0{places}d}"


def prorate(amount: int, weights: Sequence[int]) -> list[int]:
    """Share ``amount`` in proportion to ``weights`` so that the shares sum to it exactly (largest remainder).

    Every share is rounded down, then the units left go to the largest remainders, ties to the earlier weight.
    With no weight above 0 nothing can be shared and every share is 0.
    """
    total = sum(weights)
    if total <= 0 or amount == 0:
        return [0] * len(weights)
    shares = [amount * weight // total for weight in weights]
    left = amount - sum(shares)
    if left:
        by_remainder = sorted(range(len(weights)), key=lambda i: (-(amount * weights[i] % total), i))
        for i in by_remainder[:left]:
            shares[i] += 1
    return shares
