"""Whoever installs one extra alone has all that it offers: what is imported there comes with it or with the program."""

import ast
import sys
import tomllib
from functools import cache
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from stripread.records.database import make_url_of
from tests.doors import HOMES
from tests.listed import each

ROOT = Path(__file__).parents[2]
FILES = frozenset((ROOT / "stripread").rglob("*.py"))
PAGE = {path for path in FILES if path.relative_to(ROOT / "stripread").parts[0] in {"web", "i18n"}}
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
EXTRAS = sorted(set(PROJECT["optional-dependencies"]) - {"all", "dev"})
OF_DEVELOPERS = {"skimage"}  # photographs under simulated strips, drawn by tests and benchmarks alone
PACKAGES = packages_distributions()


def required(*extras: str) -> set[str]:
    """Return the packages that come with the program and some extras."""
    found, lines = set(), list(PROJECT["dependencies"])
    for extra in extras:
        lines += PROJECT["optional-dependencies"][extra]
    for requirement in map(Requirement, lines):
        others = requirement.name == PROJECT["name"]
        found |= required(*requirement.extras) if others else {canonicalize_name(requirement.name)}
    return found


def missing(roots: set[str], *extras: str) -> set[str]:
    """Return what is imported that does not come with the program and some extras."""
    have = required(*extras)
    return {root for root in roots if not have & {canonicalize_name(name) for name in PACKAGES.get(root, ())}}


@cache
def imports_of(path: Path, *, late: bool) -> frozenset[str]:
    """Modules that a file imports; ``late``: those too that its functions import when they are called."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found = set()
    for node in ast.walk(tree) if late else tree.body:
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    return frozenset(found | {HOMES[name] for name in found & HOMES.keys()})


def file_of(module: str) -> Path | None:
    path = ROOT.joinpath(*module.split("."))
    return next((one for one in (path.with_suffix(".py"), path / "__init__.py") if one in FILES), None)


def imported(files: set[Path], *, late: bool) -> set[str]:
    """Return others' packages that files import, and all files of ours that these import."""
    todo, seen, roots = set(files), set(files), set()
    while todo:
        for module in imports_of(todo.pop(), late=late):
            root, file = module.split(".")[0], file_of(module)
            if root != "stripread":
                roots.add(root)
            elif file is not None and file not in seen:
                seen.add(file)
                todo.add(file)
    return roots - sys.stdlib_module_names


def offered_by(extra: str) -> set[Path]:
    """Return the files whose errors tell to install an extra; of the page, all."""
    found = {path for path in FILES if f"stripread[{extra}]" in path.read_text(encoding="utf-8")}
    assert found
    return found | (PAGE if extra == "web" else set())


@pytest.mark.slow
@each("extra", EXTRAS)
def test_an_extra_alone_has_what_it_offers(extra: str) -> None:
    assert missing(imported(offered_by(extra), late=True), extra) == set()


def test_the_driver_of_postgresql_comes_with_its_extra() -> None:
    driver = make_url_of("postgresql://name@host/database").get_dialect().import_dbapi()
    assert missing({driver.__name__}) == {driver.__name__}
    assert missing({driver.__name__}, "postgresql") == set()


@pytest.mark.slow
def test_a_plain_install_can_import_all_but_the_page() -> None:
    assert missing(imported(set(FILES - PAGE), late=False)) == set()


def test_all_that_is_imported_anywhere_comes_with_all_extras() -> None:
    assert missing(imported(set(FILES), late=True), "all") == OF_DEVELOPERS
    assert missing(OF_DEVELOPERS, "dev") == set()


def test_only_the_page_and_what_names_an_extra_imports_what_a_plain_install_has_not() -> None:
    """A file that draws on a figure it was given has needed the package before."""
    rooms = ROOT / "stripread"
    given = {rooms / "report" / "pictures" / "trend.py", rooms / "simulate" / "looks" / "bench.py"}
    naming = set().union(*(offered_by(extra) for extra in EXTRAS))
    for path in FILES - naming - given:
        own = {module.split(".")[0] for module in imports_of(path, late=True)} - sys.stdlib_module_names - {"stripread"}
        assert missing(own) == set(), path
