"""Campaigns, orders and answers in short, for the tests of the reference model."""

from tests.support.reference import Reference

OPEN = {"dangerous_goods": "none", "age": "none", "food": "none"}
PLACED = "2026-11-23T10:00:00+00:00"


def campaign(*offers, gifts=("TIN",), **changes):
    """A week of November in Dublin, which is on UTC then. A gift is a name, or all that is said of it."""
    return {
        "campaign": "week",
        "revision": 1,
        "markets": ["IE"],
        "currency": "EUR",
        "zone": "Europe/Dublin",
        "from": "2026-11-23 00:00",
        "until": "2026-11-30 00:00",
        "gifts": [gift if isinstance(gift, dict) else {"gift": gift, "cautions": OPEN} for gift in gifts],
        "offers": list(offers),
    } | changes


def offer(name="tin", *, gift="TIN", gives=None, counts=None, **members):
    """Spend 50 and get a tin, unless said otherwise."""
    return {
        "offer": name,
        "counts": {"by": "total", "at_least": 5000} | (counts or {}),
        "gives": {"gift": gift} | (gives or {}),
    } | members


def line(charged, units=1, number=1, **members):
    """A line of goods."""
    return {"number": number, "sku": f"SKU-{number}", "units": units, "total_charged": charged} | members


def snapshot(order, *lines, revision=1, status="placed", placed_at=PLACED, **members):
    """An order event, on the first morning of the week unless said otherwise."""
    return {
        "order": order,
        "revision": revision,
        "status": status,
        "placed_at": placed_at,
        "revised_at": placed_at,
        "market": "IE",
        "currency": "EUR",
        "lines": list(lines),
    } | members


def played(campaigns, stock, *events):
    """The reference after these order events."""
    reference = Reference(campaigns, stock)
    for event in events:
        reference.order(event)
    return reference


def outcome(reference, order, offer_key="week/tin"):
    """The outcome as a short tuple, None where nothing is claimed."""
    found = reference.outcomes().get((order, offer_key))
    return found and (found["outcome"], found["units"], found["owed"], found["reason"])


def accounts(reference, gift="TIN", site="main", offer_key="week/tin"):
    """Free, reserved, released, packed."""
    here = reference.balances()[offer_key, gift, site]
    return here["free"], here["reserved"], here["released"], here["packed"]


def gift(name="TIN", value=500, **cautions):
    """A gift worth 5.00 that nothing speaks against, unless said otherwise."""
    return {"gift": name, "stated_value": value, "cautions": OPEN | cautions}


def held(reference, order, offer_key="week/tin"):
    """Gift, site and units that the order holds, None where it claims nothing."""
    found = reference.outcomes().get((order, offer_key))
    return found and (found["gift"], found["site"], found["units"])


def counters(reference, *names, gift="TIN", site="main", offer_key="week/tin"):
    """These accounts of a position."""
    here = reference.balances()[offer_key, gift, site]
    return tuple(here[name] for name in names)
