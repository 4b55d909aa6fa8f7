"""What a reading makes of a poor match: it is weighed by the lot's own, and widened where the photo is unlike it."""

import numpy as np
import pytest

from stripread.findings import make_finding
from stripread.lot import Likeness
from stripread.read.strip import _weighed, _widened
from tests.listed import each

POOR = make_finding("poor_correction", "Patches left out of the fit are missed by 2.7 CIEDE2000 on average.")


def like(distance: float, *, comparable: bool = True) -> Likeness:
    return Likeness(np.ones(1), np.zeros((3, 3)), distance, comparable)


@each(
    ("likeness", "severity"),
    [(like(0.2), "info"), (like(0.9), "warning"), (like(float("nan"), comparable=False), "warning")],
)
def test_a_poor_match_that_the_lot_shares_is_no_doubt(likeness: Likeness, severity: str) -> None:
    assert _weighed(POOR, likeness).severity == severity


def test_other_findings_stay_as_they_are() -> None:
    finding = make_finding("shadow_edge", "The edge of a shadow.")
    assert _weighed(finding, like(0.1)) == finding


def test_u_grows_with_the_distance_from_the_lot_beyond_what_was_fitted() -> None:
    assert _widened(like(0.9), [POOR]) == 1.0
    assert _widened(like(3.0), [POOR]) == pytest.approx(3.0)
    assert _widened(like(float("nan"), comparable=False), [POOR]) == 1.0


def test_a_shadow_on_the_card_is_not_taken_for_a_light_unlike_the_lot() -> None:
    assert _widened(like(3.0), [make_finding("shadow_edge", "White and grey patches depart.")]) == 1.0
