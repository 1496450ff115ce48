"""The pulse: one look for all pages, and nothing that ends it but its end."""

import asyncio

from makeweight.adapters.board.pulse import Now, Pulse

EVERY = 0.01


def run(pulse, until):
    """Let it beat until something is so; at most for a few seconds."""

    async def beating():
        task = asyncio.create_task(pulse.run())
        for _ in range(500):
            if until():
                break
            await asyncio.sleep(EVERY)
        task.cancel()

    asyncio.run(beating())


def looker(*found):
    """Looks that find one thing after the other, then the last for ever; and how many there were."""
    looks = []

    def look():
        looks.append(None)
        one = found[min(len(looks), len(found)) - 1]
        if isinstance(one, Exception):
            raise one
        return one

    return look, looks


def test_one_look_for_all_pages():
    """However many pages listen, the database is looked at once for all of them; each is told every look."""
    look, looks = looker(Now(view="a picture"))
    pulse, heard = Pulse(look, EVERY), [[] for _ in range(50)]
    ends = [pulse.listen(one.append) for one in heard]
    run(pulse, lambda: len(heard[-1]) >= 3)
    assert {len(one) for one in heard} <= {len(looks), len(looks) - 1}
    for end in ends:
        end()
    assert pulse.pages == 0


def test_a_look_that_fails_is_told_and_tried_again():
    """The pages keep what they had, say what is wrong, and go on once it is mended."""
    look, _ = looker(Now(view="old"), OSError("disk on fire"), Now(view="new"))
    pulse, heard = Pulse(look, EVERY), []
    pulse.listen(heard.append)
    run(pulse, lambda: len(heard) >= 3)
    assert [(now.view, "disk on fire" in now.problem) for now in heard[:3]] == [
        ("old", False), ("old", True), ("new", False),
    ]  # fmt: skip


def test_a_page_that_cannot_be_drawn_harms_no_other():
    """It is told no more; all others are."""
    look, _ = looker(Now(view="a picture"))
    pulse, heard = Pulse(look, EVERY), []

    def broken(now):
        raise RuntimeError(f"no room for {now.view}")

    pulse.listen(broken)
    pulse.listen(heard.append)
    run(pulse, lambda: len(heard) >= 3)
    assert len(heard) >= 3
    assert pulse.pages == 1


def test_a_page_that_is_closed_while_others_are_told_hears_nothing():
    """Two pages, of which the first that is told closes the other: that one is told nothing, be it of the same look."""
    look, _ = looker(Now(view="a picture"))
    pulse, heard, ends = Pulse(look, EVERY), [], {}

    def page(name, other):
        def show(_):
            heard.append(name)
            ends[other]()

        ends[name] = pulse.listen(show)

    page("left", "right")
    page("right", "left")
    run(pulse, lambda: len(heard) >= 3)
    assert len(set(heard)) == 1
