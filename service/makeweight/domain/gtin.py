"""GS1 identification numbers: the mod-10 check digit (GS1 General Specifications, section 7.9)."""

LENGTHS = frozenset({8, 12, 13, 14})


def check_digit(body: str) -> int:
    """The check digit of a number without one; of any length, so an SSCC too. ``ValueError`` if not all digits."""
    if not (body.isascii() and body.isdigit()):
        raise ValueError(f"{body!r} is not made of digits")
    weighted = sum(int(digit) * (3 if i % 2 == 0 else 1) for i, digit in enumerate(reversed(body)))
    return -weighted % 10


def valid(gtin: str) -> bool:
    """Whether this is a GTIN-8, -12, -13 or -14 with the right check digit."""
    return len(gtin) in LENGTHS and gtin.isascii() and gtin.isdigit() and check_digit(gtin[:-1]) == int(gtin[-1])
