"""Studies of lots: whether the program was proven with a lot's calibration, with which phones and in which lights."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from stripread.records.chain.entries import Entry
from stripread.records.store import Records

__all__ = ["StudyStanding", "proven_payload", "study_entries", "study_standing"]

_PAGE = 200  # entries of studies that are looked at at a time


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyStanding:
    """What came of the latest study of a lot's calibration.

    Attributes
    ----------
    outcome : str
        ``pass``, ``fail`` or ``too few``.
    on : str
        The day of the last strip, ISO 8601.
    proven : tuple of (phone, light, camera)
        As the study names them, and what the photos with that phone say that it is; None where they do not.
    """

    study: str
    outcome: str
    on: str
    entry: int
    proven: tuple[tuple[str, str, str | None], ...]


def study_entries(records: Records, lot: str) -> Iterator[Entry]:
    """Pass on all entries of studies of a lot, the last entered first: a study may have hundreds of steps."""
    before = None
    while page := records.entries(kind="study", subject=lot, before=before, limit=_PAGE):
        yield from page
        before = page[-1].seq


def study_standing(records: Records, lot: str, lot_sha256: str) -> StudyStanding | None:
    """Return the latest study of a lot as it is calibrated now; None where there is none that is done."""
    for entry in study_entries(records, lot):
        said = entry.payload
        if said.get("event") == "reported" and said.get("lot_sha256") == lot_sha256 and not entry.withdrawn:
            return StudyStanding(
                study=str(said["study"]),
                outcome=str(said["outcome"]),
                on=str(said["on"]),
                entry=entry.seq,
                proven=tuple((p["phone"], p["light"], p.get("camera")) for p in said["proven"]),
            )
    return None


def proven_payload(standing: StudyStanding | None, camera: str | None) -> Mapping[str, Any] | None:
    """Return what a reading keeps of a study: its outcome and day, the photo's phone and the lights proven with it."""
    if standing is None:
        return None
    lights = [light for _, light, own in standing.proven if own is not None and own == camera]
    return {"study": standing.study, "outcome": standing.outcome, "on": standing.on, "phone": camera, "lights": lights}
