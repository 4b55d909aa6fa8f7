"""Enrol a print: put the measured colours of its patches in place of the design values."""

import csv
import hashlib
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import NoReturn

import numpy as np

from stripread.card.cgats import is_cgats, parse_cgats
from stripread.card.layout import CardLayout, Enrolment
from stripread.card.measurement import MeasurementTable, parse_numbers, read_measurement_bytes
from stripread.card.spectra import as_reflectance, spectra_disagreement, unusable_wavelengths
from stripread.colour import LARGEST_DISAGREEMENT, delta_e_2000
from stripread.errors import MeasurementFileError
from stripread.files import decode_text
from stripread.geometry import Float
from stripread.i18n import Joined, Message, Number, Shown, Verbatim, joined

__all__ = ["enrol_card", "parse_measured_csv"]

# Thresholds chosen, in CIEDE2000. Printed cards measured elsewhere lay 2.4 (mean) from their design values; two
# patches drawn at random from the project's own card lie 28 apart (median). Judged on 300 simulated prints (dot gain,
# turned and weak colours, scatter of 2): none was refused, and every exchange of two patches over 20 apart was noticed.
_MAX_MEDIAN = 15.0
_SUSPICIOUS = 12.0  # a patch farther from its own design value, and ...
_FITS_BETTER = 0.4  # ... nearer to another one's, by this share: it may have changed places with it
_ALL_MOVED = 0.25  # share of such patches from which the order of the file as a whole is in doubt
_MAX_REPEAT_SPREAD = 5.0  # repeats of one patch lie a few tenths apart; a wrong patch lies farther
_DARKEST_WHITE = 75.0  # L*; matte papers measure 88 to 96


def enrol_card(card: CardLayout, measured_path: Path, *, name: str, measured_on: str, u_lab: float = 0.3) -> CardLayout:
    """Return the card with the measured colours of its print, and its spectra where the file has them.

    Spectra that do not reach from 400 to 700 nm in steps of 20 nm or less are left out.

    Parameters
    ----------
    card : CardLayout
        The layout that was printed, with its design values.
    measured_path : Path
        CSV with columns ``patch, L, a, b``, or CGATS.17 text; several rows of one patch are repeats and are averaged.
    name : str
        Name of the print.
    measured_on : str
        The day of the measurement, YYYY-MM-DD.
    u_lab : float
        Standard uncertainty of the instrument for each CIELAB coordinate. The default is a round value for a hand-held
        spectrophotometer on paper, which also holds how much the paper and the ink vary within a patch. Where patches
        were measured three times or more, the scatter's share is added: u = hypot(u_lab, s / sqrt(n)), with s pooled
        over those patches and n the fewest repeats of any patch. Scatter alone would not show what all repeats share.

    Raises
    ------
    MeasurementFileError
        If the file cannot be read; patches are missing or unknown; repeats of a patch disagree; the white is dark; the
        colours are far from the design or fit it better in another order; or the spectra have other colours.
    """
    if not name.strip():
        raise MeasurementFileError(
            expected=Message("a name for the print"), found=Verbatim(repr(name)), remedy=Message("Name it.")
        )
    if not (math.isfinite(u_lab) and u_lab > 0):
        raise MeasurementFileError(
            expected=Message("a standard uncertainty u_lab above 0"),
            found=Verbatim(str(u_lab)),
            remedy=Message("Leave it out for 0.3."),
        )
    try:
        date.fromisoformat(measured_on)
    except ValueError:
        raise MeasurementFileError(
            expected=Message("the day of the measurement as YYYY-MM-DD"),
            found=Verbatim(repr(measured_on)),
            remedy=Message("Correct the date."),
        ) from None
    data = read_measurement_bytes(measured_path)
    text, where = decode_text(data), measured_path.name
    table = parse_cgats(text, where=where) if is_cgats(text) else parse_measured_csv(text, where=where)
    _check_plausible(table, where)
    rows = _rows_by_patch(card, table, where)
    lab = np.array([table.lab[rows[p.id]].mean(axis=0) for p in card.patches])
    _check_repeats(card, table, rows, where)
    _check_against_design(card, lab, where)
    spectra = _spectra(card, table, rows, lab, where)
    return replace(
        card,
        name=name,
        patches=tuple(
            replace(patch, lab=(float(colour[0]), float(colour[1]), float(colour[2])), spectrum=spectrum)
            for patch, colour, spectrum in zip(card.patches, lab, spectra, strict=True)
        ),
        wavelengths_nm=table.wavelengths_nm if any(spectra) else (),
        enrolment=Enrolment(
            source=measured_path.name,
            source_sha256=hashlib.sha256(data).hexdigest(),
            measured_on=measured_on,
            u_lab=_uncertainty(table, list(rows.values()), u_lab),
        ),
    )


