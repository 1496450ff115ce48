"""The desk's protocol: snapshots in any order, decisions, time, the warehouse's facts, tickets and notices.

Through both stages, as in a shop; the ledger can be asleep, and then its answers come late. What is common practice of
the trade, without a source, says so.
"""

from datetime import timedelta

import pytest

from makeweight.contracts.campaigns import read_campaign
from makeweight.contracts.orders import digest, read_order
from makeweight.domain.book import Book
from makeweight.domain.claims import Decision, Receipt, Tick
from makeweight.domain.entries import Superseded
from makeweight.domain.orders import Fulfilment
from makeweight.domain.reasons import Figures, Reason
from makeweight.domain.values import replaced
from makeweight.stages.desk import Desk
from makeweight.stages.port import Message, View
from tests.support.build import PLACED, line, order
from tests.support.nodes import Network
from tests.support.shop import Shop, amended, document, gives, handled_gift, handled_line

SECOND, MINUTE, DAY = timedelta(seconds=1), timedelta(minutes=1), timedelta(days=1)
EACH = gives(at_least=1000, for_each=True)
GROUP = [
    gives("first", "G1", group="g", rank=1, when_out="next"),
    gives("second", "G2", group="g", rank=2, when_out="next"),
    gives("third", "G3", group="g", rank=3, when_out="next"),
]
FREE_OVER_80 = gives("ships", None, benefit="free_shipping", over=8000)


def shop_of(*offers, stock=9, **members):
    """A shop with one campaign and as much stock of every announced gift at the main site."""
    asked = [document(*offers, **members)]
    gifts = [(o["offer"], o["gives"]["gift"]) for o in offers if "gift" in o.get("gives", {})]
    return Shop(asked, {(f"week/{offer}", gift, "main"): stock for offer, gift in gifts} if stock else None)


def carried(ticket):
    """What a ticket carries: its lines by number, and its gift units by offer."""
    return {x.number: x.live_units for x in ticket.lines}, {g.offer: g.units for g in ticket.gift_lines}


# ---------------------------------------------------------------- snapshots


def test_a_repeated_snapshot_changes_nothing():
    """Same revision, same content: no entry, the same edition."""
    shop = shop_of(gives())
    one = order(line(6000))
    shop.place(one)
    ticket, entries = shop.ticket("A"), len(shop.entries["desk"])
    assert shop.place(one).result == "repeat"
    assert shop.ticket("A") == ticket
    assert len(shop.entries["desk"]) == entries


def test_the_same_revision_with_other_content_is_a_conflict():
    """S6: the first counts; the sentence names the order and says what to do."""
    shop = shop_of(gives())
    shop.place(order(line(6000)))
    verdict = shop.place(order(line(100)))
    assert (verdict.result, verdict.problem.code) == ("conflict", "other_content")
    assert "Order A revision 1" in verdict.problem.sentence
    assert shop.state("A").order.lines[0].total_charged == 6000


def test_a_lower_revision_that_comes_late_changes_nothing():
    """Recorded as superseded; come again it is a repeat, and with other content a conflict."""
    shop = shop_of(gives())
    late = order(line(6000))
    shop.place(amended(late, line(100)))
    assert shop.place(late).result == "superseded"
    assert isinstance(shop.entries["desk"][-1], Superseded)
    assert shop.place(late).result == "repeat"
    assert shop.place(order(line(7000))).result == "conflict"
    assert shop.ticket("A").gift_lines == []
    assert shop.state("A").order.revision == 2


def test_a_first_seen_amended_snapshot_is_applied():
    """Nothing is parked: revision 3 says all that 1 and 2 said."""
    shop = shop_of(gives())
    assert shop.place(order(line(6000), revision=3, status="amended")).result == "applied"
    assert carried(shop.ticket("A")) == ({1: 1}, {"week/tin": 1})
    assert shop.ticket("A").order_revision == 3


def test_a_first_seen_cancelled_snapshot_is_applied():
    """Its ticket is void from the start, and the placed snapshot that comes later claims nothing."""
    shop = shop_of(gives())
    one = order(line(6000))
    shop.place(amended(one, status="cancelled"))
    assert (shop.ticket("A").state, carried(shop.ticket("A"))) == ("void", ({}, {}))
    assert shop.place(one).result == "superseded"
    assert shop.balance().reserved == 0
    assert shop.state("A").wishes == {}


def test_a_cancelled_order_claims_nothing_everywhere_and_its_tickets_are_void():
    """S7: before release, at both of its sites."""
    shop = shop_of(gives(), gives("card", "CARD", at_least=1))
    shop.place(order(line(6000), line(100, site="S")))
    shop.cancel("A", at=PLACED + MINUTE)
    assert [t.state for t in shop.tickets("A").values()] == ["void", "void"]
    assert [shop.got("A", o)[:2] for o in ("week/tin", "week/card")] == [("declined", 0)] * 2
    assert (shop.balance().reserved, shop.balance("week/card", "CARD").reserved) == (0, 0)
    assert all(wish.claim.units == 0 for wish in shop.state("A").wishes.values())


