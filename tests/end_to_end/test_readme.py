"""The example in the README is what the program says now."""

import re
import shlex
from pathlib import Path

import pytest
from typer.testing import CliRunner

from stripread.cli.app import app

ROOT = Path(__file__).parents[2]


def example() -> tuple[list[str], str]:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    found = re.search(
        r"```console\n\$ stripread (.+?)\n```\n\n<!-- readme-output -->\n```text\n(.*?)```", text, re.DOTALL
    )
    assert found is not None
    return shlex.split(found[1]), found[2]


def test_the_readme_shows_the_real_output(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    arguments, shown = example()
    arguments[arguments.index("reading.png")] = str(tmp_path / "reading.png")
    monkeypatch.chdir(ROOT)
    result = CliRunner().invoke(app, arguments)
    assert result.exit_code == 0, result.output
    assert result.stdout.strip() == shown.strip()
    assert (tmp_path / "reading.png").stat().st_size > 50_000
