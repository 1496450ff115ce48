"""The stages under faults by seed, the seeds that are kept, and the mutants that the simulator must find."""

import pytest

from tests.simulation import runs
from tests.simulation.__main__ import main
from tests.simulation.mutants import CONTROL, MUTANTS
from tests.simulation.runs import ENOUGH, KINDS, Summary, kept, play, shrunk, told, violated
from tests.simulation.schedule import Schedule, draw
from tests.simulation.worker import STEPS, Violation
from tests.simulation.world import World

SEEDS = 300


def test_no_seed_breaks_an_invariant():
    """A fixed range of seeds, a quarter of them without faults; `python -m tests.simulation` plays more."""
    summary = play(range(SEEDS))
    assert [(seed, str(violation)) for seed, violation in summary.violations] == []
    assert SEEDS / 5 < summary.faultless < SEEDS / 3
    assert all(summary.faults[f"crash: {step}"] for step in STEPS)
    assert summary.faults["foreign write"]
    assert summary.faults["void grant"]


@pytest.mark.parametrize("text", kept())
def test_what_is_kept_breaks_none(text):
    """Seeds and schedules that once showed something."""
    assert violated(kept()[text]) is None


@pytest.mark.parametrize("name", MUTANTS)
def test_a_mutant_is_found(name):
    """Each wrong host and each wrong layout fails within its bound."""
    assert MUTANTS[name].seeds() is not None


def test_the_real_ledger_passes_for_a_layout():
    """What is asked of the layouts holds for the real one: the mutants fail because of what is wrong with them."""
    assert CONTROL.seeds() is None


def test_a_run_is_a_function_of_its_seed():
    """The same seed draws the same schedule, and tells the same run."""
    for seed in range(20):
        assert draw(seed) == draw(seed)
        assert list(told(draw(seed))) == list(told(draw(seed)))


def test_a_failing_schedule_is_made_small():
    """Shrinking leaves the operations that the violation needs: nothing that is left can be left out."""
    mutant = MUTANTS["grants without cover are not void"]

    def broken(schedule):
        try:
            mutant.world(schedule).play()
        except Violation as violation:
            return violation
        return None

    seed = mutant.seeds()[0] - 1
    small = shrunk(draw(seed), broken)
    assert len(small.operations) < len(draw(seed).operations) / 2
    for at in range(len(small.operations)):
        less = small._replace(operations=small.operations[:at] + small.operations[at + 1 :])
        assert broken(less) is None or broken(less).code != broken(small).code


def test_any_part_of_a_schedule_is_a_schedule():
    """Operations that make no sense where they stand do nothing."""
    for seed in range(20):
        schedule = draw(seed)
        assert violated(schedule._replace(operations=schedule.operations[::2])) is None
        assert violated(schedule._replace(operations=schedule.operations[::-1])) is None
    World(Schedule(1, False, (), [], [])).play()


def test_a_violation_is_told_with_its_seed_and_the_command(monkeypatch, capsys):
    """The command's exit code is 1, and what it prints is enough to see the run again."""
    mutant = MUTANTS["grants without cover are not void"]
    seed = mutant.seeds()[0] - 1
    monkeypatch.setattr(runs, "World", mutant.world)
    assert main(["--runs", "1", "--first", str(seed)]) == 1
    assert f"python -m tests.simulation --seed {seed} --size 1 --trace --shrink" in capsys.readouterr().out
    assert main(["--seed", str(seed), "--trace", "--shrink"]) == 1
    assert "VIOLATION" in capsys.readouterr().out
    monkeypatch.undo()
    assert main(["--seed", str(seed)]) == 0


def test_a_fault_that_never_came_up_is_missed():
    """Runs enough without some kind of fault have shown nothing about it."""
    assert Summary(runs=ENOUGH - 1).missing == []
    assert Summary(runs=ENOUGH).missing == list(KINDS)
