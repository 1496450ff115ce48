"""Changes of an offer as the next revision of its campaign: what the document becomes, and what is refused with why."""

from datetime import UTC, datetime, timedelta

import pytest

from makeweight.contracts.campaigns import read_campaign
from makeweight.domain.book import Book
from makeweight.planning.changing import Change, ChangeRefused, Correction, against, correct, revise, soonest
from makeweight.planning.differing import touched_by
from tests.support.build import WEEK
from tests.support.shop import ANSWERED, document, gives

NOW = WEEK.start + timedelta(hours=15)
FOUR = WEEK.start + timedelta(hours=16)
SAID = {"by": "M.Byrne", "why": "the bin is empty"}


def page(**members):
    """A week with a tin that has caps, a mug that stands in for it, and a benefit."""
    tin = gives("tin", otherwise=["MUG"], caps={"total": 40, "per_customer": 1}, **members)
    return document(tin, gives("ships", benefit="free_shipping", over=80_00)) | {"published_by": "desk"}


def changed(kind, offer="week/tin", *, at=FOUR, base=None, now=NOW, **members):
    """The revision of a change."""
    return revise(base or page(), Change(kind, offer, at=at, **SAID, **members), now)


def offer_of(revision, key="week/tin"):
    """The offer of a revision."""
    return revision.campaign.offer(key)


def test_a_pause_and_its_end():
    """The next revision says who and why, from when, and that the offer is open to nobody; resuming takes that back."""
    paused = changed("pause")
    assert paused.document["revision"] == 2
    assert (paused.campaign.published_by, paused.campaign.why) == ("M.Byrne", "the bin is empty")
    assert paused.campaign.effective_at == paused.counts_from == FOUR
    assert not offer_of(paused).open_at(FOUR)
    assert read_campaign(paused.document) == paused.campaign
    again = changed("resume", base=paused.document, at=FOUR + timedelta(hours=1))
    assert again.document["revision"] == 3
    assert offer_of(again).open_at(FOUR + timedelta(hours=1))
    assert {**again.document, "revision": 1, "published_by": "desk"}.keys() - page().keys() == {
        "why", "effective", "revision"
    }  # fmt: skip


def test_an_end_at_an_instant():
    """'Stop at 16:00': the offer's own end on the campaign's clock, in force from then; before it nothing changes."""
    ended = changed("end")
    tin = ended.document["offers"][0]
    assert tin["until"] == "2026-11-23 16:00"
    assert (ended.counts_from, ended.effective) == (FOUR, FOUR)
    assert offer_of(ended).window.end == FOUR
    later = changed("end", base=ended.document, at=FOUR + timedelta(hours=2))
    assert (later.counts_from, later.against) == (FOUR, [])


def test_caps_are_changed_and_taken_away():
    """Each by its name; the other stays."""
    capped = changed("cap", caps={"total": 30})
    assert (offer_of(capped).total_cap, offer_of(capped).customer_cap) == (30, 1)
    assert capped.against == ["a lower cap of week/tin"]
    free = changed("cap", caps={"per_customer": None})
    assert (offer_of(free).total_cap, offer_of(free).customer_cap) == (40, None)
    assert free.against == []


def test_another_gift():
    """One of the campaign's, or one with facts; what it would give is checked as for any campaign."""
    swapped = changed("swap", gift="MUG")
    assert (offer_of(swapped).gift, offer_of(swapped).otherwise) == ("MUG", ())
    facts = {"gift": "BAG", "title": "Bag", "stated_value": 500, "cautions": ANSWERED}
    new = changed("swap", gift="BAG", facts=facts)
    assert offer_of(new).gift == "BAG"
    assert "BAG" in new.campaign.gifts
    with pytest.raises(ChangeRefused, match=r"stated_value.*missing|Field required|expected"):
        changed("swap", gift="BAG", facts={"gift": "BAG", "title": "Bag"})


@pytest.mark.parametrize(
    ("made", "sentence"),
    [
        (lambda: changed("pause", "week/tins"), "did you mean 'week/tin'?"),
        (lambda: changed("resume"), "week/tin is not paused"),
        (lambda: changed("pause", base=changed("pause").document), "is paused already"),
        (lambda: changed("end", at=WEEK.end), "ends at 2026-11-30T00:00:00Z already"),
        (lambda: changed("end", at=WEEK.end + timedelta(days=1)), "the campaign's own window|the campaign ends at"),
        (lambda: changed("pause", at=WEEK.end), "nothing is left to change"),
        (lambda: changed("cap", caps={"total": 40}), "has these caps already: total 40, per_customer 1"),
        (lambda: changed("cap"), "name others"),
        (lambda: changed("swap", gift="TIN"), "gives TIN already"),
        (lambda: changed("swap", gift="MUGS"), "give its facts with --facts FILE"),
        (lambda: changed("swap", "week/ships", gift="MUG"), "gives no gift, but free_shipping"),
        (lambda: changed("pause", at=FOUR + timedelta(microseconds=1)), "expected a whole second"),
        (lambda: revise(page(), Change("pause", "week/tin", "", "x"), NOW), "who answers for it and why"),
        (
            lambda: changed("pause", "week/sale", base=page() | {"offers": [
                {"offer": "sale", "says": "x", "prices": {"S": 100}}
            ]}),
            "is a price, and gives nothing",
        ),
        (
            lambda: changed("pause", base=page() | {"effective": "2026-11-24T00:00:00Z"}),
            "revision 1 takes effect at 2026-11-24T00:00:00Z, and this one follows it",
        ),
    ],
)  # fmt: skip
def test_what_can_not_be_made(made, sentence):
    """Each refusal says why and what to do."""
    with pytest.raises(ChangeRefused, match=sentence):
        made()


