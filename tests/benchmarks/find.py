"""How often strips that nobody has described before are found, which way round, and where their pads are.

``make bench-find`` runs it. Each photo draws a strip kind of random sizes, a look (`stripread.simulate.looks.families`)
and the conditions of `random_shot`. It is measured with that kind and the card as enrolled, as a reading does: with the
colours that pads of the lot can have; one in four as a series does, without them. Without ``--seen`` all families are
unseen ones: they only judge, and whatever is learnt from a photo of theirs must not go into the finder. One photo in
eight is of a blank strip: it counts as found where its pads are where they should be, or where the measurement says
that the pad was not seen, whichever end it then took.

Four sets follow in which no number may be given: strips face down, two strips in the slot, strips of another kind,
empty slots. They are read with the demo lots of each pad's chemistry.
"""

import argparse
import json
import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, replace
from functools import lru_cache
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from stripread.card import design_card
from stripread.errors import StripReadError
from stripread.geometry import apply_homography
from stripread.lot import Lot, load_lot
from stripread.measure import measure_strip
from stripread.photo import open_photo_bytes
from stripread.read.strip import lot_colours, read_measurement
from stripread.simulate import enrolled, random_shot, take_photo
from stripread.simulate.looks.families import FAMILIES, USUAL, Look, random_look
from stripread.simulate.random_kinds import RANGES, RandomKind, another_kind, dip_random, random_kind
from stripread.simulate.scene.heic import heif_encoder
from stripread.simulate.scene.photograph import Shot
from stripread.simulate.scene.render import Rendered
from stripread.simulate.scene.scene import StripPlacement

ROOT = Path(__file__).parents[2]
NOTHING = ("face down", "two strips", "another kind", "empty slot")
OFF_MM = 0.5  # a pad's centre further off is counted
_BLANK_EVERY = 8
_SERIES_EVERY = 4
_SMALL, _LARGE = (2000, 1500), (4032, 3024)
_SMALLEST, _SMALLEST_SHARE = (1300, 975), 0.6  # a third of the time to draw; least width of the card: 3.1 to 6 px/mm
# The demo lot and its pad that stand for each chemistry.
_LOTS = {"pink": ("UL-2603", "clo2"), "violet": ("WR-2601", "clo2"), "brown": ("CP-2602", "chlorine"),
         "yellow-blue": ("CP-2602", "ph")}  # fmt: skip


@dataclass(frozen=True)
class Task:
    index: int
    seed: int
    seen: bool
    without: str = ""  # one of NOTHING, or empty
    aspect: str = ""  # all others are left as usual
    small: bool = False
    save: Path | None = None


@dataclass(frozen=True)
class Outcome:
    index: int
    families: dict[str, str]
    facts: dict[str, str]  # further slices
    without: str
    blank: bool
    error: str = ""  # code, where the photo was refused
    told: str = ""  # what was found, in words
    wrong_end: bool = False
    off_mm: float = 0.0
    not_seen: bool = False  # told as a blank
    given: tuple[float | None, ...] = field(default=())  # numbers, where there should be none
    findings: tuple[str, ...] = ()

    @property
    def fine(self) -> bool:
        """Whether nothing is wrong with the outcome."""
        if self.without:
            return not any(v is not None for v in self.given)
        return not self.error and (self.blank_told or not (self.wrong_end or self.off_mm > OFF_MM))

    @property
    def blank_told(self) -> bool:
        """Whether a blank strip is told as one."""
        return self.blank and self.not_seen


def lot_for(known: RandomKind) -> Lot:
    """Return a lot of a random kind, its curves those of the demo lots of the same chemistries."""
    pads, conditions = [], None
    for pad in known.kind.pads:
        number, name = _LOTS[known.chemistry[pad.id]]
        demo = _demo_lot(number)
        conditions = conditions or demo
        pads.append(replace(demo.pad(name), pad=pad.id, shifts=()))
    assert conditions is not None
    return replace(conditions, kind=known.kind.name, pads=tuple(pads))


@lru_cache(maxsize=4)
def _demo_lot(number: str) -> Lot:
    return load_lot(ROOT / "calibration" / number / "lot.json")


