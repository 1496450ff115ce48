"""What orders come to by the rules, worked out a third time: as SQL over the raw events and documents.

DuckDB reads the documents' local times by IANA zones itself. Nothing here knows an event's order of arrival, a log, or
a line of the core; values are sums and comparisons over tables, without a fraction or a float.
"""

import json
from collections.abc import Iterable
from typing import Any

import duckdb

Json = dict[str, Any]
Judged = tuple[str, str, bool, bool, int | None]  # order, offer, qualifies, near miss, value if it is a whole number

# The columns of the raw tables, by name; times stay text until the views below read them.
EVENTS = {
    "order": "TEXT", "revision": "INT", "status": "TEXT", "placed_at": "TEXT", "market": "TEXT", "currency": "TEXT",
    "order_class": "TEXT", "discount": "BIGINT",
}  # fmt: skip
LINES = {
    "order": "TEXT", "revision": "INT", "place": "INT", "sku": "TEXT", "units": "BIGINT", "total_charged": "BIGINT",
    "total_list": "BIGINT", "brand": "TEXT", "categories": "TEXT[]", "kind": "TEXT", "cancelled_units": "BIGINT",
    "added_at": "TEXT",
}  # fmt: skip
CAMPAIGNS = {
    "campaign": "TEXT", "revision": "INT", "zone": "TEXT", "effective": "TEXT", "from": "TEXT", "until": "TEXT",
    "markets": "TEXT[]", "currency": "TEXT",
}  # fmt: skip
OFFERS = {
    "campaign": "TEXT", "revision": "INT", "offer": "TEXT", "measure": "TEXT", "threshold": "BIGINT",
    "strict": "BOOL", "listed": "BOOL", "brands": "TEXT[]", "categories": "TEXT[]", "skus": "TEXT[]",
    "not_skus": "TEXT[]", "not_categories": "TEXT[]",
}  # fmt: skip
LEDGER = {"offer": "TEXT", "moves": "JSON"}
RAW = {"raw_events": EVENTS, "raw_lines": LINES, "raw_campaigns": CAMPAIGNS, "offers": OFFERS, "ledger": LEDGER}
VIEWS = """
CREATE VIEW events AS SELECT "order", revision, status, placed_at::TIMESTAMPTZ AS placed, market, currency,
    coalesce(order_class, 'retail') AS class, coalesce(discount, 0) AS discount FROM raw_events;
CREATE VIEW lines AS SELECT "order", revision, place, sku, units, total_charged AS charged, total_list AS listed,
    coalesce(brand, '') AS brand, coalesce(categories, []) AS categories, coalesce(kind, 'goods') AS kind,
    coalesce(cancelled_units, 0) AS cancelled, added_at::TIMESTAMPTZ AS added FROM raw_lines;
CREATE VIEW campaigns AS SELECT campaign, revision, coalesce(effective::TIMESTAMPTZ, '-infinity') AS effective,
    timezone(zone, "from"::TIMESTAMP) AS starts, timezone(zone, until::TIMESTAMP) AS ends, markets, currency
    FROM raw_campaigns;
"""

