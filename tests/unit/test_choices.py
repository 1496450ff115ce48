"""The customer's choice of a gift, and the sites that it may leave from.

'Ex-n' is a worked example of the rules of the trade, 'rule n' one of its rules. They are common practice, no source,
unless one is named beside them.
"""

from typing import Any

import pytest

from makeweight.domain.campaigns import Cautions, Gift, Offer
from makeweight.domain.choose import choose
from makeweight.domain.claims import Option
from makeweight.domain.options import sites_of
from makeweight.domain.orders import Line, Order
from makeweight.domain.qualify import evaluate
from tests.support.build import campaign, line, live, offer, order
from tests.support.shop import Shop, document, gives


def gift(name: str, worth: int = 600, **answers: Any) -> Gift:
    """A gift whose cautions are answered with 'none' but for some."""
    return Gift(name, name, stated_value=worth, cautions=Cautions("none", "none", "none", **answers))


GIFTS = {
    g.gift: g
    for g in (
        gift("PLAIN"),
        gift("ROSE"),
        gift("MINT", 900),
        gift("SCENT", carries=["fragrance"]),
        gift("PAD", 700),
        gift("MUSK", carries=["fragrance"]),
    )
}


def options(placed: Order, **members: Any) -> list[Option]:
    """What the order's one claim asks for."""
    asked = offer(**{"gift": "PLAIN", "gifts": GIFTS, "choice": ("PLAIN", "ROSE", "MINT", "SCENT"), **members})
    on = live(campaign(asked))
    (claim,) = choose(placed, evaluate(placed, on), on, ()).claims
    return claim.options


@pytest.mark.parametrize(
    ("chosen", "names"),
    [
        (None, ["PLAIN", "PAD"]),
        ("PLAIN", ["PLAIN", "PAD"]),
        ("ROSE", ["ROSE", "PLAIN", "PAD"]),
        ("PAD", ["PLAIN", "PAD"]),  # not among the choices
        ("NOBODY'S", ["PLAIN", "PAD"]),
        # The default is no substitute, so it may be worth less; the pad is one, and may not.
        ("MINT", ["MINT", "PLAIN"]),
        ("SCENT", ["SCENT", "PLAIN", "PAD"]),
    ],
)
def test_the_chosen_gift_then_the_default_then_substitutes(chosen, names):
    """Rule 2.9: the choice is on the order; none by the release, or one that was not offered, is the default."""
    found = options(order(line(6000), chosen_gift=chosen), otherwise=("PAD",), when_out="substitute")
    assert [o.gift for o in found] == names
    assert [o.gift for o in found if o.substitute] == [name for name in names if name == "PAD"]


def test_a_substitute_is_held_against_the_announced_gift_too():
    """Rule 2.34: the musk adds nothing to the scent that was chosen, but to what was announced."""
    found = options(order(line(6000), chosen_gift="SCENT"), otherwise=("MUSK",), when_out="substitute")
    assert [o.gift for o in found] == ["SCENT", "PLAIN"]


def test_the_default_adds_no_caution_to_what_was_chosen():
    """Rule 2.9: who chose the one without fragrance is not sent the other."""
    found = options(order(line(6000), chosen_gift="ROSE"), gift="SCENT")
    assert [o.gift for o in found] == ["ROSE"]


ROSE = {("week/tin", "ROSE", "S"): 5, ("week/tin", "TIN", "N"): 5, ("week/tin", "TIN", "S"): 5}


def test_ex14_the_chosen_shade_is_out_where_the_order_ships():
    """Ex-14: 'rose' is out at N and in at S, the order ships from N: the default shade, and no cross-docking."""
    shop = Shop([document(gives(choice=["TIN", "ROSE"]))], ROSE)
    shop.place(order(line(6000, site="N"), chosen_gift="ROSE"))
    assert [(g.gift, g.substitute) for g in shop.ticket("A", "N").gift_lines] == [("TIN", False)]
    assert "1 x TIN instead of the chosen gift" in shop.told("A").sentence


