"""The canonical form and the digest: what makes two runs, and two arrivals of one event, comparable."""

import json

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from makeweight.contracts.codec import canonical, canonical_values
from makeweight.contracts.examples import EXAMPLES
from makeweight.contracts.messages import TICKET
from makeweight.contracts.orders import digest, read_fulfilment, read_order

MOST = 2**53 - 1  # RFC 8785 section 3.2.2.3: numbers are IEEE 754 doubles, so whole numbers are exact up to here
# Keys sort alike as UTF-8 and as UTF-16 (RFC 8785 section 3.2.3) as long as none is beyond the basic plane.
keys = st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E), max_size=6)
texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
leaves = st.none() | st.booleans() | st.integers(-MOST, MOST) | texts
values = st.recursive(leaves, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(keys, inner, max_size=4))


def plain(kept: object) -> object:
    """A value of ours as the plain one that an outside package writes, member by member."""
    if hasattr(kept, "__dataclass_fields__"):
        return {name: plain(member) for name, member in vars(kept).items()}
    if isinstance(kept, dict):
        return {name: plain(member) for name, member in kept.items()}
    if isinstance(kept, list | tuple):
        return [plain(item) for item in kept]
    return kept.isoformat() if hasattr(kept, "isoformat") else kept


@given(kept=values)
def test_canonical_is_rfc_8785(kept):
    """Source: RFC 8785, by the rfc8785 package."""
    assert canonical(kept) == rfc8785.dumps(kept)


def test_canonical_ticket_is_rfc_8785():
    """Source: RFC 8785, by the rfc8785 package, for a ticket with opaque parts, dataclasses inside dataclasses."""
    ticket = TICKET.loads(EXAMPLES["pick-ticket"])
    ticket.order_parts["b"], ticket.order_parts["a"] = [{"z": 1, "y": "é\u2028\t"}], None
    assert ticket.gift_lines
    expected = rfc8785.dumps(plain(ticket))
    assert canonical(ticket) == expected
    assert canonical_values(ticket) == expected


def test_sets_and_tuples_have_one_form():
    """A set has no order of its own, so its form has one: sorted."""
    assert canonical({"a": frozenset({"x", "b", "k"}), "b": (2, 1)}) == b'{"a":["b","k","x"],"b":[2,1]}'


@pytest.mark.parametrize("unknown", [object(), 2**70, b"bytes"])
def test_what_has_no_form_is_refused(unknown):
    """Nothing is written in a form that was made up for it."""
    with pytest.raises(TypeError):
        canonical({"a": unknown})


def _order(**members: object) -> dict:
    return {**json.loads(EXAMPLES["order-event"]), **members}


def _reordered(kept: object) -> object:
    if isinstance(kept, dict):
        return {name: _reordered(kept[name]) for name in reversed(kept)}
    return [_reordered(item) for item in kept] if isinstance(kept, list) else kept


def test_digest_ignores_the_order_of_members():
    """A back end that writes the same snapshot with its members in another order has said the same."""
    wire = _order(ship_to={"name": "x", "area": {"b": 1, "a": [1, {"d": 2, "c": 3}]}}, note="n")
    again = _reordered(wire)
    assert list(again) != list(wire)
    assert digest(read_order(json.dumps(wire))) == digest(read_order(json.dumps(again)))


def test_digest_ignores_spacing_and_how_an_instant_is_written():
    """Two ways to write one content."""
    spaced = json.dumps(_order(), indent=3)
    zulu = json.dumps(_order()).replace("+00:00", "Z")
    assert zulu != json.dumps(_order())
    assert len({digest(read_order(body)) for body in (json.dumps(_order()), spaced, zulu)}) == 1


@pytest.mark.parametrize(
    "change",
    [
        {"ship_to": {"name": "y"}},
        {"ship_to": {}},
        {"ship_to": None},
        {"other": 1},
        {"discount": 1},
        {"placed_at": "2026-11-24T10:00:00.000001Z"},
        {"revision": 2},
    ],
)
def test_digest_sees_a_change(change):
    """A change of any member, known to us or not, is other content: a conflict, never a repeat."""
    base = _order(ship_to={"name": "x"})
    assert digest(read_order(json.dumps({**base, **change}))) != digest(read_order(json.dumps(base)))


def test_digest_sees_a_change_in_a_line():
    """An unknown member of a line counts like any other."""
    base = _order()
    other = _order(lines=[{**base["lines"][0], "engraving": "M."}])
    assert digest(read_order(json.dumps(other))) != digest(read_order(json.dumps(base)))


def test_digest_of_a_warehouse_fact():
    """Fulfilment events are told apart the same way."""
    base = json.loads(EXAMPLES["fulfilment-event"])
    same = digest(read_fulfilment(json.dumps(_reordered(base))))
    assert same == digest(read_fulfilment(EXAMPLES["fulfilment-event"]))
    assert digest(read_fulfilment(json.dumps({**base, "happened": "packed"}))) != same