def test_an_amended_order_withdraws_an_offer_that_it_no_longer_meets():
    """Claimed with 0 at the new revision, while another offer is claimed for the first time."""
    shop = shop_of(gives(brands=["Alder"]), gives("card", "CARD", brands=["Birch"]))
    shop.place(order(line(6000, brand="Alder")))
    shop.amend("A", line(6000, brand="Birch"), at=PLACED + MINUTE)
    assert carried(shop.ticket("A"))[1] == {"week/card": 1}
    assert shop.claim("A").claim.number == (2, 0)
    assert (shop.claim("A").claim.units, shop.balance().free) == (0, 9)


def test_members_that_nobody_declared_are_carried_to_the_ticket():
    """The ship-to block and whatever else the shop says rides along unread, on the order and on its lines."""
    body = b"""{"order": "A", "revision": 1, "status": "placed", "placed_at": "2026-11-23T10:00:00Z",
        "revised_at": "2026-11-23T10:00:00Z", "market": "IE", "currency": "EUR",
        "ship_to": {"name": "N. N.", "lines": ["1 Quay"]}, "instructions": null,
        "lines": [{"number": 1, "sku": "X", "units": 1, "total_charged": 6000, "engrave": "Zo\xc3\xab"}]}"""
    shop = shop_of(gives())
    shop.place(read_order(body))
    ticket = shop.ticket("A")
    assert ticket.order_parts == {"ship_to": {"name": "N. N.", "lines": ["1 Quay"]}, "instructions": None}
    assert vars(ticket.lines[0])["engrave"] == "Zo\u00eb"
    shop.released("A/main/1")
    assert shop.ticket("A").order_parts == ticket.order_parts


def test_each_site_has_its_ticket_and_the_gift_is_on_one_of_them():
    """S7; rule 2.19 (common practice, no source): it goes with a line that earned it, from a site that holds it."""
    shop = Shop([document(gives(brands=["Alder"]))], {("week/tin", "TIN", site): 1 for site in ("N", "S")})
    shop.place(order(line(100, site="N"), line(6000, brand="Alder", site="S")))
    assert {name: carried(t) for name, t in shop.tickets("A").items()} == {
        "A/N/1": ({1: 1}, {}),
        "A/S/1": ({2: 1}, {"week/tin": 1}),
    }


def test_a_gift_line_says_what_the_warehouse_and_customs_need():
    """Rule 2.10 (common practice, no source): charged nothing, worth something, tied to what earned it."""
    shop = shop_of(gives(brands=["Alder"]))
    shop.place(order(line(100), line(6000, brand="Alder")))
    (given,) = shop.ticket("A").gift_lines
    assert (given.units, given.total_charged, given.stated_value, given.title) == (1, 0, 600, "Tin")
    assert (given.offer, given.campaign_revision, given.triggered_by) == ("week/tin", 1, [2])


# ---------------------------------------------------------------- decisions


def test_a_repeated_decision_says_the_ticket_and_nothing_else():
    """No entry; the bound for one duplicate."""
    shop = shop_of(gives())
    shop.place(order(line(6000)))
    answer, said, entries = shop.outcome("A"), len(shop.said), len(shop.entries["desk"])
    assert shop.take("desk", answer, PLACED + MINUTE).result == "repeat"
    assert [o.channel for o in shop.said[said:]] == ["pick-tickets"]
    assert len(shop.entries["desk"]) == entries


def test_a_decision_for_an_older_number_changes_no_ticket():
    """The order was amended before the ledger's answer came: recorded, and the ticket waits for the newer answer."""
    shop = shop_of(EACH)
    shop.place(order(line(3000)))
    older = shop.outcome("A")
    shop.sleep()
    shop.amend("A", line(1000), at=PLACED + MINUTE)
    shop.wake(PLACED + 2 * MINUTE)
    ticket = shop.ticket("A")
    assert shop.take("desk", replaced(older, units=5), PLACED + 3 * MINUTE).result == "superseded"
    assert isinstance(shop.entries["desk"][-1], Superseded)
    assert shop.ticket("A") == ticket
    assert carried(ticket)[1] == {"week/tin": 1}


def test_a_decision_for_an_older_number_while_the_new_one_is_unanswered():
    """Both claims are on their way; the answer to the first comes, and the ticket stays held."""
    shop = shop_of(EACH)
    shop.sleep()
    shop.place(order(line(3000)))
    first = shop.ledger.waiting[0].body
    shop.amend("A", line(1000), at=PLACED + SECOND)
    answer = Decision(
        f"{first.id}/1", "A", "week/tin", 1, 0, 1, "granted", 3, Figures(3), PLACED, gift="TIN", site="main"
    )
    assert shop.take("desk", answer, PLACED + 2 * SECOND).result == "superseded"
    assert (shop.ticket("A").state, shop.ticket("A").gift_lines) == ("held", [])
    assert shop.outcome("A") is None


def test_a_lower_edition_of_a_decision_changes_nothing():
    """A receipt served the owed claim by edition 2; edition 1 comes again after it."""
    shop = shop_of(gives(when_out="owed"), stock=0)
    shop.place(order(line(6000)))
    owed = shop.outcome("A")
    shop.receive("week/tin", "TIN", 1)
    assert shop.got("A") == ("granted", 1, "TIN", None)
    assert shop.take("desk", owed, PLACED + MINUTE).result == "superseded"
    assert shop.got("A") == ("granted", 1, "TIN", None)


