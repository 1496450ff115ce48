"""One example of every message, as JSON: published with the schemas, and what the tests read back.

All of them are about one small order, so that they can be read one after the other.
"""

from datetime import UTC, datetime

from makeweight.contracts.codec import canonical, dumps
from makeweight.contracts.messages import Reject
from makeweight.domain.campaigns import Cautions, Customs, Gift
from makeweight.domain.claims import Claim, Decision, Option
from makeweight.domain.entries import Judged, Settled
from makeweight.domain.orders import Fulfilment, Line, Order
from makeweight.domain.qualify import Evaluation, Judgement
from makeweight.domain.reasons import Figures
from makeweight.domain.stock import Account, Balance, Move
from makeweight.domain.tickets import GiftLine, Notice, OfferLevel, PickTicket, Told

_AT = datetime(2026, 11, 24, 10, 0, tzinfo=UTC)
_OFFER = "ink-week/ink-sampler"
_CAUTIONS = Cautions("none", "none", "none")
_CUSTOMS = Customs("3215.19", "IE")
_LINES = [Line(1, "INK-7", 2, 4400, 4800, "Inkmoor", ["ink"])]
_ORDER = Order("A-1001", 1, "placed", _AT, _AT, "IE", "EUR", _LINES, customer="c-77", shipping_charged=490)
_GIFT = Gift("SAMPLER-INK", "Sampler of five inks", "9521234567899", 600, 210, 90, _CUSTOMS, _CAUTIONS)
_CLAIM = Claim(
    f"A-1001/{_OFFER}/1.0", "A-1001", _OFFER, 1, 0, 1, 1, _AT, [Option("SAMPLER-INK", ["main"])],
    when_out="next", total_cap=400, customer="c-77", worth=4400, threshold=4000,
)  # fmt: skip
_FIGURES = Figures(wanted=1, total_cap=400, total_live=12, stock_free=388)
_JUDGEMENT = Judgement(_OFFER, 1, qualifies=True, worth=4400, threshold=4000, wanted=1, lines=[1], asked=1)
_MOVE = Move(Account.FREE, Account.RESERVED, "SAMPLER-INK", "main", 1)
_TICKET = PickTicket(
    "A-1001/main/1", "A-1001", 1, 2, "final", "main", "EUR", _ORDER.destination, "", _LINES,
    [
        GiftLine(
            _OFFER, 1, "SAMPLER-INK", _GIFT.title, 1, 600, [1], _GIFT.gtin,
            weight_grams=90, customs=_CUSTOMS, cautions=_CAUTIONS,
        )
    ],
    [], [Told(_OFFER, "granted", "Given: 1 x SAMPLER-INK, earned by 44.00 EUR.")],
    {"ship_to": {"name": "opaque to Makeweight"}},
)  # fmt: skip
_CAMPAIGN = {
    "campaign": "ink-week",
    "revision": 1,
    "title": "Ink Week",
    "markets": ["IE"],
    "currency": "EUR",
    "zone": "Europe/Dublin",
    "from": "2026-11-23 00:00",
    "until": "2026-11-30 00:00",
    "gifts": [
        {
            "gift": "SAMPLER-INK",
            "gtin": "9521234567899",
            "title": "Sampler of five inks",
            "stated_value": 600,
            "unit_cost": 210,
            "weight_grams": 90,
            "customs": {"hs_code": "3215.19", "origin": "IE"},
            "cautions": {"dangerous_goods": "none", "age": "none", "food": "none"},
        }
    ],
    "offers": [
        {
            "offer": "ink-sampler",
            "says": "Spend 40 or more on Inkmoor and get a sampler of five inks, while stocks last.",
            "counts": {"brands": ["Inkmoor"], "by": "total", "at_least": 4000},
            "gives": {"gift": "SAMPLER-INK"},
            "caps": {"total": 400},
        }
    ],
}

EXAMPLES: dict[str, bytes] = {
    "order-event": dumps(_ORDER),
    "fulfilment-event": dumps(Fulfilment("w-1", "A-1001", "A-1001/main/1", "released", _AT, 2)),
    "campaign": canonical(_CAMPAIGN),
    "ledger-command": dumps(_CLAIM),
    "decision": dumps(
        Decision(
            f"{_CLAIM.id}/1", "A-1001", _OFFER, 1, 0, 1, "granted", 1, _FIGURES, _AT, "SAMPLER-INK", "main"
        )
    ),
    "desk-entry": dumps(
        Judged(
            "A-1001:1:judged", _ORDER, "d1", Evaluation({"ink-week": 1}, [_JUDGEMENT]), [_CLAIM], [], {},
            {"SAMPLER-INK": _GIFT}, {}, _AT,
        )
    ),
    "ledger-entry": dumps(
        Settled(f"{_CLAIM.id}:settled", _CLAIM, 1, "granted", [_MOVE], _FIGURES, _AT, 1, "SAMPLER-INK", "main")
    ),
    "pick-ticket": dumps(_TICKET),
    "offer-level": dumps(
        OfferLevel(_OFFER, 14, 13, 0, 400, None, [Balance(_OFFER, "SAMPLER-INK", "main", 400, 387, 13)])
    ),
    "notice": dumps(
        Notice(
            "A-1002/near_miss/" + _OFFER, "near_miss", 310, 1, "36.90 EUR counted: 3.10 EUR short.", _AT, "A-1002",
            _OFFER,
        )
    ),
    "reject": dumps(Reject("orders.v1", 3, 17, "A-1003", "malformed", "member 'market' is missing", "e30=")),
}  # fmt: skip
