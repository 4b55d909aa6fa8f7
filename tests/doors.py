"""The doors of the rooms: what each ``__init__.pyi`` offers, and the module that it is taken from."""

import ast
from pathlib import Path

__all__ = ["HOMES", "OFFERED"]

PACKAGE = Path(__file__).parents[1] / "stripread"


def offered_at(stub: Path) -> list[tuple[str, str]]:
    """Return names as others import them, such as ``stripread.lot.Lot``, and their modules."""
    room = ".".join(["stripread", *stub.parent.relative_to(PACKAGE).parts])
    return [
        (f"{room}.{alias.name}", f"{room}.{node.module}")
        for node in ast.parse(stub.read_text(encoding="utf-8")).body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    ]


OFFERED = [pair for stub in sorted(PACKAGE.rglob("__init__.pyi")) for pair in offered_at(stub)]
HOMES = dict(OFFERED)