def parse_measured_csv(text: str, *, where: str) -> MeasurementTable:
    """Return the colours of a CSV with columns ``patch, L, a, b``, in any case and order, other columns ignored.

    Separated by commas, semicolons or tabs; a decimal comma is understood unless commas separate. ``where`` names the
    file in errors (`MeasurementFileError`, with the line).
    """
    lines = text.splitlines()
    first = next((i for i, line in enumerate(lines) if line.strip()), None)
    header_line = "" if first is None else lines[first]
    separator = next((s for s in ";\t" if s in header_line), ",")
    reader = csv.reader(lines, delimiter=separator, skipinitialspace=True)
    columns: dict[str, int] = {}
    labels: list[str] = []
    numbers: list[str] = []
    places: list[Shown] = []
    numbered: list[int] = []
    try:
        for row in reader:
            if not any(cell.strip() for cell in row):
                continue
            if not columns:
                columns = _csv_columns(row, where, reader.line_num)
                continue
            if len(row) <= max(columns.values()):
                raise MeasurementFileError(
                    expected=Message(
                        "values for patch, L, a, b in %(where)s, line %(line)s",
                        where=where,
                        line=reader.line_num,
                    ),
                    found=Verbatim(separator.join(row)[:200]),
                    remedy=Message("Mend this line."),
                )
            labels.append(row[columns["patch"]].strip())
            numbered.append(reader.line_num)
            for key in ("l", "a", "b"):
                numbers.append(row[columns[key]].strip())
                places.append(Message("line %(line)s, column %(name)s", line=reader.line_num, name=key))
    except csv.Error as error:
        raise MeasurementFileError(
            expected=Message("a CSV file in %(where)s, line %(line)s", where=where, line=reader.line_num),
            found=Verbatim(str(error)),
            remedy=Message("Mend or export anew."),
        ) from error
    if not labels:
        raise MeasurementFileError(
            expected=Message("a header patch, L, a, b and a row per patch in %(where)s", where=where),
            found=Message("no rows"),
            remedy=Message("Export the measured colours as CSV or CGATS text."),
        )
    lab = np.array(parse_numbers(numbers, places, where=where)).reshape(len(labels), 3)
    return MeasurementTable(labels=(tuple(labels),), lab=lab, lines=tuple(numbered))


def _csv_columns(header: list[str], where: str, line: int) -> dict[str, int]:
    found = [cell.strip().rstrip("*").casefold() for cell in header]
    wanted = ("patch", "l", "a", "b")
    if any(found.count(key) != 1 for key in wanted):
        raise MeasurementFileError(
            expected=Message(
                "each of the columns patch, L, a, b once in %(where)s, line %(line)s", where=where, line=line
            ),
            found=Verbatim(", ".join(header)[:200]),
            remedy=Message("Correct the header line."),
        )
    return {key: found.index(key) for key in wanted}


def _check_plausible(table: MeasurementTable, where: str) -> None:
    wrong = (table.lab[:, 0] < -0.5) | (table.lab[:, 0] > 110.0) | (np.abs(table.lab[:, 1:]) > 150.0).any(axis=1)
    if wrong.any():
        i = int(np.flatnonzero(wrong)[0])
        raise MeasurementFileError(
            expected=Message(
                "L* in 0 to 110, a* and b* in -150 to 150 in %(where)s, line %(line)s",
                where=where,
                line=table.lines[i],
            ),
            found=Verbatim(", ".join(f"{v:g}" for v in table.lab[i])),
            remedy=Message("Export CIELAB for D50 and the 2 degree observer."),
        )


def _few(names: Sequence[object]) -> Shown:
    if len(names) <= 10:
        return joined(names)
    return Message("%(some)s and %(count)s more", some=joined(names[:10]), count=len(names) - 10)


