"""A pick ticket that went out, as a DespatchAdvice of OASIS UBL 2.1: the open document for carriers and partners.

What was not in the parcel is said, with why: a gift that was short stands there with 0 delivered and 1 on back order,
so that an order without its gift never looks complete. Elements stand in the order of the schema.
"""

import re
from collections.abc import Mapping
from datetime import UTC
from typing import NamedTuple
from xml.etree import ElementTree as ET

from makeweight.contracts.problems import nearest
from makeweight.domain.moments import Instant
from makeweight.domain.money import to_major
from makeweight.domain.orders import Line
from makeweight.domain.tickets import GiftLine, PickTicket

_DOCUMENT = "urn:oasis:names:specification:ubl:schema:xsd:DespatchAdvice-2"
_CBC = "urn:oasis:names:specification:ubl:schema:xsd:CommonBasicComponents-2"
_CAC = "urn:oasis:names:specification:ubl:schema:xsd:CommonAggregateComponents-2"
_EACH = "C62"  # UN/ECE recommendation 20: one
_GTIN = "0160"  # ISO 6523: a GTIN
NOT_SAID = "not in this parcel"
# XML 1.0 has no form for these, escaped or not; an item's name or the shop's id may hold any of them.
_NO_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")

Key = int | str  # a line of the order by its number, a gift line by its offer


class _Counted(NamedTuple):
    ordered: int
    delivered: int
    reason: str


def despatch_advice(
    ticket: PickTicket,
    issued_at: Instant,
    delivered: Mapping[Key, int] | None = None,
    reasons: Mapping[Key, str] | None = None,
) -> bytes:
    """The document, as UTF-8 XML. Lines that ``delivered`` doesn't name went out in full, as all do without it.

    ``reasons`` say why a line is short. ``ValueError`` where a name is on no line, fewer than 0 went out, or the
    ticket has nothing on it: the schema wants a line.
    """
    delivered, reasons = delivered or {}, reasons or {}
    _check(ticket, delivered, reasons)
    root = ET.Element("DespatchAdvice", {"xmlns": _DOCUMENT, "xmlns:cbc": _CBC, "xmlns:cac": _CAC})
    _text(root, "cbc:UBLVersionID", "2.1")
    _text(root, "cbc:ID", ticket.ticket)
    _text(root, "cbc:IssueDate", f"{issued_at.astimezone(UTC):%Y-%m-%d}")
    _text(root, "cbc:IssueTime", f"{issued_at.astimezone(UTC):%H:%M:%S}Z")
    _text(root, "cbc:Note", f"Order revision {ticket.order_revision}, edition {ticket.edition} of the ticket")
    _text(root, "cbc:LineCountNumeric", str(len(ticket.lines) + len(ticket.gift_lines)))
    _text(ET.SubElement(root, "cac:OrderReference"), "cbc:ID", ticket.order)
    _parties(root, ticket)
    number = 0
    for number, line in enumerate(ticket.lines, 1):
        _order_line(root, number, line, _count(line.number, line.live_units, delivered, reasons))
    for following, gift in enumerate(ticket.gift_lines, number + 1):
        counted = _count(gift.offer, gift.units, delivered, reasons)
        _gift_line(root, following, gift, counted, ticket.currency)
    ET.indent(root)
    document: bytes = ET.tostring(root, encoding="utf-8", xml_declaration=True)
    return document + b"\n"


def _check(ticket: PickTicket, delivered: Mapping[Key, int], reasons: Mapping[Key, str]) -> None:
    known: set[Key] = {line.number for line in ticket.lines} | {gift.offer for gift in ticket.gift_lines}
    if not known or ticket.state == "void":
        raise ValueError(f"ticket {ticket.ticket} has nothing on it to despatch")
    for key in (*delivered, *reasons):
        if key not in known:
            hint = nearest(str(key), [str(one) for one in known])
            raise ValueError(f"ticket {ticket.ticket} has no line {key!r}{hint}")
    for key, units in delivered.items():
        if units < 0:
            raise ValueError(f"ticket {ticket.ticket} line {key!r}: {units} units delivered; expected 0 or more")


