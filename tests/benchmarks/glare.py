"""Lamps mirrored in the pad: how often a number is still given, how far it is off, and whether its interval holds.

Run as ``python -m tests.benchmarks.glare --photos 160`` (seen conditions and shapes of glare: thresholds may be chosen
on them) or with ``--unseen`` (other lamps, phones, printers *and* other shapes: they only judge; use a seed once, 5, 21
and 22 are used up). Four of the unseen shapes have relatives among the seen ones, drawn otherwise. Every shot is taken
once without and with several kinds of glare, by the same seed. Where the strip lies is given, within 0.15 mm, so that
the strip finder is not judged along with it; ``--find`` lets it search. Strips depart from the demo lots as in the
benchmark of accuracy; errors are against the concentration in which the strip was dipped.

The mirrored light is told as what it adds to the pad's inner part on average, as a share of white.
"""

import argparse
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from io import BytesIO
from itertools import pairwise
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from stripread.card import design_card
from stripread.errors import StripReadError
from stripread.geometry import Float
from stripread.lot import load_lot
from stripread.measure import measure_strip
from stripread.photo import open_photo_bytes
from stripread.read.strip import read_measurement
from stripread.simulate import STRIP_SCATTER, dip_strip, enrolled, random_shot, take_photo
from stripread.simulate.demo import DEMO_LOTS
from stripread.simulate.scene.photograph import Shot
from stripread.simulate.scene.scene import Defects, GlareSpot, StripPlacement, pad_corners_mm, strip_to_card
from stripread.strip import StripKind, load_kind
from stripread.strip.find import StripPose

ROOT = Path(__file__).parents[2]
CARD = design_card()
SPANS = {"clo2-ultralow": (0.2, 0.5), "clo2-wide": (50.0, 450.0)}
LOTS = {d.kind: (ROOT / "calibration" / d.number / "lot.json", d.factor) for d in DEMO_LOTS}
LAMP = 3.0  # reflectance of the simulator's mirrored lamp at strength 1
EACH = 3  # kinds of glare a shot
POSE_MM = 0.15  # standard deviation by which the strip's place is off
BINS = (0.0, 0.003, 0.01, 0.03, 0.1, 0.3, np.inf)
WARNED = {
    "glare_on_pad",
    "pad_uneven",
    "shadow_edge",
    "photo_clipped",
    "mixed_light",
    "card_covered",
    "poor_correction",
}

Spots = tuple[GlareSpot, ...]
Drawing = Callable[[np.random.Generator, Float], Spots]


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def at(place: Float, off: Float | Sequence[float]) -> tuple[float, float]:
    return float(place[0] + off[0]), float(place[1] + off[1])


def around(rng: np.random.Generator, low: float, high: float) -> Float:
    angle, distance = rng.uniform(0, 2 * np.pi), rng.uniform(low, high)
    return distance * np.array([np.cos(angle), np.sin(angle)])


def ellipse(
    rng: np.random.Generator,
    pad: Float,
    off: Float,
    *,
    radius: tuple[float, float],
    strength: tuple[float, float],
    softness: Sequence[float] = (0.3, 0.6, 1.0),
) -> Spots:
    first = float(rng.uniform(*radius))
    return (
        GlareSpot(
            centre_mm=at(pad, off), radii_mm=(first, first * float(rng.uniform(0.5, 1))),
            strength=log_uniform(rng, *strength), angle_deg=float(rng.uniform(0, 180)),
            softness=float(rng.choice(softness)),
        ),
    )  # fmt: skip


def one_spot(rng: np.random.Generator, pad: Float) -> Spots:
    return ellipse(rng, pad, rng.normal(0, 2, 2), radius=(1, 9), strength=(0.01, 1))


def at_the_rim(rng: np.random.Generator, pad: Float) -> Spots:
    return ellipse(rng, pad, around(rng, 2, 4), radius=(1.5, 4), strength=(0.03, 1))


def veil(rng: np.random.Generator, pad: Float) -> Spots:
    return ellipse(rng, pad, around(rng, 0, 10), radius=(8, 30), strength=(0.004, 0.15), softness=[1.0])


def gloss(rng: np.random.Generator, pad: Float) -> Spots:
    """A broad sheen on the pad alone."""
    return ellipse(rng, pad, around(rng, 0, 6), radius=(3, 10), strength=(0.003, 0.1), softness=[1.0])


def dots(pad: Float, offs: Float, radius: float, strength: float, softness: float) -> Spots:
    """Equal dots at places (n, 2) off the pad's middle; where they overlap they make a bar or a pane."""
    return tuple(
        GlareSpot(centre_mm=at(pad, off), radii_mm=(radius, radius), strength=strength, softness=softness)
        for off in offs
    )


