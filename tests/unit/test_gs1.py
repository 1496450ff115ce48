"""Check digits of GS1 identification numbers, against GS1's own examples and python-stdnum."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from stdnum import ean

from makeweight.domain.gtin import LENGTHS, check_digit, valid

bodies = st.text("0123456789", min_size=1, max_size=17)
gtins = st.sampled_from(sorted(LENGTHS)).flatmap(lambda n: st.text("0123456789", min_size=n, max_size=n))


@pytest.mark.parametrize(
    ("body", "digit"),
    [
        ("629104150021", 3),  # GS1, 'How to calculate a check digit manually': the sum is 57
        ("890400021003", 7),  # GS1 India, the same calculation: the sum is 63
        ("37610425002123456", 9),  # an SSCC; from memory, and python-stdnum agrees
        ("03600029145", 2),  # GTIN-12; python-stdnum
        ("9638507", 4),  # GTIN-8; python-stdnum
        ("952123456789", 9),  # GS1 prefix 952 is kept for demonstrations and examples
        ("952000000000", 4),
        ("3842587609507", 4),  # GTIN-14, in the example of AI (01) of the GS1 General Specifications
        ("0000000", 0),
    ],
)
def test_check_digit(body, digit):
    """Source: GS1 General Specifications section 7.9, with the example named beside each; python-stdnum agrees."""
    assert check_digit(body) == digit
    assert ean.calc_check_digit(body) == str(digit)


@given(body=bodies)
def test_check_digit_is_that_of_python_stdnum(body):
    """Source: GS1 General Specifications section 7.9, by python-stdnum's stdnum.ean, for a number of any length."""
    assert str(check_digit(body)) == ean.calc_check_digit(body)


@given(gtin=gtins)
def test_valid_gtins_are_those_of_python_stdnum(gtin):
    """Source: GS1 General Specifications section 7.9, by python-stdnum's stdnum.ean."""
    assert valid(gtin) == ean.is_valid(gtin)
    assert valid(gtin[:-1] + str(check_digit(gtin[:-1])))


@given(gtin=gtins, data=st.data())
def test_one_wrong_digit_is_always_seen(gtin, data):
    """Follows from GS1 General Specifications section 7.9: the weights 3 and 1 have no factor in common with 10."""
    right = gtin[:-1] + str(check_digit(gtin[:-1]))
    at = data.draw(st.integers(0, len(right) - 1))
    other = data.draw(st.sampled_from([digit for digit in "0123456789" if digit != right[at]]))
    assert not valid(right[:at] + other + right[at + 1 :])


@pytest.mark.parametrize("gtin", ["9521234567899", "9520000000004", "036000291452", "96385074", "38425876095074"])
def test_gtins_of_every_length(gtin):
    """Source: as in `test_check_digit`; the first two are those of our own examples."""
    assert valid(gtin)


@pytest.mark.parametrize(
    "text",
    [
        "9521234567898",  # check digit one too low
        "376104250021234569",  # an SSCC is sound and no GTIN; python-stdnum's ean.validate refuses its 18 digits too
        "952123456789",  # a GTIN-13 that lost its check digit: twelve digits that fail as a GTIN-12
        "952-1234567899",
        " 9521234567899",
        "9521234567899\n",
        "٩٥٢١٢٣٤٥٦٧٨٩٩",  # the same number in Arabic digits, which str.isdigit takes for digits
        "952123456789X",
        "",
    ],
)
def test_what_is_no_gtin(text):
    """Source: GS1 General Specifications sections 2.1 and 7.9: 8, 12, 13 or 14 digits and nothing else."""
    assert not valid(text)


@pytest.mark.parametrize("body", ["", "12a4", "-123", "1 2", "٩٥٢"])
def test_a_body_that_is_no_number_is_refused(body):
    """Source: GS1 General Specifications section 7.9 is about digits 0 to 9."""
    with pytest.raises(ValueError, match="digits"):
        check_digit(body)
