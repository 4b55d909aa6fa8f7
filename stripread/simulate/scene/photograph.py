"""One simulated photo: spectra and scene brought together, drawn, developed and written as a file with its truth."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stripread.card import SLOT_LAB, CardLayout, Enrolment
from stripread.geometry import Float
from stripread.simulate.looks.card_wear import aged
from stripread.simulate.looks.families import Look
from stripread.simulate.looks.handles import handle_spectra
from stripread.simulate.looks.pad import DYE_STEP
from stripread.simulate.looks.phone import develop_by_look, file_by_look
from stripread.simulate.looks.plastics import plastic_spectra
from stripread.simulate.optics.cameras import Phone, develop_photo, on_sensor
from stripread.simulate.optics.inks import CardPrint, make_printer, print_card
from stripread.simulate.optics.lamps import lamp
from stripread.simulate.optics.pads import PADS, pad_reflectance, plastic_reflectance
from stripread.simulate.optics.spectra import WAVELENGTHS
from stripread.simulate.scene.encode import (
    Exif,
    FileFormat,
    Noise,
    PhotoFile,
    Process,
    Sharpening,
    expose_to_file,
    write_photo,
)
from stripread.simulate.scene.render import Rendered, render
from stripread.simulate.scene.scene import (
    Defects,
    LightField,
    Materials,
    Optics,
    PadPlace,
    Scene,
    Shadow,
    StripGeometry,
    StripPlacement,
    View,
)
from stripread.simulate.scene.vial import Vial
from stripread.strip import StripKind

__all__ = ["CHEMISTRY", "DippedStrip", "Flash", "Shot", "enrolled", "printed_card", "strip_geometry", "take_photo"]

_MEASURED_NM = tuple(float(nm) for nm in range(380, 731, 10))  # as hand-held spectrophotometers report
# Which invented chemistry the pads of the shipped kinds have; the key is (kind, pad).
CHEMISTRY: dict[tuple[str, str], str] = {
    ("clo2-wide", "clo2"): "violet",
    ("clo2-ultralow", "clo2"): "pink",
    ("chlorine-ph-duo", "chlorine"): "brown",
    ("chlorine-ph-duo", "ph"): "yellow-blue",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class DippedStrip:
    """A strip with the concentration at each pad, and its departure from its lot (see `pad_reflectance`).

    ``chemistry`` names that of each pad (a key of `PADS`); pads of the shipped kinds have theirs from `CHEMISTRY`.
    """

    kind: StripKind
    concentrations: Mapping[str, float]
    dye_factor: float = 1.0
    blank_factor: float = 1.0
    chemistry: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Flash:
    """A phone's flash: spectral power at the card's middle, shape (81,), beside that of the lamps; and how it falls."""

    power: Float
    light: LightField


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """Everything about one photo; the same shot and seed give the same bytes.

    ``exposure`` is where a perfect white in the brightest light lands in linear light before the tone curve.
    ``flash`` adds the phone's flash as one more light: its spectral power (81,), in the same unit as the lamps', and
    how it falls. With ``notes_exposure`` EXIF tells exposure time, ISO, f-number and whether the flash fired.
    ``look`` is how strip, card, bench and phone look where not as usual. ``beside`` is a second strip, which lies in
    the slot as ``beside_placement`` says.
    """

    card: CardLayout
    printer_seed: int
    phone: Phone
    lamps: tuple[str, ...]
    view: View
    strip: DippedStrip | None = None
    placement: StripPlacement | None = None  # its kind's geometry is filled in from ``strip``
    vial: Vial | None = None
    lights: tuple[LightField, ...] = (LightField(),)
    shadows: tuple[Shadow, ...] = ()
    optics: Optics = field(default_factory=Optics)
    defects: Defects = field(default_factory=Defects)
    exposure: float = 0.8
    noise: float = 1.0  # times the default sensor noise
    sharpening: float = 0.4
    quality: int = 92
    format: FileFormat = "jpeg"
    taken_at: datetime | None = None
    orientation: int = 1
    clutter: int = 14
    flash: Flash | None = None
    notes_exposure: bool = False
    ground_lab: tuple[float, float, float] = SLOT_LAB  # of the slot, which other cards print otherwise
    look: Look | None = None
    beside: DippedStrip | None = None
    beside_placement: StripPlacement | None = None  # its kind's geometry is filled in from ``beside``


def printed_card(
    card: CardLayout, printer_seed: int, *, ground_lab: tuple[float, float, float] = SLOT_LAB
) -> CardPrint:
    """Spectra of the card as a printer of the simulator prints it."""
    return print_card(card.patch_lab, np.array(ground_lab), printer_seed=printer_seed)


def enrolled(card: CardLayout, printer_seed: int, *, u_lab: float = 0.25, spectra: bool = False) -> CardLayout:
    """Return the card with its print's colours as an instrument with noise ``u_lab`` would have measured them.

    With ``spectra``, also its reflectances from 380 to 730 nm every 10 nm, with 0.3 % of noise.
    """
    printed = printed_card(card, printer_seed)
    lab = printed.lab
    rng = np.random.default_rng([printer_seed, 17])
    lab = np.round(lab + rng.normal(0, u_lab, lab.shape), 2)
    patches = tuple(
        replace(p, lab=(float(x[0]), float(x[1]), float(x[2]))) for p, x in zip(card.patches, lab, strict=True)
    )
    note = Enrolment(
        source=f"simulated printer {printer_seed}", source_sha256="0" * 64, measured_on="2026-01-01", u_lab=u_lab
    )
    named = replace(card, name=f"{card.name}-print-{printer_seed}", patches=patches, enrolment=note)
    return _with_spectra(named, printed, printer_seed) if spectra else named


def _with_spectra(card: CardLayout, printed: CardPrint, printer_seed: int) -> CardLayout:
    rng = np.random.default_rng([printer_seed, 19])
    read = np.array([np.interp(_MEASURED_NM, WAVELENGTHS, r) for r in printed.patches])
    read = np.round(read * (1 + rng.normal(0, 0.003, read.shape)), 5)
    patches = tuple(replace(p, spectrum=tuple(s.tolist())) for p, s in zip(card.patches, read, strict=True))
    return replace(card, patches=patches, wavelengths_nm=_MEASURED_NM)


def strip_geometry(kind: StripKind) -> StripGeometry:
    """Sizes of a kind for the drawing."""
    return StripGeometry(
        length_mm=kind.length_mm,
        width_mm=kind.width_mm,
        pads=tuple(PadPlace(id=p.id, along_mm=p.centre_mm[0], across_mm=p.centre_mm[1],
                            size_along_mm=p.size_mm[0], size_across_mm=p.size_mm[1]) for p in kind.pads),
    )  # fmt: skip


def draw_shot(shot: Shot, *, seed: int) -> Rendered:
    """Draw a shot as light on the sensor, neither developed nor encoded, with where things are in it."""
    scene = Scene(
        card=shot.card,
        view=shot.view,
        strip=_placement(shot.strip, shot.placement),
        vial=shot.vial,
        lights=shot.lights if shot.flash is None else (*shot.lights, shot.flash.light),
        shadows=shot.shadows,
        optics=shot.optics,
        defects=shot.defects,
        clutter=shot.clutter,
        look=shot.look,
        beside=_placement(shot.beside, shot.beside_placement),
    )
    return render(scene, _materials(shot, _unit(shot)), seed=seed)


def take_photo(shot: Shot, path: Path | None = None, *, seed: int) -> tuple[bytes, Rendered]:
    """Draw, develop and encode a shot; return the file's bytes and where things are in it."""
    total, unit = np.sum(_powers(shot), axis=0), _unit(shot)
    drawn = draw_shot(shot, seed=seed)
    develop = develop_photo(shot.phone, total, exposure=shot.exposure)

    def process(raw: NDArray[np.float32]) -> NDArray[np.float32]:
        return develop(raw * np.float32(unit))

    usual = Noise()
    noise = Noise(read=usual.read * shot.noise, shot=usual.shot * shot.noise**2)
    sharpening = Sharpening(amount=shot.sharpening, radius_px=1.2)
    file = PhotoFile(
        format=shot.format,
        quality=shot.quality,
        exif=None
        if shot.format == "tiff16"
        else Exif(
            model=shot.phone.name,
            taken_at=shot.taken_at,
            orientation=shot.orientation,
            exposure_s=_exposure_s(shot, total, seed) if shot.notes_exposure else None,
            flash=shot.flash is not None,
        ),
    )
    if shot.look is None:
        data = expose_to_file(
            drawn.image, process, path, seed=seed, noise=noise, softness_px=0.5, sharpening=sharpening, file=file
        )
        return data, drawn

    def developed(stops: float) -> Process:
        at = develop_photo(shot.phone, total, exposure=shot.exposure * 2.0**stops, quick=True)
        return lambda raw: at(raw * np.float32(unit))

    codes = develop_by_look(shot.look, drawn, developed, noise=noise, seed=seed)
    return write_photo(codes, path, sharpening=sharpening, file=file_by_look(shot.look.file, file)), drawn