@pytest.mark.parametrize("members", [{"order": "STRANGER"}, {"offer": "week/other"}, {"revision": 7}])
def test_a_decision_on_a_claim_that_was_never_made_is_rejected(members):
    """Of an order, an offer or a number that the desk doesn't know."""
    shop = shop_of(gives())
    shop.place(order(line(6000)))
    verdict = shop.take("desk", replaced(shop.outcome("A"), **members), PLACED)
    assert (verdict.result, verdict.problem.code) == ("rejected", "unknown_claim")


# ---------------------------------------------------------------- groups


def test_the_next_of_a_group_is_claimed_one_at_a_time():
    """Only after the one before is answered, each with a higher step; the third has stock."""
    shop = shop_of(*GROUP, stock=0)
    shop.receive("week/third", "G3", 1)
    shop.place(order(line(6000)))
    claims = [m.body.id for stage, m, _ in shop.handled if stage == "ledger" and m.body.kind == "claim"]
    assert claims == ["A/week/first/1.0", "A/week/second/1.1", "A/week/third/1.2"]
    assert shop.got("A", "week/third") == ("granted", 1, "G3", None)
    assert shop.ticket("A").state == "final"


def test_a_group_without_stock_ends():
    """All are out: the ticket is final without a gift, and every decline is told."""
    shop = shop_of(*GROUP, stock=0)
    shop.place(order(line(6000)))
    assert (shop.ticket("A").state, shop.ticket("A").gift_lines) == ("final", [])
    assert [t.reason for t in shop.ticket("A").told] == [Reason.NO_STOCK] * 3


def test_a_late_cancellation_withdraws_what_its_writer_did_not_know_of():
    """A paused desk decided it before the group moved on, and appends it after; its heir's own is then a repeat.

    Without a claim of 0 on the second member, its unit would be reserved for a cancelled order for ever (S8).
    """
    shop = shop_of(*GROUP[:2], stock=0)
    shop.receive("week/second", "G2", 1)
    shop.sleep()
    shop.place(order(line(6000)))
    cancelled = amended(shop.snapshots["A"], status="cancelled")
    view = View(shop.engine.book, PLACED)
    (late,) = Desk().decide(shop.desk, Message(cancelled, digest(cancelled)), view).entries
    shop.wake(PLACED + SECOND)
    assert shop.got("A", "week/second")[:2] == ("granted", 1)
    Desk().fold(shop.desk, late)
    assert shop.place(cancelled).result == "repeat"  # which says what is unanswered
    assert {offer: wish.held for offer, wish in shop.state("A").wishes.items()} == {"week/first": 0, "week/second": 0}
    balance = shop.balance("week/second", "G2")
    assert (balance.free, balance.reserved) == (1, 0)


def test_a_cap_ends_a_group_where_stock_would_move_on():
    """Only a stock decline moves on."""
    shop = shop_of({**GROUP[0], "caps": {"total": 1}}, GROUP[1])
    shop.place(order(line(6000)), order(line(6000), order="B"))
    assert shop.got("B", "week/first") == ("declined", 0, None, Reason.CAMPAIGN_CAP)
    assert shop.outcome("B", "week/second") is None


def test_a_member_that_holds_a_grant_and_still_qualifies_keeps_it():
    """The better-ranked offer is met later: the gift that the order has been promised stays."""
    shop = shop_of({**GROUP[0], "counts": {"by": "total", "at_least": 9000}}, GROUP[1])
    shop.place(order(line(6000)))
    shop.amend("A", line(9500), at=PLACED + MINUTE)
    assert carried(shop.ticket("A"))[1] == {"week/second": 1}
    assert shop.told("A", "week/first").reason == Reason.OUTRANKED


def test_a_member_that_no_longer_qualifies_gives_way():
    """The better-ranked one is lost by an amendment: one step frees it and claims the other."""
    shop = shop_of({**GROUP[0], "counts": {"by": "total", "at_least": 9000}}, GROUP[1])
    shop.place(order(line(9500)))
    shop.amend("A", line(6000), at=PLACED + MINUTE)
    assert carried(shop.ticket("A"))[1] == {"week/second": 1}
    assert (shop.balance("week/first", "G1").reserved, shop.balance("week/second", "G2").reserved) == (0, 1)


@pytest.mark.parametrize("step", ["decided", "logged", "said", "acknowledged"])
def test_a_desk_that_dies_over_a_decline_still_claims_the_next(step):
    """L1 and S9: whatever step of a host the kill comes after, the repeated decision ends in the same claim."""
    network = Network(Book([read_campaign(document(*GROUP[:2]))]), PLACED)
    network.send("ledger", Message(Receipt("r", "week/second", "G2", "main", 1)))
    one = order(line(6000))
    network.send("desk", Message(one, digest(one)))
    network.deliver("ledger", 0)
    network.deliver("desk", 0)
    network.deliver("ledger", 0)  # declined: no stock
    network.deliver("desk", 0, crash_after=step)
    network.drain()
    tickets = [o.body for (channel, _), os in network.said.items() if channel == "pick-tickets" for o in os]
    last = max(tickets, key=lambda t: (t.order_revision, t.edition))
    assert (last.state, [g.gift for g in last.gift_lines]) == ("final", ["G2"])


# ---------------------------------------------------------------- time


