"""What the process of a fit does: a draft's photos to a lot, or to the reason why there is none."""

import csv
import io
import json
import math
import os
from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from pathlib import Path

from stripread.calibrate import SeriesRow, calibrate_lot
from stripread.errors import StripReadError
from stripread.files import write_file
from stripread.i18n import ByFace, Joined, Message
from stripread.lot import save_lot
from stripread.site import load_site, resolve_card, resolve_kind
from stripread.units import kept_message
from stripread.web.calibration.drafts import CalibrationDraft, Drafts

__all__ = ["fit_draft", "fit_paths", "series_csv", "series_of"]

_NICE = 10  # pages and readings go first


def fit_draft(site_folder: str, draft_id: str, today: date) -> None:
    """Fit a draft's photos and keep what came of it, whatever it is."""
    import cv2

    cv2.setNumThreads(1)
    if hasattr(os, "nice"):
        os.nice(_NICE)
    drafts = Drafts(Path(site_folder))
    draft = drafts.find(draft_id)
    if draft is None:
        return
    lot_file, refused = fit_paths(drafts.folder(draft.id), draft)
    try:
        site = load_site(Path(site_folder))
        lot = calibrate_lot(
            series_of(draft, drafts.folder(draft.id)),
            kind=resolve_kind(draft.kind, site),
            card=resolve_card(draft.card, site),
            number=draft.number,
            expires=date.fromisoformat(draft.expires),
            calibrated_on=today,
            without=[photo.file for photo in draft.photos if photo.left_out_by is not None],
        )
    except StripReadError as error:
        strips = {p.file: _strip(draft.label(p.level), p.strip) for p in draft.photos}
        said = {name: kept_message(_renamed(getattr(error, name), strips)) for name in ("expected", "found", "remedy")}
        write_file(refused, json.dumps(said, ensure_ascii=False).encode("utf-8"))
        return
    save_lot(lot, lot_file)


def fit_paths(folder: Path, draft: CalibrationDraft) -> tuple[Path, Path]:
    """Return where the fit of a draft's photos lies: the lot, or the refusal."""
    stem = folder / f"fit-{draft.signature()}"
    return stem.with_suffix(".json"), stem.with_suffix(".refused")


def series_of(draft: CalibrationDraft, folder: Path) -> tuple[SeriesRow, ...]:
    """Return the series that a draft's photos make, those left out included: the fit is told of them apart.

    Where a kind has several pads, two levels may be alike for one of them: there a strip's name has its level, too.
    """
    several = len(draft.pads) > 1
    u_stock = draft.u_standard / draft.standard if draft.standard and draft.u_standard else 0.0
    return tuple(
        SeriesRow(
            photo=folder / photo.file,
            concentration=known.value,
            # What all levels share stands in each of the plan's strengths; the series names it once.
            u_concentration=math.sqrt(max(known.u**2 - (u_stock * known.value) ** 2, 0.0)),
            u_stock=u_stock,
            replicate=f"{photo.level + 1}-{photo.strip}" if several else str(photo.strip),
            pad=known.pad,
            beyond=draft.levels[photo.level].beyond,
            flash=None if photo.flash is None else folder / photo.flash,
        )
        for photo in draft.photos
        for known in draft.levels[photo.level].values
    )


def series_csv(rows: tuple[SeriesRow, ...], *, beside: Path) -> str:
    """Return a series as the command line reads it, its photos named from the folder ``beside``."""

    def named(photo: Path | None) -> str:
        return "" if photo is None else Path(os.path.relpath(photo, beside)).as_posix()

    columns = ["photo", "concentration", "u_concentration", "replicate", "beyond"]
    columns += ["pad"] if any(row.pad for row in rows) else []
    columns += ["flash"] if any(row.flash for row in rows) else []
    columns += ["u_stock"] if any(row.u_stock for row in rows) else []
    out = io.StringIO()
    writer = csv.DictWriter(out, columns, lineterminator="\n", extrasaction="ignore")
    writer.writeheader()
    for row in rows:
        writer.writerow(
            {
                "photo": named(row.photo),
                "concentration": f"{row.concentration:.6g}",
                "u_concentration": f"{row.u_concentration:.3g}",
                "replicate": row.replicate,
                "beyond": "yes" if row.beyond else "no",
                "pad": row.pad or "",
                "flash": named(row.flash),
                "u_stock": f"{row.u_stock:.3g}",
            }
        )
    return out.getvalue()


def _strip(level: str, strip: int) -> Message:
    return Message("the photo of level %(level)s, strip %(strip)s", level=level, strip=strip)


def _renamed(thing: object, strips: Mapping[str, Message]) -> object:
    """Return a message in which a photo is named as on the page, by its level and strip, in place of its file."""
    if isinstance(thing, Message):
        return thing.with_params({name: _renamed(value, strips) for name, value in thing.params})
    if isinstance(thing, Joined):
        return replace(thing, parts=tuple(_renamed(part, strips) for part in thing.parts))
    if isinstance(thing, ByFace):
        return _renamed(thing.page, strips)
    return strips.get(thing, thing) if isinstance(thing, str) else thing
