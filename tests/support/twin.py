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
Kept = tuple[str, str, int, int]  # order, offer, units that the goods kept earn, refund

# The columns of the raw tables, by name; times stay text until the views below read them.
EVENTS = {
    "order": "TEXT", "revision": "INT", "status": "TEXT", "placed_at": "TEXT", "market": "TEXT", "currency": "TEXT",
    "order_class": "TEXT", "discount": "BIGINT", "service": "TEXT", "country": "TEXT",
}  # fmt: skip
LINES = {
    "order": "TEXT", "revision": "INT", "place": "INT", "sku": "TEXT", "units": "BIGINT", "total_charged": "BIGINT",
    "total_list": "BIGINT", "brand": "TEXT", "categories": "TEXT[]", "kind": "TEXT", "cancelled_units": "BIGINT",
    "added_at": "TEXT", "returned_units": "BIGINT", "faulty_units": "BIGINT",
}  # fmt: skip
CAMPAIGNS = {
    "campaign": "TEXT", "revision": "INT", "zone": "TEXT", "effective": "TEXT", "from": "TEXT", "until": "TEXT",
    "markets": "TEXT[]", "currency": "TEXT", "classes": "TEXT[]",
}  # fmt: skip
OFFERS = {
    "campaign": "TEXT", "revision": "INT", "offer": "TEXT", "measure": "TEXT", "threshold": "BIGINT",
    "strict": "BOOL", "listed": "BOOL", "brands": "TEXT[]", "categories": "TEXT[]", "skus": "TEXT[]",
    "not_skus": "TEXT[]", "not_categories": "TEXT[]", "not_reduced": "BOOL", "top_up": "BOOL", "only_to": "TEXT[]",
    "services": "TEXT[]", "is_gift": "BOOL", "for_each": "BOOL", "given": "BIGINT", "per_order": "BIGINT",
}  # fmt: skip
LEDGER = {"offer": "TEXT", "moves": "JSON"}
RAW = {"raw_events": EVENTS, "raw_lines": LINES, "raw_campaigns": CAMPAIGNS, "offers": OFFERS, "ledger": LEDGER}
VIEWS = """
CREATE VIEW events AS SELECT "order", revision, status, placed_at::TIMESTAMPTZ AS placed, market, currency,
    coalesce(order_class, 'retail') AS class, coalesce(discount, 0) AS discount, coalesce(service, '') AS service,
    coalesce(country, '') AS country FROM raw_events;
CREATE VIEW lines AS SELECT "order", revision, place, sku, units, total_charged AS charged, total_list AS listed,
    coalesce(brand, '') AS brand, coalesce(categories, []) AS categories, coalesce(kind, 'goods') AS kind,
    coalesce(cancelled_units, 0) AS cancelled, added_at::TIMESTAMPTZ AS added,
    coalesce(returned_units, 0) AS returned, coalesce(faulty_units, 0) AS faulty FROM raw_lines;
CREATE VIEW campaigns AS SELECT campaign, revision, coalesce(effective::TIMESTAMPTZ, '-infinity') AS effective,
    timezone(zone, "from"::TIMESTAMP) AS starts, timezone(zone, until::TIMESTAMP) AS ends, markets, currency,
    coalesce(classes, ['retail']) AS classes FROM raw_campaigns;
"""

# From raw lines to what may count. A broken minor unit of a part counts for the customer, so parts are rounded up.
GOODS = """
CREATE MACRO part(amount, units, whole) AS
    CASE WHEN units = whole THEN amount ELSE (amount * units + whole - 1) // whole END;

-- the highest revision of an order says all
CREATE VIEW latest AS
    SELECT * FROM events e WHERE status <> 'cancelled'
        AND revision = (SELECT max(revision) FROM events x WHERE x."order" = e."order");

CREATE VIEW goods AS
    SELECT l."order", l.place, l.sku, l.brand, l.categories, l.added, l.units - l.cancelled AS units,
        l.returned, greatest(0, least(l.returned - l.faulty, l.units - l.cancelled)) AS back,
        coalesce(l.charged < l.listed, false) AS reduced,
        part(l.charged, l.units - l.cancelled, l.units) AS charged,
        part(coalesce(l.listed, l.charged), l.units - l.cancelled, l.units) AS listed
    FROM lines l JOIN latest o ON o."order" = l."order" AND o.revision = l.revision
    WHERE l.kind = 'goods' AND NOT (l.cancelled > 0 AND l.cancelled = l.units);

-- the order's discount by largest remainder: rounded down, then one more for the largest remainders, earlier ones first
CREATE VIEW asked AS
    WITH shared AS (
        SELECT g.*, least(o.discount, sum(g.charged) OVER each_order) AS amount, sum(g.charged) OVER each_order AS whole
        FROM goods g JOIN latest o USING ("order") WINDOW each_order AS (PARTITION BY g."order")
    ),
    floored AS (
        SELECT *, CASE WHEN whole > 0 THEN amount * charged // whole ELSE 0 END AS share,
            CASE WHEN whole > 0 THEN amount * charged % whole ELSE 0 END AS remainder
        FROM shared
    )
    SELECT "order", place, sku, brand, categories, added, units, returned, back, reduced, listed,
        charged - share - CASE WHEN whole > 0
            AND row_number() OVER (PARTITION BY "order" ORDER BY remainder DESC, place)
                <= amount - sum(share) OVER (PARTITION BY "order") THEN 1 ELSE 0 END AS charged
    FROM floored;

-- once as the order has it, once as it is left by returns: on the same shares, and faulty units are not gone
CREATE VIEW counted AS
    WITH both_ways AS (
        SELECT false AS kept, "order", place, sku, brand, categories, added, reduced, units, charged, listed,
            units AS asked_units, charged AS asked_charged, listed AS asked_listed FROM asked
        UNION ALL
        SELECT true, "order", place, sku, brand, categories, added, reduced, units - back,
            part(charged, units - back, units), part(listed, units - back, units), units, charged, listed FROM asked
    )
    -- goods that are all free are no order that takes part in anything
    SELECT * FROM both_ways QUALIFY sum(charged) OVER (PARTITION BY kept, "order") > 0;
"""

