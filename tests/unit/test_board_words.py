"""What the board says: numbers that don't claim more than is known, names and drawings of what is there."""

from datetime import UTC, datetime, timedelta
from itertools import chain
from typing import get_args

import pytest

from makeweight.adapters.board import cards, drawings, words
from makeweight.domain.stock import Balance
from makeweight.domain.tickets import Notice, NoticeKind
from makeweight.domain.values import replaced
from makeweight.insight.runout import RunOut
from makeweight.planning.picture import (
    Feed,
    OfferPicture,
    OfferState,
    Picture,
    Rate,
    Signal,
    SignalKind,
    StockPlace,
    rate,
)
from makeweight.planning.watch import NOT_EXCEPTIONS

NOW = datetime(2026, 11, 24, 20, 55, tzinfo=UTC)  # a Tuesday; Dublin is on UTC then
DUBLIN = "Europe/Dublin"
HOUR = timedelta(hours=1)
CLOCK = RunOut(NOW + HOUR, NOW + 2 * HOUR, NOW + 5 * HOUR, 1.0, 2.0, 5.0, 0.97, 40, act_now=False)


def offer(**members):
    """A gift offer with 23 of 140 units left, until Monday."""
    balance = Balance("ink-week/ink-sampler", "SAMPLER", "main", received=140, free=23, packed=100, reserved=17)
    defaults = {
        "key": "ink-week/ink-sampler",
        "title": "Ink <Week>",
        "says": "Spend 40 & get a sampler.",
        "kind": "gift",
        "state": "live",
        "starts": NOW - 24 * HOUR,
        "ends": datetime(2026, 11, 30, tzinfo=UTC),
        "zone": DUBLIN,
        "currency": "EUR",
        "rates": {"qualification": rate(1240, 8600)},
        "granted_units": 117,
        "left_units": 23,
        "units_by_hour": [0] * 20 + [3, 9, 4, 2],
        "clock": CLOCK,
        "stock": [StockPlace("SAMPLER", "Sampler of <ink>", balance, [0] * 24, 9.14, 2.5, CLOCK)],
    }
    return OfferPicture(**{**defaults, **members})


def picture(*offers, **members):
    """A picture of them."""
    defaults = {"exceptions": {}, "counts": {}, "signals": [], "profile_learnt": True}
    return Picture(NOW, NOW, Feed(NOW, 12.0, [1] * 24), list(offers), **{**defaults, **members})


def test_a_rate_has_its_interval():
    """Newcombe's method 3 as Wilson's interval: 1,240 of 8,600 is 14.4 %, from 13.7 to 15.2 (statsmodels)."""
    assert words.rate(rate(1240, 8600)) == ("14.4 %", "13.7 to 15.2", "1,240 of 8,600")
    assert words.rate(Rate(0, 0)) == ("none yet", "", "")


@pytest.mark.parametrize(
    ("share", "says"),
    [(0, "0.0"), (0.0001, "< 0.1"), (0.5, "50.0"), (0.99999, "> 99.9"), (1, "100.0"), (0.9994, "99.9")],
)
def test_nearly_nothing_is_not_nothing(share, says):
    """What is neither none nor all never looks like it."""
    assert words.percent(share) == says


@pytest.mark.parametrize(
    ("members", "says"),
    [
        ({}, "Gone between 21:55 and Wed 01:55, as likely as not by 22:55."),
        ({"clock": replaced(CLOCK, at_p95=None)}, "Hardly before 21:55, as likely as not by 22:55, or not before"),
        ({"clock": replaced(CLOCK, at_p95=None, at_p50=None)}, "Hardly before 21:55, and more likely not before"),
        ({"clock": replaced(CLOCK, at_p05=None, at_p50=None, at_p95=None)}, "It lasts to the end of the offer"),
        ({"clock": replaced(CLOCK, before_end=None)}, "no run-out can be told"),
        ({"clock": None}, "no run-out can be told"),
        ({"left_units": None}, "Nothing limits it."),
        ({"left_units": 0, "exhausted_at": NOW - HOUR}, "Its cap has been reached since 19:55."),
        ({"left_units": 0, "stock": []}, "Nothing left."),
        ({"state": "ended"}, "The offer is over."),
        ({"state": "scheduled", "starts": NOW + HOUR}, "It begins 21:55"),
    ],
)
def test_a_run_out_is_told_as_far_as_it_is_known(members, says):
    """A band as a band, its open end as open; nothing where nothing is known."""
    one = offer(**members)
    assert says in words.run_out(one, one.clock, NOW)


def test_chance_is_never_certain():
    """What is foretold is never told as certain."""
    assert words.chance(replaced(CLOCK, before_end=1.0)) == "> 99.9 %"
    assert words.chance(None) == ""


