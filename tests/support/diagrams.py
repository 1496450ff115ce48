"""The diagrams in DEVELOPERS.md, drawn from the tables of state machines: ``python -m tests.support.diagrams``.

Each stands between two comments that name its machine, as a Mermaid block with its words below. What is around them is
written by hand and stays.
"""

import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from textwrap import wrap

from makeweight.domain.machines import MACHINES, START, Machine, Step

FILE = Path(__file__).parents[2] / "DEVELOPERS.md"
WIDTH = 120


def drawn(text: str) -> str:
    """The text with every diagram drawn anew; a machine without its place in the text is an error."""
    for machine in MACHINES:
        begin, end = f"<!-- {machine.name}: make diagrams -->", f"<!-- end of {machine.name} -->"
        place = re.compile(f"{re.escape(begin)}.*?{re.escape(end)}", re.DOTALL)
        if len(place.findall(text)) != 1:
            raise ValueError(f"expected one place for a diagram, from {begin} to {end}")
        block = f"{begin}\n{section(machine)}\n{end}"
        text = place.sub(lambda _, block=block: block, text)
    return text


def section(machine: Machine) -> str:
    """A machine's title, diagram and words."""
    states, events = _words("States", machine.states), _words("Events", machine.events)
    return "\n".join([f"**{machine.title}**", "", "```mermaid", *diagram(machine), "```", "", *states, "", *events])


def _words(title: str, meanings: Mapping[str, str]) -> list[str]:
    told = "; ".join(f"`{name}` {meaning}" for name, meaning in meanings.items())
    return wrap(f"{title}: {told}.", WIDTH, break_long_words=False, break_on_hyphens=False)


def diagram(machine: Machine) -> list[str]:
    """The lines of a Mermaid state diagram; events that lead from one state to the same other share an arrow."""
    left = list(machine.steps)
    lines = ["stateDiagram-v2", "    direction LR"]
    for group, members in machine.groups.items():
        inside = [s for s in left if s.target in members and s.source in (*members, START)]
        lines += [f"    state {group} {{", *(f"    {arrow}" for arrow in _arrows(inside)), "    }"]
        left = _from_the_frame([s for s in left if s not in inside], group, members)
    return [*lines, *_arrows(left)]


def _from_the_frame(steps: Iterable[Step], group: str, members: tuple[str, ...]) -> list[Step]:
    """The steps, with those that every member of a group takes alike as one of the group."""
    given = list(steps)
    drawn_once: dict[Step, None] = {}
    for step in given:
        alike = all(step._replace(source=member) in given for member in members)
        drawn_once[step._replace(source=group) if step.source in members and alike else step] = None
    return list(drawn_once)


def _arrows(steps: Iterable[Step]) -> list[str]:
    events: dict[tuple[str, str], list[str]] = {}
    for step in steps:
        events.setdefault((step.source, step.target), []).append(step.event)
    return [
        f"    {'[*]' if source == START else source} --> {target} : {', '.join(told)}"
        for (source, target), told in events.items()
    ]


if __name__ == "__main__":
    FILE.write_text(drawn(FILE.read_text(encoding="utf-8")), encoding="utf-8")
