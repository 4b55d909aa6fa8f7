"""Imports run one way: each room may import only from the rooms below it."""

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[2] / "stripread"
# From the ground up. Rooms of one row do not import each other.
ROWS: tuple[tuple[str, ...], ...] = (
    ("errors", "findings", "geometry", "measured", "numbers", "__init__"),
    ("quantities",),
    ("typed",),
    ("water",),
    ("colour",),
    ("photo",),
    ("card",),
    ("strip",),
    ("measure",),
    ("flash",),
    ("lot",),
    ("calibration", "chart", "reading"),
    ("together",),
    ("site",),
    ("check",),
    ("records",),
    ("report",),
    ("recording", "site_write"),
    ("simulate", "web"),
    ("cli",),
)
ROW_OF = {room: index for index, row in enumerate(ROWS) for room in row}


def room_of(module: str) -> str:
    parts = module.split(".")
    name = parts[1] if len(parts) > 1 else "__init__"
    return "cli" if name.startswith("cli") or name == "__main__" else name


def imports_of(path: Path) -> set[str]:
    """Every module of ours that a file imports, wherever in the file, TYPE_CHECKING blocks included."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "stripread":
            assert node.level == 0
            if node.module == "stripread":
                found |= {f"stripread.{a.name}" if (PACKAGE / a.name).exists() else "stripread" for a in node.names}
            else:
                found.add(node.module)
        elif isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names if alias.name.split(".")[0] == "stripread"}
    return found


FILES = sorted(PACKAGE.rglob("*.py"))


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_only_from_rooms_below(path: Path) -> None:
    module = ".".join(["stripread", *path.relative_to(PACKAGE).with_suffix("").parts])
    own = room_of(module)
    assert own in ROW_OF, f"{own} stands in no row: give it one"
    if module == "stripread.__init__":
        return  # the front door: offers names of every room, imported only when asked for
    for imported in imports_of(path):
        other = room_of(imported)
        allowed = other == own or ROW_OF[other] < ROW_OF[own]
        assert allowed, f"{module} imports {imported}"


def test_only_the_faces_and_the_loaders_touch_the_clock() -> None:
    for path in FILES:
        if path.name.startswith("cli") or path.parent.name == "web" or path.name == "measure.py":
            continue  # the faces; measure.py times its stages
        text = path.read_text(encoding="utf-8")
        assert "datetime.now" not in text, path
        assert "date.today" not in text, path
        assert "time.time(" not in text, path