def grid(rng: np.random.Generator, counts: Sequence[int], gaps: Sequence[float]) -> Float:
    """Return places (n, 2) of a grid, turned by any angle, about a place near the pad's middle."""
    x, y = np.meshgrid(*((np.arange(n) - (n - 1) / 2) * gap for n, gap in zip(counts, gaps, strict=True)))
    turn = float(rng.uniform(0, np.pi))
    axes = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    result: Float = np.stack([x.ravel(), y.ravel()], axis=1) @ axes + rng.uniform(-2.5, 2.5, 2)
    return result


def ring(rng: np.random.Generator, pad: Float) -> Spots:
    """A ring light; its lamps run into one another or not."""
    count, size = int(rng.integers(8, 24)), float(rng.uniform(1, 6))
    angle = np.linspace(0, 2 * np.pi, count, endpoint=False)
    offs = size * np.stack([np.cos(angle), np.sin(angle)], axis=1) + around(rng, 0, 4)
    return dots(pad, offs, size * float(rng.uniform(0.15, 0.5)), log_uniform(rng, 0.01, 0.5), 1.0)


def tube(rng: np.random.Generator, pad: Float) -> Spots:
    """A tube of even light that ends somewhere."""
    radius = float(rng.uniform(0.5, 2.5))
    offs = grid(rng, (int(rng.integers(3, 16)), 1), (0.7 * radius, 0))
    return dots(pad, offs, radius, log_uniform(rng, 0.01, 0.4), 1.0)


def panes(rng: np.random.Generator, pad: Float) -> Spots:
    """A window with mullions, its panes square."""
    size = float(rng.uniform(1, 4))
    step = size / 5
    inside = (np.stack(np.meshgrid(np.arange(4), np.arange(4)), axis=-1).reshape(-1, 2) - 1.5) * step
    middles = grid(rng, rng.integers(1, 4, 2), (size * float(rng.uniform(1.1, 1.4)),) * 2)
    axis = middles[1] - middles[0] if len(middles) > 1 else np.array([1.0, 0.0])
    axis = axis / np.linalg.norm(axis)
    offs = (middles[:, None] + inside @ np.array([axis, [-axis[1], axis[0]]])).reshape(-1, 2)
    return dots(pad, offs, 1.5 * step, log_uniform(rng, 0.005, 0.15), 1.0)


def leds(rng: np.random.Generator, pad: Float) -> Spots:
    """Rows of small lamps."""
    offs = grid(rng, rng.integers(1, 5, 2), rng.uniform(0.8, 2.5, 2))
    return dots(pad, offs, float(rng.uniform(0.25, 0.9)), log_uniform(rng, 0.02, 1), float(rng.choice([0.3, 1.0])))


def meniscus(rng: np.random.Generator, pad: Float) -> Spots:
    """Water that mirrors along one side of the pad."""
    radius = float(rng.uniform(0.4, 1.2))
    length = np.arange(-2.5, 2.6, 0.6 * radius)
    turn = float(rng.choice([0, 0.5, 1, 1.5])) * np.pi
    offs = np.stack([length, np.full(len(length), float(rng.uniform(1.4, 2.3)))], axis=1)
    offs = offs @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    return dots(pad, offs, radius, log_uniform(rng, 0.01, 0.4), 1.0)


def several(rng: np.random.Generator, pad: Float) -> Spots:
    strength = log_uniform(rng, 0.02, 1)
    return tuple(
        GlareSpot(
            centre_mm=at(pad, rng.uniform(-2.5, 2.5, 2)), radii_mm=(float(rng.uniform(0.4, 1.5)),) * 2,
            strength=strength, softness=float(rng.choice([0.3, 0.6, 1.0])),
        )
        for _ in range(int(rng.integers(2, 6)))
    )  # fmt: skip


def streak(rng: np.random.Generator, pad: Float) -> Spots:
    """A tube lamp."""
    return (
        GlareSpot(
            centre_mm=at(pad, rng.uniform(-2.5, 2.5, 2)),
            radii_mm=(float(rng.uniform(12, 40)), float(rng.uniform(0.6, 4))),
            strength=log_uniform(rng, 0.01, 0.5), angle_deg=float(rng.uniform(0, 180)),
            softness=float(rng.uniform(0.4, 1.0)),
        ),
    )  # fmt: skip


