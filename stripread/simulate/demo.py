"""The demo nursery's data, all of it simulated and seeded: the measured card print and the calibrated lots.

``python -m stripread.simulate.demo calibration sample_images`` writes them anew.
"""

import csv
import io
import sys
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from importlib import resources
from pathlib import Path

from stripread.calibrate import calibrate_lot, load_series
from stripread.card import CardLayout, design_card, enrol_card, load_card, save_card
from stripread.files import write_file
from stripread.lot import save_lot
from stripread.simulate.samples import make_samples
from stripread.simulate.scene.photograph import enrolled
from stripread.simulate.series import SeriesPlan, demo_conditions, shoot_series
from stripread.strip import load_kind

__all__ = ["DEMO_LOTS", "DEMO_PRINTER", "DemoLot", "make_card_print", "make_lots", "make_site"]

DEMO_PRINTER = 2  # one of the seen printers
CARD_FILE = "card-print-a.toml"


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoLot:
    """An invented lot; ``factor`` is its dye relative to its kind's nominal chemistry."""

    number: str
    kind: str
    factor: float
    expires: date
    seed: int


DEMO_LOTS: tuple[DemoLot, ...] = (
    DemoLot(number="UL-2603", kind="clo2-ultralow", factor=1.06, expires=date(2027, 6, 30), seed=21),
    DemoLot(number="WR-2601", kind="clo2-wide", factor=0.95, expires=date(2027, 3, 31), seed=22),
    DemoLot(number="CP-2602", kind="chlorine-ph-duo", factor=1.02, expires=date(2027, 1, 31), seed=23),
)


def make_card_print(folder: Path) -> CardLayout:
    """Write the print's measured colours and enrol them."""
    design = design_card()
    measured = folder / "card-print-a-measured.csv"
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["patch", "L", "a", "b"])
    writer.writerows([p.id, *p.lab] for p in enrolled(design, DEMO_PRINTER).patches)
    write_file(measured, out.getvalue())
    card = enrol_card(design, measured, name="card-print-a", measured_on="2026-02-20", u_lab=0.25)
    save_card(card, folder / CARD_FILE)
    return load_card(folder / CARD_FILE)


def make_lots(folder: Path, card: CardLayout, report: Callable[[str], None]) -> None:
    """Shoot and calibrate every demo lot below ``folder``."""
    for lot in DEMO_LOTS:
        kind = load_kind(lot.kind)
        plan = SeriesPlan(
            kind=kind,
            card=design_card(),
            printer_seed=DEMO_PRINTER,
            lot_factor=lot.factor,
            conditions=demo_conditions(lot.seed),
        )
        home = folder / lot.number
        report(f"{lot.number}: photos of the series")
        series = shoot_series(plan, home, seed=lot.seed)
        calibrated = calibrate_lot(
            load_series(series),
            kind=kind,
            card=card,
            number=lot.number,
            expires=lot.expires,
            calibrated_on=date(2026, 3, 2),
        )
        save_lot(calibrated, home / "lot.json")
        for pad in calibrated.pads:
            report(f"{lot.number} {pad.pad}: LOD {pad.lod.value}, LOQ {pad.loq.value}, {pad.curve.scatter}")


def make_site(folder: Path) -> None:
    """Write the demo nursery's site file with the names of its card and lots."""
    text = (resources.files("stripread.site") / "site_demo.toml").read_text(encoding="utf-8")
    tap = (
        '[sample.tap]\nanalyte = "free chlorine"\nunit = "mg/L"\nexpected = [0.5, 4.0]\n'
        'kinds = ["chlorine-ph-duo"]\nnote = "Town water that fills the tank."\n\n'
        '[sample.tap.also.pH]\nunit = "pH"\nexpected = [6.5, 8.0]\n\n'
    )
    lots = "".join(f'"{lot.number}" = "{lot.number}/lot.json"\n' for lot in DEMO_LOTS)
    text = text.replace("# Short names, each", tap + "# Short names, each", 1)
    text = text.replace("[lots]\n", f"[lots]\n{lots}", 1)
    text = text.replace("[cards]\n", f'[cards]\n"card-print-a" = "{CARD_FILE}"\n', 1)
    write_file(folder / "site.toml", text)


def main() -> None:
    """Write lots and sample photos into the two folders named on the command line; ``-`` skips one."""
    lots, samples = sys.argv[1:3]

    def report(line: str) -> None:
        sys.stdout.write(line + "\n")

    if lots != "-":
        Path(lots).mkdir(parents=True, exist_ok=True)
        make_site(Path(lots))
        make_lots(Path(lots), make_card_print(Path(lots)), report)
    if samples != "-":
        make_samples(Path(samples), printer_seed=DEMO_PRINTER, card="card-print-a", report=report)


if __name__ == "__main__":
    main()
