"""The digest by which a replay knows another version of the machine: code counts, comments and docstrings do not."""

import ast
from pathlib import Path

import pytest

from voicecoach.runtime.machine_digest import MACHINE, without_comments

PACKAGE = Path(__file__).parents[1] / "voicecoach"
FILES = [path for room in MACHINE for path in sorted((PACKAGE / room).rglob("*.py"))]


def code(source: bytes) -> str:
    """The syntax tree without statements that are only a constant."""
    tree = ast.parse(source)
    for node in ast.walk(tree):
        for name in ("body", "orelse", "finalbody"):
            if isinstance(block := getattr(node, name, None), list):
                without_text = [
                    one for one in block if not (isinstance(one, ast.Expr) and isinstance(one.value, ast.Constant))
                ]
                setattr(node, name, without_text)
    return ast.dump(tree)


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_comments_and_docstrings_and_nothing_else_are_left_out_of_the_digest(path: Path) -> None:
    source = path.read_bytes()
    left = without_comments(source, instead=b"...")
    assert code(left) == code(source)
    alone = [node.value for node in ast.walk(ast.parse(left)) if isinstance(node, ast.Expr)]
    assert not [one for one in alone if isinstance(one, ast.Constant) and isinstance(one.value, str)]


def test_a_changed_comment_or_docstring_does_not_change_what_is_hashed() -> None:
    one = b'def f() -> int:\n    """A."""\n    # why\n    return 1  # so\n'
    other = b'def f() -> int:\n    """B, longer\n\n    than before."""\n\n    return 1\n'
    assert without_comments(one) == without_comments(other)
    assert without_comments(one) != without_comments(other.replace(b"1", b"2"))