def window(rng: np.random.Generator, pad: Float) -> Spots:
    """Four panes with bars between them."""
    half, strength, turn = float(rng.uniform(0.8, 2.5)), log_uniform(rng, 0.01, 0.3), float(rng.uniform(0, np.pi))
    axes = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    middle = pad + rng.uniform(-2, 2, 2)
    return tuple(
        GlareSpot(
            centre_mm=at(middle, 1.15 * half * np.array([i, j]) @ axes), radii_mm=(half, half),
            strength=strength * float(rng.uniform(0.7, 1)), angle_deg=float(np.rad2deg(turn)), softness=0.25,
        )
        for i in (-1, 1) for j in (-1, 1)
    )  # fmt: skip


def core_and_halo(rng: np.random.Generator, pad: Float) -> Spots:
    """A bulb and what a smeared lens makes of it."""
    place = at(pad, around(rng, 0, 4))
    core, halo = float(rng.uniform(0.5, 2)), float(rng.uniform(4, 18))
    return (
        GlareSpot(centre_mm=place, radii_mm=(core, core), strength=log_uniform(rng, 0.1, 1), softness=0.6),
        GlareSpot(centre_mm=place, radii_mm=(halo, halo), strength=log_uniform(rng, 0.005, 0.06), softness=1.0),
    )


def wet_rim(rng: np.random.Generator, pad: Float) -> Spots:
    """Water that stands at the pad's rim and mirrors in many places, and a soft sheen."""
    strength = log_uniform(rng, 0.03, 0.6)
    dots = [
        GlareSpot(centre_mm=at(pad, around(rng, 1.6, 2.6)), radii_mm=(float(rng.uniform(0.2, 0.6)),) * 2,
                  strength=strength, softness=0.6)
        for _ in range(int(rng.integers(4, 12)))
    ]  # fmt: skip
    return (*dots, *pad_sheen(rng, pad))


def pad_sheen(rng: np.random.Generator, pad: Float) -> Spots:
    """A soft spot over part of a glossy pad; the ground about it is matt (see `ON_PAD`)."""
    return ellipse(rng, pad, around(rng, 0, 4), radius=(2, 7), strength=(0.005, 0.2), softness=[1.0])


SEEN_SHAPES: dict[str, Drawing] = {
    "spot": one_spot, "at the rim": at_the_rim, "veil": veil, "several": several, "ring": ring, "tube": tube,
    "panes": panes, "leds": leds, "meniscus": meniscus, "gloss": gloss,
}  # fmt: skip
UNSEEN_SHAPES: dict[str, Drawing] = {
    "streak": streak, "window": window, "core and halo": core_and_halo, "wet rim": wet_rim, "pad sheen": pad_sheen,
}  # fmt: skip
ON_PAD = {"wet rim", "pad sheen", "meniscus", "gloss"}  # only the pad is glossy


@dataclass(frozen=True)
class Task:
    """A shot and the shapes of glare with which it is taken."""

    index: int
    seen: bool
    shapes: tuple[str, ...]
    kind: str
    find: bool
    kept: Path | None
    seed: int = 0


@dataclass(frozen=True)
class Look:
    """What was made of one photo."""

    error: str | None = None
    codes: frozenset[str] = frozenset()
    lab: Float | None = None
    value: float | None = None
    low: float | None = None
    high: float | None = None
    estimate: float | None = None
    pads_ms: float = 0.0

    def holds(self, truth: float) -> bool:
        return (self.low is None or self.low <= truth) and (self.high is None or truth <= self.high)


@dataclass(frozen=True)
class Outcome:
    kind: str
    shape: str
    truth: float
    added: float  # light mirrored in the inner part of the pad, mean, share of white
    least: float  # where there is least of it
    clean: Look
    glare: Look

    @property
    def moved(self) -> float:
        """Delta E*ab between both photos."""
        if self.clean.lab is None or self.glare.lab is None:
            return np.nan
        return float(np.linalg.norm(self.glare.lab - self.clean.lab))


def shot_of(task: Task) -> tuple[Shot, float, np.random.Generator]:
    rng = np.random.default_rng([811 + task.seed, task.index, task.seen])
    kind, (_, factor) = load_kind(task.kind), LOTS[task.kind]
    truth = log_uniform(rng, *SPANS[task.kind])
    strip = dip_strip(kind, {kind.pads[0].id: truth}, rng, scatter=STRIP_SCATTER[task.kind])
    strip = replace(strip, dye_factor=strip.dye_factor * factor)
    shot = random_shot(CARD, strip, rng, seen=task.seen, sizes=((2000, 1500),))
    return replace(shot, clutter=0), truth, rng  # nothing on the bench: that is drawn in a third less time


