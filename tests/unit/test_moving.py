"""Moving stock: what is refused and why, how it is told, and what the board's form makes of what is written in it."""

from datetime import timedelta
from html import unescape

import pytest

from makeweight.adapters.board import asking, previews
from makeweight.adapters.board.asking import Wrong
from makeweight.contracts.campaigns import read_campaign
from makeweight.contracts.codec import dumps
from makeweight.contracts.commands import read_command
from makeweight.domain.book import Book
from makeweight.domain.stock import Balance
from makeweight.domain.values import replaced
from makeweight.planning.changing import ChangeRefused
from makeweight.planning.differing import Difference, Figures, OfferChange, OrderChange, Standing
from makeweight.planning.moving import (
    MovePreview,
    StockMove,
    check_free,
    check_known,
    check_said,
    left,
    named,
    served,
)
from makeweight.planning.picture import Feed, OfferPicture, Picture, StockPlace
from tests.support.build import WEEK
from tests.support.shop import document, gives

NOW = WEEK.start + timedelta(hours=15)
PRICE = {"offer": "prices", "says": "A price.", "prices": {"PEN": 100}}
SHIPS = gives("ships", benefit="free_shipping")
BOOK = Book([
    read_campaign(document(gives("tin", otherwise=["MUG"]), gives("mug", "MUG"), SHIPS, PRICE)),
    read_campaign(document(gives("bag", "BAG"), campaign="bags", title="Bags")),
])  # fmt: skip
MOVE = StockMove("week/tin", "TIN", "main", 3, "week/mug", "main", "M.Byrne", "mugs ran out")
THERE = "--state", "shop"
FORM = {"kind": "move", "place": "TIN/main", "units": "3", "to_offer": "week/mug", "to_site": "", "by": MOVE.by,
        "why": MOVE.why}  # fmt: skip


def figures(**free):
    """What an offer came to, with so many tins free by site."""
    return Figures(4, 4, free_units={f"TIN/{site}": units for site, units in free.items()})


def told(before=7, after=4, orders=1):
    """A preview of the move, by which some orders are served."""
    changes = [OrderChange(f"O{n}", "week/mug", Standing("owed", 0, 1), Standing("granted", 1)) for n in range(orders)]
    offers = [OfferChange("week/mug", figures(), figures(main=2)),
              OfferChange("week/tin", figures(main=before, annex=1), figures(main=after, annex=1))]  # fmt: skip
    return MovePreview(MOVE.transfer("move-1", NOW), Difference(offers, changes, 1))


def picture(now=NOW, sent=0):
    """What the board sees: seven tins at main and one at the annex, no mug, and five bags."""
    stock = {
        "week/tin": [Balance("week/tin", "TIN", "annex", received=1, free=1),
                     Balance("week/tin", "TIN", "main", received=7 + sent, free=7, transferred_out=sent)],
        "week/mug": [Balance("week/mug", "MUG", "main", received=2, reserved=2)],
        "bags/bag": [Balance("bags/bag", "BAG", "main", received=5, free=5)],
    }  # fmt: skip
    offers = [
        OfferPicture(key, "", "", "gift", "live", WEEK.start, WEEK.end, "Europe/Dublin", "EUR", {},
                     stock=[StockPlace(b.gift, b.gift, b, []) for b in balances])
        for key, balances in stock.items()
    ]  # fmt: skip
    return Picture(now, now, Feed(None, None, []), offers, [], {}, {}, profile_learnt=False)


def asked(offer="week/tin", now=NOW, sites=(), book=BOOK):
    """An offer as the form has it."""
    return next(one for one in asking.open_to_change(book, now, picture(now), sites) if one.offer.key == offer)


def checked(move):
    """Checks what can be known of a move without the stock."""
    check_said(move)
    check_known(move.transfer("move-1", NOW), BOOK)


@pytest.mark.parametrize(
    ("members", "text"),
    [
        ({"by": " "}, "says who answers for it and why"),
        ({"why": ""}, "says who answers for it and why"),
        ({"to_offer": "week/tin"}, "that is where they are: name another offer, another site, or both"),
        ({"units": 0}, "0 units are none to move"),
        ({"units": -3}, "-3 units are none to move"),
        ({"offer": "week/tim"}, "no offer 'week/tim' here; did you mean 'week/tin'?"),
        ({"to_offer": "week/mugs"}, "no offer 'week/mugs' here; did you mean 'week/mug'?"),
        ({"to_offer": "week/ships"}, "week/ships gives no gift"),
        ({"to_offer": "week/prices"}, "week/prices gives no gift"),
        ({"to_offer": "bags/bag"}, "campaign 'bags' has no gift 'TIN'; bags/bag could not give it"),
    ],
)
def test_what_cannot_be_asked(members, text):
    """Each says what to name instead; to another site of its own offer whatever the offer has may go."""
    with pytest.raises(ChangeRefused) as refused:
        checked(replaced(MOVE, **members))
    assert text in str(refused.value)


def test_what_can_be_asked():
    """Another offer of a campaign that knows the gift, or another site; the ledger reads what it is told."""
    for members in ({}, {"to_site": "annex"}, {"to_offer": "week/tin", "to_site": "annex", "gift": "OLD"}):
        move = replaced(MOVE, **members)
        checked(move)
        transfer = move.transfer(named("move", NOW), NOW)
        assert read_command(dumps(transfer)) == transfer
        assert (transfer.by, transfer.why, transfer.id) == (MOVE.by, MOVE.why, "move-20261123T150000.000000+0000")


