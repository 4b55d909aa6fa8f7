"""CGATS.17 / ISO 28178 text, read leniently: writers differ in keywords, order of blocks, quotes, separators."""

import re
from dataclasses import dataclass, field
from typing import NoReturn

import numpy as np

from stripread.card.measurement import MeasurementTable, parse_numbers
from stripread.card.spectra import as_reflectance, spectra_lab, unusable_wavelengths
from stripread.colour import xyz_to_lab
from stripread.errors import MeasurementFileError
from stripread.geometry import Float
from stripread.i18n import Message, Shown, Verbatim

__all__ = ["is_cgats", "parse_cgats"]

_TOKEN = re.compile(r'"(?P<quoted>(?:[^"]|"")*)"|(?P<comment>#.*)|(?P<plain>[^\s"]+)|(?P<stray>")')
_LAB = ("LAB_L", "LAB_A", "LAB_B")
_XYZ = ("XYZ_X", "XYZ_Y", "XYZ_Z")
_NAMES = ("SAMPLE_NAME", "SAMPLENAME")
_IDS = ("SAMPLE_ID", "SAMPLEID")
# NM380, NM_380, SPEC_380, R_380, SPECTRAL_NM380, SPECTRAL_DEC_380, SPECTRAL_PCT380, 380NM, 380
_SPECTRAL = re.compile(r"(?:SPECTRAL_?)?(?:NM|SPEC|DEC|PCT|R|REFL)?_?(\d{3,4})(?:\.0+)?(?:_?NM)?")
_ILLUMINANT = re.compile(r"\b(?:D\d\d|A|C|E|F\d{1,2}|TL\d\d|LED-\w+)\b")


@dataclass(slots=True)
class _Blocks:
    """The parts of the file as they are found, with their line numbers."""

    header: dict[str, tuple[int, str]] = field(default_factory=dict)
    weightings: list[tuple[int, str]] = field(default_factory=list)
    fields: list[str] = field(default_factory=list)
    fields_line: int = 0
    rows: list[tuple[int, list[str]]] = field(default_factory=list)
    data_line: int = 0
    data_ended: bool = False


def is_cgats(text: str) -> bool:
    """Tell whether a text has a block of CGATS data."""
    return re.search(r"(?:^|[\r\n])\s*BEGIN_DATA\b", text, re.IGNORECASE) is not None


def parse_cgats(text: str, *, where: str) -> MeasurementTable:
    """Return the measured colours of a CGATS text: LAB_L.., or else XYZ_X.. (of 1 or 100 for the perfect reflector).

    Without either, colours are worked out from the spectra. SAMPLE_NAME is the preferred label, then SAMPLE_ID.
    NUMBER_OF_FIELDS and NUMBER_OF_SETS may be missing, the blocks may stand in any order. Spectra come along if there
    are any. ``where`` names the file in errors.

    Raises
    ------
    MeasurementFileError
        If a block or field is missing, a row is too short, a number is none, the file is cut off, holds several tables,
        or says that it is for another illuminant than D50 or another observer than 2 degrees. The error names the line.
    """
    blocks = _find_blocks(text, where)
    _check_counts(blocks, where)
    _check_conditions(blocks, where)
    labels = tuple(
        tuple(row[blocks.fields.index(name)] for _, row in blocks.rows)
        for name in (*_NAMES, *_IDS)
        if name in blocks.fields
    )
    if not labels:
        _refuse(
            where, blocks.fields_line, Message("SAMPLE_ID or SAMPLE_NAME among the fields"), " ".join(blocks.fields)
        )
    spectral = sorted((float(m[1]), name) for name in blocks.fields if (m := _SPECTRAL.fullmatch(name)))
    wavelengths = tuple(wavelength for wavelength, _ in spectral)
    spectra = _columns(blocks, [name for _, name in spectral], where) if spectral else None
    if all(name in blocks.fields for name in _LAB):
        lab = _columns(blocks, list(_LAB), where)
    elif all(name in blocks.fields for name in _XYZ):
        lab = xyz_to_lab(_scaled(_columns(blocks, list(_XYZ), where), blocks, where))
    else:
        reflectance = None if spectra is None or unusable_wavelengths(wavelengths) else as_reflectance(spectra)
        if reflectance is None:
            expected = Message("LAB_L LAB_A LAB_B, XYZ_X XYZ_Y XYZ_Z or reflectances from 400 to 700 nm")
            _refuse(where, blocks.fields_line, expected, " ".join(blocks.fields))
        lab = spectra_lab(wavelengths, reflectance)
    return MeasurementTable(
        labels=labels,
        lab=lab,
        lines=tuple(line for line, _ in blocks.rows),
        wavelengths_nm=wavelengths,
        spectra=spectra,
    )


def _refuse(where: str, line: int, expected: Shown, found: Shown | str) -> NoReturn:
    raise MeasurementFileError(
        expected=Message("%(expected)s in %(where)s, line %(line)s", expected=expected, where=where, line=line),
        found=Verbatim(found[:200]) if isinstance(found, str) else found,
        remedy=Message("Mend this line or export anew."),
    )


def _tokens(line: str, number: int, where: str) -> list[tuple[str, bool]]:
    """Return the words of a line without its comment, each with whether it was quoted."""
    result = []
    for match in _TOKEN.finditer(line):
        if match["stray"]:
            _refuse(where, number, Message("closed double quotes"), line.strip())
        if match["comment"]:
            break
        quoted = match["quoted"] is not None
        result.append((match["quoted"].replace('""', '"').strip() if quoted else match["plain"], quoted))
    return result


