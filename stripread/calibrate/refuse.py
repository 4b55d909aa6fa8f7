"""What a dilution series is refused for: a design too small, a strip or a level that lies apart, a path that folds."""

from collections.abc import Sequence

import numpy as np

from stripread.calibrate.levels import U_MODEL, Level, level_covariances, plain_scatter
from stripread.calibrate.path import FittedPath, fit_path
from stripread.errors import CalibrationRefusedError
from stripread.i18n import ByFace, Message, Number, Shown
from stripread.lot import Calibrator, Curve

__all__ = ["LEAST_LEVELS", "LEAST_REPLICATED", "check_design", "check_fold", "check_levels", "check_strips"]

LEAST_LEVELS = 5  # common practice, no source: at least 5 levels with 3 replicates
LEAST_REPLICATED = 3  # levels with two strips or more
_LEVEL_P, _STRIP_P = 1e-4, 1e-4  # chance that a good level or strip is refused


def _refuse(expected: Shown, found: Shown, remedy: Shown) -> CalibrationRefusedError:
    return CalibrationRefusedError(expected=expected, found=found, remedy=remedy)


def check_design(levels: Sequence[Level], *, blank: bool, pad: str) -> None:
    """Refuse too few levels, a scale with a zero that has no blank, too few replicates."""
    values = ", ".join(f"{v.concentration:g}" for v in levels)
    if len(levels) < LEAST_LEVELS:
        raise _refuse(
            Message("at least %(least)s levels for pad %(pad)s", least=LEAST_LEVELS, pad=repr(pad)),
            Message("%(levels)s (%(values)s)", levels=len(levels), values=values),
            Message("Add dilutions spread over the range."),
        )
    if blank and levels[0].concentration != 0:
        raise _refuse(
            Message("a blank (concentration 0) for pad %(pad)s", pad=repr(pad)),
            Message("levels %(values)s", values=values),
            Message("Add strips dipped in water without it."),
        )
    replicated = sum(len(v.strips) >= 2 for v in levels)
    if replicated < LEAST_REPLICATED:
        raise _refuse(
            Message(
                "replicate strips at %(least)s or more levels for pad %(pad)s", least=LEAST_REPLICATED, pad=repr(pad)
            ),
            Message("%(replicated)s levels with more than one strip", replicated=replicated),
            Message("Dip at least two, better three strips at each level."),
        )


def check_strips(inside: Sequence[Calibrator], levels: Sequence[Level], curve: Curve, *, pad: str) -> None:
    """Name the strip that lies apart from its level's others by far more than strips scatter."""
    from scipy.stats import f as fisher

    for level in levels:
        n = len(level.strips)
        if n < 2:
            continue
        middle = np.median(level.strips, axis=0) if n > 2 else curve.lab(np.array([level.concentration]))[0]
        inverse = np.linalg.inv(curve.scatter_at(np.array([level.concentration]))[0] + U_MODEL**2 * np.eye(3))
        limit = 3 * fisher.ppf(1 - _STRIP_P, 3, max(curve.scatter.degrees_of_freedom, 4))
        distance = np.einsum("ni,ij,nj->n", level.strips - middle, inverse, level.strips - middle)
        # The strip itself has widened the pooled scatter, so the spread of all others is what it is held against.
        others = plain_scatter([v for v in levels if v is not level and len(v.strips) > 1])
        plain = np.linalg.norm(level.strips - middle, axis=1)
        index = int(np.argmax(distance))
        reach = np.linalg.norm(curve.relative_change(np.array([level.concentration]))[0])
        allowed = 6 * np.hypot(others, curve.scatter.relative * reach)
        if distance[index] > limit or plain[index] > max(allowed, 1.5):
            name = sorted({c.replicate for c in inside if c.concentration == level.concentration})[index]
            photos = [c.photo for c in inside if c.concentration == level.concentration and c.replicate == name]
            raise _refuse(
                Message(
                    "the strips at %(concentration)s to agree (pad %(pad)s)",
                    concentration=Number(level.concentration, "g"),
                    pad=repr(pad),
                ),
                Message(
                    "strip %(name)s (%(photos)s) %(apart)s Delta E from the others",
                    name=name,
                    photos=", ".join(photos),
                    apart=Number(plain[index], ".1f"),
                ),
                ByFace(
                    Message(
                        "Look at that photo; dip and photograph the strip again, or calibrate with --without and "
                        "its photo's name, which the lot file records."
                    ),
                    Message(
                        "Look at that photo; dip and photograph the strip again, or leave its photo out below, "
                        "which the lot file records."
                    ),
                ),
            )


