"""What is done to a calibration, in the record; and how it becomes a lot of the site: its file, its name, its entry."""

import re
from dataclasses import replace
from datetime import datetime

from stripread.check import FileStanding
from stripread.errors import SiteError, WrongUsageError
from stripread.files import write_file
from stripread.i18n import Message, Verbatim
from stripread.lot import load_lot
from stripread.records import Draft, Records, Stamp
from stripread.site import Site, add_name, load_site
from stripread.web.calibration.drafts import CalibrationDraft, Drafts
from stripread.web.calibration.fits import Fit
from stripread.web.calibration.fitting import series_csv, series_of
from stripread.web.site_record import records_of
from stripread.web.state import AppState
from stripread.workflow import accept_lot_file, keep_lot

__all__ = ["accept_lot", "check_number", "enter_change", "refuse_foreign", "refuse_second", "refuse_unseen"]

_NUMBER = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}")  # so that it is a file name, and none that is hidden or ..

_OURS = ("new", "drafts")  # addresses of the page under /lots


def check_number(number: str) -> str:
    """Return a lot's number, or a name of another file of the site, that can be a folder's name, too."""
    if not _NUMBER.fullmatch(number) or number in _OURS:
        raise WrongUsageError(
            expected=Message("1 to 40 letters, digits, dots, hyphens or underscores, a letter or digit first"),
            found=Verbatim(repr(number[:50])),
            remedy=Message("Write it as on the vial, without blanks."),
        )
    return number


def enter_change(state: AppState, draft: CalibrationDraft, change: str, who: str, **facts: str | int) -> None:
    """Enter what somebody did to a calibration under way; that it is accepted stands in the entry of its lot."""
    stamp = Stamp(at=datetime.now().astimezone(), who=who)
    payload = {"change": change, "draft": draft.id, **facts}
    with records_of(state, create=stamp) as records:
        records.append([Draft(kind="calibration", payload=payload, subject=draft.number)], stamp)


def refuse_foreign(site: Site, number: str) -> None:
    """Refuse a lot whose file the page did not write: what is kept by hand is replaced by hand."""
    file = site.lots.get(number)
    if file is not None and file != site.folder / _lot_file(number):
        raise SiteError(
            expected=Message("a lot whose file is %(number)s", number=_lot_file(number)),
            found=Message("%(number)s, which is kept elsewhere", number=repr(number)),
            remedy=Message("Calibrate it anew on the machine where its file is kept, or choose another number."),
        )


def refuse_unseen(file: FileStanding, seen_sha256: str) -> None:
    """Refuse to accept a file that is another one than was shown."""
    if file.sha256 != seen_sha256:
        raise WrongUsageError(
            expected=Message("the file of %(what)s as it was shown", what=file.words),
            found=Message("another one by now"),
            remedy=Message("Look at it again, then accept it."),
        )


def refuse_second(drafts: list[CalibrationDraft], number: str) -> None:
    """Refuse a second calibration of a lot while one is under way."""
    if any(draft.number == number and draft.state == "open" for draft in drafts):
        raise WrongUsageError(
            expected=Message("one calibration of a lot at a time"),
            found=Message("one of %(number)s that is under way", number=repr(number)),
            remedy=Message("Go on with it under Calibrations under way, or reject it first."),
        )


def _lot_file(number: str) -> str:
    return f"lots/{number}/lot.json"


def accept_lot(records: Records, drafts: Drafts, draft: CalibrationDraft, fit: Fit, stamp: Stamp) -> CalibrationDraft:
    """Make a fitted draft a lot of the site. Tried again after a failure, it goes on where it stopped.

    A lot that is calibrated anew takes the place of the earlier calibration, whose file stays in the record.

    Raises
    ------
    WrongUsageError
        If there is no curve, or the draft is closed or was changed meanwhile.
    SiteError
        If the site has a lot of that number, or the site file cannot be added to.
    """
    if draft.state != "open" or fit.lot is None or fit.file is None:
        raise WrongUsageError(
            expected=Message("a curve to accept"),
            found=Message("none"),
            remedy=Message("Look at the reasons, and add or leave out photos."),
        )

    def enter(changed: CalibrationDraft) -> None:
        if changed.signature() != draft.signature():
            raise WrongUsageError(
                expected=Message("a curve of all photos"),
                found=Message("photos that came since"),
                remedy=Message("Look at the curve again."),
            )
        _make_lot(records, drafts, draft, fit, stamp)

    return drafts.close(draft.id, "accepted", who=stamp.who, at=stamp.at.isoformat(), enter=enter)


def _make_lot(records: Records, drafts: Drafts, draft: CalibrationDraft, fit: Fit, stamp: Stamp) -> None:
    assert fit.lot is not None
    assert fit.file is not None
    site, number = load_site(records.folder), check_number(draft.number)
    refuse_foreign(site, number)
    data, name = fit.file.read_bytes(), _lot_file(number)
    file = site.folder / name
    if not draft.again and file.exists() and file.read_bytes() != data:
        raise SiteError(
            expected=Message("a new number"),
            found=Message("%(number)s, which the site has", number=repr(number)),
            remedy=Message("Reject this, and begin again with another."),
        )
    file.parent.mkdir(parents=True, exist_ok=True)
    rows = series_of(draft, drafts.folder(draft.id))
    write_file(file.parent / "series.csv", series_csv(rows, beside=file.parent).encode("utf-8"))
    write_file(file, data)
    _, entry = keep_lot(records, file, number, fit.lot.kind)
    entry = replace(entry, payload={**entry.payload, "accepted_by": stamp.who, "draft": draft.id})
    records.append([], stamp, first_if_new=[entry])
    accept_lot_file(records, load_lot(file), file, stamp)
    if number not in site.lots:
        add_name(site.folder, "lots", number, name)
