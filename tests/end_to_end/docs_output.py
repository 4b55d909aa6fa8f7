"""Runs the commands that the pages show and writes what they print now: tutorial, study, budget, changelog's table.

``python tests/end_to_end/docs_output.py`` does all of it in a temporary folder; twenty seconds. Run it when a number
moves. A comment ``<!-- leave out: START | END -->`` before a block has the lines from the one that starts with START
(or the first) to before the one that starts with END replaced by dots.
"""

import json
import os
import re
import shlex
import shutil
import sys
import tomllib
from pathlib import Path
from tempfile import TemporaryDirectory

from typer.testing import CliRunner

from stripread.cli.app import app

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
BLOCK = re.compile(
    r"(?:<!-- leave out: (?P<start>.*?) ?\| (?P<end>.*?) -->\n)?```(?P<kind>console|toml)\n(?P<body>.*?)```", re.DOTALL
)
TABLE = re.compile(r"(\| photo \| pad \|.*\n\|[-|]+\n)(?:\|.*\n)*")


def run(words: list[str]) -> str:
    """Return what a stripread command prints, talk included."""
    return CliRunner().invoke(app, words).output.strip("\n")


def shown(body: str, start: str | None, end: str | None) -> str:
    """Run the commands of a block and return it with their output."""
    result = []
    for command in re.findall(r"^\$ (?:.*\\\n)*.*$", body, re.MULTILINE):
        result.append(command)
        program, *words = shlex.split(command.removeprefix("$ ").replace("\\\n", " "))
        if program == "cd":
            os.chdir(words[0])
            continue
        if program == "cp":
            shutil.copytree(*words[1:], ignore=shutil.ignore_patterns("*.jpg"))
            continue
        lines = run(words).splitlines()
        if end is not None:
            first = next(i for i, line in enumerate(lines) if line.startswith(start or ""))
            after = next(i for i, line in enumerate(lines) if line.startswith(end))
            lines[first:after] = ["  ..."]
        result += lines
    return "\n".join(result) + "\n"


def name_in_site(body: str) -> None:
    """Put the lines of a TOML block into the site file's tables of the same names."""
    site = Path("site.toml").read_text(encoding="utf-8")
    for table, lines in re.findall(r"^(\[\w+\]\n)((?:.+\n)+)", body, re.MULTILINE):
        site = site.replace(table, table + lines)
    Path("site.toml").write_text(site, encoding="utf-8")


def refreshed(page: str) -> str:
    """Return a page with the output of its commands as it is now."""

    def block(match: re.Match[str]) -> str:
        body = match["body"]
        if match["kind"] == "toml":
            name_in_site(body)
            return match[0]
        return match[0].replace(body, shown(body, match["start"], match["end"]))

    return BLOCK.sub(block, page)


def sample_rows() -> str:
    """Return the changelog's rows: what each sample photo reads, if it gives a number."""
    rows = []
    for path in sorted((ROOT / "sample_images").glob("*.toml")):
        truth = tomllib.loads(path.read_text(encoding="utf-8"))
        words = ["read", str(path.with_suffix(".jpg")), "--lot", truth["lot"], "--sample", truth["sample"]]
        words += ["--card", truth["card"], "--site", str(ROOT / "calibration"), "--json"]
        for pad in json.loads(run(words)).get("pads", ()):
            if pad["value"] is not None:
                true = truth["concentration"][pad["pad"]]
                rows.append(
                    f"| `{path.stem}` | {pad['pad']} | {pad['value']:.3g} | {pad['standard_uncertainty']:.2g} "
                    f"| {true:g} | {pad['unit']} |\n"
                )
    return "".join(rows)


def rewrite(page: Path, text: str) -> None:
    if page.read_text(encoding="utf-8") != text:
        page.write_text(text, encoding="utf-8")
        sys.stdout.write(f"moved: {page.relative_to(ROOT)}\n")


def main() -> None:
    """Write the pages anew."""
    tutorial, uncertainty, changelog = (
        DOCS / name for name in ("tutorial.md", "explanation/uncertainty.md", "changelog.md")
    )
    for page in (tutorial, DOCS / "how-to" / "prove-on-your-phones.md"):
        with TemporaryDirectory() as folder:
            for name in ("calibration", "sample_images"):
                (Path(folder) / name).symlink_to(ROOT / name)
            os.chdir(folder)
            rewrite(page, refreshed(page.read_text(encoding="utf-8")))
            os.chdir(ROOT)
    rewrite(uncertainty, refreshed(uncertainty.read_text(encoding="utf-8")))
    rows = sample_rows()
    rewrite(changelog, TABLE.sub(lambda match: match[1] + rows, changelog.read_text(encoding="utf-8")))


if __name__ == "__main__":
    main()
