"""A good input for every target, made of the examples that are published with the schemas."""

import io
from datetime import timedelta

import pyarrow as pa
import pyarrow.parquet as pq
from yaml import safe_dump

from makeweight.contracts.codec import dumps, parse
from makeweight.contracts.events import FULFILMENT_TYPE, ORDER_TYPE, headers
from makeweight.contracts.examples import EXAMPLES
from makeweight.domain.claims import Arrival, Count, Damage, HandledGift, Receipt, TakenDown, Tick, Transfer, TransferIn
from makeweight.planning.closing import close
from tests.fuzz.targets import NOW

OPAQUE = b',"_ref":"r-1","ship_to":{"name":"opaque","lines":["1",2,null,true,0.5]}}'
ORDER = EXAMPLES["order-event"][:-1] + OPAQUE
FULFILMENT = dumps({**parse(EXAMPLES["fulfilment-event"]), "lines": [{"units": 1, "line": 1}]})
ROWS = (
    b"order_id,placed_at,units,line_total,customer,sku,brand,category,list_total,kind,site,market,status\n"
    b"A,2026-11-24T10:00:00Z,2,44.00,c-1,INK-7,Inkmoor,ink,48.00,goods,main,IE,placed\n"
    b'A,2026-11-24T10:00:00Z,1,5.00,c-1,PAD,"Pad, Ltd",pads,,wrap,main,IE,placed\n'
    b"B,2026-11-24 11:00+01:00,1,0,,,,,,,,,cancelled\n"
)
STOCK = b'gift,site,units,offer\nSAMPLER-INK,main,400,ink-week/ink-sampler\nSAMPLER-INK,"east",5,\n'
PRICES = (
    b"sku,market,from,price\nINK-7,IE,2026-09-01,50.00\nINK-7,IE,2026-11-01T10:00:00Z,42\n"
    b'"PAD, A5",IE,2026-11-01 10:00,0\n'
)
FINAL = close({"tin": {"granted": 4, "declined": {"no_stock": 1}}}, NOW, NOW + timedelta(1), timedelta(0))
RESTATED = close({"tin": {"granted": 5, "declined": {}}}, NOW, NOW + timedelta(2), timedelta(0), FINAL)
REPORTS = dumps(FINAL) + b"\n" + dumps(RESTATED) + b"\n"


def structured(kind: str, data: bytes) -> bytes:
    """A structured CloudEvent."""
    attributes = {"specversion": "1.0", "id": "1", "source": "/shop", "type": kind, "subject": "A-1001"}
    return dumps(attributes)[:-1] + b',"data":' + data + b"}"


def binary(kind: str, data: bytes) -> bytes:
    """Headers as lines, a blank line, and the body."""
    lines = [name.encode() + b": " + text for name, text in headers(kind, "1", "/shop", "A-1001")]
    return b"\n".join(lines) + b"\n\n" + data


def parquet() -> bytes:
    """A small table of lines."""
    columns = {
        "order_id": pa.array(["A", "A", "B"]),
        "placed_at": pa.array([NOW, NOW, None]),
        "units": pa.array([1, 2, 3]),
        "line_total": pa.array([5.0, 19.99, 0.0]),
        "brand": pa.array(["Inkmoor", "Inkmoor", None]).dictionary_encode(),
    }
    return _written(columns)


def parquet_of(columns: dict[str, pa.Array]) -> bytes:
    """A table of one line with other columns in place of good ones."""
    good = {
        "order_id": pa.array(["A"]),
        "placed_at": pa.array([NOW]),
        "units": pa.array([1]),
        "line_total": pa.array([5.0]),
    }
    return _written({**good, **columns})


def _written(columns: dict[str, pa.Array]) -> bytes:
    sink = io.BytesIO()
    pq.write_table(pa.table(columns), sink, compression="none")
    return sink.getvalue()


def _messages() -> dict[str, list[bytes]]:
    receipt = Receipt("r-1", "ink-week/ink-sampler", "SAMPLER-INK", "main", 400)
    handled = HandledGift("h-1", "A-1001", receipt.offer, receipt.gift, "main", 1, "released", NOW)
    place = (receipt.offer, receipt.gift, "main", 3)
    people = [
        Count("c-1", *place, NOW),
        Damage("d-1", *place, NOW),
        Transfer("t-1", *place, "ink-week/other", "east", NOW),
        TransferIn("t-2", *place, "t-1", "ink-week/other", "east", NOW),
        Arrival("a-1", receipt.offer, "t-1", 2, NOW),
        TakenDown("x-1", receipt.offer, NOW),
    ]
    tick = dumps(Tick("t-1", NOW))
    return {
        "ledger-command": [EXAMPLES["ledger-command"], dumps(receipt), dumps(handled), tick, *map(dumps, people)],
        "decision": [EXAMPLES["decision"], tick],
        "desk-entry": [EXAMPLES["desk-entry"]],
        "ledger-entry": [EXAMPLES["ledger-entry"]],
    }


SEEDS: dict[str, list[bytes]] = {
    "order-binary": [binary("order", ORDER)],
    "fulfilment-binary": [binary("fulfilment", FULFILMENT)],
    "event-structured": [structured(ORDER_TYPE, ORDER), structured(FULFILMENT_TYPE, FULFILMENT)],
    "event-batch": [b"[%s,%s]" % (structured(ORDER_TYPE, ORDER), structured(FULFILMENT_TYPE, FULFILMENT))],
    "event-modes": [ORDER],
    **_messages(),
    "campaign-json": [EXAMPLES["campaign"]],
    "campaign-yaml": [safe_dump(parse(EXAMPLES["campaign"]), sort_keys=False).encode(), EXAMPLES["campaign"]],
    "stock-csv": [STOCK],
    "prices-csv": [PRICES],
    "reports-jsonl": [REPORTS],
    "lines-csv": [ROWS],
    "lines-parquet": [parquet()],
    "orders-jsonl": [b"\n".join([ORDER, b"", structured(ORDER_TYPE, ORDER), FULFILMENT])],
}
