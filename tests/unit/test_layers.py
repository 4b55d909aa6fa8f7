"""The rooms of the package, top to bottom: a room uses those below it, through their doors; no circles."""

import ast
import subprocess
import sys
from collections import Counter
from graphlib import TopologicalSorter
from importlib import import_module
from pathlib import Path

from tests.doors import HOMES, OFFERED

PACKAGE = Path(__file__).parents[2] / "stripread"
# Rooms of one row do not use each other.
ROWS = (
    "cli",
    "web",
    "simulate",
    "workflow",
    "report",
    "study",
    "records",
    "check",
    "calibrate read",
    "site",
    "measure",
    "lot",
    "strip",
    "card",
    "photo",
    "colour water",
    "units",
    "files",
    "errors findings",
    "i18n geometry",
    "__init__",
)
MOST_FILES = 20  # of a folder
STARTED = {"stripread.cli.main"}  # by the command; all else that a door offers is used by another room
ROW_OF = {room: row for row, rooms in enumerate(ROWS) for room in rooms.split()}


def module_of(path: Path) -> str:
    parts = ["stripread", *path.relative_to(PACKAGE).with_suffix("").parts]
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


FILES = {module_of(path): path for path in sorted(PACKAGE.rglob("*.py"))}
FOLDERS = {path.parent.name for path in PACKAGE.glob("*/__init__.py")}


def room_of(module: str) -> str:
    """Return the folder or file of the package that a module lies in; ``__init__`` is the package's own front door."""
    name = [*module.split("."), "__init__"][1]
    return "cli" if name == "__main__" else name


def names_imported(path: Path) -> set[str]:
    """Return the dotted names of ours that a file imports, wherever in the file, TYPE_CHECKING blocks included."""
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports are written with their full names"
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
        elif isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
    return {name for name in names if name.split(".")[0] == "stripread"}


IMPORTS = {module: names_imported(path) for module, path in FILES.items()}


def file_of(name: str) -> str:
    """Return the module that a dotted name is, or that it is taken from."""
    return name if name in FILES else name.rpartition(".")[0]


def test_every_room_has_its_row() -> None:
    assert {room_of(module) for module in FILES} == set(ROW_OF)


def test_a_room_uses_only_those_below_it() -> None:
    wrong = [
        f"{module} imports {name}"
        for module, names in IMPORTS.items()
        for name in sorted(names)
        if (room := room_of(file_of(name))) != room_of(module) and ROW_OF[room] <= ROW_OF[room_of(module)]
    ]
    assert not wrong, "\n".join(wrong)


def test_every_room_has_its_door() -> None:
    assert {path.parent.name for path in PACKAGE.glob("*/__init__.pyi")} == FOLDERS


def test_a_room_is_entered_by_its_door() -> None:
    wrong = [
        f"{module} imports {name}"
        for module, names in IMPORTS.items()
        for name in sorted(names)
        if (room := room_of(file_of(name))) != room_of(module) and room in FOLDERS and name not in HOMES
    ]
    assert not wrong, "\n".join(wrong)


def test_what_a_door_offers_is_public_in_its_module() -> None:
    for name, home in HOMES.items():
        door, _, own = name.rpartition(".")
        assert own in import_module(home).__all__, f"{home} does not offer {own}"
        assert getattr(import_module(door), own) is getattr(import_module(home), own), name
        assert own in import_module(door).__all__, name


def test_a_door_offers_a_name_once_and_none_of_a_module() -> None:
    """A module that is imported takes its name in the room, whatever stood there."""
    assert len(OFFERED) == len(HOMES)
    assert set(HOMES) & set(FILES) == set()


def test_a_door_offers_only_what_others_use() -> None:
    """The package's own offers what people may use in programs of theirs."""
    used = {name for module, names in IMPORTS.items() for name in names if room_of(module) != room_of(file_of(name))}
    front = {name for name in HOMES if name.count(".") == 1}
    used |= {f"{HOMES[name]}.{name.rpartition('.')[2]}" for name in front}
    assert HOMES.keys() - front - used == STARTED


def test_a_door_that_opens_loads_nothing() -> None:
    rooms = ", ".join(f"stripread.{room}" for room in sorted(FOLDERS))
    code = f"import sys, {rooms}\nprint(*(name for name in sys.modules if name.count('.') > 1 and 'stripread' in name))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == []


def test_what_is_private_stays_in_its_room() -> None:
    wrong = [
        f"{module} imports {name}"
        for module, names in IMPORTS.items()
        for name in sorted(names)
        if room_of(file_of(name)) != room_of(module)
        and any(part.startswith("_") and not part.endswith("__") for part in name.split("."))
    ]
    assert not wrong, "\n".join(wrong)


def test_a_folder_can_be_taken_in_at_a_glance() -> None:
    """More than 20 files want a wall between them."""
    files = Counter(path.parent.relative_to(PACKAGE.parent) for path in FILES.values())
    crowded = [f"{folder} holds {count}" for folder, count in files.items() if count > MOST_FILES]
    assert not crowded, "\n".join(crowded)


def test_no_file_imports_itself_in_a_circle() -> None:
    graph = {module: {file_of(name) for name in names} for module, names in IMPORTS.items()}
    TopologicalSorter(graph).prepare()  # CycleError names the circle


def test_only_the_faces_and_the_loaders_touch_the_clock() -> None:
    for module, path in FILES.items():
        if room_of(module) in {"cli", "web"} or module == "stripread.measure.card":
            continue  # the faces; measuring times its stages
        text = path.read_text(encoding="utf-8")
        for clock in ("datetime.now", "date.today", "time.time("):
            assert clock not in text, f"{module} reads the clock"
