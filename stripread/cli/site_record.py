"""How commands reach the site's record: which one it is, who enters and when, and what a read photo leaves in it."""

import getpass
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Self

from stripread.cli.output import note
from stripread.errors import RecordsError, WrongUsageError
from stripread.i18n import Message, Verbatim

if TYPE_CHECKING:
    from stripread.check import FileStanding, History, Verdict
    from stripread.lot import CheckRow
    from stripread.photo import PhotoFile
    from stripread.read import Reading
    from stripread.records import Records, Stamp
    from stripread.site import Site
    from stripread.workflow import ResolvedInputs, SampleContext

__all__ = ["Recorder", "keep_check", "open_site_records", "site_of_records", "stamp_of", "standings_of"]


def stamp_of(who: str | None) -> "Stamp":
    """Return the time and who enters: as named, else who is logged in."""
    from stripread.records import Stamp

    if who is None or not who.strip():
        try:
            who = os.environ.get("STRIPREAD_WHO", "").strip() or getpass.getuser()
        except (KeyError, OSError, ImportError):
            who = ""
    if not who.strip():
        raise WrongUsageError(
            expected=Message("who enters this"),
            found=Message("no name"),
            remedy=Message("Add --who NAME, or set STRIPREAD_WHO."),
        )
    return Stamp(at=datetime.now().astimezone(), who=who.strip())


def site_of_records(folder: Path | None) -> "Site":
    """Return the site whose record is meant: that of a folder, or the nearest one upwards."""
    from stripread.cli.site_options import look_up_site

    site = look_up_site(folder)
    if site is None:
        raise WrongUsageError(
            expected=Message("a site, as a record belongs to one"),
            found=Message("no site.toml here or above"),
            remedy=Message("Begin one with `stripread init DIR`, or name its folder with --site."),
        )
    return site


def open_site_records(site: "Site", *, create: "Stamp | None" = None) -> "Records":
    """Open a site's record (`records.of_site`), whose packages are loaded by then and not before."""
    from stripread.records import open_site_records as open_now

    return open_now(site, create=create)


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorder:
    """Keeps what ``read --record`` reads; made before any photo is read, so that what is amiss is told first."""

    site: "Site"
    inputs: "ResolvedInputs"
    context: "SampleContext"
    now: datetime

    @classmethod
    def begin(cls, site: "Site", inputs: "ResolvedInputs", context: "SampleContext", *, stamp: "Stamp") -> Self:
        """Return the recorder of a command; the site's record is begun where there is none."""
        with open_site_records(site, create=stamp) as records:
            _check_batch(records, context.batch)
        return cls(site=site, inputs=inputs, context=replace(context, who=stamp.who), now=stamp.at)

    def history(self, reading: "Reading") -> "tuple[History, tuple[FileStanding, ...]]":
        """Return what the record knows that bears on a reading, and of the files that it was read with."""
        from stripread.workflow import file_standings, history_for, with_batch

        with open_site_records(self.site) as records:
            context = with_batch(records, self.context, reading, now=self.now)
            return history_for(records, reading, context, now=self.now), file_standings(records, reading)

    def keep(self, verdict: "Verdict", photos: Sequence[Path], *, flash: Path | None) -> None:
        """Record a reading (`workflow.read_and_record.record_reading`).

        Parameters
        ----------
        photos : sequence of Path
            Those that the reading rests on; several where they were combined.
        """
        from stripread.photo import open_photo
        from stripread.report import proven_words
        from stripread.workflow import record_reading, with_batch

        files = [open_photo(path) for path in photos]
        context = self.context if flash is None else replace(self.context, flash=open_photo(flash))
        with open_site_records(self.site) as records:
            before = [e.seq for e in records.with_file(files[0].sha256) if e.kind == "reading"]
            context = with_batch(records, context, verdict.reading, now=self.now)
            entry = record_reading(records, verdict, files, self.inputs, context, now=self.now)
        note(f"recorded as entry {entry.seq}")
        note(str(proven_words(entry.payload["proven"])))
        if before:
            note(f"this photo is in the record already: entry {', '.join(map(str, before))}")


def _check_batch(records: "Records", batch: str | None) -> None:
    """Refuse the name of a batch that the record does not know."""
    if batch is not None and not records.entries(kind="batch", subject=batch, limit=1):
        known = ", ".join(b.said.id for b in records.batches(limit=10)) or Message("none")
        raise WrongUsageError(
            expected=Message("a batch of the record, such as %(known)s", known=known),
            found=Verbatim(repr(batch)),
            remedy=Message("Enter it first."),
        )


def standings_of(site: "Site | None", reading: "Reading") -> "tuple[FileStanding, ...]":
    """Return what a site's record knows of the files that a strip was read with, where it was told of any.

    A reading that is not recorded needs no record: where it cannot be asked, that is said and no more.
    """
    from stripread.records import has_records

    if site is None or not (has_records(site.folder) or site.database is not None):
        return ()
    from stripread.workflow import file_standings

    try:
        with open_site_records(site) as records:
            found = file_standings(records, reading)
    except RecordsError as error:
        note(f"whether lot and card file are the accepted ones was not looked up: {error.found}")
        return ()
    return tuple(file for file in found if file.state != "never" or file.usual)


def keep_check(
    site: "Site | None", row: "CheckRow", photo: "PhotoFile", inputs: "ResolvedInputs", *, rows_file: Path
) -> None:
    """Make a check of a lot known to the site's record, if the site has one and holds the file of checks."""
    from stripread.records import has_records
    from stripread.workflow import record_check

    if site is None or not (has_records(site.folder) or site.database is not None):
        return
    if not rows_file.resolve().is_relative_to(site.folder.resolve()):
        note(f"not in the site's record: {rows_file} lies outside of {site.folder}")
        return
    stamp = stamp_of(None)
    with open_site_records(site, create=stamp) as records:
        record_check(records, row, photo, inputs, rows_file=rows_file, stamp=stamp)
