"""What a person sees of an input that was put aside: why, its bytes, and whether its order still waits."""

from datetime import timedelta

import pytest

from makeweight.adapters.board import cards
from makeweight.contracts.codec import dumps
from makeweight.contracts.events import order_named
from makeweight.domain.book import Book
from makeweight.domain.entries import Judged
from makeweight.domain.values import replaced
from makeweight.insight.profile import Profile
from makeweight.insight.tally import Tally
from makeweight.planning import watch as watching
from makeweight.planning.drawing import draw
from makeweight.planning.picture import Known, Limits
from makeweight.planning.rejects import PutAside, as_json, unseen
from makeweight.planning.story import story
from makeweight.planning.watch import Watch
from makeweight.stages.desk.state import ORDERS
from tests.support.build import PLACED, line, order
from tests.support.shop import Shop, document, gives

MINUTE = timedelta(minutes=1)


def aside(key="A0", at=PLACED, topic="orders", sentence="member 'market' is missing", body=b""):
    """An order event without its market."""
    return PutAside(at, topic, key, "malformed", sentence, body)


def judged(shop):
    """The desk's entries that judge an order."""
    return [entry for entry in shop.entries["desk"] if isinstance(entry, Judged)]


def drawn(watch, now=PLACED):
    """A picture of nothing but the watch."""
    return draw(watch, Known(Book(), Tally(), [], Profile.flat, profile_learnt=False), now, Limits())


def signals(watch, now=PLACED):
    """What is said of orders that were put aside."""
    return [one for one in drawn(watch, now).signals if one.kind == "orders_put_aside"]


# ---------------------------------------------------------------- one of them


def test_its_bytes_come_back_as_they_came():
    """As text, to be mended and sent again; bytes that are no text in base64 (RFC 4648 section 10: 'foobar')."""
    told = as_json(aside(body='{"order":"Ä-1"}'.encode()))
    assert told == {
        "at": PLACED.isoformat(),
        "topic": "orders",
        "key": "A0",
        "code": "malformed",
        "sentence": "member 'market' is missing",
        "body": '{"order":"Ä-1"}',
    }
    told = as_json(aside(body=b"\xfffoobar"))
    assert ("body" in told, told["body_base64"]) == (False, "/2Zvb2Jhcg==")


@pytest.mark.parametrize(
    ("data", "named"),
    [
        (b'{"order":"A-1","lines":7}', "A-1"),
        (b'{"order":7}', ""),
        (b"{}", ""),
        (b'["A-1"]', ""),
        (b"A-1", ""),
        (b"\xff", ""),
        (b'{"order":"A\\u0000"}', ""),
        (b'{"order":"A/1"}', ""),
        (b'{"order":null}', ""),
        (b'{"order":""}', ""),
        (b'{"order":"\\ud800"}', ""),
        (dumps({"order": "A" * 120}), "A" * 120),
        (dumps({"order": "A" * 121}), ""),
    ],
)
def test_the_order_that_unreadable_data_names(data, named):
    """What could be an order's id, and nothing else: it becomes the key of what is put aside."""
    assert order_named(data) == named
    assert order_named(data, "B-1") == (named or "B-1")
    assert order_named(data, "B/1") == order_named(data, "B\x1b1") == named
    assert order_named(b'{"data":' + data + b"}") == (named if data[:1] == b"{" else "")


def test_an_order_that_was_never_taken_in():
    """Never seen is not the same as put aside; of several the latest is told."""
    assert unseen("A0", []) == "order 'A0' was never seen here"
    once = unseen("A0", [aside()])
    assert once == (
        f"order 'A0' was never taken in: an event of it was put aside, the latest at {PLACED.isoformat()}, "
        "malformed: member 'market' is missing"
    )
    assert "3 events of it were put aside" in unseen("A0", [aside()] * 3)


@pytest.mark.parametrize(("minutes", "place"), [(-1, 0), (0, 1), (2, 1), (4, 2)])
def test_it_stands_in_the_story_where_it_happened(minutes, place):
    """Between the events before and after it; what happened at one instant is told in the log's order, and first."""
    shop = Shop([document(gives())], {})
    shop.place(order(line(10_00), order="A0"))
    shop.amend("A0", line(12_00), at=PLACED + 3 * MINUTE)
    first, second = judged(shop)
    state = shop.desk.get(ORDERS, "A0")
    one = aside(at=first.at + minutes * MINUTE)
    told = story(state, [first, second], Book(), lambda _: None, [one])["events"]
    assert [event["what"].startswith("an event of orders was put aside, malformed: ") for event in told] == [
        n == place for n in range(3)
    ]
    assert told[place]["at"] == one.at.isoformat()


# ---------------------------------------------------------------- all of them