# Every live offer on every order, as it is and as it is kept.
JUDGEMENTS = """
-- by the revision of each campaign that was in force when the order was placed, if its window was open
CREATE VIEW live AS
    SELECT o."order", o.placed, o.country, o.service, c.campaign, c.revision, c.ends FROM latest o JOIN campaigns c
        ON c.effective <= o.placed
        AND c.revision = (
            SELECT max(revision) FROM campaigns x WHERE x.campaign = c.campaign AND x.effective <= o.placed)
    WHERE o.placed >= c.starts AND o.placed < c.ends AND list_contains(c.markets, o.market) AND c.currency = o.currency
        AND list_contains(c.classes, o.class) AND o.class NOT IN ('replacement', 'test');

CREATE VIEW judgements AS
    WITH met AS (
        SELECT l.kept, v."order", f.campaign || '/' || f.offer AS offer, f.measure, f.threshold AS t,
            greatest(f.threshold, 1) AS step, f.strict, l.units, l.charged,
            CASE WHEN f.listed THEN l.listed ELSE l.charged END AS amount, l.asked_units,
            CASE WHEN f.listed THEN l.asked_listed ELSE l.asked_charged END AS asked_amount
        FROM live v JOIN offers f USING (campaign, revision) JOIN counted l ON l."order" = v."order"
        -- nothing is released in here, so whoever may top up still may
        WHERE (l.added IS NULL OR l.added < v.ends OR f.top_up)
            AND NOT (f.not_reduced AND l.reduced)
            AND (len(f.brands) = 0 OR list_contains(f.brands, l.brand))
            AND (len(f.skus) = 0 OR list_contains(f.skus, l.sku))
            AND (len(f.categories) = 0 OR list_has_any(f.categories, l.categories))
            AND NOT list_contains(f.not_skus, l.sku) AND NOT list_has_any(f.not_categories, l.categories)
    ),
    -- each measure as 'is it reached', 'is nine tenths of it reached', how often, and the value where that is whole
    measured AS (
        SELECT kept, "order", offer, t, step, strict, sum(amount) AS value FROM met WHERE measure = 'total' GROUP BY ALL
        UNION ALL
        SELECT kept, "order", offer, t, step, strict, max(amount) FROM met WHERE measure = 'line' GROUP BY ALL
        UNION ALL
        SELECT kept, "order", offer, t, step, strict, sum(units) FROM met WHERE measure = 'units' GROUP BY ALL
    )
    SELECT kept, "order", offer, CASE WHEN strict THEN value > t ELSE value >= t END AS qualifies,
        value > 0 AND 10 * value >= 9 * t AS close, value // step AS times, value
    FROM measured
    UNION ALL
    SELECT kept, "order", offer, bool_or(CASE WHEN strict THEN amount > t * units ELSE amount >= t * units END),
        bool_or(amount > 0 AND 10 * amount >= 9 * t * units), max(amount // (step * units)), NULL
    FROM met WHERE measure = 'unit' AND units > 0
        -- a broken minor unit that stays with what is kept makes no unit dearer than it was
        AND (NOT kept OR asked_amount > t * asked_units OR (asked_amount = t * asked_units AND NOT strict))
    GROUP BY ALL
    UNION ALL
    SELECT kept, "order", offer, bool_or(units > 0 AND charged > 0), false,
        sum(units) FILTER (WHERE units > 0 AND charged > 0), NULL
    FROM met WHERE measure = 'any' GROUP BY ALL;
"""

# Worked out once for all questions.
JUDGE = "CREATE OR REPLACE TEMP TABLE judged AS SELECT * FROM judgements"

JUDGED = """
SELECT "order", offer, qualifies, NOT qualifies AND close, value FROM judged WHERE NOT kept AND (qualifies OR close)
"""