def draw(task: Task) -> tuple[Shot, RandomKind, RandomKind, bool, Look]:
    """Return the shot, the kind that the photo is measured with and the one that lies there, whether it is blank."""
    rng = np.random.default_rng([task.seed, task.index, NOTHING.index(task.without) + 1 if task.without else 0])
    known = random_kind(rng, number=task.index)
    blank = not task.without and task.index % _BLANK_EVERY == 0
    while blank and not all(pad.blank for pad in known.kind.pads):  # pH has no zero
        known = random_kind(rng, number=task.index)
    look = random_look(rng, seen=task.seen)
    if task.aspect:
        look = replace(Look(), **{task.aspect: getattr(look, task.aspect)})
    lying = known
    if task.without == "another kind":
        lying = another_kind(known, rng)
    # Strips of another kind and second strips are well coloured: a pad of theirs without colour may be anything.
    level = -1.0 if blank else (float(rng.uniform(0.6, 1)) if task.without else None)
    strip = dip_random(lying, rng, level=level)
    size = _LARGE if rng.random() < 0.1 else _SMALL
    size = _SMALLEST if task.small else size
    shot = random_shot(design_card(), strip, rng, seen=task.seen, sizes=(size,), look=look)
    if task.small:
        share = max(shot.view.card_width_share, _SMALLEST_SHARE)
        shot = replace(shot, view=replace(shot.view, card_width_share=share))
    placement = shot.placement
    assert placement is not None
    if task.without == "face down":
        shot = replace(shot, placement=replace(placement, face_down=True))
    elif task.without == "empty slot":
        shot = replace(shot, strip=None, placement=None)
    elif task.without == "two strips":
        shot = _two_strips(shot, placement, lying, rng)
    return shot, known, lying, blank, look


def _two_strips(shot: Shot, placement: StripPlacement, lying: RandomKind, rng: np.random.Generator) -> Shot:
    """Lay a second strip of the same kind beside the first, a gap of up to 3 mm between them."""
    width = lying.kind.width_mm
    apart = (width + float(rng.uniform(0.2, 3.0))) / 2
    angle = float(rng.uniform(-2, 2))
    along = float(np.clip(placement.offset_mm[0], -2, 2))
    second = replace(
        placement,
        offset_mm=(along + float(rng.uniform(-2, 2)), apart),
        angle_deg=angle + float(rng.uniform(-0.5, 0.5)),
        flipped=bool(rng.random() < 0.5),
    )
    return replace(
        shot,
        placement=replace(placement, offset_mm=(along, -apart), angle_deg=angle),
        beside=dip_random(lying, rng, level=float(rng.uniform(0.6, 1))),
        beside_placement=second,
    )


def run(task: Task) -> Outcome:
    import cv2

    cv2.setNumThreads(1)
    shot, known, lying, blank, look = draw(task)
    pads = lying.kind.pads
    with_colours = bool(task.without) or task.index % _SERIES_EVERY != 1
    facts = {
        "pads": str(len(pads)),
        "tip gap": "0 mm" if lying.tip_gap_mm < 0.05 else ("to 1 mm" if lying.tip_gap_mm <= 1 else "over 1 mm"),
        "pad width": "full" if pads[0].size_mm[1] >= lying.kind.width_mm - 0.05 else "narrower",
        "faintest pad": _faintness(shot, lying),
        "colours": "of the lot" if with_colours else "not known",
        "content": task.without or ("blank" if blank else "coloured"),
        "scale": "under 5 px/mm" if _px_per_mm(shot) < 5 else "5 px/mm and more",
    }
    data, drawn = take_photo(shot, seed=task.seed * 10_000 + task.index)
    outcome = Outcome(task.index, look.families, facts, task.without, blank)
    card = enrolled(shot.card, shot.printer_seed)
    lot = lot_for(known)
    try:
        colours = lot_colours(lot) if with_colours else None
        measured = measure_strip(open_photo_bytes(data, "photo.jpg"), card, known.kind, colours=colours)
        codes = tuple(f.code for f in measured.findings)
        outcome = replace(outcome, findings=codes, not_seen="pad_not_seen" in codes)
        if not task.without:
            found = {p.pad: p.polygon_px.mean(axis=0) for p in measured.pads}
            wrong, off = compare(shot, drawn, found)
            outcome = replace(outcome, wrong_end=wrong, off_mm=off)
        if task.without or outcome.wrong_end:
            reading = read_measurement(measured, lot=lot)
            outcome = replace(outcome, given=tuple(p.value for p in reading.pads))
    except StripReadError as error:
        outcome = replace(outcome, error=error.code, told=str(error.found))
    if task.save is not None and not outcome.fine:
        _save(task, data, drawn, known, outcome)
    return outcome