def test_ex14_a_site_that_sends_it_alone_is_configured():
    """Ex-14, 'unless configured': S sends the chosen shade in a parcel of its own."""
    shop = Shop([document(gives(choice=["TIN", "ROSE"], own_parcel=["S"]))], ROSE)
    shop.place(order(line(6000, site="N"), chosen_gift="ROSE"))
    assert [g.gift for g in shop.ticket("A", "S").gift_lines] == ["ROSE"]
    assert shop.ticket("A", "S").lines == []
    assert shop.ticket("A", "N").gift_lines == []
    assert "instead" not in shop.told("A").sentence


# ---------------------------------------------------------------- sites


def on_sites(*sites: str, **members: Any) -> Order:
    """An order with a line at each of some sites; 'N+' is back-ordered there, 'N-' cancelled, 'N$' no goods."""

    def at(site: str) -> Line:
        cancelled, kind = int("-" in site), "gift_card" if "$" in site else "goods"
        return line(3000, site=site.strip("+-$"), back_ordered="+" in site, cancelled_units=cancelled, kind=kind)

    return order(*map(at, sites), **members)


def ridden(rides_with: str, *own_parcel: str) -> Offer:
    """An offer by how its gift rides."""
    return offer(rides_with=rides_with, own_parcel=own_parcel)


@pytest.mark.parametrize(
    ("asked", "sites", "earning", "expected"),
    [
        (ridden("first"), ["N", "S", "E"], [2], ["S", "N", "E"]),
        (ridden("first"), ["N", "S", "E"], [1, 2, 3], ["N", "S", "E"]),
        (ridden("first"), ["N-", "S", "E$"], [2], ["S"]),
        (ridden("first", "W", "N"), ["N", "S"], [2], ["S", "N", "W"]),
        (ridden("trigger"), ["N", "S", "E"], [2], ["S"]),
        (ridden("trigger", "N", "W"), ["N", "S"], [2], ["S", "N", "W"]),
        (ridden("last"), ["N", "S", "E"], [2], ["E", "S", "N"]),
        (ridden("last"), ["N", "S", "N"], [1], ["S", "N"]),
        # What is back-ordered ships last, whatever else its site ships.
        (ridden("last"), ["N+", "S", "E"], [2], ["N", "E", "S"]),
        (ridden("last"), ["N", "N+", "S"], [1], ["N", "S"]),
        (ridden("last"), ["N+", "N", "S"], [1], ["N", "S"]),
        (ridden("last", "W"), ["N", "S-", "E$"], [1], ["N", "W"]),
        (ridden("first"), ["N-"], [], ["main"]),
        (ridden("trigger", "W"), ["N-"], [], ["W"]),
    ],
)
def test_sites_by_what_the_gift_rides_with(asked, sites, earning, expected):
    """Rule 2.19: with the first parcel that holds what earned it, the last one, or none but what earned it."""
    assert sites_of(on_sites(*sites), asked, earning) == expected


AT_S = {("week/tin", "TIN", "S"): 5}


@pytest.mark.parametrize(
    ("members", "tickets"),
    [
        pytest.param({}, {"N": 0, "S": 1}, id="order total"),
        pytest.param({"brands": ["Alder"], "at_least": 3000}, {"N": 0, "S": 1}, id="Alder: the order's other parcel"),
        pytest.param(
            {"brands": ["Alder"], "at_least": 3000, "rides_with": "trigger"}, {"N": 0, "S": 0}, id="Alder's parcel only"
        ),
        pytest.param(
            {"brands": ["Alder"], "at_least": 3000, "rides_with": "trigger", "own_parcel": ["S"]},
            {"N": 0, "S": 1},
            id="Alder's parcel, or S's own",
        ),
    ],
)
def test_ex28_lines_at_two_sites_and_the_gift_at_one(members, tickets):
    """Ex-28: Alder ships from N, Birch from S, and only S has the gift; it is never on both tickets."""
    shop = Shop([document(gives(**members))], AT_S)
    shop.place(order(line(3000, brand="Alder", site="N"), line(3000, brand="Birch", site="S")))
    found = {site: sum(g.units for g in shop.ticket("A", site).gift_lines) for site in ("N", "S")}
    assert found == tickets