def _count(key: Key, ordered: int, delivered: Mapping[Key, int], reasons: Mapping[Key, str]) -> _Counted:
    return _Counted(ordered, delivered.get(key, ordered), reasons.get(key) or NOT_SAID)


def _parties(root: ET.Element, ticket: PickTicket) -> None:
    site = ET.SubElement(ET.SubElement(root, "cac:DespatchSupplierParty"), "cac:Party")
    _text(ET.SubElement(site, "cac:PartyIdentification"), "cbc:ID", ticket.site)
    # Who the customer is stands in parts of the order that are carried and never read; a party can't be empty.
    customer = ET.SubElement(ET.SubElement(root, "cac:DeliveryCustomerParty"), "cac:Party")
    _text(ET.SubElement(customer, "cac:PartyName"), "cbc:Name", f"Customer of order {ticket.order}")
    if ticket.destination.country:
        address = ET.SubElement(customer, "cac:PostalAddress")
        if ticket.destination.area:
            _text(address, "cbc:CountrySubentity", ticket.destination.area)
        _text(ET.SubElement(address, "cac:Country"), "cbc:IdentificationCode", ticket.destination.country)


def _order_line(root: ET.Element, number: int, line: Line, counted: _Counted) -> None:
    parent = _despatch_line(root, number, str(line.number), counted)
    _item(parent, line.sku, line.sku, line.gtin, line.hs_code)


def _gift_line(root: ET.Element, number: int, gift: GiftLine, counted: _Counted, currency: str) -> None:
    note = f"Gift with purchase, charged 0 and worth {to_major(gift.stated_value, currency)} {currency} each"
    if gift.triggered_by:
        note += f", for {'line' if len(gift.triggered_by) == 1 else 'lines'} {', '.join(map(str, gift.triggered_by))}"
    if gift.substitute:
        note += "; in place of the gift that was announced"
    parent = _despatch_line(root, number, gift.offer, counted, note)
    hs_code, origin = (gift.customs.hs_code, gift.customs.origin) if gift.customs else (None, "")
    _item(parent, gift.title, gift.gift, gift.gtin, hs_code, origin)


def _despatch_line(
    root: ET.Element, number: int, order_line: str, counted: _Counted, note: str | None = None
) -> ET.Element:
    line = ET.SubElement(root, "cac:DespatchLine")
    _text(line, "cbc:ID", str(number))
    if note:
        _text(line, "cbc:Note", note)
    _units(line, "cbc:DeliveredQuantity", counted.delivered)
    missing = counted.ordered - counted.delivered
    if missing > 0:
        _units(line, "cbc:BackorderQuantity", missing)
        _text(line, "cbc:BackorderReason", counted.reason)
    elif missing < 0:
        _units(line, "cbc:OversupplyQuantity", -missing)
    _text(ET.SubElement(line, "cac:OrderLineReference"), "cbc:LineID", order_line)
    return line


def _item(parent: ET.Element, name: str, sku: str, gtin: str | None, hs_code: str | None, origin: str = "") -> None:
    item = ET.SubElement(parent, "cac:Item")
    _text(item, "cbc:Name", name)
    _text(ET.SubElement(item, "cac:SellersItemIdentification"), "cbc:ID", sku)
    if gtin:
        standard = ET.SubElement(item, "cac:StandardItemIdentification")
        _text(standard, "cbc:ID", gtin, schemeID=_GTIN)
    if origin:
        _text(ET.SubElement(item, "cac:OriginCountry"), "cbc:IdentificationCode", origin)
    if hs_code:
        classified = ET.SubElement(item, "cac:CommodityClassification")
        _text(classified, "cbc:ItemClassificationCode", hs_code, listID="HS")


def _units(parent: ET.Element, tag: str, units: int) -> None:
    _text(parent, tag, str(units), unitCode=_EACH)


def _text(parent: ET.Element, tag: str, text: str, **attributes: str) -> None:
    ET.SubElement(parent, tag, attributes).text = _NO_XML.sub("\ufffd", text)