def test_a_ticket_is_held_until_its_claims_are_answered():
    """Held from acceptance; final with the answer."""
    shop = shop_of(gives())
    shop.sleep()
    shop.place(order(line(6000)))
    assert (shop.ticket("A").state, shop.told("A").outcome) == ("held", "waiting")
    shop.wake(PLACED + SECOND)
    assert (shop.ticket("A").state, carried(shop.ticket("A"))[1]) == ("final", {"week/tin": 1})


def test_gift_to_follow_after_30_s_then_an_edition_with_the_gift():
    """Rule 10: a paid order never waits for a gift for ever; the tick decides, and a later edition adds the gift."""
    shop = shop_of(gives())
    shop.sleep()
    shop.place(order(line(6000)))
    shop.tick(PLACED + 29 * SECOND)
    assert shop.ticket("A").state == "held"
    shop.tick(PLACED + 30 * SECOND)
    follows = shop.ticket("A")
    assert (follows.state, carried(follows)) == ("gift_to_follow", ({1: 1}, {}))
    shop.wake(PLACED + 45 * SECOND)
    final = shop.ticket("A")
    assert (final.state, carried(final)) == ("final", ({1: 1}, {"week/tin": 1}))
    assert final.edition > follows.edition


def test_a_tick_is_idle_once_it_has_been_heard():
    """The second tick writes nothing, and a new revision waits anew."""
    shop = shop_of(EACH)
    shop.sleep()
    shop.place(order(line(3000)))
    shop.tick(PLACED + 40 * SECOND)
    entries = len(shop.entries["desk"])
    shop.tick(PLACED + 41 * SECOND)
    assert len(shop.entries["desk"]) == entries
    shop.amend("A", line(4000), at=PLACED + 50 * SECOND)
    assert shop.ticket("A").state == "held"
    shop.tick(PLACED + 79 * SECOND)
    assert shop.ticket("A").state == "held"
    shop.tick(PLACED + 80 * SECOND)
    assert shop.ticket("A").state == "gift_to_follow"


@pytest.mark.parametrize("step", ["decided", "logged", "said", "acknowledged"])
def test_a_desk_that_dies_over_a_tick_still_says_gift_to_follow(step):
    """Rule 10 and S9: the tick comes again after the kill, or a later one says what that one could not."""
    network = Network(Book([read_campaign(document(gives()))]), PLACED)
    one = order(line(6000))
    network.send("desk", Message(one, digest(one)))
    network.deliver("desk", 0)
    network.send("desk", Message(Tick("t-30", PLACED + 30 * SECOND)))
    network.deliver("desk", 0, crash_after=step)
    network.send("desk", Message(Tick("t-90", PLACED + 90 * SECOND)))
    while network.bags["desk"]:
        network.deliver("desk", 0)
    said = [o.body.state for o in network.said["pick-tickets", "A/main/1"]]
    assert said[-1] == "gift_to_follow"


def test_claims_that_stay_unanswered_are_said_again_at_growing_intervals():
    """A host may die before it says them: after 30 s, then 60, 120, 240 s more; never more than the one claim."""
    shop = shop_of(gives())
    shop.sleep()
    shop.place(order(line(6000)))
    said = []
    for seconds in range(1, 451):
        before = len(shop.ledger.waiting)
        shop.take("desk", Tick(f"t-{seconds}", PLACED + seconds * SECOND), PLACED + seconds * SECOND)
        said += [seconds] * (len(shop.ledger.waiting) - before)
    assert said == [30, 90, 210, 450]
    shop.wake(PLACED + 451 * SECOND)
    assert carried(shop.ticket("A"))[1] == {"week/tin": 1}
    assert shop.balance().reserved == 1


def test_an_owed_gift_follows_too():
    """Owed is an answer: the ticket goes out as gift to follow at once, with a notice that closes when it is served."""
    shop = shop_of(gives(when_out="owed"), stock=0)
    shop.place(order(line(6000)))
    assert (shop.ticket("A").state, shop.amounts("A")) == ("gift_to_follow", {"owed_gift/week/tin": 1})
    assert "to follow when stock comes in" in shop.told("A").sentence
    shop.receive("week/tin", "TIN", 1, at=PLACED + DAY)
    assert (shop.ticket("A").state, carried(shop.ticket("A"))[1]) == ("final", {"week/tin": 1})
    assert shop.notices("A")["owed_gift/week/tin"].amount == 0


def test_a_hold_keeps_the_ticket_held():
    """Rule 2.26 (common practice, no source): reserved and not released, whatever the ledger and the clock say."""
    shop = shop_of(gives())
    shop.place(order(line(6000), hold="fraud"))
    assert (shop.ticket("A").state, shop.ticket("A").hold) == ("held", "fraud")
    assert shop.balance().reserved == 1
    shop.tick(PLACED + DAY)
    assert shop.ticket("A").state == "held"
    shop.amend("A", at=PLACED + DAY, hold=None)
    assert (shop.ticket("A").state, carried(shop.ticket("A"))[1]) == ("final", {"week/tin": 1})


# ---------------------------------------------------------------- released and packed


def test_a_released_ticket_is_frozen():
    """Rule 2.16 (common practice, no source): what is on the paper stays; what is added has a second ticket."""
    shop = shop_of(EACH)
    shop.place(order(line(2000)))
    paper = shop.ticket("A")
    shop.released("A/main/1")
    shop.amend("A", line(2000), line(1000), at=PLACED + MINUTE)
    assert shop.ticket("A") == paper
    assert carried(shop.ticket("A", number=2)) == ({2: 1}, {"week/tin": 1})
    balance = shop.balance()
    assert (balance.reserved, balance.released) == (1, 2)


