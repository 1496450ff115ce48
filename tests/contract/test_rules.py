"""`makeweight rules` is true: what it says can be written can be, what it says is refused is, and its tests exist."""

import ast
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from makeweight.adapters.documents.yaml import load
from makeweight.cli.main import app
from makeweight.contracts.campaigns import DocumentError, read_campaign
from tests.support.shop import ANSWERED, document

RULES = Path(__file__).parents[2] / "service/makeweight/rules.md"
TESTS = Path(__file__).parents[1]
FENCES = re.findall(r"^```yaml (\w+)(?: refused: ([^\n]+))?\n(.*?)^```", RULES.read_text(), re.MULTILINE | re.DOTALL)
NAMED = sorted(set(re.findall(r"`(test_\w+(?:::test_\w+)?)`", RULES.read_text())))


def gift(name, **members):
    """A gift of the page that the fragments go into."""
    return {"gift": name, "title": name.title(), "stated_value": 600, "cautions": ANSWERED, **members}


def page(place, fragment):
    """A campaign's page with the fragment in its place."""
    offer = {"offer": "tin", "says": "As announced.", "counts": {"by": "total", "at_least": 5000}}
    offer["gives"] = {"gift": "TIN"}
    gifts = [
        gift("TIN"),
        gift("MUG"),
        gift("CARD", stated_value=100),
        gift("NUTS", cautions={**ANSWERED, "food": {"allergens": ["tree nuts"]}}),
    ]
    whole = document(offer, gifts=gifts)
    if place == "campaign":
        whole |= fragment
    elif place == "gift":
        gifts[0] |= fragment
    elif place == "prices":
        whole["offers"] = [{"offer": "sale", "says": "As announced.", **fragment}]
    else:
        offer |= fragment
    return whole


@pytest.mark.parametrize(("place", "refused", "text"), FENCES, ids=[f"{p}-{n}" for n, (p, *_) in enumerate(FENCES)])
def test_a_fragment_is_what_it_says(tmp_path, place, refused, text):
    """Each YAML fragment of the rules can be published; one that is marked as refused is, with these words."""
    file = tmp_path / "fragment.yaml"
    file.write_text(text)
    published = page(place, load(file)[0])
    if not refused:
        assert read_campaign(published).campaign == "week"
        return
    with pytest.raises(DocumentError, match=re.escape(refused)):
        read_campaign(published)


def defined(path):
    """Names of the tests in a file."""
    return {node.name for node in ast.walk(ast.parse(path.read_text())) if isinstance(node, ast.FunctionDef)}


@pytest.mark.parametrize("name", NAMED)
def test_a_test_that_is_named_exists(name):
    """'file::test', or a whole file."""
    file, _, test = name.partition("::")
    paths = list(TESTS.rglob(f"{file}.py"))
    assert paths
    assert not test or any(test in defined(path) for path in paths)


def test_every_rule_names_what_shows_it():
    """A rule begins with its name in bold; before the next one stands a test."""
    rules = re.split(r"^(?=\*\*)", RULES.read_text(), flags=re.MULTILINE)[1:]
    assert len(rules) > 25
    assert [rule.partition("**")[2].partition("**")[0] for rule in rules if "Shown by `test_" not in rule] == []


def test_the_command_prints_them():
    """`makeweight rules` is the document."""
    said = CliRunner().invoke(app, ["rules"])
    assert (said.exit_code, said.stdout) == (0, RULES.read_text())