def _unit(shot: Shot) -> float:
    """Return what counts as 1 on the sensor: a phone meters so that its fullest channel is at 0.85 on white."""
    return float((np.sum(_powers(shot), axis=0) @ shot.phone.sensor).max()) / 0.85


def _powers(shot: Shot) -> list[Float]:
    """Spectral power of each light, the flash last."""
    lamps = [lamp(name) for name in shot.lamps]
    return lamps if shot.flash is None else [*lamps, shot.flash.power]


def _pad_spectra(strip: DippedStrip, prefix: str, *, looked: bool) -> dict[str, Float]:
    """Reflectances of a strip's pads, and for a look those with less and more dye."""
    spectra = {}
    factors = {"pad": 1.0, **({"less": 1 - DYE_STEP, "more": 1 + DYE_STEP} if looked else {})}
    for pad in strip.kind.pads:
        chemistry = strip.chemistry.get(pad.id) or CHEMISTRY[strip.kind.name, pad.id]
        for name, factor in factors.items():
            spectra[f"{prefix}{name}:{pad.id}"] = pad_reflectance(
                PADS[chemistry],
                strip.concentrations[pad.id],
                dye_factor=strip.dye_factor * factor,
                blank_factor=strip.blank_factor,
            )
    return spectra


def _exposure_s(shot: Shot, total: Float, seed: int) -> float:
    """Exposure time as the phone notes it, at ISO 100 and F1.8: true but for shutters and rounding, 3 %.

    The light counts in the green channel, whose gain white balance leaves alone; 1 is taken for 1/100 s.
    """
    noted = np.random.default_rng([seed, 59]).normal(1, 0.03)
    return float(f"{0.01 * noted * shot.exposure / (total @ shot.phone.sensor)[1] * 20:.3g}")


