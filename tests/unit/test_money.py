"""Money against ISO 4217 and against the worked examples of proration.

'Ex-n' is a worked example of the rules of the trade; where no source is named beside one it is common practice, no
source.
"""

from decimal import Decimal
from fractions import Fraction

import iso4217
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from makeweight.domain.money import CURRENCIES, digits, prorate, to_major, to_minor

# ISO 4217 list one as the iso4217 package carries it (1.16.20260101: the list published 2026-01-01). None is 'N.A.':
# metals, bond units, SDR, and the codes for tests and for no currency have no minor unit, so nothing can cost any.
ISO = {currency.code: currency.exponent for currency in iso4217.Currency}

amounts = st.integers(-(10**15), 10**15)  # a thousand times what a national bank would book at once
weights = st.lists(st.integers(0, 10**9), max_size=30)
codes = st.sampled_from(sorted(CURRENCIES))


@pytest.mark.parametrize("code", sorted(CURRENCIES))
def test_digits_are_those_of_iso_4217(code):
    """Source: ISO 4217 list one, by the iso4217 package."""
    assert digits(code) == ISO[code]


def test_every_currency_of_iso_4217_is_known_and_no_other():
    """Source: ISO 4217 list one, by the iso4217 package. Funds codes (CHE, CLF, UYW …) are in, since they have digits.

    What has no minor unit is out: XAU (gold), XDR, XTS, XXX and the like. An update of the package that fails here
    is a change of the list: the table in the domain is to follow it.
    """
    assert {code for code, exponent in ISO.items() if exponent is not None} == CURRENCIES
    assert {"BOV", "CHE", "CHW", "CLF", "COU", "MXV", "USN", "UYI", "UYW"} <= CURRENCIES
    assert not {"XAU", "XAG", "XPT", "XPD", "XDR", "XTS", "XXX"} & CURRENCIES


@pytest.mark.parametrize(
    ("places", "listed"),
    [
        (0, "BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX UYI VND VUV XAF XOF XPF"),
        (3, "BHD IQD JOD KWD LYD OMR TND"),
        (4, "CLF UYW"),
    ],
)
def test_all_currencies_without_two_digits(places, listed):
    """Source: ISO 4217 list published 2026-01-01, written out, so that the package is checked as well."""
    assert {code for code in CURRENCIES if digits(code) == places} == set(listed.split())


@pytest.mark.parametrize(
    "code", ["AFN", "ALL", "IRR", "IQD", "KPW", "LAK", "LBP", "MGA", "MMK", "RSD", "SOS", "SYP", "YER"]
)
def test_digits_are_not_those_of_cldr(code):
    """Source: ISO 4217 beside Unicode CLDR, as found in babel 2.18.0.

    The trap: CLDR gives 0 digits to each of these, for display, where ISO 4217 has 2 (3 for IQD). Arithmetic on
    CLDR's digits would be wrong by a factor of 100.
    """
    assert digits(code) == (3 if code == "IQD" else 2)


@pytest.mark.parametrize("code", ["XAU", "XXX", "EURO", "eur", "", "€"])
def test_unknown_currency_is_refused_with_what_was_expected(code):
    """Source: ISO 4217 for what is one; the message names the code and gives known ones."""
    with pytest.raises(ValueError, match="ISO 4217 currency code; expected one such as EUR"):
        digits(code)


@pytest.mark.parametrize(
    ("text", "code", "minor"),
    [
        ("12.50", "EUR", 1250),
        ("12.5", "EUR", 1250),
        ("12", "EUR", 1200),
        ("0.01", "EUR", 1),
        ("-0.05", "EUR", -5),
        (" 19.99 ", "USD", 1999),
        ("1250", "JPY", 1250),
        ("1.234", "TND", 1234),
        ("0.0001", "CLF", 1),
        # Floats make 1998 and 434 of these two: 19.99 * 100 is 1998.9999999999998.
        ("19.99", "GBP", 1999),
        ("4.35", "GBP", 435),
    ],
)
def test_major_units_are_read_exactly(text, code, minor):
    """Source: ISO 4217 digits; the values are arithmetic."""
    assert to_minor(text, code) == minor


@pytest.mark.parametrize(
    ("minor", "code", "text"),
    [(1250, "EUR", "12.50"), (1250, "JPY", "1250"), (-5, "EUR", "-0.05"), (0, "BHD", "0.000"), (1, "UYW", "0.0001")],
)
def test_minor_units_are_written_with_all_digits(minor, code, text):
    """Source: ISO 4217 digits; the values are arithmetic."""
    assert to_major(minor, code) == text