def test_an_end_that_a_clock_change_repeats():
    """In the hour that comes twice a wall-clock end names no one instant."""
    base = page() | {"from": "2026-10-20 00:00", "until": "2026-10-30 00:00"}
    with pytest.raises(ChangeRefused, match="happens twice"):
        changed("end", base=base, at=datetime(2026, 10, 25, 0, 30, tzinfo=UTC), now=datetime(2026, 10, 24, tzinfo=UTC))


def test_nothing_is_taken_from_orders_that_were_placed():
    """An instant that has passed, or comes within the notice, is too early for what is against a customer."""
    early = NOW - timedelta(hours=1)
    for at in (early, NOW, NOW + timedelta(seconds=9)):
        assert "is too early: orders placed since then were promised more, and the pause of week/tin" in str(
            changed("pause", at=at).late
        )
    assert changed("pause", at=None).late is None
    assert changed("pause", at=soonest(NOW)).late is None
    higher = changed("cap", at=early, caps={"total": 60})
    assert higher.late is None
    assert (higher.counts_from, higher.effective) == (early, soonest(NOW))


def corrected(**members):
    """What is against the customer in another page of the same offer."""
    after = page() | {"revision": 2}
    after["offers"] = [{**after["offers"][0], **members}, after["offers"][1]]
    return against(read_campaign(page()), read_campaign(after))


def test_what_is_in_the_customers_favour():
    """A lower threshold, a higher cap, a wider scope, a later end; the other way round none of it is."""
    counts = page()["offers"][0]["counts"]
    assert corrected(counts={"at_least": 40_00}) == []
    assert corrected(counts={"at_least": 60_00}) == ["a higher threshold of week/tin"]
    assert corrected(counts={"over": 50_00}) == ["a higher threshold of week/tin"]
    assert corrected(counts={**counts, "brands": ["Alder"]}) == ["a narrower scope of week/tin"]
    assert corrected(counts={**counts, "not_reduced": True}) == ["a narrower scope of week/tin"]
    assert corrected(caps={"total": 50}) == []
    assert corrected(caps={"total": 30, "per_customer": 1}) == ["a lower cap of week/tin"]
    assert corrected(only_to=["IE"]) == ["fewer destinations of week/tin"]
    assert corrected(until="2026-11-29 00:00") == ["an earlier end of week/tin"]
    assert corrected(group="g") == ["another group of week/tin"]
    assert corrected(counts={"by": "line", "at_least": 1_00}) == ["another measure of week/tin"]
    brands = page()
    brands["offers"] = [gives("tin", brands=["Alder"])]
    wider = page() | {"offers": [gives("tin", brands=["Alder", "Birch"])]}
    assert against(read_campaign(brands), read_campaign(wider)) == []
    assert against(read_campaign(wider), read_campaign(brands)) == ["a narrower scope of week/tin"]


def test_a_correction_counts_from_an_instant_that_has_passed():
    """The page takes effect as any does; what it counts from is kept beside it."""
    lower = page()
    lower["offers"][0]["counts"] = {"at_least": 40_00}
    made = correct(page(), Correction(lower, WEEK.start, "M.Byrne", "said 40, set 50"), NOW)
    assert (made.counts_from, made.effective, made.late) == (WEEK.start, soonest(NOW), None)
    assert made.document["revision"] == 2


def test_what_a_revision_touches():
    """The offers that differ, whatever their revision says; and whether orders may meet what they did not before."""
    book = Book([read_campaign(page())])
    assert touched_by(book, changed("pause").campaign, FOUR) == ({"week/tin"}, False)
    assert touched_by(book, changed("cap", caps={"total": 60}).campaign, FOUR) == ({"week/tin"}, False)
    lower = page() | {"revision": 2}
    lower["offers"][0]["counts"] = {"at_least": 40_00}
    assert touched_by(book, read_campaign(lower), FOUR) == ({"week/tin"}, True)
    assert touched_by(book, read_campaign(page() | {"revision": 2}), FOUR) == (set(), False)
