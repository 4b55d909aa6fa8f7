"""A plain install has no matplotlib: commands that need none say nothing of it."""

import subprocess
import sys
from pathlib import Path

import pytest

HIDDEN = "import sys; sys.modules['matplotlib'] = None; "


def run(code: str, *words: object) -> subprocess.CompletedProcess[str]:
    """Run code in a process of its own where matplotlib cannot be imported."""
    return subprocess.run(
        [sys.executable, "-c", HIDDEN + code, *map(str, words)], capture_output=True, text=True, check=False
    )


@pytest.mark.parametrize(
    "words",
    [["card", "make", "card.svg"], ["simulate", "photo", "photo.jpg", "--kind", "clo2-ultralow", "--value", "0.2"]],
    ids=["card", "photo"],
)
def test_nothing_but_our_own_words_is_on_stderr(words: list[str], tmp_path: Path) -> None:
    words[2] = str(tmp_path / words[2])
    done = run("from stripread.cli import main; main()", *words)
    assert (done.returncode, done.stdout) == (0, "")
    assert done.stderr.startswith(f"wrote {tmp_path}")
    assert len(done.stderr.splitlines()) == 1


def test_what_colour_science_puts_in_place_of_matplotlib_is_taken_away_again() -> None:
    code = """
from stripread.colour.lab import colour_science
from stripread.report.document.document import Document
from stripread.report.document.pdf import document_pdf
print(colour_science().delta_E([50, 0, 0], [51, 0, 0], method="CIE 1976"))
document_pdf(Document(title="a", subtitle="b", parts=(), footer="c"))
"""
    done = run(code)
    assert done.stdout.strip() == "1.0"
    assert "MissingExtraError: Expected the package matplotlib" in done.stderr