def _rows_by_patch(card: CardLayout, table: MeasurementTable, where: str) -> dict[str, list[int]]:
    """Return the rows of each patch, by the column of labels that names the most patches of the card."""
    ids = [patch.id for patch in card.patches]
    folds = len({i.casefold() for i in ids}) == len(ids)  # else upper and lower case tell patches apart
    by_label = {i.casefold() if folds else i: i for i in ids}

    def known(label: str) -> str | None:
        label = label.strip()
        return by_label.get(label.casefold() if folds else label)

    labels = max(table.labels, key=lambda column: len({known(label) for label in column} - {None}))
    rows: dict[str, list[int]] = {patch.id: [] for patch in card.patches}
    unknown: list[Shown] = []
    for i, label in enumerate(labels):
        if (patch_id := known(label)) is None:
            unknown.append(Message("%(label)s (line %(line)s)", label=label, line=table.lines[i]))
        else:
            rows[patch_id].append(i)
    missing = [patch_id for patch_id, found in rows.items() if not found]
    if missing or unknown:
        parts = [Message("missing %(names)s", names=_few(missing))] if missing else []
        parts += [Message("unknown %(names)s", names=_few(unknown))] if unknown else []
        raise MeasurementFileError(
            expected=Message(
                "the %(rows)s patches of card %(name)s in %(where)s", rows=len(rows), name=card.name, where=where
            ),
            found=Joined(tuple(parts), "; "),
            remedy=Message(
                "Name each measurement after its patch: row letter and column number as printed on the card."
            ),
        )
    return rows


def _check_repeats(card: CardLayout, table: MeasurementTable, rows: dict[str, list[int]], where: str) -> None:
    wrong = []
    for patch_id, found in rows.items():
        if len(found) > 1:
            centre = np.broadcast_to(np.median(table.lab[found], axis=0), (len(found), 3))
            if float(delta_e_2000(table.lab[found], centre).max()) > _MAX_REPEAT_SPREAD:
                lines = joined(table.lines[i] for i in found)
                wrong.append(Message("%(patch)s (lines %(lines)s)", patch=patch_id, lines=lines))
    if wrong:
        raise MeasurementFileError(
            expected=Message("repeats of a patch of card %(name)s to agree in %(where)s", name=card.name, where=where),
            found=Message(
                "duplicates more than %(most)s (CIEDE2000) off: %(patches)s",
                most=Number(_MAX_REPEAT_SPREAD, "g"),
                patches=_few(wrong),
            ),
            remedy=Message("Measure these patches again, or correct their names."),
        )


def _check_against_design(card: CardLayout, lab: Float, where: str) -> None:
    def refuse(expected: Shown, found: Shown, remedy: Shown) -> NoReturn:
        raise MeasurementFileError(
            expected=Message("%(expected)s in %(where)s", expected=expected, where=where), found=found, remedy=remedy
        )

    moves = _moved(card.patch_lab, lab)
    if len(moves) >= _ALL_MOVED * len(lab):
        refuse(
            Message("the patches of card %(name)s in their order", name=card.name),
            _describe_moves(card, moves),
            Message("Measure in the order of the names printed on the card, its words upright."),
        )
    median = float(np.median(delta_e_2000(card.patch_lab, lab)))
    if median > _MAX_MEDIAN:
        refuse(
            Message("colours near the design of card %(name)s", name=card.name),
            Message("half of the patches more than %(median)s (CIEDE2000) off", median=Number(median, ".0f")),
            Message("Check that the file is of this card, in the right order, in CIELAB for D50."),
        )
    if moves := _moved(_as_printed(card.patch_lab, lab), lab):
        refuse(
            Message("the patches of card %(name)s in their own places", name=card.name),
            _describe_moves(card, moves),
            Message("Measure these patches again."),
        )
    white = [float(colour[0]) for patch, colour in zip(card.patches, lab, strict=True) if patch.role == "white"]
    if white and min(white) < _DARKEST_WHITE:
        refuse(
            Message("white patches of L* %(least)s or more", least=Number(_DARKEST_WHITE, "g")),
            Message("L* %(found)s", found=Number(min(white), ".1f")),
            Message("Print on white paper; check that the file is of this card and in the right order."),
        )