def test_nothing_is_granted_twice_after_release():
    """Rule 2.16 (common practice, no source): the second ticket has a gift only if none was granted before."""
    shop = shop_of(gives())
    shop.place(order(line(6000)))
    shop.released("A/main/1")
    shop.amend("A", line(6000), line(6000), at=PLACED + MINUTE)
    assert carried(shop.ticket("A", number=2)) == ({2: 1}, {})


def test_what_is_removed_after_release_stays_on_the_paper():
    """Rule 2.16 (common practice, no source): the order keeps its released gift until the warehouse says otherwise."""
    shop = shop_of(gives())
    shop.place(order(line(6000)))
    shop.released("A/main/1")
    shop.amend("A", line(100), at=PLACED + MINUTE)
    assert carried(shop.ticket("A")) == ({1: 1}, {"week/tin": 1})
    assert shop.got("A") == ("granted", 1, "TIN", Reason.NOT_WANTED)
    assert (shop.balance().released, shop.balance().free) == (1, 8)


def test_a_cancelled_order_keeps_what_is_on_the_floor():
    """Rule 2.17 (common practice, no source): available does not rise until the warehouse puts it back."""
    shop = shop_of(gives())
    shop.place(order(line(6000)))
    shop.released("A/main/1")
    shop.cancel("A", at=PLACED + MINUTE)
    assert (shop.balance().released, shop.balance().free) == (1, 8)
    assert all(t.state == "void" for name, t in shop.tickets("A").items() if name != "A/main/1")


def test_a_grant_that_comes_after_the_release_goes_on_a_second_ticket():
    """Rule 10: the first left without its gift; the second of that site carries the gift alone."""
    shop = shop_of(gives())
    shop.sleep()
    shop.place(order(line(6000)))
    shop.tick(PLACED + 30 * SECOND)
    shop.released("A/main/1", at=PLACED + 40 * SECOND)
    shop.wake(PLACED + 60 * SECOND)
    assert carried(shop.ticket("A")) == ({1: 1}, {})
    second = shop.ticket("A", number=2)
    assert (second.state, carried(second)) == ("final", ({}, {"week/tin": 1}))
    shop.packed("A/main/1", at=PLACED + 70 * SECOND)
    assert (shop.balance().reserved, shop.balance().packed) == (1, 0)
    shop.packed("A/main/2", at=PLACED + 80 * SECOND)
    assert (shop.balance().reserved, shop.balance().packed) == (0, 1)


def test_an_owed_gift_that_comes_after_the_release_goes_on_a_second_ticket():
    """The same for a receipt that serves an order whose ticket is gone."""
    shop = shop_of(gives(when_out="owed"), stock=0)
    shop.place(order(line(6000)))
    shop.released("A/main/1")
    shop.packed("A/main/1")
    shop.receive("week/tin", "TIN", 1, at=PLACED + DAY)
    assert carried(shop.ticket("A", number=2)) == ({}, {"week/tin": 1})


def test_a_release_of_an_older_edition_carries_what_that_edition_carried():
    """The paper was printed before the gift was on it, so the gift goes on a second ticket."""
    shop = shop_of(gives())
    shop.sleep()
    shop.place(order(line(6000)))
    printed = shop.ticket("A").edition
    shop.wake(PLACED + SECOND)
    shop.released("A/main/1", edition=printed)
    assert carried(shop.ticket("A", number=2)) == ({}, {"week/tin": 1})
    assert (shop.balance().reserved, shop.balance().released) == (1, 0)


def test_packed_before_released():
    """Events come in any order: the same accounts and tickets at the end, and nothing is packed twice."""
    shop = shop_of(gives())
    shop.place(order(line(6000)))
    shop.packed("A/main/1")
    assert shop.released("A/main/1", at=PLACED + MINUTE).result == "applied"
    balance = shop.balance()
    assert (balance.free, balance.reserved, balance.released, balance.packed) == (8, 0, 0, 1)
    assert list(shop.tickets("A")) == ["A/main/1"]
    assert shop.amounts("A") == {}


def test_packed_without_cover_takes_free_stock_then_the_over_gift_account():
    """Three are packed where one is on the paper and one more is free: the notice says two too many."""
    shop = shop_of(gives(), stock=2)
    shop.place(order(line(6000)))
    shop.packed("A/main/1", event="w1", lines=[handled_line(1), handled_gift(3)])
    balance = shop.balance()
    assert (balance.free, balance.reserved, balance.packed, balance.over_gift) == (0, 0, 3, 1)
    assert [(n.kind, n.amount) for n in shop.notices("A").values()] == [("over_gift", 2)]
    assert shop.state("A").frozen[0].gifts == {"week/tin": 1}


def test_a_gift_packed_from_an_older_paper_has_left_the_shelf():
    """S1: amended below the threshold while the warehouse packed the old edition: free stock, and a notice."""
    shop = shop_of(gives())
    shop.place(order(line(6000)))
    shop.amend("A", line(100), at=PLACED + SECOND)
    shop.packed("A/main/1", event="w1", edition=2, lines=[handled_line(1), handled_gift(1)])
    assert (shop.balance().free, shop.balance().packed) == (8, 1)
    assert shop.amounts("A") == {"over_gift/w1": 1}


