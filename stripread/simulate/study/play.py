"""Plays a study: a site of its own, a plan, and all that people would bring: photos, readings by eye, assays."""

import csv
import io
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import tomli_w

from stripread import __version__
from stripread.card import design_card
from stripread.errors import SiteError, StripReadError
from stripread.files import write_file
from stripread.i18n import Message, Verbatim
from stripread.photo import open_photo
from stripread.read import read_strip
from stripread.records import Stamp, open_site_records
from stripread.simulate.demo import DEMO_LOTS, DEMO_PRINTER, DemoLot
from stripread.simulate.optics.cameras import Phone, make_phone
from stripread.simulate.optics.conditions import dip_strip, random_shot
from stripread.simulate.scene.photograph import DippedStrip, Shot, take_photo
from stripread.simulate.series import LEVELS, STRIP_SCATTER, demo_conditions
from stripread.site import kind_of_lot, load_site, resolve_lot
from stripread.strip import load_kind
from stripread.study import (
    FULL,
    Aims,
    Conditions,
    Form,
    PlannedPhoto,
    PlannedStrip,
    Stock,
    StudyPlan,
    Truth,
    begin_study,
    make_plan,
    window_of,
)
from stripread.workflow import ResolvedInputs, record_plan, resolve_inputs

__all__ = ["PHONE_PX", "SMALL_PX", "STUDY", "play_study"]

STUDY = "demo"  # its name
PHONE_PX, SMALL_PX = (4032, 3024), (1600, 1200)
_PEOPLE = ("Ada", "Ben")
_LAMPS = {"window": "D55", "bench LED": "LED-B3", "under plants": "canopy D65"}
_START = datetime(2026, 5, 11, 12, 30, tzinfo=timezone(timedelta(hours=2)))
_A_STRIP = timedelta(minutes=4)
_PAUSE = timedelta(minutes=40)  # between two sessions
_WAIT = timedelta(seconds=8)  # from dip until the first photo is prepared
_A_PHOTO = timedelta(seconds=12)
_HALF_LIFE_H = 60.0
_U_ASSAY, _U_DILUTION, _U_EYE = 0.015, 0.01, 0.25  # relative
_CLOSE = 0.55  # of the picture's width


@dataclass(frozen=True, slots=True, kw_only=True)
class _Made:
    site: Path
    plan: StudyPlan
    truth: Truth
    lot: DemoLot
    inputs: ResolvedInputs
    stock: float
    bias: float


def play_study(
    folder: Path,
    demo: Path,
    *,
    lot: str,
    seed: int,
    form: Form = FULL,
    size_px: tuple[int, int] = PHONE_PX,
    bias: float = 0.0,
    report: Callable[[int, int], None],
) -> StudyPlan:
    """Make a site in a new folder, plan a study there, and write what people would bring.

    ``photos/CODE-NUMBER.jpg``, ``sheet.csv`` and ``assays.csv`` are what ``stripread study run`` takes in.

    Parameters
    ----------
    demo : Path
        The demo site, whose card print and lot are copied.
    bias : float
        Relative, by which the lot reads too high: its strips have so much more dye than those of the calibration.
    report : callable
        Told how many of how many photos are drawn.

    Raises
    ------
    SiteError
        If the folder is in use, or the lot is none of the demo lots with one pad.
    """
    made = _begin(folder, demo, lot=lot, seed=seed, form=form, bias=bias)
    photos = folder / "photos"
    photos.mkdir()
    at, session, rows = _START, 1, []
    count, of = 0, sum(len(strip.photos) for strip in made.plan.strips)
    for index, strip in enumerate(made.plan.strips):
        if strip.session != session:
            at, session = at + _PAUSE, strip.session
        rng = np.random.default_rng([seed, 52, index])
        rows.append(_dip(made, strip, at, rng, photos, size_px))
        count += len(strip.photos)
        report(count, of)
        at += _A_STRIP
    _write(folder / "sheet.csv", rows)
    _write(folder / "assays.csv", _assays(made, at, np.random.default_rng([seed, 53])))
    truth = {"simulated": True, "seed": seed, "bias": bias, "stock": made.stock, "half_life_h": _HALF_LIFE_H}
    write_file(folder / "truth.toml", tomli_w.dumps(truth))
    return made.plan


