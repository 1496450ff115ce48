"""What happens in a simulated shop: two revisions of a campaign, the orders, and the stock.

Everything here is built once and shared by all runs: values are never changed in place.
"""

from datetime import UTC, datetime, timedelta
from functools import cache

from makeweight.contracts.campaigns import read_campaign
from makeweight.contracts.orders import digest
from makeweight.domain.book import Book
from makeweight.domain.claims import Receipt
from makeweight.domain.orders import Line, Order
from makeweight.stages.port import Message
from tests.support.reference import Reference

PLACED = datetime(2026, 11, 24, 10, 0, tzinfo=UTC)
START = PLACED + timedelta(hours=1)  # when a run begins
FLIP = PLACED + timedelta(minutes=5, seconds=30)  # from then on the campaign's second revision is in force
LATE = 6  # orders from this number on are placed after the flip
AMPLE = 1_000
SITES = ("N", "S")
NONE = {"dangerous_goods": "none", "age": "none", "food": "none"}
# (revision, status) of an order's snapshots come from the schedule; these are what its two lines were charged.
CONTENTS = ((900, 0), (1000, 0), (1600, 700), (0, 1500), (2000, 0), (1000, 2900), (0, 690), (2600, 0))
# One or two sites: where line 1 and line 2 ship from.
PLACES = (("N", "N"), ("N", "N"), ("N", "S"), ("S", "S"))


def _document(revision, *, ample):
    """The campaign: a tin with a substitute, a group of two, brushes that are owed, and free carriage."""
    second = revision == 2
    caps = {} if ample else {"total": 5 if second else 3}
    return {
        "campaign": "c",
        "revision": revision,
        "title": "All forms at once",
        "markets": ["IE"],
        "currency": "EUR",
        "zone": "Europe/Dublin",
        "from": "2026-11-23 00:00",
        "until": "2026-11-30 00:00",
        "effective_at": (FLIP if second else PLACED - timedelta(days=2)).isoformat(),
        "gifts": [{"gift": g, "title": g, "stated_value": 500, "cautions": NONE} for g in "TBUMPX"],
        "offers": [
            {
                "offer": "tin",
                "says": "a tin of brand A, from 10 on; the second revision gives another one",
                "counts": {"brands": ["A"], "by": "total", "at_least": 1000},
                "gives": {"gift": "U" if second else "T", "otherwise": ["B"]},
                "caps": caps,
                "when_out": "substitute",
            },
            {
                "offer": "mug",
                "says": "first of the group",
                "counts": {"by": "total", "at_least": 2500 if second else 2000},
                "gives": {"gift": "M"},
                "group": "g",
                "rank": 1,
                "when_out": "next",
            },
            {
                "offer": "pad",
                "says": "second of the group, one to a customer",
                "counts": {"by": "total", "at_least": 1500},
                "gives": {"gift": "P"},
                "caps": {} if ample else {"per_customer": 1},
                "group": "g",
                "rank": 2,
            },
            {
                "offer": "brush",
                "says": "one for each, owed when out",
                "counts": {"brands": ["B"], "by": "total", "at_least": 700},
                "gives": {"gift": "X", "for_each": True},
                "caps": {"per_order": 3},
                "when_out": "owed",
            },
            {
                "offer": "ships",
                "says": "a benefit, counted where it is short",
                "counts": {"by": "total", "over": 2400},
                "gives": {"benefit": "free_shipping"},
                "caps": {} if ample else {"total": 2},
            },
        ],
    }


DOCUMENTS = {ample: [_document(1, ample=ample), _document(2, ample=ample)] for ample in (False, True)}


def _read(document):
    """A document as the core reads it; the reference has another name for the instant of effect."""
    return read_campaign({"effective" if name == "effective_at" else name: what for name, what in document.items()})


# By whether stock is ample, then by how many revisions are published.
BOOKS = {
    ample: {n: Book([_read(document) for document in documents[:n]]) for n in (1, 2)}
    for ample, documents in DOCUMENTS.items()
}
STOCKED = (
    ("c/tin", "T"), ("c/tin", "B"), ("c/tin", "U"), ("c/mug", "M"), ("c/pad", "P"), ("c/brush", "X"),
)  # fmt: skip


def is_late(number):
    """Whether an order was placed after the campaign's second revision took effect."""
    return number >= LATE


@cache
def order(number, revision, status, content, place):
    """A snapshot as a message; equal arguments give the very same one."""
    at = PLACED + timedelta(minutes=number)
    (a, b), (first, second) = CONTENTS[content], PLACES[place]
    lines = [Line(1, "a", 1, a, brand="A", site=first), Line(2, "b", 1, b, brand="B", site=second)]
    body = Order(
        f"O{number}",
        revision,
        status,
        at,
        at + timedelta(minutes=revision),
        "IE",
        "EUR",
        lines,
        customer=f"c{number % 3}",
    )
    return Message(body, digest(body))


@cache
def receipt(number, which, site, units):
    """Stock of a gift at a site as a message."""
    offer, gift = STOCKED[which]
    return Message(Receipt(f"r{number}", offer, gift, site, units))


def event(kind, *arguments):
    """The channel and the message of an event of a schedule."""
    return ("orders", order(*arguments)) if kind == "order" else ("ledger-commands", receipt(*arguments))


_AMPLE_STOCK = [(offer, gift, site, AMPLE) for offer, gift in STOCKED for site in SITES]
_EXPECTED = {}


def expected(message, published):
    """What an order holds where stock is ample: (units, gift) by offer, from the independent model.

    Nothing is short and nothing is capped, so it follows from the order's latest snapshot alone.
    """
    key = (id(message), published)
    if key not in _EXPECTED:
        reference = Reference(DOCUMENTS[True][:published], _AMPLE_STOCK)
        reference.order(_wire(message.body))
        outcomes = reference.outcomes()
        _EXPECTED[key] = {offer: (o["units"], o["gift"]) for (_, offer), o in outcomes.items() if o["units"]}
    return _EXPECTED[key]


def _wire(body):
    return {
        **{k: v for k, v in vars(body).items() if k not in ("lines", "destination")},
        "placed_at": body.placed_at.isoformat(),
        "revised_at": body.revised_at.isoformat(),
        "lines": [dict(vars(line)) for line in body.lines],
        "destination": dict(vars(body.destination)),
    }
