"""Dilution series of an invented lot as photos: what a supervisor would shoot to calibrate it."""

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy as np

from stripread.card import CardLayout
from stripread.files import write_file
from stripread.simulate.optics.cameras import Phone, make_phone
from stripread.simulate.optics.conditions import with_flash
from stripread.simulate.scene.photograph import DippedStrip, Shot, take_photo
from stripread.simulate.scene.scene import LightField, Optics, View
from stripread.strip import StripKind

__all__ = ["LEVELS", "STRIP_SCATTER", "SeriesPlan", "demo_conditions", "shoot_series"]

# Levels per shipped kind and pad; beyond the range where the pad is known to bleach.
LEVELS: dict[str, dict[str, tuple[float, ...]]] = {
    "clo2-ultralow": {"clo2": (0.0, 0.06, 0.15, 0.3, 0.6, 1.2, 2.5)},
    "clo2-wide": {"clo2": (0.0, 7.5, 30.0, 90.0, 200.0, 380.0, 600.0)},
    "chlorine-ph-duo": {"chlorine": (0.0, 0.2, 0.8, 2.0, 4.5, 8.0, 12.0), "ph": (6.2, 6.6, 6.9, 7.2, 7.5, 7.9, 8.4)},
}
BEYOND: dict[str, dict[str, tuple[float, ...]]] = {"clo2-ultralow": {"clo2": (20.0, 60.0, 150.0, 500.0)}}
# Relative standard deviation of the dye from strip to strip of one lot.
STRIP_SCATTER: dict[str, float] = {"clo2-ultralow": 0.025, "clo2-wide": 0.02, "chlorine-ph-duo": 0.015}
_FLASH_RATIO = (1.0, 5.0)  # light of the flash over that of the place: a careful person goes where it is not bright
_U_DILUTION = 0.01  # relative; volumetric glass and one step of dilution
_U_PH = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesPlan:
    """A lot and the conditions of its series: each strip is photographed once in each (phone, lamp)."""

    kind: StripKind
    card: CardLayout  # as designed; the print is that of ``printer_seed``
    printer_seed: int
    lot_factor: float
    conditions: tuple[tuple[Phone, str], ...]
    strips: int = 3
    scatter: float = 1.0  # times the usual departure of strips from their lot
    size_px: tuple[int, int] = (1600, 1200)
    flash: bool = False  # a second photo of each, with the flash


def shoot_series(plan: SeriesPlan, folder: Path, *, seed: int, beyond: bool = True) -> Path:
    """Write the photos and ``series.csv`` into a folder; return the path of the series."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng([seed, 41])
    levels = LEVELS[plan.kind.name]
    steps = [{pad: values[i] for pad, values in levels.items()} for i in range(len(next(iter(levels.values()))))]
    marks = [False] * len(steps)
    if beyond and plan.kind.name in BEYOND:
        extra = BEYOND[plan.kind.name]
        steps += [{pad: values[i] for pad, values in extra.items()} for i in range(len(next(iter(extra.values()))))]
        marks += [True] * (len(steps) - len(marks))
    rows = []
    clock = datetime(2026, 3, 2, 9, 0, tzinfo=timezone(timedelta(hours=1)))
    for level, (step, mark) in enumerate(zip(steps, marks, strict=True)):
        true = {pad: value + float(rng.normal()) * _u_concentration(pad, value) for pad, value in step.items()}
        for replicate in range(1 if mark else plan.strips):
            strip = DippedStrip(
                kind=plan.kind,
                concentrations=true,
                dye_factor=plan.lot_factor * float(np.exp(plan.scatter * rng.normal(0, STRIP_SCATTER[plan.kind.name]))),
                blank_factor=float(1 + plan.scatter * rng.normal(0, 0.03)),
            )
            for number, (phone, lamp) in enumerate(plan.conditions):
                clock += timedelta(minutes=1)
                name = f"level{level:02d}-strip{replicate + 1}-light{number + 1}.jpg"
                shot = _shot(plan, strip, phone, lamp, rng, clock)
                partner = {}
                if plan.flash:
                    ratio = float(np.exp(rng.uniform(*np.log(_FLASH_RATIO))))
                    shot, lit = with_flash(shot, rng, ratio=ratio, mirrored=0.0)
                    partner = {"flash": name.replace(".jpg", "-flash.jpg")}
                    take_photo(lit, folder / partner["flash"], seed=int(rng.integers(2**31)))
                take_photo(shot, folder / name, seed=int(rng.integers(2**31)))
                rows += [{**_row(name, pad, value, replicate, mark, plan), **partner} for pad, value in step.items()]
    path = folder / "series.csv"
    out = io.StringIO()
    writer = csv.DictWriter(out, fieldnames=list(rows[0]))
    writer.writeheader()
    writer.writerows(rows)
    write_file(path, out.getvalue())
    return path


def _u_concentration(pad: str, value: float) -> float:
    return _U_PH if pad == "ph" else _U_DILUTION * value


def _row(name: str, pad: str, value: float, replicate: int, mark: bool, plan: SeriesPlan) -> Mapping[str, str]:
    row = {
        "photo": name,
        "concentration": f"{value:g}",
        "u_concentration": f"{_u_concentration(pad, value):.3g}",
        "replicate": str(replicate + 1),
        "beyond": "yes" if mark else "no",
    }
    return {**row, "pad": pad} if len(plan.kind.pads) > 1 else row


def _shot(
    plan: SeriesPlan, strip: DippedStrip, phone: Phone, lamp: str, rng: np.random.Generator, clock: datetime
) -> Shot:
    """Return a careful photo: card large, phone nearly square to it, light nearly even."""
    return Shot(
        card=plan.card,
        printer_seed=plan.printer_seed,
        phone=phone,
        lamps=(lamp,),
        view=View(
            size_px=plan.size_px,
            card_width_share=float(rng.uniform(0.82, 0.9)),
            rotation_deg=float(rng.normal(0, 2)),
            tilt_deg=float(rng.uniform(0, 8)),
            tilt_direction_deg=float(rng.uniform(0, 360)),
        ),
        strip=strip,
        lights=(
            LightField(
                form="inverse_square", drop=float(rng.uniform(0.02, 0.12)), direction_deg=float(rng.uniform(0, 360))
            ),
        ),
        optics=Optics(blur_sigma_px=0.5, vignetting=0.04),
        exposure=float(rng.uniform(0.7, 0.85)),
        noise=0.7,
        quality=90,
        clutter=3,
        taken_at=clock,
    )


def demo_conditions(seed: int) -> tuple[tuple[Phone, str], ...]:
    """Return two ordinary places: by the window, and on the bench under a white LED; one phone."""
    phone = replace(make_phone(seed), name="Demo phone A")
    return ((phone, "D55"), (phone, "LED-B3"))