def _find_blocks(text: str, where: str) -> _Blocks:
    blocks = _Blocks()
    state = "header"
    for number, line in enumerate(re.split(r"\r\n|\r|\n", text), start=1):
        row: list[str] = []
        heading: list[str] = []
        for word, quoted in _tokens(line, number, where):
            keyword = "" if quoted else word.upper()
            if keyword in ("BEGIN_DATA_FORMAT", "BEGIN_DATA"):
                if state != "header":
                    _refuse(where, number, Message("the end of the block before"), word)
                state = "fields" if keyword == "BEGIN_DATA_FORMAT" else "rows"
                if blocks.fields_line if state == "fields" else blocks.data_line:
                    _refuse(where, number, Message("one table only"), Message("a second %(word)s", word=word))
                blocks.fields_line = number if state == "fields" else blocks.fields_line
                blocks.data_line = number if state == "rows" else blocks.data_line
            elif keyword in ("END_DATA_FORMAT", "END_DATA"):
                if state != ("fields" if keyword == "END_DATA_FORMAT" else "rows"):
                    _refuse(where, number, Message("the beginning of the block before its end"), word)
                blocks.data_ended = blocks.data_ended or state == "rows"
                if row:
                    blocks.rows.append((number, row))
                    row = []
                state = "header"
            elif state == "fields":
                blocks.fields.append(word.upper())
            elif state == "rows":
                row.append(word)
            else:
                heading.append(word)
        if row:
            blocks.rows.append((number, row))
        if len(heading) >= 2:
            key, value = heading[0].upper(), " ".join(heading[1:])
            blocks.header[key] = (number, value)
            if key == "WEIGHTING_FUNCTION":
                blocks.weightings.append((number, value))
    return blocks


def _check_counts(blocks: _Blocks, where: str) -> None:
    if not blocks.fields:
        _refuse(
            where,
            max(blocks.fields_line, 1),
            Message("field names between BEGIN_DATA_FORMAT and END_DATA_FORMAT"),
            Message("none"),
        )
    if not blocks.rows:
        _refuse(where, max(blocks.data_line, 1), Message("rows between BEGIN_DATA and END_DATA"), Message("none"))
    if repeated := sorted({name for name in blocks.fields if blocks.fields.count(name) > 1}):
        _refuse(
            where,
            blocks.fields_line,
            Message("different field names"),
            Message("%(name)s twice", name=" ".join(repeated)),
        )
    for line, row in blocks.rows:
        if len(row) != len(blocks.fields):
            _refuse(
                where,
                line,
                Message("%(fields)s values, one per field", fields=len(blocks.fields)),
                f"{len(row)}: {' '.join(row)}",
            )
    fields, rows = len(blocks.fields), len(blocks.rows)
    for key, count, expected in (
        ("NUMBER_OF_FIELDS", fields, Message("NUMBER_OF_FIELDS to be the number of fields, %(count)s", count=fields)),
        ("NUMBER_OF_SETS", rows, Message("NUMBER_OF_SETS to be the number of rows, %(count)s", count=rows)),
    ):
        if key in blocks.header and blocks.header[key][1] != str(count):
            line, value = blocks.header[key]
            _refuse(where, line, expected, value)
    if not blocks.data_ended and "NUMBER_OF_SETS" not in blocks.header:
        _refuse(
            where,
            blocks.rows[-1][0],
            Message("END_DATA after the last row"),
            Message("the end of the file; it may be cut off"),
        )


def _check_conditions(blocks: _Blocks, where: str) -> None:
    """Refuse another illuminant or observer where the header states one."""
    for line, value in [*blocks.weightings, *[blocks.header[k] for k in ("ILLUMINATION_NAME",) if k in blocks.header]]:
        stated = _ILLUMINANT.search(value.upper().replace("ILLUMINANT", ""))
        if stated is not None and stated[0] != "D50":
            _refuse(where, line, Message("colours for illuminant D50"), value)
    angles = [blocks.header["OBSERVER_ANGLE"]] if "OBSERVER_ANGLE" in blocks.header else []
    for line, value in [*angles, *[w for w in blocks.weightings if "OBSERVER" in w[1].upper()]]:
        stated = re.search(r"\b(2|10)\b", value)
        if stated is not None and stated[0] != "2":
            _refuse(where, line, Message("colours for the 2 degree observer"), value)


def _columns(blocks: _Blocks, names: list[str], where: str) -> Float:
    places = [
        Message("line %(line)s, field %(name)s", line=line, name=name) for line, _ in blocks.rows for name in names
    ]
    texts = [row[blocks.fields.index(name)] for _, row in blocks.rows for name in names]
    return np.array(parse_numbers(texts, places, where=where)).reshape(len(blocks.rows), len(names))


def _scaled(xyz: Float, blocks: _Blocks, where: str) -> Float:
    """Return XYZ with Y = 1 for the perfect reflector; the lightest patch, the paper, tells the file's scale."""
    lightest = int(np.argmax(xyz[:, 1]))
    y = float(xyz[lightest, 1])
    # bounds: paper is darker than the perfect reflector, but brighteners lift it a little; no card is all under 0.3
    for scale in (1.0, 100.0):
        if 0.3 * scale <= y <= 1.2 * scale:
            return xyz / scale
    _refuse(where, blocks.rows[lightest][0], Message("Y of the lightest patch near 1 or near 100"), f"{y:g}")
