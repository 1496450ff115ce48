"""What the warehouse says of papers that the order has moved on from: another gift, another site, none at all.

Through both stages, as in a shop. The rules (2.15 - 2.18, 2.24) are common practice of the trade, no source.
"""

from datetime import timedelta

import pytest

from makeweight.adapters.local.memory import MemoryStore
from makeweight.contracts.campaigns import read_campaign
from makeweight.domain.book import Book
from makeweight.domain.claims import Receipt, Tick
from makeweight.domain.entries import Lapsed
from makeweight.domain.orders import Fulfilment
from makeweight.domain.values import replaced
from makeweight.stages.desk import Desk
from makeweight.stages.desk.standing import standing
from makeweight.stages.desk.state import ORDERS
from makeweight.stages.desk.tickets import tickets
from makeweight.stages.ledger.state import BALANCES
from makeweight.stages.port import Message, View
from tests.support.build import PLACED, line, order
from tests.support.nodes import Network
from tests.support.physical import gone, untrue
from tests.support.shop import Shop, amended, document, gives, handled_gift, handled_line
from tests.support.transitions import Watch

MINUTE = timedelta(minutes=1)
TIN = "week/tin"


def shop_of(*offers, stock=9, sites=("main",), gifts=("TIN",), **members):
    """A shop with stock of the offer's gifts at some sites."""
    asked = document(*(offers or (gives(),)), **members)
    return Shop([asked], {(TIN, gift, site): stock for gift in gifts for site in sites} if stock else None)


def taken_off(ticket):
    """What a ticket asks to be taken off it: by line number or offer, with the gift."""
    return {(x.offer or x.line, x.gift): x.units for x in ticket.take_off}


def on_tickets(shop, order_id="A"):
    """Gift units on the tickets that are not void, less what is to be taken off: (ticket, gift, units)."""
    found = []
    for name, ticket in shop.tickets(order_id).items():
        if ticket.state != "void":
            off = {x.offer: x.units for x in ticket.take_off}
            found += [(name, g.gift, g.units - off.get(g.offer, 0)) for g in ticket.gift_lines]
    return [one for one in found if one[2]]


# ---------------------------------------------------------------- another gift or site since the paper was printed


def test_a_paper_names_the_gift_that_was_printed_on_it():
    """The customer's choice crossed the print: the floor has a TIN, is asked for it, and the PAD is on a new ticket."""
    shop = shop_of(gives(choice=["TIN", "PAD"]), gifts=("TIN", "PAD"))
    shop.place(order(line(6000)))
    printed = shop.ticket("A").edition
    shop.amend("A", chosen_gift="PAD", at=PLACED + MINUTE)
    shop.released("A/main/1", edition=printed, at=PLACED + 2 * MINUTE)
    paper = shop.ticket("A")
    assert [g.gift for g in paper.gift_lines] == ["TIN"]
    assert taken_off(paper) == {(TIN, "TIN"): 1}
    assert on_tickets(shop) == [("A/main/2", "PAD", 1)]
    shop.packed("A/main/2", at=PLACED + 3 * MINUTE)
    assert (shop.balance(gift="PAD").packed, shop.balance(gift="PAD").reserved) == (1, 0)
    assert shop.balance(gift="TIN").packed == 0


def test_a_swap_of_the_gift_is_another_content_of_the_paper():
    """Same units, another gift: an old paper carries the old one, a new paper the new one."""
    shop = shop_of(gives(choice=["TIN", "PAD"]), gifts=("TIN", "PAD"))
    shop.place(order(line(6000)))
    shop.amend("A", chosen_gift="PAD", at=PLACED + MINUTE)
    shop.released("A/main/1", edition=shop.ticket("A").edition, at=PLACED + 2 * MINUTE)
    assert on_tickets(shop) == [("A/main/1", "PAD", 1)]
    assert (shop.balance(gift="PAD").released, shop.amounts("A")) == (1, {})