def test_a_gift_packed_for_an_order_that_was_declined_is_an_over_gift():
    """S1: never refused; there is no free stock, so it comes from the over-gift account, with a notice."""
    shop = shop_of(gives(), stock=0)
    shop.place(order(line(6000)))
    shop.packed("A/main/1", event="w1", lines=[handled_line(1), handled_gift(1)])
    assert (shop.balance().packed, shop.balance().over_gift) == (1, 1)
    assert shop.amounts("A") == {"over_gift/w1": 1}


def test_a_gift_packed_for_an_order_that_never_claimed_it_is_an_over_gift():
    """S1: rule 2.30 (common practice, no source) makes a gift to one who doesn't qualify a matter of compliance."""
    shop = shop_of(gives())
    shop.place(order(line(100)))
    shop.packed("A/main/1", event="w1", lines=[handled_line(1), handled_gift(1)])
    assert (shop.balance().free, shop.balance().packed) == (8, 1)
    assert shop.amounts("A") == {"over_gift/w1": 1}


def test_a_repeated_fact_changes_nothing_and_another_of_its_id_is_a_conflict():
    """Warehouse events have ids of their own."""
    shop = shop_of(gives())
    shop.place(order(line(6000)))
    shop.packed("A/main/1", event="w1")
    assert shop.packed("A/main/1", event="w1").result == "repeat"
    assert shop.packed("A/main/1", event="w1", reason="other").result == "conflict"
    assert shop.balance().packed == 1


def test_a_gift_packed_again_by_a_second_event_is_an_over_gift():
    """S1: another event names the gift that is packed already, so a second unit left the shelf: a notice says so."""
    shop = shop_of(gives())
    shop.place(order(line(6000)))
    shop.packed("A/main/1", event="w1", lines=[handled_line(1), handled_gift(1)])
    shop.packed("A/main/1", event="w2", lines=[handled_gift(1)])
    assert (shop.balance().free, shop.balance().packed) == (7, 2)
    assert shop.amounts("A") == {"over_gift/w2": 1}


def test_a_ticket_packed_in_two_parts():
    """The goods in one event, the rest of the ticket in the next: the gift is packed once."""
    shop = shop_of(gives())
    shop.place(order(line(6000)))
    shop.released("A/main/1")
    shop.packed("A/main/1", event="w1", lines=[handled_line(1)])
    shop.packed("A/main/1", event="w2")
    shop.packed("A/main/1", event="w3")
    balance = shop.balance()
    assert (balance.free, balance.reserved, balance.released, balance.packed) == (8, 0, 0, 1)
    assert shop.amounts("A") == {}


@pytest.mark.parametrize(("ticket", "code"), [("B/main/1", "unknown_order"), ("A/main/2", "unknown_ticket")])
def test_a_fact_on_what_the_desk_never_said_is_rejected(ticket, code):
    """With one clear sentence that names it."""
    shop = shop_of(gives())
    shop.place(order(line(6000)))
    verdict = shop.packed(ticket)
    assert (verdict.result, verdict.problem.code) == ("rejected", code)
    assert ticket.partition("/")[0] in verdict.problem.sentence


def test_a_ticket_that_was_never_opened_is_unknown():
    """The first was released and nothing is left for a second: a fact on it would freeze lines that nobody printed."""
    shop = shop_of(gives())
    shop.place(order(line(6000)))
    shop.released("A/main/1")
    verdict = shop.packed("A/main/2", lines=[handled_line(5)])
    assert (verdict.result, verdict.problem.code) == ("rejected", "unknown_ticket")
    shop.amend("A", line(18000, units=3))
    assert carried(shop.ticket("A", number=2))[0] == {1: 2}


def test_units_added_to_a_released_line_are_all_that_the_second_ticket_asks_for():
    """S7: one is on the floor and three are wanted, so two are to be picked."""
    shop = shop_of(gives())
    shop.place(order(line(1000)))
    shop.released("A/main/1")
    shop.amend("A", line(3000, 3), at=PLACED + MINUTE)
    assert carried(shop.ticket("A", number=2)) == ({1: 2}, {})


def test_a_line_on_an_earlier_ticket_is_not_released_again_by_a_later_one():
    """S7: two tickets are on the floor with a line each; a unit more of the first line has a third ticket."""
    shop = shop_of(gives())
    shop.place(order(line(1000)))
    shop.released("A/main/1")
    shop.amend("A", line(1000), line(500), at=PLACED + MINUTE)
    shop.released("A/main/2")
    shop.amend("A", line(2000, 2), line(500), at=PLACED + 2 * MINUTE)
    third = shop.tickets("A").get("A/main/3")
    assert third is not None
    assert carried(third) == ({1: 1}, {})


def test_lines_that_were_not_released_stay_on_a_ticket():
    """The warehouse released one line of two: the other is on the second ticket."""
    shop = shop_of(gives())
    shop.place(order(line(1000), line(500)))
    shop.released("A/main/1", lines=[handled_line(1, 1)])
    assert carried(shop.ticket("A", number=2)) == ({2: 1}, {})