def _faintness(shot: Shot, lying: RandomKind) -> str:
    """Where the palest pad is in its range's logarithm."""
    if shot.strip is None:
        return "none"
    shares = []
    for pad, name in lying.chemistry.items():
        low, high = RANGES[name]
        value = shot.strip.concentrations[pad]
        shares.append(np.log(max(value, low) / low) / np.log(high / low) if name != "yellow-blue" else 1.0)
    return ("lower third", "middle third", "upper third")[min(int(3 * min(shares)), 2)]


def _px_per_mm(shot: Shot) -> float:
    return shot.view.card_width_share * shot.view.size_px[0] / shot.card.width_mm


def compare(shot: Shot, drawn: Rendered, found: dict[str, np.ndarray]) -> tuple[bool, float]:
    """Return whether the strip was taken at the wrong end, and how far the worst pad's centre is off. [mm]."""
    assert shot.strip is not None
    length = shot.strip.kind.length_mm
    to_card = np.linalg.inv(drawn.homography).astype(np.float64)
    worst, wrong = 0.0, False
    for pad, place in found.items():
        seen, true = apply_homography(to_card, np.stack([place, drawn.pad_polygons_px[pad].mean(axis=0)]))
        off = float(np.hypot(*(seen - true)))
        # The same pad with the strip turned end for end lies mirrored about the strip's middle.
        apart = length - 2 * shot.strip.kind.pad(pad).centre_mm[0]
        wrong |= off > max(apart / 2, 3.0)
        worst = max(worst, off)
    return wrong, worst


def _save(task: Task, data: bytes, drawn: Rendered, known: RandomKind, outcome: Outcome) -> None:
    assert task.save is not None
    task.save.mkdir(parents=True, exist_ok=True)
    stem = task.save / f"{task.without.replace(' ', '-') or 'strip'}-{task.index:04d}"
    starts = {b"\xff\xd8": ".jpg", b"\x89P": ".png", b"RI": ".webp"}
    suffix = starts.get(data[:2], ".heic")
    stem.with_suffix(suffix).write_bytes(data)
    truth = {
        "outcome": asdict(outcome),
        "kind": asdict(known.kind),
        "pads_px": {k: v.tolist() for k, v in drawn.pad_polygons_px.items()},
        "card_px": drawn.card_corners_px.tolist(),
    }
    stem.with_suffix(".json").write_text(json.dumps(truth, indent=1), encoding="utf-8")


def row(name: str, outcomes: Sequence[Outcome]) -> str:
    """Return a line of the table. Blanks that are told as such count as found."""
    n = len(outcomes)
    read = [o for o in outcomes if not o.error]
    judged = [o for o in read if not o.blank_told]
    refused = n - len(read)
    wrong = sum(o.wrong_end for o in judged)
    off = sum(o.off_mm > OFF_MM and not o.wrong_end for o in judged)
    return f"{name:<32} {n:>5} {(n - refused - wrong) / max(n, 1):>8.1%} {refused:>8} {wrong:>10} {off:>11}"


def table(outcomes: Sequence[Outcome]) -> str:
    heads = ("n", "found", "refused", "wrong end", "off 0.5 mm")
    lines = [f"{'':<32} " + " ".join(f"{h:>{w}}" for h, w in zip(heads, (5, 8, 8, 10, 11), strict=True))]
    lines.append(row("all", outcomes))
    coloured, blank = [o for o in outcomes if not o.blank], [o for o in outcomes if o.blank]
    lines += [row("  coloured", coloured), row("  blank", blank)]
    lines.append(f"  blanks told as blank: {sum(o.blank_told for o in blank)} of {len(blank)}")
    numbers = sum(any(v is not None for v in o.given) for o in outcomes if o.wrong_end)
    lines.append(f"  wrong end and given a number: {numbers}")
    for aspect in (*FAMILIES, "pads", "tip gap", "pad width", "faintest pad", "colours", "scale"):
        own = {o.index: o.families.get(aspect) or o.facts[aspect] for o in outcomes}
        lines.append(aspect.replace("_", " "))
        for name in sorted(set(own.values()), key=lambda n: (n != USUAL, n)):
            lines.append(row(f"  {name}", [o for o in outcomes if own[o.index] == name]))
    return "\n".join(lines)