def test_a_gift_that_moved_to_another_site_is_on_a_ticket_there():
    """All goods moved to S while main's old paper was printed: the grant is at S, and S is told to pick it."""
    shop = shop_of(sites=("main", "S"))
    shop.place(order(line(6000)))
    printed = shop.ticket("A").edition
    shop.amend("A", line(6000, site="S"), at=PLACED + MINUTE)
    shop.released("A/main/1", edition=printed, at=PLACED + 2 * MINUTE)
    assert on_tickets(shop) == [("A/S/1", "TIN", 1)]
    assert taken_off(shop.ticket("A"))[TIN, "TIN"] == 1
    shop.packed("A/S/1", at=PLACED + 3 * MINUTE)
    assert (shop.balance(site="S").packed, shop.balance(site="S").reserved) == (1, 0)


def test_a_gift_that_went_out_in_the_place_of_another_is_told():
    """The ledger gave the PAD before it heard that the TIN was on the floor; the TIN goes all the same."""
    shop = shop_of(gives(choice=["TIN", "PAD"]), gifts=("TIN", "PAD"))
    shop.place(order(line(6000)))
    shop.sleep()
    shop.amend("A", chosen_gift="PAD", at=PLACED + MINUTE)
    shop.released("A/main/1", at=PLACED + 2 * MINUTE)
    shop.wake(PLACED + 3 * MINUTE)
    assert on_tickets(shop) == [("A/main/2", "PAD", 1)]
    shop.packed("A/main/1", at=PLACED + 4 * MINUTE)
    assert shop.amounts("A") == {"over_gift/kept/week/tin": 1}


# ---------------------------------------------------------------- over-gifts are levels


def test_an_over_gift_is_told_as_long_as_it_is_one():
    """The old paper's gift is put back, or wanted again after all: nothing goes out that the order does not hold."""
    for again in (False, True):
        shop = shop_of()
        shop.place(order(line(6000)))
        printed = shop.ticket("A").edition
        shop.amend("A", line(4000), at=PLACED + MINUTE)
        shop.released("A/main/1", edition=printed, event="w1", at=PLACED + 2 * MINUTE)
        assert shop.amounts("A") == {"over_gift/w1": 1, "intercept/A/main/1": 1}
        if again:
            shop.amend("A", line(6000), at=PLACED + 3 * MINUTE)
        else:
            shop.put_back("A/main/1", at=PLACED + 3 * MINUTE)
        assert shop.amounts("A") == {}


def test_what_was_packed_beyond_the_paper_and_came_back_is_no_over_gift():
    """Two were packed where one was on the paper: both come back, one by one, and each is counted."""
    shop = shop_of(gives(clawback="deduct"))
    shop.place(order(line(4500), line(1500)))
    shop.packed("A/main/1", event="w1", lines=[handled_line(1), handled_line(1, 2), handled_gift(2)])
    assert (shop.balance().free, shop.amounts("A")) == (7, {"over_gift/w1": 1})
    shop.amend("A", line(4500), line(1500, returned_units=1), at=PLACED + MINUTE)
    shop.gift_returned("A/main/1", event="w2", lines=[replaced(handled_gift(1), condition="saleable")])
    assert shop.balance().free == 8
    assert shop.amounts("A")["clawback_advice/week/tin"] == 600  # one is with the customer still
    shop.gift_returned("A/main/1", event="w3", lines=[replaced(handled_gift(1), condition="saleable")])
    assert (shop.balance().free, shop.balance().packed, shop.balance().restocked) == (9, 2, 2)
    assert (shop.amounts("A"), shop.state("A").frozen[0].done) == ({}, {TIN: 0})