# ---------------------------------------------------------------- substitutes, benefits, cautions


def test_a_substitute_is_said_on_the_ticket():
    """Out of the announced gift: the line carries the other one, marked, with its own value and title."""
    shop = shop_of(gives(otherwise=["PAD"]), stock=0)
    shop.receive("week/tin", "PAD", 1)
    shop.place(order(line(6000)))
    (given,) = shop.ticket("A").gift_lines
    assert (given.gift, given.title, given.substitute) == ("PAD", "Pad", True)


def test_a_benefit_without_a_cap_is_the_desks():
    """Free shipping over 80: decided at once, on the ticket, and the ledger is not asked."""
    shop = shop_of(FREE_OVER_80)
    shop.place(order(line(8001)), order(line(8000), order="B"))
    assert (shop.ticket("A").benefits, shop.ticket("A").state) == (["free_shipping"], "final")
    assert shop.ticket("B").benefits == []
    assert [stage for stage, *_ in shop.handled] == ["desk", "desk"]


def test_a_capped_benefit_is_claimed():
    """The first has it; the second has not, until the first is cancelled and the third comes."""
    shop = shop_of({**FREE_OVER_80, "caps": {"total": 1}})
    shop.place(order(line(9000)), order(line(9000), order="B"))
    assert [shop.ticket(n).benefits for n in "AB"] == [["free_shipping"], []]
    assert shop.got("B", "week/ships") == ("declined", 0, None, Reason.CAMPAIGN_CAP)
    shop.cancel("A", at=PLACED + MINUTE)
    shop.place(order(line(9000), order="C", placed_at=PLACED + 2 * MINUTE))
    assert [shop.ticket(n).benefits for n in "ABC"] == [[], [], ["free_shipping"]]


def test_ex41_two_benefits_of_one_rule_fail_independently():
    """Ex-41 (common practice, no source): 80.00 has neither; at 80.01 the tin is out and free shipping stays."""
    shop = shop_of(FREE_OVER_80, gives(over=8000), stock=0)
    shop.place(order(line(8000)), order(line(8001), order="B"))
    assert [shop.ticket(n).benefits for n in "AB"] == [[], ["free_shipping"]]
    assert shop.got("B") == ("declined", 0, None, Reason.NO_STOCK)


@pytest.mark.parametrize("missing", ["dangerous_goods", "age", "food"])
def test_an_unanswered_caution_blocks_the_gift_with_a_notice(missing):
    """Rule 2.33 (common practice, no source): unknown is blocked, not allowed; nothing is claimed."""
    answers = {"dangerous_goods": "none", "age": "none", "food": "none"}
    del answers[missing]
    shop = shop_of(gives(), cautions={"TIN": answers})
    shop.place(order(line(6000)))
    assert shop.ticket("A").gift_lines == []
    assert shop.outcome("A") is None
    assert shop.told("A").reason == Reason.CAUTION
    (notice,) = shop.notices("A").values()
    assert (notice.kind, notice.amount, notice.offer) == ("blocked_by_caution", 1, "week/tin")
    assert missing.replace("_", " ") in notice.sentence


def test_a_blocked_offer_gives_way_in_its_group():
    """The best-ranked gift is blocked: the next is claimed at once."""
    shop = shop_of(*GROUP[:2], cautions={"G1": {}})
    shop.place(order(line(6000)))
    assert carried(shop.ticket("A"))[1] == {"week/second": 1}


def test_a_substitute_for_a_blocked_gift_is_said_as_one():
    """The announced gift is blocked and the other is sent: the ticket and the sentence say so."""
    shop = shop_of(gives(otherwise=["PAD"]), cautions={"TIN": {}})
    shop.receive("week/tin", "PAD", 1)
    shop.place(order(line(6000)))
    (given,) = shop.ticket("A").gift_lines
    assert (given.gift, given.substitute) == ("PAD", True)


# ---------------------------------------------------------------- near misses


def test_a_near_miss_closes_with_amount_0_on_the_next_revision():
    """3.10 short, then enough: the same id at the newer revision, amount 0; and open again when it is short again."""
    shop = shop_of(gives())
    shop.place(order(line(4690)))
    opened = shop.notices("A")["near_miss/week/tin"]
    assert (opened.amount, opened.revision, opened.id) == (310, 1, "A/near_miss/week/tin")
    assert "3.10 EUR short" in opened.sentence
    shop.amend("A", line(5000), at=PLACED + MINUTE)
    closed = shop.notices("A")["near_miss/week/tin"]
    assert (closed.amount, closed.revision, closed.id) == (0, 2, opened.id)
    shop.amend("A", line(4900), at=PLACED + 2 * MINUTE)
    assert shop.amounts("A") == {"near_miss/week/tin": 100}


def test_a_near_miss_of_a_cancelled_order_closes():
    """Nobody is to be told to add 3.10 to an order that is gone."""
    shop = shop_of(gives())
    shop.place(order(line(4690)))
    shop.cancel("A", at=PLACED + MINUTE)
    assert shop.amounts("A") == {}


# ---------------------------------------------------------------- what one duplicate can cause


BUSY = [gives(f"o{n}", f"G{n}", at_least=1000 * n) for n in range(1, 6)]