# The highest revision of an order says all; only retail orders that are not cancelled take part.
JUDGED = """
WITH latest AS (
    SELECT * FROM events e
    WHERE revision = (SELECT max(revision) FROM events x WHERE x."order" = e."order")
        AND status <> 'cancelled' AND class = 'retail'
),
goods AS (
    SELECT l."order", l.place, l.sku, l.brand, l.categories, l.added, l.units - l.cancelled AS units,
        -- a broken minor unit of a partly cancelled line counts for the customer
        CASE WHEN l.cancelled = 0 THEN l.charged
            ELSE (l.charged * (l.units - l.cancelled) + l.units - 1) // l.units END AS charged,
        CASE WHEN l.cancelled = 0 THEN coalesce(l.listed, l.charged)
            ELSE (coalesce(l.listed, l.charged) * (l.units - l.cancelled) + l.units - 1) // l.units END AS listed
    FROM lines l JOIN latest o ON o."order" = l."order" AND o.revision = l.revision
    WHERE l.kind = 'goods'
),
-- the order's discount by largest remainder: rounded down, then one more for the largest remainders, earlier ones first
shared AS (
    SELECT g.*, least(o.discount, sum(g.charged) OVER each_order) AS amount, sum(g.charged) OVER each_order AS whole
    FROM goods g JOIN latest o USING ("order") WINDOW each_order AS (PARTITION BY g."order")
),
floored AS (
    SELECT *, CASE WHEN whole > 0 THEN amount * charged // whole ELSE 0 END AS share,
        CASE WHEN whole > 0 THEN amount * charged % whole ELSE 0 END AS remainder
    FROM shared
),
counted AS (
    SELECT "order", place, sku, brand, categories, added, units, listed,
        charged - share - CASE WHEN whole > 0
            AND row_number() OVER (PARTITION BY "order" ORDER BY remainder DESC, place)
                <= amount - sum(share) OVER (PARTITION BY "order") THEN 1 ELSE 0 END AS charged
    FROM floored
),
-- by the revision of each campaign that was in force when the order was placed, if its window was open
live AS (
    SELECT o."order", o.placed, c.campaign, c.revision, c.ends FROM latest o JOIN campaigns c
        ON c.effective <= o.placed
        AND c.revision = (
            SELECT max(revision) FROM campaigns x WHERE x.campaign = c.campaign AND x.effective <= o.placed)
    WHERE o.placed >= c.starts AND o.placed < c.ends AND list_contains(c.markets, o.market) AND c.currency = o.currency
),
met AS (
    SELECT v."order", f.campaign || '/' || f.offer AS offer, f.measure, f.threshold AS t, f.strict, l.units, l.charged,
        CASE WHEN f.listed THEN l.listed ELSE l.charged END AS amount
    FROM live v JOIN offers f USING (campaign, revision) JOIN counted l ON l."order" = v."order"
    -- an order whose goods are charged nothing in all takes part in nothing
    WHERE l."order" IN (SELECT "order" FROM counted GROUP BY "order" HAVING sum(charged) > 0)
        AND (l.added IS NULL OR l.added < v.ends)
        AND (len(f.brands) = 0 OR list_contains(f.brands, l.brand))
        AND (len(f.skus) = 0 OR list_contains(f.skus, l.sku))
        AND (len(f.categories) = 0 OR list_has_any(f.categories, l.categories))
        AND NOT list_contains(f.not_skus, l.sku) AND NOT list_has_any(f.not_categories, l.categories)
),
-- each measure as 'is it reached', 'is nine tenths of it reached' and the value where that is a whole number
measured AS (
    SELECT "order", offer, measure, t, strict, sum(amount) AS value FROM met WHERE measure = 'total' GROUP BY ALL
    UNION ALL
    SELECT "order", offer, measure, t, strict, max(amount) FROM met WHERE measure = 'line' GROUP BY ALL
    UNION ALL
    SELECT "order", offer, measure, t, strict, sum(units) FROM met WHERE measure = 'units' GROUP BY ALL
),
judged AS (
    SELECT "order", offer, CASE WHEN strict THEN value > t ELSE value >= t END AS qualifies,
        value > 0 AND 10 * value >= 9 * t AS close, value
    FROM measured
    UNION ALL
    SELECT "order", offer, bool_or(CASE WHEN strict THEN amount > t * units ELSE amount >= t * units END),
        bool_or(amount > 0 AND 10 * amount >= 9 * t * units), NULL
    FROM met WHERE measure = 'unit' AND units > 0 GROUP BY ALL
    UNION ALL
    SELECT "order", offer, bool_or(units > 0 AND charged > 0), false, NULL
    FROM met WHERE measure = 'any' GROUP BY ALL
)
SELECT "order", offer, qualifies, NOT qualifies AND close, value FROM judged WHERE qualifies OR close
"""

