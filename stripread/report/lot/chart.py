"""A calibrated lot held against the chart on its vial, as a table."""

from collections.abc import Sequence

from stripread.calibrate import BlockCheck
from stripread.report.terminal.reading import table
from stripread.units import format_number, places_for

__all__ = ["agrees", "vial_check_text"]

_WARN, _FAR = 2.0, 3.0  # standard uncertainties


def agrees(checks: Sequence[BlockCheck]) -> bool:
    """Tell whether no block lies 3 standard uncertainties off, and no two more than 2.

    One block in twenty lies more than 2 off by chance.
    """
    scores = [abs(check.score) for check in checks]
    return max(scores) <= _FAR and sum(score > _WARN for score in scores) <= 1


def vial_check_text(checks: Sequence[BlockCheck], *, unit: str, lot: str) -> str:
    """Return what the lot reads for each block, with the difference in combined standard uncertainties."""
    rows = []
    for check in checks:
        places = places_for(2 * check.estimate.standard_uncertainty)
        reads = "near its end" if check.at_end else format_number(check.estimate.value, places)
        u = "" if check.at_end else format_number(check.estimate.standard_uncertainty, places)
        off = abs(check.score)
        remark = "differs" if off > _FAR else "look" if off > _WARN else ""
        rows.append((f"{check.value:g}", reads, u, f"{check.score:+.1f}", remark))
    head = (f"on the vial [{unit}]", f"lot {lot} reads", "u (k = 1)", "difference in u", "")
    verdict = (
        "The lot agrees with the chart on its vial, as far as a chart can tell."
        if agrees(checks)
        else "The lot does not agree with the chart on its vial. Check that vial and lot belong together, the values, "
        "and the dilutions of the calibration."
    )
    return f"{table(head, rows)}\n{verdict}"
