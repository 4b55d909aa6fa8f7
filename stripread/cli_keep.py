"""How commands reach the site's record: which one it is, who enters and when, and what a read photo leaves in it."""

import getpass
import hashlib
import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, Self

from stripread import __version__
from stripread.cli_talk import note
from stripread.errors import RecordsError, WrongUsageError

if TYPE_CHECKING:
    from stripread.check import Verdict
    from stripread.check.history import History
    from stripread.cli_names import Named
    from stripread.cli_read import Wishes
    from stripread.lot.record import CheckRow
    from stripread.reading import Reading
    from stripread.records import Draft, FileRef, Records, Stamp
    from stripread.records.entries import Role
    from stripread.site import Site

__all__ = ["Recorder", "keep_check", "keep_lot", "open_site_records", "site_of_records", "stamp_of"]

_SUFFIX = {"jpeg": ".jpg", "png": ".png", "webp": ".webp", "tiff": ".tif", "heic": ".heic"}


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
    from stripread.cli_names import look_up_site

    site = look_up_site(folder)
    if site is None:
        raise WrongUsageError(
            expected="a site, as a record belongs to one",
            found="no site.toml here or above",
            remedy="Begin one with `stripread init DIR`, or name its folder with --site.",
        )
    return site


def open_site_records(site: "Site", *, create: "Stamp | None" = None) -> "Records":
    """Open a site's record; with a stamp it is begun where there is none, with an entry about the site."""
    from stripread.records import Draft, open_records

    records = open_records(site.folder, site.database, create=create is not None)
    if create is not None and records.head().count == 0:
        try:
            records.append([Draft(kind="site", payload={"name": site.name}, subject=site.name)], create)
        except BaseException:
            records.close()
            raise
    return records


def keep_lot(records: "Records", file: Path, number: str, kind: str, *, keep: bool = True) -> "tuple[FileRef, Draft]":
    """Keep a lot file, unless it is only asked what it would be called; return its name and the entry for it."""
    from stripread.records import Draft, FileRef

    data = file.read_bytes()
    if keep:
        ref = records.keep("lot", data, file.name, suffix=".json")
    else:
        sha256 = hashlib.sha256(data).hexdigest()
        ref = FileRef(role="lot", sha256=sha256, name=file.name, path=f"lots/{sha256}.json")
    payload = {"number": number, "kind": kind, "sha256": ref.sha256}
    return ref, Draft(kind="lot", payload=payload, subject=number, files=(ref,))


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorder:
    """Keeps what ``read --record`` reads; made before any photo is read, so that what is amiss is told first."""

    site: "Site"
    named: "Named"
    lot_file: Path
    wishes: "Wishes"
    stamp: "Stamp"
    batch: str | None = None  # that the sample is of

    @classmethod
    def begin(cls, wishes: "Wishes", named: "Named") -> Self:
        """Return the recorder of a command; the site's record is begun where there is none."""
        from stripread.cli_names import look_up_lot_file

        site, stamp = site_of_records(wishes.site), stamp_of(wishes.who)
        lot_file = look_up_lot_file(wishes.lot, site)
        with open_site_records(site, create=stamp) as records:
            batch = _batch(records, wishes, named, stamp)
        return cls(site=site, named=named, lot_file=lot_file, wishes=wishes, stamp=stamp, batch=batch)

    def history(self, reading: "Reading") -> "History":
        """Return what the record knows that bears on a reading."""
        from stripread.records.history import Occasion, history_of, taken_when

        occasion = Occasion(
            point=self.wishes.point,
            sample=self.named.sample,
            lot=self.named.lot,
            photo_sha256=reading.photo_sha256,
            at=taken_when(reading.taken_at, self.stamp.at),
            now=self.stamp.at,
            flushed_s=self.wishes.flushed_s,
            batch=self.batch,
        )
        with open_site_records(self.site) as records:
            return history_of(records, occasion)

    def keep(self, verdict: "Verdict", photos: Sequence[Path]) -> None:
        """Record a reading with its photos, lot file and card file: all of it, or an error and nothing.

        Parameters
        ----------
        photos : sequence of Path
            Those that the reading rests on; several where they were combined.
        """
        from stripread.photo.load import open_photo

        wishes, named = self.wishes, self.named
        together = wishes.together
        with open_site_records(self.site) as records:
            roles: list[tuple[Role, Path]] = [("photo", path) for path in photos]
            roles += [] if wishes.flash is None else [("flash_photo", wishes.flash)]
            files = [(role, open_photo(path)) for role, path in roles]
            refs = [records.keep(role, f.data, f.name, suffix=_SUFFIX[f.format]) for role, f in files]
            lot_ref, lot = keep_lot(records, self.lot_file, named.lot.number, named.lot.kind)
            card_ref = records.keep("card", _card_bytes(named), f"{named.card.name}.toml", suffix=".toml")
            self._check_unchanged(verdict, [ref.sha256 for ref in refs], lot_ref.sha256, together=together)
            before = [e.seq for e in records.with_file(refs[0].sha256) if e.kind == "reading"]
            entry = records.add_reading(
                self._payload(verdict, photos),
                files=(*refs, lot_ref, card_ref),
                stamp=self.stamp,
                first_if_new=(lot, _card_draft(named, card_ref)),
            )
        note(f"recorded as entry {entry.seq}")
        if before:
            note(f"this photo is in the record already: entry {', '.join(map(str, before))}")

    def _payload(self, verdict: "Verdict", photos: Sequence[Path]) -> dict[str, Any]:
        from stripread.report.json_lines import reading_json

        wishes, sample = self.wishes, self.named.sample
        said = reading_json(
            verdict,
            photo=verdict.reading.photo,
            sample=sample.name,
            point=wishes.point,
            timing_ms={},
            budget=True,
        )
        said.pop("timing_ms")
        if wishes.together:
            said["together"] = [path.name for path in photos]
        said["how"] = {
            "software": f"stripread {__version__}",  # a correction by a later version leaves the numbers as they are
            "together": wishes.together,
            "one_strip": wishes.one_strip,
            "replicates": wishes.replicates,
            "dipped_at": None if wishes.dipped_at is None else wishes.dipped_at.isoformat(),
            "flushed_s": wishes.flushed_s,
            "batch": self.batch,
            "expected": [
                {"analyte": e.analyte, "unit": e.unit, "low": e.low, "high": e.high, "target": e.target}
                for e in sample.expectations
            ],
        }
        return said

    def _check_unchanged(self, verdict: "Verdict", photos: Sequence[str], lot: str, *, together: bool) -> None:
        """Refuse a photo or lot file that was replaced between reading and recording it."""
        reading = verdict.reading
        flash = reading.measurement.flash_photo
        read = {reading.photo_sha256, *(() if flash is None else (flash.sha256,))}
        if (not together and not read.issubset(photos)) or lot != reading.lot.sha256:
            raise RecordsError(
                expected="photo and lot file as they were read",
                found="other bytes: one of them was replaced meanwhile",
                remedy="Read the photo again. Nothing was recorded.",
            )