def true_pose(placement: StripPlacement, kind: StripKind, rng: np.random.Generator) -> StripPose:
    to_card = strip_to_card(CARD, placement)
    direction = to_card[:2, 0]
    outline = np.array([[0, 0], [kind.length_mm, 0], [kind.length_mm, kind.width_mm], [0, kind.width_mm]])
    shift = to_card[:2, 2] + rng.normal(0, POSE_MM, 2)
    return StripPose(
        origin_mm=to_card[:2, :2] @ [0, kind.width_mm / 2] + shift, direction=direction, flipped=placement.flipped,
        angle_deg=placement.angle_deg, outline_mm=outline @ to_card[:2, :2].T + shift, width_mm=kind.width_mm,
        shifts_mm={}, steps={},
    )  # fmt: skip


def added_light(spots: Spots, pad_mm: Float) -> Float:
    """Mirrored light on a grid over the inner part of a pad with corners (4, 2), as share of white."""
    u, v = np.meshgrid(np.linspace(0.15, 0.85, 29), np.linspace(0.15, 0.85, 29))
    a, b, _, d = pad_mm
    places = a + u[..., None] * (b - a) + v[..., None] * (d - a)
    light = np.zeros(u.shape)
    for spot in spots:
        angle = np.deg2rad(spot.angle_deg)
        turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
        distance = np.hypot(*np.moveaxis((places - spot.centre_mm) @ turn.T / spot.radii_mm, -1, 0))
        ramp = np.clip((1 - distance) / max(spot.softness, 1e-6), 0, 1)
        light += LAMP * spot.strength * ramp**2 * (3 - 2 * ramp)
    return light


def on_pad_only(clean: bytes, glare: bytes, polygon_px: Float) -> bytes:
    """Take the pad from one photo and all else from the other."""
    pictures = [np.asarray(Image.open(BytesIO(data)), dtype=np.float32) for data in (clean, glare)]
    mask = np.zeros(pictures[0].shape[:2], np.float32)
    cv2.fillPoly(mask, [np.round(polygon_px).astype(np.int32)], 1.0)
    mask = cv2.GaussianBlur(mask, (0, 0), 1.0)[..., None]
    mixed = Image.fromarray(np.round(pictures[0] + mask * (pictures[1] - pictures[0])).astype(np.uint8))
    out = BytesIO()
    mixed.save(out, "JPEG", quality=95, subsampling=0)
    return out.getvalue()


def photo_of(task: Task, name: str, draw: Callable[[], bytes]) -> bytes:
    """Return a photo from the folder, or draw and keep it."""
    if task.kept is None:
        return draw()
    path = task.kept / f"{'seen' if task.seen else 'unseen'}-{task.seed}-{task.index}-{name.replace(' ', '-')}.jpg"
    if not path.exists():
        path.write_bytes(draw())
    return path.read_bytes()


def with_glare(task: Task, shot: Shot, shape: str, spots: Spots, clean: bytes) -> bytes:
    glare, drawn = take_photo(replace(shot, defects=Defects(glare=spots)), seed=task.index)
    if shape not in ON_PAD:
        return glare
    assert shot.placement is not None
    pad = pad_corners_mm(CARD, shot.placement, shot.placement.kind.pads[0])
    points = np.column_stack([pad, np.ones(4)]) @ drawn.homography.T
    return on_pad_only(clean, glare, points[:, :2] / points[:, 2:])


def look_at(data: bytes, shot: Shot, known: StripPose | None) -> Look:
    assert shot.strip is not None
    card, kind = enrolled(CARD, shot.printer_seed), shot.strip.kind
    try:
        measured = measure_strip(open_photo_bytes(data, "photo.jpg"), card, kind, known=known)
        reading = read_measurement(measured, lot=load_lot(LOTS[kind.name][0]))
    except StripReadError as error:
        return Look(error=f"{error.code}: {error.found}")
    pad = reading.pads[0]
    low, high = pad.interval or (None, None)
    return Look(
        codes=frozenset(f.code for f in (*reading.findings, *pad.findings)), lab=pad.lab, value=pad.value, low=low,
        high=high, estimate=pad.estimate.value, pads_ms=measured.timing_ms["pads"],
    )  # fmt: skip


def run(task: Task) -> list[Outcome]:
    cv2.setNumThreads(1)
    shot, truth, rng = shot_of(task)
    assert shot.placement is not None
    assert shot.strip is not None
    pad = pad_corners_mm(CARD, shot.placement, shot.placement.kind.pads[0])
    known = None if task.find else true_pose(shot.placement, shot.strip.kind, rng)
    data = photo_of(task, "clean", lambda: take_photo(shot, seed=task.index)[0])
    clean = look_at(data, shot, known)
    outcomes = []
    for shape in task.shapes:
        spots = (SEEN_SHAPES if task.seen else UNSEEN_SHAPES)[shape](rng, pad.mean(axis=0))
        light = added_light(spots, pad)
        picture = photo_of(task, shape, partial(with_glare, task, shot, shape, spots, data))
        glare = look_at(picture, shot, known)
        outcomes.append(
            Outcome(task.kind, shape, truth, float(light.mean()), float(np.quantile(light, 0.02)), clean, glare)
        )
    return outcomes