def test_an_intercept_closes_when_the_group_comes_back_to_the_gift_on_the_floor():
    """The first of the group is out of stock, so the second is claimed again, whose gift an old paper carries."""
    first = gives("first", "PAD", at_least=9000, group="g", rank=1, when_out="next")
    shop = shop_of(first, gives(group="g", rank=2))
    shop.place(order(line(6000)))
    printed = shop.ticket("A").edition
    shop.amend("A", line(100), at=PLACED + MINUTE)
    shop.released("A/main/1", edition=printed, at=PLACED + 2 * MINUTE)
    assert "intercept/A/main/1" in shop.amounts("A")
    shop.amend("A", line(9900), at=PLACED + 3 * MINUTE)
    assert (taken_off(shop.ticket("A")), shop.amounts("A")) == ({}, {})
    assert shop.got("A")[0] == "granted"


def test_units_beyond_the_paper_are_told_beside_those_that_the_order_does_not_hold():
    """Two are packed from an old paper with one, which the order holds no more: both are too many."""
    shop = shop_of()
    shop.place(order(line(6000)))
    printed = shop.ticket("A").edition
    shop.amend("A", line(100), at=PLACED + MINUTE)
    shop.packed("A/main/1", event="w1", edition=printed, lines=[handled_line(1), handled_gift(2)])
    assert (shop.balance().free, shop.amounts("A")) == (7, {"over_gift/w1": 2})


# ---------------------------------------------------------------- what is put back was on the floor


def test_what_the_ledger_never_left_the_shelf_of_is_not_put_back_on_it():
    """S1: the ledger freed the gift before its old paper was released; back on the shelf it is no second unit."""
    shop = shop_of()
    shop.place(order(line(6000)))
    printed = shop.ticket("A").edition
    shop.amend("A", line(4000), at=PLACED + MINUTE)
    shop.released("A/main/1", edition=printed, at=PLACED + 2 * MINUTE)
    assert shop.balance().free == 9
    shop.put_back("A/main/1", at=PLACED + 3 * MINUTE)
    assert (shop.balance().free, shop.balance().restocked) == (9, 0)


def test_a_put_back_from_an_old_paper_that_nobody_released():
    """S1: as above, with one fact instead of two."""
    shop = shop_of()
    shop.place(order(line(6000)))
    printed = shop.ticket("A").edition
    shop.amend("A", line(4000), at=PLACED + MINUTE)
    shop.put_back("A/main/1", edition=printed, at=PLACED + 3 * MINUTE)
    assert (shop.balance().free, shop.balance().restocked, shop.amounts("A")) == (9, 0, {})


def test_what_the_ledger_freed_before_it_heard_of_the_release_is_not_put_back_twice():
    """S1: amended while the ledger was away, then released: it hears of both, and frees what is on the floor."""
    shop = shop_of()
    shop.place(order(line(6000)))
    shop.sleep()
    shop.amend("A", line(4000), at=PLACED + MINUTE)
    shop.released("A/main/1", at=PLACED + 2 * MINUTE)
    shop.wake(PLACED + 3 * MINUTE)
    assert taken_off(shop.ticket("A")) == {(TIN, "TIN"): 1}
    shop.put_back("A/main/1", at=PLACED + 4 * MINUTE, lines=[handled_gift(1)])
    assert (shop.balance().free, shop.balance().restocked, shop.amounts("A")) == (9, 0, {})


def test_of_two_on_the_floor_the_one_that_is_not_the_order_s_is_put_back():
    """Two on the old paper, one is held: the put-back that was asked for takes nothing from the order."""
    shop = shop_of(gives(at_least=2000, for_each=True))
    shop.place(order(line(4000)))
    printed = shop.ticket("A").edition
    shop.amend("A", line(2000), at=PLACED + MINUTE)
    shop.released("A/main/1", edition=printed, at=PLACED + 2 * MINUTE)
    shop.put_back("A/main/1", at=PLACED + 3 * MINUTE, lines=[handled_gift(1)])
    assert (shop.balance().released, shop.balance().free, shop.amounts("A")) == (1, 8, {})
    assert shop.outcome("A").edition == 1
    shop.put_back("A/main/1", event="all", at=PLACED + 4 * MINUTE)
    assert (shop.balance().reserved, shop.balance().released, shop.balance().free) == (1, 0, 8)
    assert on_tickets(shop) == [("A/main/2", "TIN", 1)]


