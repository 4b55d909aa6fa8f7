"""The sample photos: 12 megapixels, one named defect or none each, with the truth in a TOML file beside the photo."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import numpy as np
import tomli_w

from stripread.card import CardLayout, design_card
from stripread.files import write_file
from stripread.simulate.optics.cameras import make_phone
from stripread.simulate.scene.photograph import DippedStrip, Shot, strip_geometry, take_photo
from stripread.simulate.scene.scene import (
    Defects,
    Finger,
    GlareSpot,
    LightField,
    Optics,
    Shadow,
    StripPlacement,
    View,
    half_plane,
)
from stripread.simulate.scene.vial import Vial, VialLight, random_vial
from stripread.strip import load_kind

__all__ = ["SAMPLES", "Sample", "make_samples"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """A sample photo and what reading it must give.

    ``expect`` is ``value`` (inside the interval), ``finding`` or ``error``; ``code`` names the finding or the error.
    """

    name: str
    kind: str
    lot: str
    factor: float
    sample: str
    concentrations: dict[str, float]
    defect: str
    expect: str
    code: str | None = None
    lamp: str = "D60"
    changes: Callable[[Shot], Shot] = field(default=lambda shot: shot)
    strip: bool = True


def _placed(shot: Shot, **changes: Any) -> StripPlacement:
    if shot.strip is None:
        raise ValueError("a shot without a strip has no placement")
    return StripPlacement(kind=strip_geometry(shot.strip.kind), **changes)


# The pad of a strip in the middle of the slot, tip to the left, on our card: 8 mm right of the tip at (55, 48.5).
_PAD_MM = (62.5, 48.5)
_UL: dict[str, Any] = {"kind": "clo2-ultralow", "lot": "UL-2603", "factor": 1.06}
_WR: dict[str, Any] = {"kind": "clo2-wide", "lot": "WR-2601", "factor": 0.95}
_CP: dict[str, Any] = {"kind": "chlorine-ph-duo", "lot": "CP-2602", "factor": 1.02}

_CHART = (0.0, 50.0, 100.0, 250.0, 400.0, 600.0)


def _vial(chemistry: str, values: tuple[float, ...]) -> Vial:
    """Return a vial as someone careful lays it down."""
    drawn = random_vial(chemistry, values, np.random.default_rng(52), seen=True)
    return replace(drawn, roll_deg=4.0, angle_deg=-3.0, diameter_mm=23.0, light=VialLight(gloss=0.4, gloss_deg=-18.0))


_GLARE = GlareSpot(centre_mm=(_PAD_MM[0] + 1.0, _PAD_MM[1]), radii_mm=(2.2, 1.4), strength=0.35)
_FINGER = Finger(tip_mm=(_PAD_MM[0] + 1.0, _PAD_MM[1] - 4.0), from_deg=100.0)

SAMPLES: tuple[Sample, ...] = (
    Sample(name="line-good", sample="line", concentrations={"clo2": 0.35}, defect="none", expect="value", **_UL),
    Sample(
        name="line-low", sample="line", concentrations={"clo2": 0.12}, defect="the outlet's water is too weak",
        expect="finding", code="out_of_range", lamp="LED-B4",
        changes=lambda s: replace(s, placement=_placed(s, flipped=True, angle_deg=4.0)), **_UL,
    ),
    Sample(
        name="line-turned", sample="line", concentrations={"clo2": 0.41},
        defect="none; the phone was held upright and stored the picture lying (EXIF orientation 6)", expect="value",
        changes=lambda s: replace(s, orientation=6, view=replace(s.view, size_px=(3024, 4032), card_width_share=0.86)),
        **_UL,
    ),
    Sample(
        name="line-wrong-strip", sample="line", concentrations={"clo2": 0.35},
        defect="a wide-range strip was used at the outlet", expect="finding", code="wrong_range_strip", **_WR,
    ),
    Sample(
        name="line-glare", sample="line", concentrations={"clo2": 0.35}, defect="a lamp mirrors in the wet pad",
        expect="finding", code="glare_on_pad",
        changes=lambda s: replace(s, defects=Defects(glare=(_GLARE,))), **_UL,
    ),
    Sample(
        name="line-soft", sample="line", concentrations={"clo2": 0.35}, defect="the phone was moved",
        expect="finding", code="photo_soft",
        changes=lambda s: replace(s, optics=Optics(blur_sigma_px=5.0, motion_px=22.0, motion_angle_deg=25.0)), **_UL,
    ),
    Sample(
        name="line-shadow", sample="line", concentrations={"clo2": 0.35},
        defect="the edge of a shadow crosses card and pad", expect="finding", code="shadow_edge",
        changes=lambda s: replace(
            s, shadows=(Shadow(polygon_mm=half_plane(_PAD_MM, 160.0), penumbra_mm=2.0, darkness=0.45),)
        ), **_UL,
    ),
    Sample(
        name="stock-good", sample="stock", concentrations={"clo2": 220.0}, defect="none", expect="value", lamp="FL4",
        **_WR,
    ),
    Sample(
        name="stock-weak", sample="stock", concentrations={"clo2": 130.0}, defect="the stock is too weak",
        expect="finding", code="out_of_range", **_WR,
    ),
    Sample(
        name="stock-bleached", sample="stock", concentrations={"clo2": 220.0},
        defect="an ultra-low strip was dipped into stock, which bleached its pad", expect="finding",
        code="possible_bleaching", **_UL,
    ),
    Sample(
        name="tap-two-pads", sample="tap", concentrations={"chlorine": 1.8, "ph": 7.3}, defect="none", expect="value",
        lamp="LED-B2", **_CP,
    ),
    Sample(
        name="no-strip", sample="line", concentrations={"clo2": 0.35}, defect="no strip lies on the card",
        expect="error", code="strip_not_found", strip=False, **_UL,
    ),
    Sample(
        name="strip-upside-down", sample="line", concentrations={"clo2": 0.35}, defect="the strip shows its back",
        expect="error", code="strip_upside_down", changes=lambda s: replace(s, placement=_placed(s, face_down=True)),
        **_UL,
    ),
    Sample(
        name="pad-under-finger", sample="line", concentrations={"clo2": 0.35},
        defect="a finger holds the strip by its pad", expect="error", code="pad_covered",
        changes=lambda s: replace(s, defects=Defects(finger=_FINGER)), **_UL,
    ),
    Sample(
        name="card-cut-off", sample="line", concentrations={"clo2": 0.35},
        defect="half of the card is out of the picture", expect="error", code="card_not_found",
        changes=lambda s: replace(s, view=replace(s.view, offset=(0.42, 0.05))), **_UL,
    ),
    Sample(
        name="stock-with-vial", sample="stock", concentrations={"clo2": 220.0},
        defect="none; the vial lies beside the slot, its colour chart up: 0, 50, 100, 250, 400, 600 mg/L",
        expect="value", changes=lambda s: replace(
            s, view=replace(s.view, size_px=(3264, 2448), card_width_share=0.8), quality=75,
            vial=_vial("violet", _CHART),
        ), **_WR,
    ),
)  # fmt: skip


def _shot(sample: Sample, card: CardLayout, printer_seed: int, index: int) -> Shot:
    kind = load_kind(sample.kind)
    strip = (
        DippedStrip(kind=kind, concentrations=sample.concentrations, dye_factor=sample.factor) if sample.strip else None
    )
    shot = Shot(
        card=card,
        printer_seed=printer_seed,
        phone=replace(make_phone(10_000 + 7 * (index % 3)), name=f"Demo phone {'BCD'[index % 3]}"),
        lamps=(sample.lamp,),
        view=View(
            size_px=(4032, 3024),
            card_width_share=0.62 + 0.03 * (index % 5),
            rotation_deg=(-6.0, 3.0, 8.0, -2.0)[index % 4],
            tilt_deg=6.0 + 2.0 * (index % 4),
            tilt_direction_deg=40.0 * index,
            offset=(0.01, -0.02),
        ),
        strip=strip,
        lights=(LightField(form="inverse_square", drop=0.15, direction_deg=30.0 + 50.0 * index),),
        optics=Optics(blur_sigma_px=1.0, vignetting=0.06),
        exposure=0.75,
        noise=0.5,
        sharpening=0.25,
        quality=80,
        clutter=8,
        taken_at=datetime(2026, 4, 14, 8, 5, tzinfo=timezone(timedelta(hours=2))) + timedelta(minutes=7 * index),
    )
    return sample.changes(shot)


def make_samples(folder: Path, *, printer_seed: int, card: str, report: Callable[[str], None]) -> None:
    """Write every sample photo and its truth into ``folder``."""
    folder.mkdir(parents=True, exist_ok=True)
    design = design_card()
    for index, sample in enumerate(SAMPLES):
        data, _ = take_photo(
            _shot(sample, design, printer_seed, index), folder / f"{sample.name}.jpg", seed=900 + index
        )
        truth: dict[str, Any] = {
            "simulated": True,
            "photo": f"{sample.name}.jpg",
            "defect": sample.defect,
            "card": card,
            "kind": sample.kind,
            "lot": sample.lot,
            "sample": sample.sample,
            "concentration": sample.concentrations,
            "lamp": sample.lamp,
            "expect": sample.expect,
        }
        if sample.code:
            truth["code"] = sample.code
        write_file(
            folder / f"{sample.name}.toml",
            "# A simulated photo: drawn by stripread simulate, no camera took it.\n" + tomli_w.dumps(truth),
        )
        report(f"{sample.name}: {len(data) / 1e3:.0f} kB")
