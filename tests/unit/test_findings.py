from pathlib import Path

import pytest

from stripread.findings import REGISTRY, make_finding, worst_severity
from tests.listed import each

PAGE = Path(__file__).parents[2] / "docs" / "reference" / "findings.md"


def documented() -> dict[str, tuple[str, ...]]:
    """Rows of the page's tables of findings, by code."""
    rows = [
        tuple(cell.strip() for cell in line.strip().strip("|").split("|"))
        for line in PAGE.read_text(encoding="utf-8").splitlines()
        if line.startswith("| `") and line.count("|") == 5
    ]
    return {row[0].strip("`"): row[1:] for row in rows}


@each("code", REGISTRY)
def test_the_reference_page_says_of_every_finding_what_the_registry_says(code):
    kind = REGISTRY[code]
    assert documented().get(code) == (kind.severity, str(kind.meaning), str(kind.advice))


def test_the_reference_page_lists_no_finding_that_is_gone():
    assert set(documented()) <= set(REGISTRY)


def test_only_findings_under_the_sample_heading_are_about_the_sample():
    part = PAGE.read_text(encoding="utf-8").split("## The sample\n")[1].split("\n## ")[0]
    assert {code for code, kind in REGISTRY.items() if str(kind.about) == "sample"} == {
        code for code in REGISTRY if f"| `{code}` |" in part
    }


def test_make_finding_takes_the_registry_s_severity_and_advice_unless_told():
    usual = make_finding("lot_expired", "Two days ago.")
    assert (usual.severity, usual.advice) == (REGISTRY["lot_expired"].severity, REGISTRY["lot_expired"].advice)
    told = make_finding("lot_expired", "Two days ago.", advice="Throw it away.", severity="error")
    assert (told.severity, told.advice) == ("error", "Throw it away.")


def test_make_finding_refuses_a_code_that_is_not_listed():
    with pytest.raises(KeyError):
        make_finding("no_such_code", "Nothing.")


def test_worst_severity_ranks_error_over_warning_over_info():
    info, warning, error = (make_finding("photo_dark", "Dark.", severity=s) for s in ("info", "warning", "error"))
    assert worst_severity((info, error, warning)) == "error"
    assert worst_severity((info, warning)) == "warning"
    assert worst_severity((info,)) == "info"
    assert worst_severity(()) is None