def lies(shop, site="main"):
    """TINs that physically lie at a site after 9 came in, by what the warehouse said; the books must say the same."""
    assert untrue(shop.desk.values(ORDERS).values(), shop.books.values(BALANCES).values()) == {}
    balance = shop.balance(site=site)
    there = balance.free + balance.reserved + balance.released + balance.quarantine
    assert there == 9 - gone(shop.desk.values(ORDERS).values())[TIN, site]
    return there


def test_a_release_that_is_undone_before_the_answer_brings_no_unit():
    """S1: the ledger freed the gift, then heard that an old paper of it went to the floor, and that it was put back."""
    shop = shop_of()
    shop.place(order(line(6000)))
    shop.sleep()
    shop.amend("A", line(4000), at=PLACED + MINUTE)
    shop.released("A/main/1", at=PLACED + 2 * MINUTE)
    shop.put_back("A/main/1", at=PLACED + 3 * MINUTE)
    shop.wake(PLACED + 4 * MINUTE)
    assert lies(shop) == 9
    assert (shop.balance().free, shop.balance().restocked) == (9, 0)


def test_a_packed_gift_stays_out_while_another_paper_of_its_order_is_undone():
    """S1: as above, and the order's first ticket has gone out: what is put back is not what is in that parcel."""
    shop = shop_of(gives(at_least=2000, for_each=True))
    shop.place(order(line(2000)))
    shop.packed("A/main/1")
    shop.amend("A", line(2000), line(2000), at=PLACED + MINUTE)
    assert on_tickets(shop)[-1] == ("A/main/2", "TIN", 1)
    shop.sleep()
    shop.amend("A", line(2000), line(2000, cancelled_units=1), at=PLACED + 2 * MINUTE)
    shop.released("A/main/2", at=PLACED + 3 * MINUTE)
    shop.put_back("A/main/2", at=PLACED + 4 * MINUTE)
    shop.wake(PLACED + 5 * MINUTE)
    assert lies(shop) == 8
    assert (shop.balance().free, shop.balance().packed, shop.claim("A").packed) == (8, 1, 1)


def test_what_went_out_of_free_stock_and_is_put_back_is_there_again():
    """S1: the ledger had freed the gift, and it was packed all the same; taken out of its box it is a unit again."""
    shop = shop_of()
    shop.place(order(line(6000)))
    shop.sleep()
    shop.amend("A", line(4000), at=PLACED + MINUTE)
    shop.packed("A/main/1", at=PLACED + 2 * MINUTE)
    shop.wake(PLACED + 3 * MINUTE)
    assert lies(shop) == 8
    shop.put_back("A/main/1", at=PLACED + 4 * MINUTE)
    assert lies(shop) == 9


def test_a_part_of_a_paper_that_is_put_back_is_what_is_not_in_the_box():
    """Two on the paper, one packed: one is put back, then the other."""
    shop = shop_of(gives(at_least=2000, for_each=True))
    shop.place(order(line(4000)))
    shop.released("A/main/1")
    shop.packed("A/main/1", lines=[handled_gift(1)])
    assert lies(shop) == 8
    shop.put_back("A/main/1", event="w1", at=PLACED + MINUTE, lines=[handled_gift(1)])
    assert (lies(shop), shop.claim("A").packed) == (8, 1)
    shop.put_back("A/main/1", event="w2", at=PLACED + MINUTE, lines=[handled_gift(1)])
    assert (lies(shop), shop.claim("A").packed) == (9, 0)