def test_an_order_waits_until_an_event_of_it_is_taken_in():
    """What was taken in before, or of another order, ends nothing; in whichever order the two are read."""
    shop = Shop([document(gives())], {})
    shop.place(order(line(10_00), order="A0"), order(line(10_00), order="A1"))
    first, other = judged(shop)
    for late in (False, True):
        watch = Watch()
        watch.reject(aside(at=first.at - MINUTE), first if late else None)
        assert len(signals(watch)) == (not late)
        watch.desk(other, None)
        assert len(signals(watch)) == (not late)
        watch.desk(first, None)
        assert signals(watch) == []
        watch.reject(aside(at=first.at + MINUTE), first)
        (one,) = signals(watch, first.at + MINUTE)
        assert (one.figure, one.since) == (1, first.at + MINUTE)
        assert one.sentence == (
            "1 order has an event that was put aside, and none taken in since; it is A0: malformed: "
            "member 'market' is missing"
        )
    watch.reject(aside("A2", at=first.at + 2 * MINUTE), None)
    watch.reject(aside("A2", at=first.at + 3 * MINUTE), None)
    (one,) = signals(watch, first.at + 3 * MINUTE)
    assert (one.figure, one.sentence[:8]) == (2, "2 orders")
    assert "none taken in since; 1 of them was never taken in at all; the first is A2: malformed" in one.sentence


def test_revisions_tell_better_than_time():
    """A revision is taken in, or a later one: then nothing waits, whenever that was. An earlier one ends nothing."""
    shop = Shop([document(gives())], {})
    shop.place(order(line(10_00), order="A0"))
    for charged in (12_00, 14_00):
        shop.amend("A0", line(charged), at=PLACED)
    first, second, third = judged(shop)
    moment = {"at": first.at}
    for before, revision, waits in ((None, 1, True), (first, 1, False), (first, 2, True), (third, 2, False)):
        watch = Watch()
        watch.reject(replaced(aside(**moment), revision=revision), before)
        assert (len(signals(watch)) == 1) is waits, (before, revision)
    # One input of a batch is bad and the next one mended: both have the same instant.
    watch = Watch()
    watch.reject(replaced(aside(**moment), revision=2), None)
    assert "was never taken in" in signals(watch)[0].sentence
    watch.desk(first, None)
    assert "none taken in since" in signals(watch)[0].sentence
    watch.desk(second, first)
    assert signals(watch) == []


def test_what_names_no_order_is_listed_and_no_signal():
    """A warehouse's fact, a move of stock, an event without a key: put aside, but no order waits for it."""
    watch = Watch()
    for one in (aside(""), aside(topic="fulfilment"), aside("week/tin", topic="ledger-commands")):
        watch.reject(one, None)
    assert signals(watch) == []
    assert (drawn(watch).rejects_count, len(drawn(watch).rejects)) == (3, 3)


def test_it_is_urgent_for_a_day():
    """Then the parcel has gone, with or without the gift; it stays in the list."""
    watch = Watch()
    watch.reject(aside(), None)
    day = timedelta(hours=24)
    assert (len(signals(watch, PLACED + day)), len(signals(watch, PLACED + day + MINUTE))) == (1, 0)
    assert drawn(watch, PLACED + 2 * day).rejects_count == 1


def test_a_feed_gone_wrong_is_bounded(monkeypatch):
    """The newest are kept, all are counted, and the list says how many it leaves out."""
    monkeypatch.setattr(watching, "WAITING_KEPT", 50)
    watch = Watch()
    for n in range(1_000):
        watch.reject(aside(f"A{n}", at=PLACED + n * MINUTE / 60), None)
    shown = drawn(watch)
    assert list(watch.waiting) == [f"A{n}" for n in range(950, 1_000)]
    assert [one.key for one in shown.rejects] == [f"A{n}" for n in reversed(range(900, 1_000))]
    assert cards.rejects_not_shown(shown) == "900 older ones are not shown; makeweight rejects lists them."
    assert "1,000 inputs put aside</a>" in cards.rejects_below(shown)
    assert cards.rejects_not_shown(drawn(Watch())) == cards.rejects_below(drawn(Watch())) == ""


def test_a_row_escapes_what_came_from_outside():
    """Key and sentence are the sender's; an order is a link to its page, an offer is none."""
    watch = Watch()
    watch.reject(aside("week/<tin>", topic="ledger-commands"), None)
    watch.reject(aside("A<0>", sentence="expected <b>"), None)
    first, second = cards.rejects(drawn(watch))
    assert '<a href="/orders?q=A%3C0%3E">A&lt;0&gt;</a>' in first.html
    assert "malformed: expected &lt;b&gt;" in first.html
    assert "week/&lt;tin&gt;" in second.html
    assert "<a " not in second.html
    watch.reject(aside("A1"), None)
    assert [piece.key for piece in cards.rejects(drawn(watch))][1:] == [first.key, second.key]
