"""The commands as Markdown for docs/reference/cli.md, from what --help knows; a test holds the page to it.

``python tests/unit/cli_reference.py`` writes that part of the page anew.
"""

import inspect
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import typer.main

from stripread.cli.app import app

PAGE = Path(__file__).parents[2] / "docs" / "reference" / "cli.md"
START = "<!-- Below: `python tests/unit/cli_reference.py` -->"


def commands() -> Iterator[tuple[str, Any]]:
    """Every command with its full name, in the order of --help."""

    def walk(name: str, command: Any) -> Iterator[tuple[str, Any]]:
        children = getattr(command, "commands", None)
        if children is None:
            yield name, command
            return
        for child, below in children.items():
            yield from walk(f"{name} {child}", below)

    yield from walk("stripread", typer.main.get_command(app))


def markdown() -> str:
    """Return all commands as Markdown."""
    return "\n".join(_section(name, command) for name, command in commands())


def _section(name: str, command: Any) -> str:
    words, _, example = inspect.cleandoc(command.help).partition("Example:")
    example, _, after = example.strip().partition("\n\n")
    lines = [f"### {name}", "", words.strip(), "", "```", " ".join(example.split()), "```", ""]
    if after:
        lines += [" ".join(after.split()), ""]
    params = [param for param in command.params if param.name != "help"]
    if params:
        lines += ["| | | |", "|---|---|---|"]
    for param in params:
        flag = param.param_type_name == "option"
        spelling = max(param.opts, key=len) if flag else param.metavar
        metavar = param.metavar or ""
        shown = f"`{spelling} {metavar}`" if flag and metavar else f"`{spelling}`"
        lines.append(f"| {shown} | {'needed' if param.required else ''} | {param.help} |")
    return "\n".join([*lines, ""])


def main() -> None:
    """Write the page's part anew."""
    head, _, _ = PAGE.read_text(encoding="utf-8").partition(START)
    PAGE.write_text(f"{head}{START}\n\n{markdown()}", encoding="utf-8")


if __name__ == "__main__":
    main()