@pytest.mark.parametrize("happened", ["put_back", "gift_returned"])
def test_more_than_was_on_the_paper_is_no_unit_that_came_in(happened):
    """Whoever names three of one has found none: no unit came into the house that had not left it."""
    shop = shop_of()
    shop.place(order(line(6000)))
    shop.packed("A/main/1")
    getattr(shop, happened)("A/main/1", lines=[replaced(handled_gift(3), condition="saleable")])
    assert lies(shop) == 9
    assert shop.outcome("A").left == shop.state("A").left[TIN] == 1


def test_units_beyond_the_paper_come_back_too():
    """Named as released beyond the paper, and returned without a word of packing: they had gone out."""
    shop = shop_of()
    shop.place(order(line(6000)))
    shop.released("A/main/1", lines=[handled_gift(2)])
    shop.gift_returned("A/main/1", lines=[replaced(handled_gift(2), condition="scrap")])
    assert untrue(shop.desk.values(ORDERS).values(), shop.books.values(BALANCES).values()) == {}
    balance = shop.balance()
    assert (balance.free + balance.reserved + balance.released, balance.damaged) == (7, 2)


# ---------------------------------------------------------------- parts


def test_what_comes_back_is_of_what_was_packed():
    """Two on the paper, one packed, one comes back: the other is still to be packed, and with nobody."""
    shop = shop_of(gives(at_least=2000, for_each=True))
    shop.place(order(line(4000)))
    shop.released("A/main/1")
    shop.packed("A/main/1", event="w1", lines=[handled_line(1), handled_gift(1)])
    shop.gift_returned("A/main/1", lines=[replaced(handled_gift(1), condition="saleable")])
    assert (shop.balance().packed, shop.balance().released, shop.balance().free) == (1, 1, 8)
    shop.packed("A/main/1", event="w2")
    assert (shop.balance().packed, shop.balance().released, shop.balance().free) == (2, 0, 8)


def test_each_returned_unit_is_what_it_was_found_to_be():
    """Rule 2.18: of three, one is saleable and two are not."""
    shop = shop_of(gives(at_least=2000, for_each=True))
    shop.place(order(line(6000)))
    shop.packed("A/main/1")
    found = [replaced(handled_gift(1), condition="saleable"), replaced(handled_gift(2), condition="scrap")]
    assert shop.gift_returned("A/main/1", lines=found).result == "applied"
    assert (shop.balance().free, shop.balance().restocked, shop.balance().damaged) == (7, 3, 2)
    assert shop.outcome("A").left == shop.state("A").left[TIN] == 3


def test_a_line_that_is_named_twice_counts_twice():
    """Two entries of one line are two units, as two of one gift are."""
    shop = shop_of()
    shop.place(order(line(6000, units=3)))
    shop.released("A/main/1")
    shop.cancel("A", at=PLACED + MINUTE)
    shop.put_back("A/main/1", lines=[handled_line(1), handled_line(2)])
    assert taken_off(shop.ticket("A")) == {(TIN, "TIN"): 1}


def test_a_ticket_of_an_empty_line_is_void_when_all_of_it_was_put_back():
    """A line of no units is on the paper, and nothing of it can be put back."""
    shop = shop_of()
    shop.place(order(line(6000), line(0, units=0)))
    shop.released("A/main/1")
    shop.put_back("A/main/1", at=PLACED + MINUTE)
    assert shop.ticket("A").state == "void"


def test_a_gift_left_on_the_paper_was_not_redeemed():
    """The goods alone were packed: the gift has not gone out."""
    shop = shop_of()
    shop.place(order(line(6000)))
    shop.released("A/main/1")
    shop.packed("A/main/1", event="w1", lines=[handled_line(1)])
    assert [c for c in standing(shop.state("A")) if c.word == "redeemed"] == []
    shop.packed("A/main/1", event="w2")
    assert [c.offer for c in standing(shop.state("A")) if c.word == "redeemed"] == [TIN]