def _batch(records: "Records", wishes: "Wishes", named: "Named", stamp: "Stamp") -> str | None:
    """Return the batch that the sample is of: as named, else the latest that such samples are taken from."""
    from stripread.records.history import batch_of

    if wishes.batch is None:
        return batch_of(records, named.sample, at=stamp.at)
    if not records.entries(kind="batch", subject=wishes.batch, limit=1):
        known = ", ".join(b.said.id for b in records.batches(limit=10)) or "none"
        raise WrongUsageError(
            expected=f"a batch of the record, such as {known}", found=repr(wishes.batch), remedy="Enter it first."
        )
    return wishes.batch


def keep_check(
    site: "Site | None", row: "CheckRow", *, lot: str, lot_file: Path, photo: Path, kind: str, rows: Path
) -> None:
    """Make a check of a lot known to the site's record, if the site has one and holds the file of checks."""
    from stripread.photo.load import open_photo
    from stripread.records import has_records

    if site is None or not (has_records(site.folder) or site.database is not None):
        return
    home, where = site.folder.resolve(), rows.resolve()
    if not where.is_relative_to(home):
        note(f"not in the site's record: {rows} lies outside of {site.folder}")
        return
    from stripread.records.checks import check_standard_of

    stamp = stamp_of(None)
    with open_site_records(site, create=stamp) as records:
        file = open_photo(photo)
        kept = records.keep("photo", file.data, file.name, suffix=_SUFFIX[file.format])
        lot_ref, known = keep_lot(records, lot_file, lot, kind)
        check = check_standard_of(row, lot=lot, file=where.relative_to(home).as_posix())
        records.add_check_standard(check, stamp, files=(kept, lot_ref), first_if_new=(known,))


def _card_draft(named: "Named", ref: "FileRef") -> "Draft":
    from stripread.records import Draft

    return Draft(kind="card_print", payload={"name": named.card.name}, subject=named.card.name, files=(ref,))


def _card_bytes(named: "Named") -> bytes:
    """Return the card as a file: the one that it was read from, in the one spelling that the program writes."""
    from stripread.card import save_card

    with TemporaryDirectory() as folder:
        path = Path(folder) / "card.toml"
        save_card(named.card, path)
        return path.read_bytes()
