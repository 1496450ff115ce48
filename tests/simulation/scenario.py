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
from tests.support.shop import document, gives

PLACED = datetime(2026, 11, 24, 10, 0, tzinfo=UTC)
START = PLACED + timedelta(hours=1)  # when a run begins
FLIP = PLACED + timedelta(minutes=5, seconds=30)  # from then on the campaign's second revision is in force
LATE = 6  # orders from this number on are placed after the flip
AMPLE = 1_000
SITES = ("N", "S")
# (revision, status) of an order's snapshots come from the schedule; these are what its two lines were charged.
CONTENTS = ((900, 0), (1000, 0), (1600, 700), (0, 1500), (2000, 0), (1000, 2900), (0, 690), (2600, 0))
# What else an order may be: paid late or never, with goods that came back or are not there yet, with a gift chosen.
EXTRAS = (
    {}, {"paid_at": None}, {"paid_at": PLACED + timedelta(days=3)}, {"chosen_gift": "C"},
    {"lines": {"returned_units": 1}}, {"lines": {"returned_units": 1, "faulty_units": 1}},
    {"lines": {"back_ordered": True}},
)  # fmt: skip
# One or two sites: where line 1 and line 2 ship from.
PLACES = (("N", "N"), ("N", "N"), ("N", "S"), ("S", "S"))


def _document(revision, *, ample):
    """The campaign: a tin with a choice and a substitute, a group of two, brushes that are owed, and free carriage.

    Its second revision gives another tin, and asks more for the mug. The mug and the carriage have to be paid in a day.
    """
    second = revision == 2
    tins = {} if ample else {"total": 5 if second else 3}
    group = {"group": "g"}
    return document(
        gives("tin", "U" if second else "T", brands=["A"], by="total", at_least=1000, otherwise=["B"], choice=["C"],
              caps=tins, when_out="substitute", clawback="deduct"),
        gives("mug", "M", by="total", at_least=2500 if second else 2000, rank=1, when_out="next", paid_within_days=1,
              **group),
        gives("pad", "P", by="total", at_least=1500, caps={} if ample else {"per_customer": 1}, rank=2, **group),
        gives("brush", "X", brands=["B"], by="total", at_least=700, for_each=True, caps={"per_order": 3},
              when_out="owed", clawback="gift_back"),
        gives("ships", benefit="free_shipping", by="total", over=2400, caps={} if ample else {"total": 2},
              paid_within_days=1),
        campaign="c",
        revision=revision,
        effective=(FLIP if second else PLACED - timedelta(days=2)).isoformat(),
    )  # fmt: skip


DOCUMENTS = {ample: [_document(1, ample=ample), _document(2, ample=ample)] for ample in (False, True)}

# By whether stock is ample, then by how many revisions are published.
BOOKS = {
    ample: {n: Book([read_campaign(document) for document in documents[:n]]) for n in (1, 2)}
    for ample, documents in DOCUMENTS.items()
}
STOCKED = (
    ("c/tin", "T"), ("c/tin", "B"), ("c/tin", "U"), ("c/mug", "M"), ("c/pad", "P"), ("c/brush", "X"), ("c/tin", "C"),
)  # fmt: skip


def is_late(number):
    """Whether an order was placed after the campaign's second revision took effect."""
    return number >= LATE


@cache
def order(number, revision, status, content, place, extra=0):
    """A snapshot as a message; equal arguments give the very same one."""
    at = PLACED + timedelta(minutes=number)
    (a, b), (first, second) = CONTENTS[content], PLACES[place]
    members = {"paid_at": at, **EXTRAS[extra]}
    of_line = members.pop("lines", {})
    lines = [Line(1, "a", 1, a, brand="A", site=first, **of_line), Line(2, "b", 1, b, brand="B", site=second)]
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
        **members,
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

    Nothing is short and nothing is capped, so it follows from the order's latest snapshot alone, once it is so late
    that whatever was not paid has lapsed.
    """
    key = (id(message), published)
    if key not in _EXPECTED:
        reference = Reference(DOCUMENTS[True][:published], _AMPLE_STOCK)
        reference.order(_wire(message.body))
        reference.time(PLACED + timedelta(days=30))
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
