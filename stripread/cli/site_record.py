"""How commands reach the site's record: which one it is, who enters and when, and what a read photo leaves in it."""

import getpass
import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Self

from stripread.cli.output import note
from stripread.errors import WrongUsageError

if TYPE_CHECKING:
    from stripread.check import Verdict
    from stripread.check.history import History
    from stripread.cli.read_options import Wishes
    from stripread.cli.site_options import Named
    from stripread.lot.record import CheckRow
    from stripread.read import Reading
    from stripread.records import Records, Stamp
    from stripread.records.chain.entries import Role
    from stripread.site import Site
    from stripread.workflow import Taking

__all__ = ["Recorder", "keep_check", "open_site_records", "site_of_records", "stamp_of"]


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
            expected="who enters this", found="no name", remedy="Add --who NAME, or set STRIPREAD_WHO."
        )
    return Stamp(at=datetime.now().astimezone(), who=who.strip())


def site_of_records(folder: Path | None) -> "Site":
    """Return the site whose record is meant: that of a folder, or the nearest one upwards."""
    from stripread.cli.site_options import look_up_site

    site = look_up_site(folder)
    if site is None:
        raise WrongUsageError(
            expected="a site, as a record belongs to one",
            found="no site.toml here or above",
            remedy="Begin one with `stripread init DIR`, or name its folder with --site.",
        )
    return site


def open_site_records(site: "Site", *, create: "Stamp | None" = None) -> "Records":
    """Open a site's record (`records.of_site`), whose packages are loaded by then and not before."""
    from stripread.records.of_site import open_site_records as open_now

    return open_now(site, create=create)


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorder:
    """Keeps what ``read --record`` reads; made before any photo is read, so that what is amiss is told first."""

    site: "Site"
    named: "Named"
    lot_file: Path
    wishes: "Wishes"
    stamp: "Stamp"

    @classmethod
    def begin(cls, wishes: "Wishes", named: "Named") -> Self:
        """Return the recorder of a command; the site's record is begun where there is none."""
        from stripread.cli.site_options import look_up_lot_file

        site, stamp = site_of_records(wishes.site), stamp_of(wishes.who)
        lot_file = look_up_lot_file(wishes.lot, site)
        with open_site_records(site, create=stamp) as records:
            _check_batch(records, wishes.batch)
        return cls(site=site, named=named, lot_file=lot_file, wishes=wishes, stamp=stamp)

    def history(self, reading: "Reading") -> "History":
        """Return what the record knows that bears on a reading."""
        from stripread.workflow import history_for

        with open_site_records(self.site) as records:
            return history_for(records, reading, self._taking(records, reading), now=self.stamp.at)

    def keep(self, verdict: "Verdict", photos: Sequence[Path]) -> None:
        """Record a reading (`workflow.record_reading`).

        Parameters
        ----------
        photos : sequence of Path
            Those that the reading rests on; several where they were combined.
        """
        from stripread.photo.load import open_photo
        from stripread.workflow import record_reading

        roles: list[tuple[Role, Path]] = [("photo", path) for path in photos]
        roles += [] if self.wishes.flash is None else [("flash_photo", self.wishes.flash)]
        files = [(role, open_photo(path)) for role, path in roles]
        with open_site_records(self.site) as records:
            before = [e.seq for e in records.with_file(files[0][1].sha256) if e.kind == "reading"]
            entry = record_reading(records, verdict, self._taking(records, verdict.reading), files, self.stamp)
        note(f"recorded as entry {entry.seq}")
        if before:
            note(f"this photo is in the record already: entry {', '.join(map(str, before))}")

    def _taking(self, records: "Records", reading: "Reading") -> "Taking":
        from stripread.workflow import Taking, batch_for

        wishes, named = self.wishes, self.named
        return Taking(
            sample=named.sample,
            lot=named.lot,
            lot_file=self.lot_file,
            card=named.card,
            point=wishes.point,
            batch=wishes.batch or batch_for(records, named.sample, reading.taken_at, now=self.stamp.at),
            flushed_s=wishes.flushed_s,
            dipped_at=wishes.dipped_at,
            together=wishes.together,
            one_strip=wishes.one_strip,
            replicates=wishes.replicates,
        )


def _check_batch(records: "Records", batch: str | None) -> None:
    """Refuse the name of a batch that the record does not know."""
    if batch is not None and not records.entries(kind="batch", subject=batch, limit=1):
        known = ", ".join(b.said.id for b in records.batches(limit=10)) or "none"
        raise WrongUsageError(
            expected=f"a batch of the record, such as {known}", found=repr(batch), remedy="Enter it first."
        )


def keep_check(
    site: "Site | None", row: "CheckRow", *, lot: str, lot_file: Path, photo: Path, kind: str, rows: Path
) -> None:
    """Make a check of a lot known to the site's record, if the site has one and holds the file of checks."""
    from stripread.photo.load import open_photo
    from stripread.records import has_records
    from stripread.workflow import record_check

    if site is None or not (has_records(site.folder) or site.database is not None):
        return
    if not rows.resolve().is_relative_to(site.folder.resolve()):
        note(f"not in the site's record: {rows} lies outside of {site.folder}")
        return
    stamp = stamp_of(None)
    with open_site_records(site, create=stamp) as records:
        record_check(
            records, row, lot=lot, kind=kind, lot_file=lot_file, rows=rows, photo=open_photo(photo), stamp=stamp
        )