@pytest.mark.parametrize(
    ("text", "code", "fault"),
    [
        ("12.505", "EUR", "more than the 2 decimals of EUR"),
        ("1.5", "JPY", "more than the 0 decimals of JPY"),
        ("0.0001", "BHD", "more than the 3 decimals of BHD"),
        ("12,50", "EUR", "expected a plain number such as 12.50"),
        ("1,000.00", "EUR", "expected a plain number such as 12.50"),
        ("€5", "EUR", "expected a plain number such as 12.50"),
        ("", "EUR", "expected a plain number such as 12.50"),
        ("NaN", "EUR", "EUR|plain number"),
        ("Infinity", "EUR", "EUR|plain number"),
    ],
)
def test_what_is_no_amount_of_the_currency_is_refused(text, code, fault):
    """Source: ISO 4217 digits. Never rounded: an amount that does not fit is somebody's mistake."""
    with pytest.raises(ValueError, match=fault):
        to_minor(text, code)


@given(minor=amounts, code=codes)
@example(minor=-1, code="EUR")
@example(minor=0, code="JPY")
def test_amounts_survive_being_written_and_read(minor, code):
    """Source: ISO 4217 digits. The text has exactly the currency's digits and is the same number."""
    text = to_major(minor, code)
    assert to_minor(text, code) == minor
    assert Fraction(Decimal(text)) * 10 ** ISO[code] == minor
    assert len(text.partition(".")[2]) == ISO[code]


@pytest.mark.parametrize(
    ("amount", "parts", "shares"),
    [
        # Ex-4: 10.00 over 19.99, 24.99 and 33.34. Rounded each by itself they would be 2.55, 3.19, 4.26 as well.
        (1000, [1999, 2499, 3334], [255, 319, 426]),
        # Ex-5: three equal lines; each by itself would be 3.33, a cent short.
        (1000, [500, 500, 500], [334, 333, 333]),
        # The same in a currency without minor units (rules of the trade 2.3): whole yen.
        (1000, [900, 900, 900], [334, 333, 333]),
        # Ex-1: 4.80 off 36.00 and 12.00.
        (480, [3600, 1200], [360, 120]),
        # Two cents over three lines: ties go by the order of the lines.
        (2, [7, 7, 7], [1, 1, 0]),
        # The largest remainder wins over an earlier line: 0.2 and 0.8 of a cent.
        (1, [1, 4], [0, 1]),
        # A line that cost nothing gets nothing, wherever it stands.
        (1, [0, 3, 3], [0, 1, 0]),
        (5, [0, 0], [0, 0]),
        (5, [], []),
        (0, [3, 4], [0, 0]),
    ],
)
def test_proration_examples(amount, parts, shares):
    """Ex-4 and Ex-5, and what follows from largest remainder (common practice, no source)."""
    assert prorate(amount, parts) == shares


@given(amount=st.integers(0, 10**9), parts=weights)
@example(amount=10, parts=[1, 1, 1])
@example(amount=1, parts=[0, 0, 1])
def test_shares_sum_to_the_amount_and_lie_within_one_unit_of_exact(amount, parts):
    """The two defining properties of largest remainder (common practice, no source)."""
    shares = prorate(amount, parts)
    whole = sum(parts)
    assert sum(shares) == (amount if whole else 0)
    for share, part in zip(shares, parts, strict=True):
        exact = Fraction(amount * part, whole) if whole else Fraction(0)
        assert abs(share - exact) < 1
        assert share >= exact - exact % 1  # never less than the share rounded down
        assert part or not share


@given(amount=st.integers(0, 10**6), parts=st.lists(st.integers(0, 9), max_size=12))
@example(amount=2, parts=[1, 1, 1])
def test_units_left_go_to_the_largest_remainders_ties_by_order(amount, parts):
    """Common practice, no source. No line that was rounded up stands behind one that was not.

    Weights are small here so that ties abound.
    """
    whole = sum(parts)
    if not whole:
        return
    up, down = [], []
    for at, (share, part) in enumerate(zip(prorate(amount, parts), parts, strict=True)):
        place = (-(amount * part % whole), at)
        (up if share > amount * part // whole else down).append(place)
    assert not up or not down or max(up) < min(down)


@given(parts=weights, data=st.data())
def test_a_discount_within_the_goods_leaves_no_line_below_zero(parts, data):
    """Follows from largest remainder, and is what makes a charged line a price that somebody paid."""
    amount = data.draw(st.integers(0, sum(parts)))
    assert all(0 <= share <= part for share, part in zip(prorate(amount, parts), parts, strict=True))