# What a move takes from and brings to each account, added up over the ledger's log.
BALANCES = """
WITH moves AS (
    SELECT offer, unnest(from_json(moves, '[{"source": "TEXT", "target": "TEXT", "gift": "TEXT", "site": "TEXT",
        "units": "BIGINT"}]'), recursive := true) FROM ledger
),
sides AS (
    SELECT offer, gift, site, target AS account, units FROM moves
    UNION ALL
    SELECT offer, gift, site, source, -units FROM moves
)
SELECT offer, gift, site, account, sum(units)::BIGINT FROM sides GROUP BY ALL HAVING sum(units) <> 0
"""


class Twin:
    """Tables of raw events and documents, and what SQL makes of them. One database, emptied by `clear`."""

    def __init__(self) -> None:
        self._db = duckdb.connect()
        self._db.execute("SET TimeZone = 'UTC'; SET threads = 1")
        for name, columns in RAW.items():
            declared = ", ".join(f'"{column}" {kind}' for column, kind in columns.items())
            self._db.execute(f"CREATE TABLE {name} ({declared})")
        self._db.execute(VIEWS)

    def clear(self) -> "Twin":
        """Forget everything."""
        for name in RAW:
            self._db.execute(f"DELETE FROM {name}")  # noqa: S608 - our own names
        return self

    def _put(self, name: str, rows: Iterable[Json]) -> None:
        columns = RAW[name]
        told = json.dumps([{column: row.get(column) for column in columns} for row in rows], default=str)
        named = ", ".join(f'one."{column}"' for column in columns)
        read = f"SELECT {named} FROM (SELECT unnest(from_json(?, '{json.dumps([columns])}')) AS one)"  # noqa: S608 - as above
        self._db.execute(f"INSERT INTO {name} {read}", [told])

    def campaign(self, document: Json) -> None:
        """A campaign document as a person wrote it."""
        named = {"campaign": document["campaign"], "revision": document.get("revision", 1)}
        self._put("raw_campaigns", [{**document, **named}])
        rows = []
        for offer in document["offers"]:
            counts = offer.get("counts")
            if counts is not None:  # a price or a reduction has no threshold
                lists = {name: counts.get(name, []) for name in OFFERS if OFFERS[name] == "TEXT[]"}
                rows.append(
                    {
                        **named,
                        **lists,
                        "offer": offer["offer"],
                        "measure": counts.get("by", "total"),
                        "threshold": counts.get("at_least", counts.get("over", 1)),
                        "strict": "over" in counts,
                        "listed": counts.get("basis") == "before_discount",
                    }
                )
        self._put("offers", rows)

    def orders(self, bodies: Iterable[Json]) -> None:
        """Order events, in any order; of an order and revision that came twice the first counts."""
        first: dict[tuple[str, int], Json] = {}
        for body in bodies:
            first.setdefault((body["order"], body["revision"]), body)
        self._put("raw_events", first.values())
        lines = [
            {**line, "order": order, "revision": revision, "place": place}
            for (order, revision), body in first.items()
            for place, line in enumerate(body["lines"])
        ]
        self._put("raw_lines", lines)

    def judged(self) -> set[Judged]:
        """Every order and offer where the order qualifies or nearly does."""
        return {tuple(row) for row in self._db.execute(JUDGED).fetchall()}  # type: ignore[misc]

    def balances(self, entries: Iterable[Json]) -> dict[tuple[str, str, str, str], int]:
        """Units by offer, gift, site and account, from the entries of the ledger's log."""
        rows = [{"offer": _offer_of(entry), "moves": entry["moves"]} for entry in entries if entry.get("moves")]
        self._put("ledger", rows)
        return {(o, g, s, a): units for o, g, s, a, units in self._db.execute(BALANCES).fetchall()}


def _offer_of(entry: Json) -> str:
    about = entry.get("claim") or entry.get("command") or entry["receipt"]
    return str(about["offer"])
