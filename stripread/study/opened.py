"""The truth opened: what each strip was dipped into, from the stock's three assays, and all results in one table."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from stripread.errors import StudyError
from stripread.i18n import Message
from stripread.study.run import ASSAYS, RunState
from stripread.study.shape import Truth
from stripread.study.table import EyeRow, PhotoRow, StudyTable
from stripread.units import Measured
from stripread.water import LossFit, Timed, fit_loss, strength_at

__all__ = ["OpenedStudy", "open_study"]

_CLOCK_S = 5.0  # clocks differ by so much; ours, as in the rule of the read window
_UNFAMILIAR = frozenset({"unfamiliar_light", "unknown_light"})  # findings


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenedStudy:
    """A study whose truth was opened.

    Attributes
    ----------
    assays : tuple of Timed
        In hours from the first one.
    loss : LossFit
        Fitted to them.
    skipped : mapping of code to why
    late : mapping of photo to seconds
        From dip to photo, of those that were taken outside of the strip's window by the phone's clock.
    refusals : int
        How often the program refused a photo, those that were taken again with success included.
    """

    table: StudyTable
    assays: tuple[Timed, ...]
    loss: LossFit
    skipped: dict[str, str]
    late: dict[str, float]
    refusals: int


def open_study(state: RunState, truth: Truth) -> OpenedStudy:
    """Put all results against the truth.

    The solutions are taken to lose strength as the stock does, from the first assay on; before it, nothing is lost.

    Raises
    ------
    StudyError
        Before all is done: strips are left, or the stock was not assayed three times.
    """
    if not state.finished:
        missing = [which for which in ASSAYS if which not in state.assays]
        raise StudyError(
            expected=Message("a study that is done, as its truth stays sealed until then"),
            found=Message(
                "%(done)s of %(strips)s strips done, assays of the stock missing: %(missing)s",
                done=state.done,
                strips=len(state.plan.strips),
                missing=", ".join(missing) or "-",
            ),
            remedy=Message("Go on with it. A strip that was lost is skipped, with the reason."),
        )
    first = min(event.when for event in state.assays.values())
    hour, late = timedelta(hours=1), dict[str, float]()
    assays = tuple(
        Timed(at=(event.when - first) / hour, reading_mg_per_l=Measured(event.value or 0.0, event.u or 0.0))
        for event in sorted(state.assays.values(), key=lambda e: e.when)
    )
    loss = fit_loss(assays)
    shares = {one.name: one for one in truth.solutions}
    photos: list[PhotoRow] = []
    for strip in state.plan.strips:
        dips = state.of(strip.code, "dipped")
        if not dips or state.is_skipped(strip.code):
            continue
        solution = shares[truth.strength_of[strip.code]]
        stock = strength_at(loss, max((dips[-1].when - first) / hour, 0.0))
        value = solution.share * stock.value
        u = value * ((stock.u / stock.value) ** 2 + solution.u_share**2) ** 0.5
        planned = {photo.number: photo for photo in strip.photos}
        # A photo that was taken again counts; one that was read counts before one that was refused.
        done = {e.number: e for kind in ("refused", "photo") for e in state.of(strip.code, kind)}
        for number, event in sorted(done.items(), key=lambda item: item[0] or 0):
            photo, result = planned[number or 0], event.result
            seconds = _seconds_after(dips[-1].when, None if result is None else result.taken_at)
            if seconds is not None and not _in_window(seconds, dips[-1].when, state.plan.window_s):
                late[f"{strip.code}-{photo.number}"] = seconds
            photos.append(
                PhotoRow(
                    code=strip.code,
                    strength=truth.strength_of[strip.code],
                    session=strip.session,
                    person=strip.person,
                    number=photo.number,
                    role=photo.role,
                    phone=photo.phone,
                    light=photo.light,
                    truth=value,
                    u_truth=u,
                    estimate=None if result is None else result.estimate,
                    u=None if result is None else result.u,
                    low=None if result is None else result.low,
                    high=None if result is None else result.high,
                    stated=None if result is None else result.stated,
                    detected=result is not None and result.detected,
                    familiar=result is not None and _UNFAMILIAR.isdisjoint(result.findings),
                )
            )
    eyes = {(e.code, e.who): e for e in state.events if e.kind == "eye"}
    return OpenedStudy(
        table=StudyTable(
            strengths=state.plan.strengths,
            photos=tuple(photos),
            eyes=tuple(EyeRow(code=c or "", who=who, value=e.value or 0.0) for (c, who), e in eyes.items()),
        ),
        assays=assays,
        loss=loss,
        skipped={
            (e.code or "") + ("" if e.number is None else f"-{e.number}"): e.why or ""
            for e in state.events
            if e.kind == "skipped"
        },
        late=late,
        refusals=sum(e.kind == "refused" for e in state.events),
    )


def _seconds_after(dipped: datetime, taken_at: str | None) -> float | None:
    """Return the seconds from a dip to a photo; None where the photo does not say. Without a zone it is the dip's."""
    if taken_at is None:
        return None
    taken = datetime.fromisoformat(taken_at)
    taken = taken if taken.tzinfo is not None else taken.replace(tzinfo=dipped.tzinfo)
    return (taken - dipped).total_seconds()


def _in_window(seconds: float, dipped: datetime, window_s: tuple[float, float]) -> bool:
    """Tell whether a photo was taken in the window; a dip noted to the minute may have been at any of its seconds."""
    unknown = 59.0 if dipped.second == 0 and dipped.microsecond == 0 else 0.0
    return window_s[0] - _CLOCK_S <= seconds <= window_s[1] + _CLOCK_S + unknown
