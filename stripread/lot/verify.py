"""Check standards: what a strip of a known dilution reads, held against what it should read, one by one and in a row.

The normalised error E_n is the difference over its expanded uncertainty: by this definition it lies from -1 to 1 in
95 % of good checks. The two rules of the control chart, one beyond 3 and two of three beyond 2 on the same side, are
common practice, no source; how often they are broken by chance follows from the normal distribution.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from stripread.i18n import Message, Number
from stripread.lot.inverse import COVERAGE

__all__ = ["Agreement", "broken_rules", "compare_to_known", "standard_score"]

_K_KNOWN = 2.0  # coverage factor of the known value: about 95 % where its uncertainty is well known
_ACTION, _WARNING = 3.0, 2.0  # limits of the chart, in standard uncertainties


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """How a reading agrees with a known value.

    Attributes
    ----------
    difference : float
        Read minus known.
    expanded_uncertainty : float
        Of the difference, for 95 %.
    e_n : float
        Difference over its expanded uncertainty; agrees where it lies within -1 and 1.
    z : float
        Difference over its standard uncertainty, for the control chart.
    """

    difference: float
    expanded_uncertainty: float
    e_n: float
    z: float

    @property
    def agrees(self) -> bool:
        """Whether the difference is within its expanded uncertainty."""
        return abs(self.e_n) <= 1.0


def compare_to_known(
    value: float, u: float, *, known: float, u_known: float, degrees_of_freedom: float = math.inf
) -> Agreement:
    """Hold a reading against the known value of what the strip was dipped into.

        E_n = (x - ref) / sqrt(U_x^2 + U_ref^2),    z = (x - ref) / sqrt(u_x^2 + u_ref^2)

    U_x = t u_x with Student's t for 95 % and the reading's effective degrees of freedom; U_ref = 2 u_ref.

    Parameters
    ----------
    value, u : float
        The reading and its standard uncertainty (k = 1), over 0.
    known, u_known : float
        The dilution and its standard uncertainty (k = 1), 0 or more.
    degrees_of_freedom : float
        Effective, of ``u``.

    Raises
    ------
    ValueError
        If an uncertainty is not as above.
    """
    from scipy.stats import t as student

    if not u > 0 or not u_known >= 0:
        raise ValueError(f"standard uncertainties of {u} (reading) and {u_known} (known)")
    expanded = math.hypot(float(student.ppf((1 + COVERAGE) / 2, degrees_of_freedom)) * u, _K_KNOWN * u_known)
    return Agreement(
        difference=value - known,
        expanded_uncertainty=expanded,
        e_n=(value - known) / expanded,
        z=standard_score(value, u, known=known, u_known=u_known),
    )


def standard_score(value: float, u: float, *, known: float, u_known: float) -> float:
    """Return z, the difference between reading and known value over its standard uncertainty."""
    return (value - known) / math.hypot(u, u_known)


def broken_rules(scores: Sequence[float]) -> tuple[Message, ...]:
    """Return in words which rules of the control chart the last of the scores breaks; none for none.

    One score beyond 3, or two of the last three, the last one among them, beyond 2 on the same side.
    """
    if len(scores) == 0:
        return ()
    last, recent = scores[-1], scores[-3:]
    broken = []
    if abs(last) > _ACTION:
        z, limit = Number(abs(last), ".1f"), Number(_ACTION, "g")
        broken.append(
            Message(
                "the last check that counts lies %(z)s standard uncertainties over its known value: beyond the action "
                "limit of %(limit)s",
                z=z,
                limit=limit,
            )
            if last > 0
            else Message(
                "the last check that counts lies %(z)s standard uncertainties under its known value: beyond the "
                "action limit of %(limit)s",
                z=z,
                limit=limit,
            )
        )
    if abs(last) > _WARNING and sum(z * last > 0 and abs(z) > _WARNING for z in recent) >= 2:
        limit = Number(_WARNING, "g")
        broken.append(
            Message(
                "two of the last three checks lie more than %(limit)s standard uncertainties over their known values",
                limit=limit,
            )
            if last > 0
            else Message(
                "two of the last three checks lie more than %(limit)s standard uncertainties under their known values",
                limit=limit,
            )
        )
    return tuple(broken)