def _begin(folder: Path, demo: Path, *, lot: str, seed: int, form: Form, bias: float) -> _Made:
    known = {one.number: one for one in DEMO_LOTS if len(LEVELS[one.kind]) == 1}
    if lot not in known:
        raise SiteError(
            expected=Message("a demo lot of one pad: %(known)s", known=", ".join(known)),
            found=Verbatim(repr(lot)),
            remedy=Message("Name one of these."),
        )
    if folder.exists() and any(folder.iterdir()):
        raise SiteError(
            expected=Message("a new folder"),
            found=Message("%(folder)s with files in it", folder=folder),
            remedy=Message("Name another folder."),
        )
    original = load_site(demo)
    folder.mkdir(parents=True, exist_ok=True)
    for path in (*original.lots.values(), *original.cards.values()):
        if path.is_file():
            target = folder / path.relative_to(original.folder)
            target.parent.mkdir(parents=True, exist_ok=True)
            write_file(target, path.read_bytes())
    text = (demo / "site.toml").read_text(encoding="utf-8")
    text = text.replace(f'name = "{original.name}"', f'name = "{original.name}, SIMULATED"', 1)
    write_file(folder / "site.toml", text)
    site = load_site(folder)
    the_lot = resolve_lot(lot, site)
    expected = float(f"{40 * the_lot.pads[0].curve.top:.2g}")
    sample = next((s.main for s in site.samples.values() if the_lot.kind in s.kinds and s.main.low > 0), None)
    plan, truth = make_plan(
        study=STUDY,
        lot=the_lot,
        window_s=window_of(kind_of_lot(the_lot, site)),
        stock=Stock(what="a second stock, SIMULATED", method="titration, SIMULATED", expected=expected),
        conditions=Conditions(people=_PEOPLE, phones=tuple(_phones(known[lot])), lights=tuple(_LAMPS), sessions=2),
        aims=Aims(low=None if sample is None else sample.low, high=None if sample is None else sample.high),
        form=form,
        at=(_START - timedelta(days=3)).isoformat(),
        who=_PEOPLE[0],
        software=f"stripread {__version__}",
        seed=seed,
    )
    stamp = Stamp(at=_START - timedelta(days=3), who=_PEOPLE[0])
    study = begin_study(folder, plan, truth)
    with open_site_records(site, create=stamp) as records:
        record_plan(records, plan, study, stamp)
    rng = np.random.default_rng([seed, 54])
    stock = expected * float(np.exp(rng.normal(0, 0.03)))
    return _Made(
        site=folder, plan=plan, truth=truth, lot=known[lot], inputs=resolve_inputs(lot, site), stock=stock, bias=bias
    )


def _phones(lot: DemoLot) -> dict[str, Phone]:
    """Return the phone that the lot was calibrated with, and another one."""
    own = demo_conditions(lot.seed)[0][0]
    return {own.name: own, "Demo phone B": replace(make_phone(lot.seed + 400), name="Demo phone B")}


def _strength(made: _Made, code: str, at: datetime, rng: np.random.Generator) -> float:
    """Return what a strip was truly dipped into."""
    solution = next(one for one in made.truth.solutions if one.name == made.truth.strength_of[code])
    left = 2.0 ** (-((at - _START) / timedelta(hours=_HALF_LIFE_H)))
    strength: float = made.stock * left * solution.share * float(np.exp(rng.normal(0, _U_DILUTION)))
    return strength


def _dip(
    made: _Made, strip: PlannedStrip, at: datetime, rng: np.random.Generator, photos: Path, size_px: tuple[int, int]
) -> Mapping[str, str]:
    kind = load_kind(made.lot.kind)
    # One error of the dilution for all strips of a solution: they come from one bottle.
    name = made.truth.strength_of[strip.code]
    shared = np.random.default_rng([made.truth.seed, 55, sorted({*made.truth.strength_of.values()}).index(name)])
    strength = _strength(made, strip.code, at, shared)
    dipped = dip_strip(kind, {kind.pads[0].id: strength}, rng, scatter=STRIP_SCATTER[made.lot.kind])
    dipped = replace(dipped, dye_factor=dipped.dye_factor * made.lot.factor * (1 + made.bias))
    for photo in strip.photos:
        for again in ("", "b"):  # what the program refuses is taken again, once
            shot = _shot(made, photo, dipped, at, rng, size_px)
            path = photos / f"{strip.code}-{photo.number}{again}.jpg"
            take_photo(shot, path, seed=int(rng.integers(2**31)))
            if _is_read(path, made.inputs):
                break
    blocks = np.array(LEVELS[made.lot.kind][kind.pads[0].id])
    seen = {}
    for person in made.plan.conditions.people:
        value = strength * float(np.exp(rng.normal(0, _U_EYE))) + abs(float(rng.normal(0, 0.3 * blocks[1])))
        seen[person] = f"{blocks[int(np.argmin(np.abs(np.sqrt(blocks) - np.sqrt(value))))]:g}"
    return {"code": strip.code, "dipped": at.isoformat(), **seen}


def _is_read(path: Path, inputs: ResolvedInputs) -> bool:
    try:
        read_strip(open_photo(path), card=inputs.card, kind=inputs.kind, lot=inputs.lot)
    except StripReadError:
        return False
    return True


def _shot(
    made: _Made,
    photo: PlannedPhoto,
    dipped: DippedStrip,
    at: datetime,
    rng: np.random.Generator,
    size_px: tuple[int, int],
) -> Shot:
    """Return a photo as a technician takes it: close, in the light that the plan names."""
    while True:
        shot = random_shot(design_card(), dipped, rng, seen=True, sizes=(size_px,))
        if shot.view.card_width_share >= _CLOSE:
            break
    return replace(
        shot,
        printer_seed=DEMO_PRINTER,
        phone=_phones(made.lot)[photo.phone],
        lamps=(_LAMPS[photo.light],),
        taken_at=at + _WAIT + photo.number * _A_PHOTO,
    )


def _assays(made: _Made, end: datetime, rng: np.random.Generator) -> list[dict[str, str]]:
    rows = []
    for which, at in (("start", _START), ("middle", _START + (end - _START) / 2), ("end", end)):
        left = 2.0 ** (-((at - _START) / timedelta(hours=_HALF_LIFE_H)))
        value = made.stock * left * float(np.exp(rng.normal(0, _U_ASSAY)))
        rows.append({"which": which, "at": at.isoformat(), "value": f"{value:.4g}", "u": f"{_U_ASSAY * value:.2g}",
                     "who": _PEOPLE[0]})  # fmt: skip
    return rows


def _write(path: Path, rows: list[Mapping[str, str]] | list[dict[str, str]]) -> None:
    out = io.StringIO()
    writer = csv.DictWriter(out, fieldnames=list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    write_file(path, out.getvalue())