def _spectra(
    card: CardLayout, table: MeasurementTable, rows: dict[str, list[int]], lab: Float, where: str
) -> list[tuple[float, ...]]:
    """Return the mean spectrum of each patch, rounded; empty ones if the file has none that serve."""
    if table.spectra is None or unusable_wavelengths(table.wavelengths_nm):
        return [()] * len(card.patches)
    mean = as_reflectance(np.array([table.spectra[rows[p.id]].mean(axis=0) for p in card.patches]))
    if mean is None:
        raise MeasurementFileError(
            expected=Message("spectra of 0 to 1 or 0 to 100 in %(where)s", where=where),
            found=Message(
                "%(low)s to %(high)s", low=Number(table.spectra.min(), "g"), high=Number(table.spectra.max(), "g")
            ),
            remedy=Message("Export reflectances, not densities."),
        )
    apart = spectra_disagreement(lab, table.wavelengths_nm, mean)
    if apart > LARGEST_DISAGREEMENT:
        raise MeasurementFileError(
            expected=Message("spectra that have the colours beside them in %(where)s", where=where),
            found=Message("spectra %(apart)s CIEDE2000 off on average", apart=Number(apart, ".1f")),
            remedy=Message("Export colours (D50, 2 degree) and spectra of one measurement, or leave the spectra out."),
        )
    return [tuple(round(float(v), 5) for v in spectrum) for spectrum in mean]


def _moved(expected: Float, lab: Float) -> dict[int, int]:
    """Return which patches look like which other one, in the assignment of least CIEDE2000; two or none."""
    from scipy.optimize import linear_sum_assignment

    n = len(lab)
    distance = delta_e_2000(
        np.broadcast_to(expected[None], (n, n, 3)), np.broadcast_to(lab[:, None], (n, n, 3))
    )  # [measured, expected]
    own, (_, best) = np.diag(distance), linear_sum_assignment(distance)
    moved = np.flatnonzero((own > _SUSPICIOUS) & (distance[np.arange(n), best] < _FITS_BETTER * own))
    return {int(i): int(best[i]) for i in moved} if len(moved) >= 2 else {}


def _as_printed(design: Float, lab: Float) -> Float:
    """Return the design as this printer renders it: the affine map that the best fitting 70 % of the patches follow.

    The share is chosen: a file with more patches in wrong places fails before. Under 12 patches the map would follow
    the wrong places too, so the design stays as it is.
    """
    if len(design) < 12:
        return design
    terms = np.column_stack([design, np.ones(len(design))])
    kept = np.arange(len(design))
    for _ in range(10):
        mapped: Float = terms @ np.linalg.lstsq(terms[kept], lab[kept], rcond=None)[0]
        kept = np.argsort(np.linalg.norm(lab - mapped, axis=1), kind="stable")[: math.ceil(0.7 * len(design))]
    return mapped


def _describe_moves(card: CardLayout, moves: dict[int, int]) -> Message:
    n = len(card.patches)
    shift, count = Counter((to - at) % n for at, to in moves.items()).most_common(1)[0]
    if len(moves) > 2 and 2 * count > len(moves):
        if shift <= n // 2:
            return Message(
                "%(count)s of %(total)s patches that look like the one %(steps)s later in the list: shifted?",
                count=len(moves),
                total=n,
                steps=shift,
            )
        return Message(
            "%(count)s of %(total)s patches that look like the one %(steps)s earlier in the list: shifted?",
            count=len(moves),
            total=n,
            steps=n - shift,
        )
    if len(moves) > 2 and 2 * sum(to == n - 1 - at for at, to in moves.items()) > len(moves):
        return Message(
            "%(count)s of %(total)s patches as if the list were backwards: was the card turned by half a turn?",
            count=len(moves),
            total=n,
        )
    ids = [patch.id for patch in card.patches]
    examples = [Message("%(patch)s looks like %(other)s", patch=ids[at], other=ids[to]) for at, to in moves.items()]
    return Message(
        "%(count)s of %(total)s patches in other places: %(examples)s",
        count=len(moves),
        total=n,
        examples=_few(examples),
    )


def _uncertainty(table: MeasurementTable, rows: list[list[int]], u_lab: float) -> float:
    repeated = [table.lab[found] for found in rows if len(found) >= 3]
    if not repeated:
        return u_lab
    squares = sum(float(((lab - lab.mean(axis=0)) ** 2).sum()) for lab in repeated)
    freedom = sum(3 * (len(lab) - 1) for lab in repeated)
    return math.hypot(u_lab, math.sqrt(squares / freedom / min(len(found) for found in rows)))
