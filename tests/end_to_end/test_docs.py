"""What the pages say exists: links, commands, options, make targets, files."""

import re
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer.main

from stripread.cli.app import app
from tests.listed import each

ROOT = Path(__file__).parents[2]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md"))]
FENCE = re.compile(r"^```[^\n]*\n(.*?)^```", re.DOTALL | re.MULTILINE)
OPTION = re.compile(r"(?<![\w-])--[a-z][a-z-]*")


each_page = each("page", PAGES)


def fences(page: Path) -> list[str]:
    return FENCE.findall(page.read_text(encoding="utf-8"))


def prose(page: Path) -> str:
    return FENCE.sub("", page.read_text(encoding="utf-8"))


def code_spans(page: Path) -> list[str]:
    return [" ".join(span.split()) for span in re.findall(r"`([^`]+)`", prose(page))]


# --- links -----------------------------------------------------------------------------------------------------------


def anchors(page: Path) -> set[str]:
    """Names under which the headings of a page are linked to: lower case, without signs, words joined by hyphens."""
    headings = re.findall(r"^#+ (.+)$", prose(page), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", h.lower()).replace(" ", "-") for h in headings}


@each_page
def test_links_lead_somewhere(page: Path) -> None:
    missing = []
    for link in re.findall(r"\]\(([^)\s]+)\)", prose(page)):
        if re.match(r"[a-z]+:", link):
            continue
        target, _, anchor = link.partition("#")
        path = (page.parent / target).resolve() if target else page
        if not path.exists() or (anchor and anchor not in anchors(path)):
            missing.append(link)
    assert missing == []


def test_every_page_is_reached_from_the_index() -> None:
    index = ROOT / "docs" / "index.md"
    linked = {(index.parent / link).resolve() for link in re.findall(r"\]\(([^)#\s]+)", prose(index))}
    assert {page.resolve() for page in PAGES if page != index} - linked == set()


# --- commands --------------------------------------------------------------------------------------------------------


def command_lines(block: str) -> Iterator[str]:
    """Lines of a code block that start stripread, with or without a prompt; continued lines joined, pipes cut off."""
    for line in block.replace("\\\n", " ").splitlines():
        words = line.strip().removeprefix("$ ")
        if words.startswith("stripread "):
            yield re.split(r" [|>]", words)[0]


def parse(line: str) -> tuple[Any, dict[str, Any]]:
    """Find the command of a line and take its words apart, by the command line's own parser; nothing is run."""
    _, *words = shlex.split(line, comments=True)
    command: Any = typer.main.get_command(app)
    while hasattr(command, "commands") and words and not words[0].startswith("-"):
        assert words[0] in command.commands, f"no command {words[0]!r}: {line}"
        command = command.commands[words.pop(0)]
    context = command.context_class(command, info_name="stripread")
    given, left, _ = command.make_parser(context).parse_args(words)
    assert left == [], f"left over {left}: {line}"
    return command, given


@each_page
def test_commands_shown_are_whole_and_exist(page: Path) -> None:
    for line in (line for block in fences(page) for line in command_lines(block)):
        command, given = parse(line)
        if "help" in given or "version" in given:
            continue
        assert not hasattr(command, "commands"), f"a command is missing: {line}"
        missing = [p.name for p in command.params if p.required and given.get(p.name) in (None, (), [])]
        assert missing == [], line


@each_page
def test_commands_named_in_the_text_exist(page: Path) -> None:
    for span in code_spans(page):
        if span.startswith("stripread ") and "..." not in span and "COMMAND" not in span:
            parse(re.sub(r"\|\w+", "", span))  # OUT.png|pdf|svg


def test_the_parser_refuses_what_does_not_exist() -> None:
    for line in ("stripread reed a.jpg", "stripread read a.jpg --lott x", "stripread lot calibrate --sample x"):
        with pytest.raises(Exception, match=r"reed|lott|sample"):
            parse(line)


def known_options() -> set[str]:
    """All options of the commands, and of the benchmarks."""

    def walk(command: Any) -> Iterator[str]:
        for param in command.params:
            yield from (name for name in (*param.opts, *param.secondary_opts) if param.param_type_name == "option")
        for below in getattr(command, "commands", {}).values():
            yield from walk(below)

    benchmarks = "".join(p.read_text(encoding="utf-8") for p in (ROOT / "tests" / "benchmarks").glob("*.py"))
    return {*walk(typer.main.get_command(app)), *re.findall(r'"(--[a-z-]+)"', benchmarks), "--help"}


@each_page
def test_options_named_in_the_text_exist(page: Path) -> None:
    spans = [span for span in code_spans(page) if span.startswith(("-", "stripread ", "lot ", "card ", "read "))]
    named = {option for span in spans for option in OPTION.findall(span)}
    assert named - known_options() == set()


# --- make targets and files ------------------------------------------------------------------------------------------


@each_page
def test_make_targets_named_exist(page: Path) -> None:
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    targets = set(re.findall(r"^([a-z-]+):", makefile, re.MULTILINE))
    lines = code_spans(page) + [line.removeprefix("$ ") for block in fences(page) for line in block.splitlines()]
    named = {match[1] for line in lines if (match := re.match(r"make ([a-z-]+)", line))}
    assert named - targets == set()


@each_page
def test_files_of_the_project_named_exist(page: Path) -> None:
    pattern = re.compile(r"(?:stripread|tests|docs|calibration|sample_images)/[\w./*-]*")
    named = {span for span in code_spans(page) if pattern.fullmatch(span)}
    assert {name for name in named if not list(ROOT.glob(name.rstrip("/")))} == set()