def run_all(tasks: Sequence[Task], *, jobs: int, results: Path | None) -> list[Outcome]:
    """Run the tasks; with ``results`` each outcome is written there as it comes, and those in it are not repeated."""
    known: dict[tuple[str, int], Outcome] = {}
    if results is not None and results.exists():
        for line in results.read_text(encoding="utf-8").splitlines():
            outcome = Outcome(**json.loads(line))
            known[outcome.without, outcome.index] = outcome
    left = [task for task in tasks if (task.without, task.index) not in known]
    with get_context("spawn").Pool(jobs) as pool:
        for number, outcome in enumerate(pool.imap(run, left, chunksize=2), 1):
            known[outcome.without, outcome.index] = outcome
            if results is not None:
                with results.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(asdict(outcome)) + "\n")
            if number % 50 == 0:
                sys.stderr.write(f"{number} of {len(left)}\n")
    return [known[task.without, task.index] for task in tasks]


def main(arguments: Sequence[str] | None = None) -> list[Outcome]:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=400)
    parser.add_argument("--nothing", type=int, default=None, help="photos of each set without a number [a quarter]")
    parser.add_argument("--seen", action="store_true", help="seen families: for work on the finder")
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--small", action="store_true", help="photos of 1300 x 975, a third of the time to draw")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--aspect", default="", choices=["", *FAMILIES], help="leave all other aspects as usual")
    parser.add_argument(
        "--results",
        type=Path,
        default=None,
        help="file for outcomes as they come; a run that was cut off goes on from it",
    )
    parser.add_argument("--save", type=Path, default=None, help="folder for photos that went wrong, with their truth")
    options = parser.parse_args(arguments)
    each = options.photos // 4 if options.nothing is None else options.nothing
    tasks = [
        Task(i, options.seed, options.seen, without, options.aspect, options.small, options.save)
        for without, count in (("", options.photos), *((name, each) for name in NOTHING))
        for i in range(count)
    ]
    # A run that is cut off has the same share of each set.
    tasks.sort(key=lambda task: (task.index + 0.5) / (each if task.without else options.photos))
    outcomes = run_all(tasks, jobs=options.jobs, results=options.results)
    write = sys.stdout.write
    part = "seen" if options.seen else "unseen"
    write(f"{options.photos} photos of {part} families, seed {options.seed}\n")
    if not options.seen and heif_encoder() is None:
        write("no heif-enc on this machine: HEIC files are left out\n")
    strips = [o for o in outcomes if not o.without]
    write(table(strips) + "\n\nno number may be given:\n")
    for name in NOTHING:
        own = [o for o in outcomes if o.without == name]
        if own:
            numbers = sum(not o.fine for o in own)
            write(f"  {name:<16} {len(own):>4} photos, measured {sum(not o.error for o in own):>4}, ")
            write(f"given a number {numbers:>4}\n")
    codes: dict[str, int] = {}
    for o in strips:
        codes[o.error] = codes.get(o.error, 0) + bool(o.error)
    write("refusals: " + ", ".join(f"{c} {n}" for c, n in sorted(codes.items(), key=lambda c: -c[1]) if n) + "\n")
    for o in [o for o in outcomes if not o.fine][:40]:
        what = o.error or ("wrong end" if o.wrong_end else f"off {o.off_mm:.2f} mm" if not o.without else "read")
        looks = ", ".join(f for f in o.families.values() if f != USUAL)
        given = " ".join(f"{v:.3g}" for v in o.given if v is not None)
        write(f"{o.without or 'strip'} {o.index}: {what} {o.told} {given} ({looks})\n")
    return outcomes


if __name__ == "__main__":
    main()