def test_a_ticket_of_a_gift_alone_that_is_not_found_is_void():
    """The gift followed on a ticket of its own, and is short: of that ticket nothing is left."""
    shop = Shop([document(gives(when_out="owed"))], watch=Watch(Book([])))
    shop.place(order(line(6000)))
    shop.released("A/main/1")
    shop.receive(TIN, "TIN", 1)
    shop.released("A/main/2")
    shop.short_picked("A/main/2")
    assert (shop.ticket("A", number=2).state, shop.got("A")[0]) == ("void", "owed")


# ---------------------------------------------------------------- groups, and payment


def test_a_returned_gift_keeps_its_group():
    """At most one offer of a group is given: the second one's gift came back, and the first one's is not sent then."""
    first = gives("first", "PAD", at_least=9000, group="g", rank=1)
    shop = Shop(
        [document(first, gives(group="g", rank=2))], {(TIN, "TIN", "main"): 5, ("week/first", "PAD", "main"): 5}
    )
    shop.place(order(line(6000)))
    shop.packed("A/main/1")
    shop.gift_returned("A/main/1", lines=[replaced(handled_gift(1), condition="saleable")])
    shop.amend("A", line(9900), at=PLACED + MINUTE)
    assert shop.balance("week/first", "PAD").free == 5
    assert shop.balance().free == 5


def test_a_late_writer_s_lapse_leaves_no_claim_unpaid():
    """It was decided before the claim that it withdraws was made: the fold withdraws that one as well."""
    first = gives("first", "PAD", group="g", rank=1, when_out="next")
    shop = shop_of(first, gives(group="g", rank=2, paid_within_days=1))
    shop.sleep()
    shop.place(order(line(6000)))
    day = PLACED + timedelta(days=1)
    due = Desk().decide(shop.desk, Message(Tick("t", day)), View(shop.engine.book, day)).entries
    (late,) = [entry for entry in due if isinstance(entry, Lapsed)]
    shop.wake(PLACED + MINUTE)
    assert shop.got("A")[0] == "granted"
    for subject in Desk().fold(shop.desk, late):
        for output in Desk().say(shop.desk, subject):
            if output.channel == "ledger-commands":
                shop.take("ledger", output.body, PLACED + timedelta(days=1))
    assert (shop.outcome("A").units, shop.balance().free) == (0, 9)


def folded(entries):
    """A desk's store that has these entries."""
    store = MemoryStore()
    for entry in entries:
        Desk().fold(store, entry)
    return store


@pytest.mark.parametrize("second", ["put_back", "gift_returned", "short_picked"])
@pytest.mark.parametrize("first", ["released", "packed"])
@pytest.mark.parametrize("named", [True, False])
@pytest.mark.parametrize("answered_first", [True, False])
def test_a_late_writer_s_fact_concerns_what_the_log_has_on_the_ticket(answered_first, named, first, second):
    """Two desks have the same facts, one before the ledger's answer: the log's order says if the gift was on the paper.

    Else what was never packed is put back, or what was packed comes back for nobody (found by the simulator).
    """
    shop = shop_of(gives())
    shop.place(order(line(6000)))
    judged, answered = shop.entries["desk"]

    def decided(log, name, happened):
        lines = [handled_gift(1)] if named and name == "w2" else []
        event = Fulfilment(name, "A", "A/main/1", happened, PLACED, lines=lines)
        (entry,) = Desk().decide(folded(log), Message(event, name), View(shop.engine.book, PLACED)).entries
        return entry

    with_gift, without = [judged, answered], [judged]
    with_gift.append(decided(with_gift, "w1", first))
    without += [decided(without, "w1", first), answered]
    log, late = (with_gift, without) if answered_first else (without, with_gift)
    written, true = decided(late, "w2", second), decided(log, "w2", second)
    assert bool(written.gifts) != bool(true.gifts) or (first, second) == ("packed", "short_picked")
    state = folded([*log, *late[1:], written]).get(ORDERS, "A")
    assert state == folded([*log, true]).get(ORDERS, "A")
    assert state.facts["w2"].commands == true.gifts


