"""Lot and card files accepted by a person: how that is entered, and what the record says of those of a reading."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from stripread.card import CardLayout
from stripread.check import FileStanding
from stripread.errors import RecordsError
from stripread.i18n import Message
from stripread.lot import Lot
from stripread.read import Reading
from stripread.records import (
    AcceptedFile,
    Draft,
    FileRef,
    FileSort,
    Records,
    Stamp,
    Standing,
    accepted_files,
    card_hash,
    hash_now,
    is_accepted,
    kind_of_acceptance,
)
from stripread.site import load_site
from stripread.workflow.kept_files import keep_card, keep_lot

__all__ = ["Acceptance", "accept_card_file", "accept_lot_file", "card_standing", "file_standings", "lot_standing"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Acceptance:
    """What came of accepting a file: how it stands now, what held before, and whether there is a new entry."""

    file: AcceptedFile
    holds: bool
    before: AcceptedFile | None
    new: bool


def accept_lot_file(records: Records, lot: Lot, file: Path, stamp: Stamp, *, note: str = "") -> Acceptance:
    """Accept the file of a lot in a person's name.

    Raises
    ------
    RecordsError
        If the file is another one by now, or the record cannot be written.
    """
    ref, known = keep_lot(records, file, lot.number, lot.kind)
    if ref.sha256 != lot.sha256:
        raise RecordsError(
            expected=Message("the lot file as it was shown"),
            found=Message("other bytes: it was replaced meanwhile"),
            remedy=Message("Look at it again. Nothing was recorded."),
        )
    facts = {"expires": lot.expires.isoformat(), "calibrated_on": lot.calibrated_on.isoformat()}
    return _accept(records, "lot", lot.number, ref, known, file, stamp, {**facts, "note": note})


def accept_card_file(records: Records, card: CardLayout, file: Path, stamp: Stamp, *, note: str = "") -> Acceptance:
    """Accept the file of a card print in a person's name: what it says, in the one spelling of the program."""
    ref, known = keep_card(records, card)
    return _accept(records, "card", card.name, ref, known, file, stamp, {"note": note})


def _accept(
    records: Records,
    sort: FileSort,
    name: str,
    ref: FileRef,
    known: Draft,
    file: Path,
    stamp: Stamp,
    facts: Mapping[str, object],
) -> Acceptance:
    before = accepted_files(records, sort).get(name, Standing())
    same = next((one for one in (before.holds, before.waits) if one is not None and one.sha256 == ref.sha256), None)
    if same is not None and stamp.who.casefold() in {who.casefold() for who in same.by}:
        return Acceptance(file=same, holds=same is before.holds, before=before.holds, new=False)
    home, place = records.folder.resolve(), file.resolve()
    payload = {
        "sha256": ref.sha256,
        "file": place.relative_to(home).as_posix() if place.is_relative_to(home) else None,
        "second_person": load_site(records.folder).second_person,
        **{key: value for key, value in facts.items() if value},
    }
    draft = Draft(kind=kind_of_acceptance(sort), payload=payload, subject=name, files=(ref,))
    entry = records.append([draft], stamp, first_if_new=[known])[0]
    now = accepted_files(records, sort)[name]
    holds = now.holds is not None and now.holds.entry == entry.seq
    accepted = now.holds if holds else now.waits
    assert accepted is not None
    return Acceptance(file=accepted, holds=holds, before=before.holds, new=True)


def file_standings(records: Records, reading: Reading) -> tuple[FileStanding, ...]:
    """Return what the record knows of the lot file and the card file that a strip was read with."""
    return lot_standing(records, reading.lot), card_standing(records, reading.measurement.card.card)


def lot_standing(records: Records, lot: Lot) -> FileStanding:
    """Return what the record knows of a lot's file."""
    return _standing(records, "lot", lot.number, lot.sha256)


def card_standing(records: Records, card: CardLayout) -> FileStanding:
    """Return what the record knows of a card print's file."""
    return _standing(records, "card", card.name, card_hash(card))


def _standing(records: Records, sort: FileSort, name: str, sha256: str) -> FileStanding:
    folder, known = records.folder, accepted_files(records, sort)
    own = [one for key, one in known.items() if key == name or _is_in_its_place(folder, sort, one, sha256)]
    holding = [one.holds for one in own if one.holds is not None]
    plain = FileStanding(sort=sort, name=name, sha256=sha256, state="never", usual=load_site(folder).accepts_files)
    for one in holding:
        if is_accepted(folder, sort, one, sha256):
            return replace(plain, state="accepted", by=_by(one), on=_on(one), accepted_sha256=one.sha256)
    if holding:
        last = holding[-1]
        return replace(plain, state="other", by=_by(last), on=_on(last), accepted_sha256=last.sha256)
    for waiting in (one.waits for one in own):
        if waiting is not None and waiting.sha256 == sha256:
            return replace(plain, state="waits", by=_by(waiting), on=_on(waiting))
    return plain


def _by(file: AcceptedFile) -> str:
    return ", ".join(file.by)


def _on(file: AcceptedFile) -> str:
    return file.at.date().isoformat()


def _is_in_its_place(folder: Path, sort: FileSort, standing: Standing, sha256: str) -> bool:
    """Tell whether a file lies where an accepted one did: it may have been given another number or name."""
    if standing.holds is None or standing.holds.file is None:
        return False
    return hash_now(sort, folder / standing.holds.file) == sha256