@pytest.mark.parametrize("asleep", [False, True])
def test_a_repeated_order_causes_a_bounded_number_of_messages(asleep):
    """A claim is said only while it is unanswered: at most one a claim and its two answers' walk, then none."""
    shop = shop_of(*BUSY)
    if asleep:
        shop.sleep()
    one = order(line(5000))
    shop.place(one)
    before = len(shop.handled)
    assert shop.place(one).result == "repeat"
    assert shop.caused(before) == (1 + len(BUSY) if asleep else 1)
    before = len(shop.handled)
    shop.wake(PLACED + SECOND)
    # The five claims and their five repeats, each with its answer: none of the answers says a claim again.
    assert shop.caused(before) == (4 * len(BUSY) if asleep else 0)
    entries = [e for e in shop.entries["ledger"] if e.kind == "settled"]
    assert len(entries) == len(BUSY)


def test_a_repeated_fact_causes_at_most_a_command_for_each_gift():
    """Each of them a repeat for the ledger, which says nothing to the desk."""
    shop = shop_of(*BUSY)
    shop.place(order(line(5000)))
    shop.packed("A/main/1")
    before = len(shop.handled)
    shop.packed("A/main/1")
    assert shop.caused(before) == 1 + len(BUSY)
    assert {verdict.result for *_, verdict in shop.handled[before:]} == {"repeat"}


def test_a_repeated_claim_causes_one_answer():
    """And that one is a repeat for the desk, which says the ticket and the notices once more."""
    shop = shop_of(*BUSY)
    shop.place(order(line(5000)))
    before, said = len(shop.handled), len(shop.said)
    shop.take("ledger", shop.claim("A", "week/o1").claim, PLACED + SECOND)
    assert [(stage, verdict.result) for stage, _, verdict in shop.handled[before:]] == [
        ("ledger", "repeat"),
        ("desk", "repeat"),
    ]
    assert {o.channel for o in shop.said[said:]} <= {"pick-tickets", "notices", "offer-levels"}
    assert len(shop.said) - said <= 4


# ---------------------------------------------------------------- the paper and an amendment that crosses it


def test_a_line_added_after_printing_is_on_the_second_ticket():
    """S7: the release names the edition on the paper, and what that edition did not carry is still to be picked."""
    shop = shop_of(gives())
    shop.place(order(line(6000)))
    printed = shop.ticket("A").edition
    shop.amend("A", line(6000), line(500))
    shop.released("A/main/1", edition=printed)
    assert carried(shop.ticket("A"))[0] == {1: 1}
    assert carried(shop.ticket("A", number=2)) == ({2: 1}, {})


def test_a_raise_after_printing_rides_alone():
    """S7 and S8: one unit was on the paper, the second is on the second ticket, and none is on both."""
    shop = shop_of(gives(at_least=4000, for_each=True))
    shop.place(order(line(4000)))
    printed = shop.ticket("A").edition
    shop.amend("A", line(8000))
    shop.released("A/main/1", edition=printed)
    assert [carried(shop.ticket("A", number=n))[1] for n in (1, 2)] == [{"week/tin": 1}, {"week/tin": 1}]
    assert (shop.balance().released, shop.balance().reserved) == (1, 1)


def test_a_gift_that_went_out_after_it_was_withdrawn_is_told():
    """The paper carried a gift that the order no longer holds: it is packed, counted, and a person hears of it."""
    shop = shop_of(gives())
    shop.place(order(line(6000)))
    printed = shop.ticket("A").edition
    shop.amend("A", line(100))
    shop.packed("A/main/1", edition=printed, event="w1")
    assert shop.balance().packed == 1
    assert shop.amounts("A") == {"over_gift/w1": 1}


def test_a_void_paper_freezes_nothing():
    """A cancelled order has nothing to pick; should it come back to life, all of it is on a ticket again."""
    shop = shop_of(gives())
    shop.place(order(line(6000)))
    shop.cancel("A")
    shop.released("A/main/1")
    shop.amend("A", status="amended")
    assert carried(shop.ticket("A", number=2)) == ({1: 1}, {"week/tin": 1})


def test_a_group_falls_through_to_a_benefit():
    """The gift is out and the next of the group ships free: a benefit on standby is a claim like any other."""
    benefit = {**gives(offer="ships"), "gives": {"benefit": "free_shipping"}, "group": "g", "rank": 2}
    benefit.pop("when_out", None)
    shop = shop_of({**gives(), "group": "g", "rank": 1, "when_out": "next"}, benefit, stock=0)
    shop.place(order(line(6000)))
    assert shop.ticket("A").benefits == ["free_shipping"]


def test_a_repeated_order_says_the_paper_that_a_dead_host_did_not():
    """S9: the host dies after logging revision 2 and again after logging the release; the repeats say what was lost."""
    network = Network(Book([read_campaign(document(gives()))]), PLACED)
    one = order(line(500))
    two = amended(one, line(500), line(300))
    network.send("desk", Message(one, digest(one)))
    network.deliver("desk", 0)
    network.send("desk", Message(two, digest(two)))
    network.deliver("desk", 0, crash_after="logged")
    fact = Fulfilment("w", "A", "A/main/1", "released", PLACED)
    network.send("desk", Message(fact, digest(fact)))
    network.deliver("desk", 1, crash_after="logged")
    network.deliver("desk", 0)
    assert len(network.said["pick-tickets", "A/main/1"][-1].body.lines) == 2