@pytest.mark.parametrize(
    ("ahead", "says"),
    [(HOUR, "21:55"), (5 * HOUR, "Wed 01:55"), (5 * 24 * HOUR, "Sun 20:55"), (9 * 24 * HOUR, "3 Dec 20:55")],
)
def test_an_instant_on_the_clock_of_the_zone(ahead, says):
    """The hour alone today, with its day within a week, else with its date."""
    assert words.at(NOW + ahead, NOW, DUBLIN) == says


@pytest.mark.parametrize(
    ("seconds", "says"), [(8, "8 s"), (720, "12 min"), (12_000, "3 h 20 min"), (40_000, "11 h"), (400_000, "5 days")]
)
def test_a_length_of_time(seconds, says):
    """In its largest units."""
    assert words.span(seconds) == says


def test_money():
    """Major units of each currency's own digits."""
    found = [words.amount(*one) for one in ((123_456_00, "EUR"), (-5, "EUR"), (1_500, "JPY"), (12_345, "TND"))]
    assert found == ["123,456.00 EUR", "-0.05 EUR", "1,500 JPY", "12.345 TND"]


def test_the_band_is_drawn_to_scale():
    """From 5 to 95 %, the middle between them, on a line a little longer than the band; its name is the sentence."""
    drawn = drawings.band(CLOCK, NOW, offer().ends, "Run-out: soon")
    assert 'aria-label="Run-out: soon"' in drawn
    assert 'x="160.0"' in drawn  # an hour of 6.25
    assert 'width="640.0"' in drawn
    assert "M320.0 0V" in drawn
    assert drawings.band(replaced(CLOCK, at_p05=None), NOW, offer().ends, "") == ""
    assert drawings.spark([0] * 24, "") == ""


def test_what_acts_now_comes_first():
    """The most urgent first; what has no stock, and what is over or not begun, stand apart."""
    acting = offer(key="a/acts", clock=replaced(CLOCK, act_now=True))
    others = [
        offer(key="a/live"),
        offer(key="a/out", state="exhausted", left_units=0),
        acting,
        offer(key="a/low", state="running_low"),
        offer(key="a/free", left_units=None, kind="benefit", stock=[]),
        offer(key="a/over", state="ended"),
    ]
    found = cards.offers(picture(*others))
    assert {group: [piece.key for piece in pieces] for group, pieces in found.items()} == {
        cards.GROUPS[0]: ["a/acts", "a/low", "a/out", "a/live"],
        cards.GROUPS[1]: ["a/free"],
        cards.GROUPS[2]: ["a/over"],
    }
    (card, *_) = found[cards.GROUPS[0]]
    assert "Act now" in card.html
    assert "23 left, and the level to act at is 40" in card.html


def test_no_text_is_markup():
    """Whatever a campaign or an order says stays text."""
    hostile = '<img src=x onerror="alert(1)">'
    notice = Notice(hostile, "price_mismatch", 5, 1, hostile, NOW, order=hostile, offer="ink-week/ink-sampler")
    one = offer(title=hostile, says=hostile, zone=DUBLIN)
    shown = picture(
        one,
        exceptions={"price_mismatch": [notice]},
        counts={"price_mismatch": 1},
        signals=[Signal("silent_offer", hostile, NOW, "ink-week/ink-sampler")],
    )
    groups = cards.offers(shown).values()
    pieces = [*chain.from_iterable(groups), *cards.signals(shown), *cards.exceptions(shown, None)]
    assert all("<img" not in piece.html for piece in pieces)
    assert "0.05 EUR" in cards.exceptions(shown, None)[0].html


def test_what_is_not_shown_is_counted():
    """Of a kind the newest are shown; how many are left out is said."""
    notices = [Notice(f"n{n}", "owed_gift", 1, 1, "Owed.", NOW) for n in range(200)]
    shown = picture(offer(), exceptions={"owed_gift": notices}, counts={"owed_gift": 1_234})
    assert len(cards.exceptions(shown, None)) == cards.SHOWN_OF_A_KIND
    assert cards.not_shown(shown, None) == "1,209 older ones are not shown; choose a kind to see more of it."
    assert len(cards.exceptions(shown, "owed_gift")) == 200
    assert cards.not_shown(shown, "owed_gift") == "1,034 older ones are not shown."
    assert cards.not_shown(shown, "over_gift") == ""


def test_every_kind_has_its_word():
    """What the desk and the watch may say has a name on the board; near misses and stock levels are no exceptions."""
    assert set(words.KINDS) == set(get_args(NoticeKind)) - NOT_EXCEPTIONS
    assert set(words.SIGNALS) == set(get_args(SignalKind))
    assert set(words.STATES) == set(get_args(OfferState))