def row(name: str, outcomes: Sequence[Outcome], *, clean: bool = False) -> str:
    looks = [(o.clean if clean else o.glare, o) for o in outcomes]
    if not looks:
        return f"{name:<26} {0:>4}"
    refused = sum(look.error is not None for look, _ in looks)
    told = sum(look.error is not None or bool(look.codes & WARNED) for look, _ in looks)
    numbers = [(look, o) for look, o in looks if look.value is not None]
    head = f"{name:<26} {len(looks):>4} {refused:>7} {told:>7} {len(numbers):>7}"
    if not numbers:
        return head
    off = np.array([abs(look.value / o.truth - 1) for look, o in numbers if look.value is not None])
    holds = np.mean([look.holds(o.truth) for look, o in numbers])
    half = [
        (look.high - look.low) / 2 / o.truth for look, o in numbers if look.high is not None and look.low is not None
    ]
    moved = np.array([o.moved for _, o in numbers])
    missed = sum(not look.codes & WARNED and o.moved > 2 for look, o in numbers)
    return (
        f"{head} {np.median(off):>7.1%} {np.percentile(off, 95):>7.1%} {holds:>7.1%} {np.median(half):>7.1%} "
        f"{np.nanmedian(moved):>6.2f} {np.nanpercentile(moved, 95):>6.2f} {missed:>6}"
    )


def main(arguments: Sequence[str] | None = None) -> list[Outcome]:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=160)
    parser.add_argument("--unseen", action="store_true", help="conditions and shapes that no threshold was chosen on")
    parser.add_argument("--find", action="store_true", help="let the strip be sought")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--seed", type=int, default=0, help="other shots and other glare")
    parser.add_argument("--keep", type=Path, default=None, help="folder where the photos are kept, to be used again")
    options = parser.parse_args(arguments)
    if options.keep is not None:
        options.keep.mkdir(parents=True, exist_ok=True)
    shapes = list(UNSEEN_SHAPES if options.unseen else SEEN_SHAPES)
    tasks = []
    for i in range(-(-options.photos // EACH)):
        own = tuple(shapes[(i + k) % len(shapes)] for k in range(EACH))
        kind = list(SPANS)[i // len(shapes) % 2]
        tasks.append(Task(i, not options.unseen, own, kind, options.find, options.keep, options.seed))
    with get_context("spawn").Pool(options.jobs) as pool:
        outcomes = [outcome for some in pool.imap(run, tasks) for outcome in some]
    write = sys.stdout.write
    heads = ("n", "refused", "told", "number", "median", "95th", "covered", "half", "moved", "95th", "missed")
    widths = (4, 7, 7, 7, 7, 7, 7, 7, 6, 6, 6)
    write(f"{'':<26} " + " ".join(f"{h:>{w}}" for h, w in zip(heads, widths, strict=True)) + "\n")
    write(row("without glare", outcomes[::EACH], clean=True) + "\n")
    write(row("with glare", outcomes) + "\n")
    write(row("  adds nothing to the pad", [o for o in outcomes if o.added == 0]) + "\n")
    for low, high in pairwise(BINS):
        write(row(f"  adds {low:g} to {high:g}", [o for o in outcomes if low < o.added <= high]) + "\n")
    for shape in shapes:
        write(row(f"  {shape}", [o for o in outcomes if o.shape == shape]) + "\n")
    for kind in SPANS:
        write(row(f"  {kind}", [o for o in outcomes if o.kind == kind]) + "\n")
    for o in outcomes:
        if o.glare.value is not None and not o.glare.holds(o.truth):
            write(
                f"missed: {o.kind} {o.truth:.3g} read as {o.glare.value:.3g}, {o.glare.low} to {o.glare.high} "
                f"({o.clean.value} without glare); {o.shape} adds {o.added:.3f}, {o.least:.3f} at least\n"
            )
    write(f"pads stage: {np.median([o.clean.pads_ms for o in outcomes]):.1f} ms without, "
          f"{np.median([o.glare.pads_ms for o in outcomes]):.1f} ms with glare\n")  # fmt: skip
    return outcomes


if __name__ == "__main__":
    main()