# ---------------------------------------------------------------- a host that says only the latest level


def test_a_gift_that_is_put_back_and_wanted_is_on_the_next_ticket():
    """The ledger says its decision once all entries of a command are folded: same units, same place, and one left."""
    network = Network(Book([read_campaign(document(gives()))]), PLACED)
    network.send("ledger", Message(Receipt("r", TIN, "TIN", "main", 1)))
    body = order(line(6000))
    facts = [
        Fulfilment("w1", "A", "A/main/1", "released", PLACED),
        Fulfilment("w2", "A", "A/main/1", "put_back", PLACED, lines=[handled_gift(1)]),
    ]
    for message in (body, *facts):
        network.send("desk", Message(message, message.event if isinstance(message, Fulfilment) else "digest"))
        network.drain()
    state = network.nodes["desk"].store.get(ORDERS, "A")
    assert [(g.gift, g.units) for t in tickets(state) for g in t.gift_lines] == [("TIN", 1)]
    last = network.said["pick-tickets", "A/main/2"][-1].body
    assert [(g.gift, g.units) for g in last.gift_lines] == [("TIN", 1)]


def test_a_lapse_waits_for_its_answer_as_a_revision_does():
    """Due 30 s after the lapse, and not at once because the order was judged a day before."""
    shop = shop_of(gives(paid_within_days=1))
    shop.place(order(line(6000)))
    shop.sleep()
    lapse = PLACED + timedelta(days=1)
    shop.tick(lapse)
    shop.tick(lapse + timedelta(seconds=29))
    assert (shop.ticket("A").state, shop.state("A").overdue) == ("held", 0)
    shop.tick(lapse + timedelta(seconds=30))
    assert (shop.ticket("A").state, shop.state("A").overdue) == ("gift_to_follow", 1)


def network_of(*offers, gifts=("TIN",)):
    """Both stages on nodes, with one of each gift, and order A placed for 60.00."""
    network = Network(Book([read_campaign(document(*offers))]), PLACED)
    for gift in gifts:
        network.send("ledger", Message(Receipt(f"r-{gift}", TIN, gift, "main", 1)))
    network.send("desk", Message(order(line(6000)), "1"))
    network.drain()
    return network


def last_take_off(network):
    """What the released ticket was last said to be asked for."""
    return [x.offer for x in network.said["pick-tickets", "A/main/1"][-1].body.take_off]


def test_a_desk_that_dies_over_a_lapse_still_asks_for_the_gift_on_the_floor():
    """The lapse is in the log and was not said: when its answer is missed, all of it is."""
    network = network_of(gives(paid_within_days=1))
    network.send("desk", Message(Fulfilment("w1", "A", "A/main/1", "released", PLACED), "w1"))
    network.drain()
    for nth, crash in enumerate(("logged", None)):
        at = PLACED + timedelta(days=1, seconds=60 * nth)
        network.send("desk", Message(Tick(f"t{nth}", at)))
        network.deliver("desk", 0, crash)
    network.drain()
    assert last_take_off(network) == [TIN]
    assert network.said["notices", "A/intercept/A/main/1"][-1].body.amount == 1


def test_a_desk_that_dies_over_an_answer_still_asks_for_the_gift_on_the_floor():
    """The answer brings the PAD instead of the TIN that is on the floor; a repeat of it says so."""
    network = network_of(gives(choice=["TIN", "PAD"]), gifts=("TIN", "PAD"))
    network.send("desk", Message(amended(order(line(6000)), chosen_gift="PAD"), "2"))
    network.deliver("desk", 0)
    network.send("desk", Message(Fulfilment("w1", "A", "A/main/1", "released", PLACED), "w1"))
    network.deliver("desk", 0)
    network.deliver("ledger", 0)
    network.deliver("desk", 0, "logged")
    network.drain()
    assert last_take_off(network) == [TIN]
    assert network.said["notices", "A/intercept/A/main/1"][-1].body.amount == 1