# Met, but not for where the order goes or how.
ELSEWHERE = """
SELECT j."order", j.offer FROM judged j
    JOIN live v ON v."order" = j."order"
    JOIN offers f ON f.campaign = v.campaign AND f.revision = v.revision AND f.campaign || '/' || f.offer = j.offer
WHERE NOT j.kept AND j.qualifies AND NOT (
    (len(f.only_to) = 0 OR list_contains(f.only_to, v.country))
    AND (len(f.services) = 0 OR list_contains(f.services, v.service)))
"""

# Of orders with returned goods and gifts that they meet: the units that the rest earns, and what is paid back.
KEPT = """
WITH refunds AS (
    SELECT "order", sum(charged - part(charged, units - back, units))::BIGINT AS refund
    FROM asked GROUP BY "order" HAVING sum(returned) > 0
)
SELECT a."order", a.offer, CASE WHEN coalesce(k.qualifies, false) THEN
        least(f.given * CASE WHEN f.for_each THEN k.times ELSE 1 END, coalesce(f.per_order, 9223372036854775807))
    ELSE 0 END::BIGINT, r.refund
FROM judged a JOIN refunds r USING ("order") JOIN live v USING ("order")
    JOIN offers f ON f.campaign = v.campaign AND f.revision = v.revision AND f.campaign || '/' || f.offer = a.offer
    LEFT JOIN judged k ON k.kept AND k."order" = a."order" AND k.offer = a.offer
WHERE NOT a.kept AND a.qualifies AND f.is_gift
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
        self._is_judged = False
        self._db.execute("SET TimeZone = 'UTC'; SET threads = 1")
        for name, columns in RAW.items():
            declared = ", ".join(f'"{column}" {kind}' for column, kind in columns.items())
            self._db.execute(f"CREATE TABLE {name} ({declared})")
        self._db.execute(VIEWS + GOODS + JUDGEMENTS)

    def clear(self) -> "Twin":
        """Forget everything."""
        self._is_judged = False
        for name in RAW:
            self._db.execute(f"DELETE FROM {name}")  # noqa: S608 - our own names
        return self

    def _put(self, name: str, rows: Iterable[Json]) -> None:
        self._is_judged = False
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
            counts, gives = offer.get("counts"), offer.get("gives") or {}
            if counts is not None:  # a price or a reduction has no threshold
                known = {**offer, **counts}
                lists = {name: known.get(name) or [] for name in OFFERS if OFFERS[name] == "TEXT[]"}
                rows.append(
                    {
                        **named,
                        **lists,
                        "offer": offer["offer"],
                        "measure": counts.get("by", "total"),
                        "threshold": counts.get("at_least", counts.get("over", 1)),
                        "strict": "over" in counts,
                        "listed": counts.get("basis") == "before_discount",
                        "not_reduced": counts.get("not_reduced", False),
                        "top_up": offer.get("top_up", False),
                        "is_gift": "gift" in gives,
                        "for_each": gives.get("for_each", False),
                        "given": gives.get("units", 1),
                        "per_order": (offer.get("caps") or {}).get("per_order"),
                    }
                )
        self._put("offers", rows)

    def orders(self, bodies: Iterable[Json]) -> None:
        """Order events, in any order; of an order and revision that came twice the first counts."""
        first: dict[tuple[str, int], Json] = {}
        for body in bodies:
            first.setdefault((body["order"], body["revision"]), body)
        countries = ((body.get("destination") or {}).get("country") for body in first.values())
        self._put("raw_events", [{**body, "country": c} for body, c in zip(first.values(), countries, strict=True)])
        lines = [
            {**line, "order": order, "revision": revision, "place": place}
            for (order, revision), body in first.items()
            for place, line in enumerate(body["lines"])
        ]
        self._put("raw_lines", lines)

    def _asked(self, question: str) -> list[tuple[Any, ...]]:
        if not self._is_judged:
            self._db.execute(JUDGE)
            self._is_judged = True
        return self._db.execute(question).fetchall()

    def judged(self) -> set[Judged]:
        """Every order and offer where the order qualifies or nearly does."""
        return {tuple(row) for row in self._asked(JUDGED)}  # type: ignore[misc]

    def elsewhere(self) -> set[tuple[str, str]]:
        """Orders that meet an offer which is not for where they go."""
        return {tuple(row) for row in self._asked(ELSEWHERE)}  # type: ignore[misc]

    def kept(self) -> set[Kept]:
        """Of orders with returns: what the rest still earns of each gift that the order meets, and the refund."""
        return {tuple(row) for row in self._asked(KEPT)}  # type: ignore[misc]

    def balances(self, entries: Iterable[Json]) -> dict[tuple[str, str, str, str], int]:
        """Units by offer, gift, site and account, from the entries of the ledger's log."""
        rows = [{"offer": _offer_of(entry), "moves": entry["moves"]} for entry in entries if entry.get("moves")]
        self._put("ledger", rows)
        return {(o, g, s, a): units for o, g, s, a, units in self._db.execute(BALANCES).fetchall()}


def _offer_of(entry: Json) -> str:
    about = entry.get("claim") or entry.get("command") or entry["receipt"]
    return str(about["offer"])
