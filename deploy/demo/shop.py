"""The demo's shop, seen from its till: what it sells, at what price at which minute, and what it charges for carriage.

Every brand is invented. Prices are minor units of EUR. The campaigns beside this file advertise; this file charges. The
two agree, but for one price that goes live too late, by design.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

DUBLIN = ZoneInfo("Europe/Dublin")
MARKET, CURRENCY = "IE", "EUR"
DAY_START = datetime(2026, 11, 24, 6, tzinfo=DUBLIN)
DAY_END = datetime(2026, 11, 25, 2, tzinfo=DUBLIN)

# The windows of campaigns/brush-days.yaml and campaigns/winter-studio.yaml; both are half-open.
BRUSH_DAYS_END = datetime(2026, 11, 25, tzinfo=DUBLIN)
WINTER_STUDIO_START = datetime(2026, 11, 24, 9, tzinfo=DUBLIN)

CARRIAGE = 490
CARRIAGE_PAID_OVER = 8_000


@dataclass(frozen=True, slots=True)
class Item:
    """Something on the shelf. ``share`` is how often it is picked, relative to the others."""

    sku: str
    brand: str
    categories: tuple[str, ...]
    price: int
    share: float


ITEMS = (
    Item("INK-BLK-30", "Inkmoor", ("ink",), 850, 7),
    Item("INK-SEP-30", "Inkmoor", ("ink",), 850, 4),
    Item("INK-SET-6", "Inkmoor", ("ink", "sets"), 3_600, 7),
    Item("INK-LINER-5", "Inkmoor", ("pens", "sets"), 1_490, 6),
    Item("INK-BRUSHPEN", "Inkmoor", ("pens",), 690, 5),
    Item("FER-RND-6", "Ferrule House", ("brushes",), 1_250, 6),
    Item("FER-FLT-12", "Ferrule House", ("brushes",), 1_600, 4),
    Item("FER-MOP-2", "Ferrule House", ("brushes",), 2_400, 3),
    Item("FER-SET-5", "Ferrule House", ("brushes", "sets"), 4_800, 3),
    Item("LRK-PAD-A4", "Larkspur Paper", ("paper",), 980, 8),
    Item("LRK-BLOCK-WC", "Larkspur Paper", ("paper",), 2_800, 5),
    Item("LRK-ROLL-10M", "Larkspur Paper", ("paper",), 3_400, 2),
    Item("LRK-CARD-20", "Larkspur Paper", ("paper",), 640, 4),
    Item("TRN-PAN-12", "Tarn & Co", ("watercolour", "sets"), 3_900, 4),
    Item("TRN-PAN-24", "Tarn & Co", ("watercolour", "sets"), 7_200, 2),
    Item("TRN-TUBE-8", "Tarn & Co", ("watercolour",), 560, 7),
    Item("TRN-GOU-10", "Tarn & Co", ("gouache", "sets"), 4_400, 3),
    Item("UMB-OIL-37", "Umberfold", ("oil",), 790, 6),
    Item("UMB-OIL-SET", "Umberfold", ("oil", "sets"), 5_800, 2),
    Item("UMB-ACR-SET", "Umberfold", ("acrylic", "sets"), 3_200, 4),
    Item("UMB-MEDIUM", "Umberfold", ("oil", "mediums"), 1_150, 3),
    Item("QUI-NIB-10", "Quillhatch", ("calligraphy",), 920, 4),
    Item("QUI-HOLDER", "Quillhatch", ("calligraphy",), 1_200, 3),
    Item("QUI-KIT", "Quillhatch", ("calligraphy", "sets"), 2_950, 3),
    Item("QUI-GUIDE", "Quillhatch", ("calligraphy", "paper"), 550, 2),
    Item("GES-CAN-40", "Gessomere", ("canvas",), 1_350, 6),
    Item("GES-CAN-3P", "Gessomere", ("canvas", "sets"), 2_700, 3),
    Item("GES-PRIMER", "Gessomere", ("canvas", "mediums"), 1_580, 3),
    Item("ESK-EASEL-3", "Eskerwood", ("easels",), 12_900, 1.5),
    Item("ESK-TABLE", "Eskerwood", ("easels",), 4_500, 3),
    Item("ESK-BOX", "Eskerwood", ("storage",), 6_400, 2),
    Item("ESK-BOARD", "Eskerwood", ("storage",), 1_900, 3),
)
BY_SKU = {item.sku: item for item in ITEMS}

# 'Up to 30 % off': two brushes at the full 30, one at 20, one at 25.
BRUSH_SALE = {"FER-RND-6": 875, "FER-FLT-12": 1_280, "FER-MOP-2": 1_680, "FER-SET-5": 3_600}
STUDIO_PRICES = {"ESK-EASEL-3": 8_900, "ESK-TABLE": 2_900, "UMB-ACR-SET": 2_490}

# The demo's mistake: the till gets this advertised price 22 minutes late.
NOT_LIVE_SKU = "ESK-TABLE"
NOT_LIVE_UNTIL = WINTER_STUDIO_START + timedelta(minutes=22)

GIFT_CARDS = (2_500, 5_000, 10_000)
WRAP = 350
PERCENT_CODE, PERCENT_OFF = "STUDIO10", 10
AMOUNT_CODE, AMOUNT_OFF = "WELCOME5", 500


def price_at(sku: str, instant: datetime) -> int:
    """What the till charges for one unit."""
    if sku in BRUSH_SALE and instant < BRUSH_DAYS_END:
        return BRUSH_SALE[sku]
    if sku in STUDIO_PRICES and instant >= (NOT_LIVE_UNTIL if sku == NOT_LIVE_SKU else WINTER_STUDIO_START):
        return STUDIO_PRICES[sku]
    return BY_SKU[sku].price


def discount_of(code: str | None, goods: int) -> int:
    """The order-level discount of a code on goods worth so much."""
    if code == PERCENT_CODE:
        return goods * PERCENT_OFF // 100
    return min(AMOUNT_OFF, goods) if code == AMOUNT_CODE else 0


def carriage_of(goods: int, placed: datetime, *, retail: bool) -> int:
    """Carriage for goods worth so much after discounts; only retail orders take part in promotions."""
    free = retail and placed >= WINTER_STUDIO_START and goods > CARRIAGE_PAID_OVER
    return 0 if free else CARRIAGE
