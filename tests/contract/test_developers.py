"""DEVELOPERS.md says what is: its diagrams are the tables of the code, and the tests that it names exist."""

import ast
import re

import pytest

from makeweight.domain.machines import MACHINES, TICKET
from tests.support.diagrams import FILE, diagram, drawn

TEXT = FILE.read_text(encoding="utf-8")
NAMED = re.compile(r"`(test_\w+)::(\w+)`")


def test_the_diagrams_are_those_of_the_tables():
    """A table that was changed without its diagram (`make diagrams`) is seen here."""
    assert drawn(TEXT) == TEXT


def test_a_diagram_needs_its_place():
    """A machine that nobody has put into the text is told, not left out."""
    with pytest.raises(ValueError, match="expected one place"):
        drawn(TEXT.replace(f"<!-- end of {MACHINES[0].name} -->", ""))


@pytest.mark.parametrize("machine", MACHINES, ids=lambda m: m.name)
def test_a_diagram_has_every_step(machine):
    """An arrow for each, with its event; a frame's arrow stands for those of all its states."""
    arrows = {tuple(re.split(r" --> | : ", line.strip())) for line in diagram(machine) if " --> " in line}
    told = {
        (member, target, event)
        for source, target, events in arrows
        for member in machine.groups.get(source, (source.replace("[*]", "start"),))
        for event in events.split(", ")
    }
    assert told == {(step.source, step.target, step.event) for step in machine.steps}


def test_what_all_open_tickets_do_is_drawn_once():
    """Mermaid lays out a frame's own arrow well, and eight from inside it not at all."""
    assert [line for line in diagram(TICKET) if line.startswith("    open")] == [
        "    open --> released : released, short_picked, put_back, gift_returned",
        "    open --> packed : packed, dispatched",
    ]


def names_in(file: str) -> set[str]:
    """The names of the functions of a file, whichever tier it is in, and of what stands for a test there."""
    trees = [ast.parse(path.read_text(encoding="utf-8")) for path in FILE.parent.glob(f"tests/*/{file}.py")]
    nodes = [node for tree in trees for node in ast.walk(tree)]
    functions = {node.name for node in nodes if isinstance(node, ast.FunctionDef)}
    return functions | {t.id for n in nodes if isinstance(n, ast.Assign) for t in n.targets if isinstance(t, ast.Name)}


@pytest.mark.parametrize(("name", "test"), sorted(set(NAMED.findall(TEXT))))
def test_a_named_test_exists(name, test):
    """What the table of failures says is shown by a test that is there."""
    assert test in names_in(name)


def test_every_failure_has_a_test_or_says_so():
    """Each row of a table of failures ends in a test's name, or says why there is none."""
    start = TEXT.index("## When something fails")
    lines = TEXT[start : TEXT.index("\n## ", start + 1)].splitlines()
    rows = [line for line in lines if line.startswith("| ") and not line.startswith("| step |")]
    shown = {row: row.rstrip("| ").rpartition(" | ")[2] for row in rows}
    assert len(rows) > 40
    said = ("not shown here: ", "nothing to show: ")
    assert [row for row, by in shown.items() if not NAMED.search(by) and not by.startswith(said)] == []