def _placement(strip: DippedStrip | None, placement: StripPlacement | None) -> StripPlacement | None:
    if strip is None:
        return None
    geometry = strip_geometry(strip.kind)
    return replace(placement, kind=geometry) if placement else StripPlacement(kind=geometry)


def _materials(shot: Shot, unit: float) -> Materials:
    printed = printed_card(shot.card, shot.printer_seed, ground_lab=shot.ground_lab)
    card: dict[str, Float] = {
        **{f"patch:{p.id}": r for p, r in zip(shot.card.patches, printed.patches, strict=True)},
        "paper": printed.paper,
        "ink_black": printed.black,
        "slot_ground": printed.ground,
    }
    look = shot.look
    spectra: dict[str, Float] = {
        **(card if look is None else {name: aged(look.card, r) for name, r in card.items()}),
        "plastic": plastic_reflectance(),
        "bench": make_printer(3).reflectance(np.array([0.25, 0.35, 0.5, 0.25])),
        "skin": make_printer(4).reflectance(np.array([0.05, 0.35, 0.4, 0.1])),
        "glare": np.full(81, 3.0),
    }
    mixtures = np.random.default_rng(11).uniform(0, 0.8, (8, 4))
    for index, amounts in enumerate(mixtures):
        spectra[f"clutter:{index}"] = make_printer(5).reflectance(amounts)
    if look is not None:
        spectra |= plastic_spectra(look.plastic) | handle_spectra(look.handle)
        spectra["dirt"] = make_printer(9).reflectance(np.array([0.3, 0.4, 0.6, 0.6]))
    for strip, prefix in ((shot.strip, ""), (shot.beside, "beside:")):
        if strip is not None:
            spectra |= _pad_spectra(strip, prefix, looked=look is not None)
    if shot.vial is not None:
        label = make_printer(shot.vial.label_printer)
        spectra["label"], spectra["label_ink"] = label.paper, label.reflectance(np.array([0.0, 0.0, 0.0, 1.0]))
        spectra["cap"] = make_printer(6).reflectance(np.array([0.7, 0.2, 0.1, 0.1]))
        spectra |= {f"block:{index}": r for index, r in enumerate(shot.vial.reflectances)}
    lights = _powers(shot)
    return {
        name: np.stack([on_sensor(shot.phone, light, reflectance) / unit for light in lights])
        for name, reflectance in spectra.items()
    }
