"""The demo nursery's data, all of it simulated and seeded: the measured card print and the calibrated lots.

``python -m stripread.simulate.demo calibration sample_images`` writes them anew.
"""

import csv
import sys
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from stripread.calibration import calibrate_lot
from stripread.card.design import design_card
from stripread.card.enrol import enrol_card
from stripread.card.layout import CardLayout, load_card, save_card
from stripread.lot.lot import save_lot
from stripread.lot.series import load_series
from stripread.simulate.photograph import enrolled
from stripread.simulate.series import SeriesPlan, demo_conditions, shoot_series
from stripread.strip.kinds import load_kind

__all__ = ["DEMO_LOTS", "DEMO_PRINTER", "DemoLot", "make_card_print", "make_lots"]

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
    with measured.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(["patch", "L", "a", "b"])
        writer.writerows([p.id, *p.lab] for p in enrolled(design, DEMO_PRINTER).patches)
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


def main() -> None:
    """Write the demo data into the folder named on the command line."""
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    make_lots(folder, make_card_print(folder), lambda line: sys.stdout.write(line + "\n"))


if __name__ == "__main__":
    main()
