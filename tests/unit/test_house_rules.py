"""Rules of this code base that no linter knows."""

import ast
from pathlib import Path

import makeweight

FUNCTION_LINES_MAX = 70


def test_no_function_is_longer_than_the_hard_limit():
    """A function longer than 70 lines is one that nobody reads whole."""
    root = Path(makeweight.__file__).parent
    too_long = [
        f"{path.relative_to(root)}:{node.lineno} {node.name}: {lines} lines"
        for path in sorted(root.rglob("*.py"))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and (lines := (node.end_lineno or node.lineno) - node.lineno + 1) > FUNCTION_LINES_MAX
    ]
    assert too_long == []