@pytest.mark.parametrize(
    ("members", "text"),
    [
        ({"units": 8}, "7 of TIN are free for week/tin at main, and 8 are asked for"),
        ({"gift": "TIM"}, "no TIM was ever put at main for week/tin; did you mean 'TIN/main'?; gifts and sites"),
        ({"site": "south"}, "no TIN was ever put at south for week/tin"),
    ],
)
def test_no_more_goes_than_is_free(members, text):
    """All that is free may go; what never lay there is told with what does."""
    preview = told()
    check_free(replaced(preview.transfer, units=7), preview.difference)
    with pytest.raises(ChangeRefused) as refused:
        check_free(replaced(preview.transfer, **members), preview.difference)
    assert text in str(refused.value)


def test_what_is_left_where():
    """Places that change, what would be on its way, and who is served."""
    preview = told()
    lines = ["left at main for week/mug: 2 of TIN, 0 before", "left at main for week/tin: 4 of TIN, 7 before"]
    assert left(preview) == lines
    away = replaced(preview, transfer=replaced(preview.transfer, to_site="annex"))
    assert left(away) == [*lines, "on the way to annex: 3 of TIN, free once they arrive"]
    assert served(preview) == ["served by it: O0 of week/mug"]


@pytest.mark.parametrize(
    ("orders", "items"),
    [(0, ["No order would be served by it now"]), (22, ["Served by it: O19 of Mug", "and 2 more"])],
)
def test_the_page_tells_the_same(orders, items):
    """By the offers' names for people, no more orders than anybody reads."""
    html = unescape(previews.told_of_move(told(orders=orders)))
    assert "<li>Left at main for Mug: 2 of TIN, 0 before</li><li>Left at main for Tin: 4 of TIN" in html
    assert html.count("Served by it") == min(orders, 20)
    for item in items:
        assert f"<li>{item[:1].upper()}{item[1:]}</li>" in html


@pytest.mark.parametrize(
    ("members", "heading", "line"),
    [
        ({}, "3 of TIN at main, from Tin to Mug", "week/tin TIN main 3 --to-offer week/mug"),
        ({"to_site": "annex"}, "3 of TIN, from Tin at main to Mug at annex",
         "week/tin TIN main 3 --to-offer week/mug --to-site annex"),
        ({"to_offer": "week/tin", "to_site": "annex", "units": 1200}, "1,200 of TIN for Tin, from main to annex",
         "week/tin TIN main 1200 --to-site annex"),
    ],
)  # fmt: skip
def test_the_command_that_does_the_same(members, heading, line):
    """It names only what differs, with who says so and why."""
    shown = previews.of_move(replaced(MOVE, **members), told(), THERE)
    assert shown.title == heading
    assert shown.command == f"makeweight change move {line} --why 'mugs ran out' --by M.Byrne --state shop"
    assert (shown.may, shown.sure) == (True, f"Move {heading}? M.Byrne: mugs ran out")


def test_the_form_reads_a_move():
    """What is left as it is stays where it is; the numbers may have their thousands apart."""
    assert asking.read(FORM, asked()) == MOVE
    elsewhere = {**FORM, "to_offer": "", "to_site": "annex", "units": "1,200"}
    wanted = replaced(MOVE, to_offer="week/tin", to_site="annex", units=1200)
    assert asking.read(elsewhere, asked()) == wanted


@pytest.mark.parametrize(
    ("members", "field", "text"),
    [
        ({"place": "TIN/south"}, "place", "Choose a gift"),
        ({"units": ""}, "units", "'' is no number of units: write one such as 20."),
        ({"units": "0"}, "units", "'0' is no number of units"),
        ({"units": "-1"}, "units", "'-1' is no number of units"),
        ({"to_offer": "bags/bag"}, "to_offer", "Choose one of the offers."),
        ({"to_site": "south"}, "to_site", "Choose one of the sites."),
        ({"to_offer": ""}, "to_offer", "That is where they are: name another offer, another site, or both."),
        ({"to_offer": "", "to_site": "main"}, "to_offer", "That is where they are"),
        ({"why": " "}, "why", "Say why"),
        ({"by": ""}, "by", "Say who answers for it."),
    ],
)
def test_what_the_form_refuses(members, field, text):
    """The field that is wrong is named, and what to do."""
    with pytest.raises(Wrong) as wrong:
        asking.read({**FORM, **members}, asked())
    assert wrong.value.field == field
    assert str(wrong.value).startswith(text)


def test_what_the_form_offers():
    """Places with free units, most of them first; offers that know such a gift; all sites that are known."""
    tin = asked(sites=["south"])
    assert list(tin.places) == ["TIN/main", "TIN/annex"]
    assert (list(tin.takers), tin.sites) == (["week/mug"], ["annex", "main", "south"])
    assert asked("week/mug").kinds == ["pause", "end", "cap", "swap"]  # nothing of it is free
    html = asking.fields(tin)
    assert '<option value="TIN/main">7 free at main: Tin (TIN)</option>' in html["place"]
    assert '<optgroup label="A week"><option value="week/mug">Mug</option></optgroup>' in html["to_offer"]
    move = asking.read(FORM, tin)
    assert isinstance(move, StockMove)
    assert [asking.sent(picture(sent=n), move) for n in (0, 3)] == [0, 3]


def test_what_an_offer_leaves_when_it_is_over_may_go_elsewhere():
    """Nothing else can become of it; where no other can use its stock it is not on the page."""
    tin = document(gives("tin", until="2026-11-23 12:00"), gives("mug", "MUG"), gives("box", "TIN"))
    ended = [read_campaign(tin), *(one for one in BOOK if one.campaign == "bags")]
    one = asked(book=Book(ended))
    assert (one.over, one.kinds, list(one.takers)) == (True, ["move"], ["week/mug", "week/box"])
    assert "checked" in asking.fields(one)["kind"]
    assert ", ended" in asking.chooser([one], "")
    assert asking.open_to_change(BOOK, WEEK.end, picture(WEEK.end), ["south"]) == []