def check_levels(levels: Sequence[Level], fitted: FittedPath, *, pad: str) -> None:
    """Name the level that the curve misses by far more than its uncertainty when it is fitted without it."""
    from scipy.stats import chi2

    curve = fitted.curve
    worst, where, others = 0.0, 0, curve
    for index in range(len(levels)):
        rest = [v for k, v in enumerate(levels) if k != index]
        if len(rest) < LEAST_LEVELS - 1 or index in (0, len(levels) - 1):
            without = curve
            off = levels[index].mean - curve.lab(np.array([levels[index].concentration]))[0]
            spread = level_covariances([levels[index]], curve)[0]
        else:
            try:
                without = fit_path(rest, curve.scatter, near=fitted).curve
            except CalibrationRefusedError:
                continue
            here = np.array([levels[index].concentration])
            off = levels[index].mean - without.lab(here)[0]
            # Interpolating over a gap is uncertain by more than the parameters' covariance tells: 3 % of the step.
            gap = levels[index + 1].mean - levels[index - 1].mean
            spread = (
                level_covariances([levels[index]], without)[0]
                + without.covariance_at(here)[0]
                + 0.03**2 * float(gap @ gap) * np.eye(3)
            )
        distance = float(off @ np.linalg.solve(spread, off))
        if distance > worst:
            worst, where, others = distance, index, without
    if worst > 2.0 * chi2.ppf(1 - _LEVEL_P / len(levels), 3):
        level = levels[where]
        grid = others.grid()
        nearest = grid[np.argmin(np.sum((others.lab(grid) - level.mean) ** 2, axis=1))]
        raise _refuse(
            Message("every level on one smooth curve (pad %(pad)s)", pad=repr(pad)),
            Message(
                "the level %(concentration)s, whose strips look like about %(nearest)s",
                concentration=Number(level.concentration, "g"),
                nearest=Number(nearest, ".3g"),
            ),
            ByFace(
                Message(
                    "Check that dilution and its label; make it again, or calibrate with --without and its photos' "
                    "names."
                ),
                Message("Check that dilution and its label; make it again, or leave its photos out below."),
            ),
        )


def check_fold(curve: Curve, *, pad: str) -> None:
    """Refuse a path that comes back near itself: one colour would then stand for two concentrations."""
    grid = curve.grid(80)
    path = curve.lab(grid)
    scatter = curve.scatter_at(grid) + U_MODEL**2 * np.eye(3) + curve.covariance_at(grid)
    inverse = np.linalg.inv(scatter)
    for i in range(len(grid) - 2):
        off = path[i + 1 :] - path[i]
        distance = np.einsum("ni,ij,nj->n", off, inverse[i], off)
        far = np.maximum.accumulate(distance)
        back = np.nonzero((far > 36.0) & (distance < 9.0))[0]
        if len(back):
            j = i + 1 + int(back[0])
            raise _refuse(
                Message("one colour for each concentration (pad %(pad)s)", pad=repr(pad)),
                Message(
                    "the same colour at %(one)s and %(other)s: the curve folds back",
                    one=Number(grid[i], ".3g"),
                    other=Number(grid[j], ".3g"),
                ),
                ByFace(
                    Message("Mark the levels where the pad bleaches or turns back with beyond = yes in the series."),
                    Message(
                        "Plan it again, with the levels where the pad bleaches or turns back as far above the range."
                    ),
                ),
            )
