"""The project's own card, computed from a few constants: markers, grey steps, whites, colours, slot, room for the vial.

Colours are design values relative to the paper: white is (100, 0, 0) and is left unprinted. What a printer makes of
them differs by several units, so a print is measured and enrolled.
"""

import math

import numpy as np

from stripread.card.layout import CardLayout, Marker, Patch, Role
from stripread.geometry import Rect

__all__ = ["DICTIONARY", "MARKER_IDS", "SLOT_LAB", "design_card"]

Lab = tuple[float, float, float]
Cell = tuple[int, int]

DICTIONARY = "DICT_4X4_50"
# Top left, top right, bottom right, bottom left. Of all fours of the dictionary, these have the largest least Hamming
# distance of any marker to any other, and to itself turned, over the quarter turns; ties: the largest sum of distances.
MARKER_IDS = (8, 11, 15, 30)
_WIDTH_MM, _HEIGHT_MM = 190.0, 130.0  # fits A4 and US Letter, upright or turned, with margins of 10 mm
_MARKER_MM, _MARKER_EDGE_MM = 15.0, 5.0  # modules of 2.5 mm: at 7 px/mm about 17 px
_PATCH_MM = 9.0

_SLOT = Rect(45.0, 38.5, 100.0, 20.0)  # a strip of about 80 x 6 mm, either way round
_TIP_MARK = (45.0, 48.5)  # the slot's left end
_VIAL = Rect(45.0, 73.0, 100.0, 32.0)
SLOT_LAB: Lab = (60.0, 0.0, 0.0)  # white plastic stands out from it, and nothing colours the pad

# Upper left corners of the patches. The bands 33.5 to 38.5 and 68.5 to 73 mm are left for words.
_ROW_Y = (4.5, 14.5, 24.5, 36.0, 48.0, 59.5, 71.0, 83.0, 95.0, 106.5, 116.5)
_COLUMN_X = (5.0, 15.0, 25.0, 35.0, *(45.5 + 10 * i for i in range(10)), 146.0, 156.0, 166.0, 176.0)
_ROW_LETTERS = "ABCDEFGHJKL"  # no I: it reads as 1
_MIDDLE = range(4, 14)  # columns above and below the slot

_WHITE: Lab = (100.0, 0.0, 0.0)
_WHITE_CELLS: tuple[Cell, ...] = (
    *((0, 2), (0, 9), (0, 15), (10, 2), (10, 8), (10, 15)),  # top and bottom edge
    *((2, 1), (2, 16), (8, 1), (8, 16)),  # beside the markers
    *((2, 4), (2, 13), (5, 4), (5, 13)),  # the corners of the slot
    *((4, 3), (3, 14), (7, 3), (7, 14)),  # the ends of slot and vial
    *((5, 0), (5, 17)),  # left and right edge
)

# Grey steps: each level above and below the slot in mirrored order, at the left or the right, and at the top and,
# turned by half a turn, at the bottom. So a slope of the light cannot pass for a tone curve.
_GREY_ROW = (62, 22, 82, 42, 52, 90, 32, 72)  # row C from the left, row F from the right
_GREY_SIDES: dict[Cell, int] = {
    **{(3, 0): 90, (4, 2): 32, (6, 1): 42, (8, 3): 62},
    **{(3, 17): 22, (4, 15): 82, (6, 16): 72, (8, 14): 52},
}
_GREY_TOP: dict[Cell, int] = {
    **{(0, 4): 42, (0, 7): 90, (0, 10): 22, (0, 13): 72},
    **{(1, 3): 82, (1, 6): 32, (1, 11): 62, (1, 14): 52},
}

# (name, number, faintest L*, C*, h; deepest L*, C*, h). Dense where pads of indicators are: pinks, violets, blues,
# yellow to green to blue, creams and browns; a few others steady the fit. C* stays under 60 and L* over 20, which
# office printers reach.
_FAMILIES: tuple[tuple[str, int, Lab, Lab], ...] = (
    ("pink", 9, (90.0, 4.0, 0.0), (42.0, 56.0, 352.0)),
    ("rose", 9, (91.0, 6.0, 15.0), (46.0, 54.0, 8.0)),
    ("violet", 7, (86.0, 8.0, 320.0), (30.0, 46.0, 314.0)),
    ("blue-violet", 6, (80.0, 12.0, 298.0), (31.0, 46.0, 302.0)),
    ("blue", 7, (86.0, 7.0, 260.0), (38.0, 42.0, 278.0)),
    ("yellow to green", 5, (87.0, 50.0, 97.0), (62.0, 42.0, 140.0)),
    ("green to blue", 5, (58.0, 32.0, 160.0), (45.0, 27.0, 250.0)),
    ("cream", 5, (94.0, 5.0, 95.0), (82.0, 26.0, 85.0)),
    ("tan and brown", 5, (73.0, 30.0, 75.0), (33.0, 22.0, 55.0)),
    ("red", 3, (64.0, 42.0, 32.0), (40.0, 52.0, 30.0)),
    ("orange", 3, (78.0, 40.0, 70.0), (60.0, 58.0, 55.0)),
    ("green", 3, (78.0, 28.0, 135.0), (40.0, 36.0, 150.0)),
    ("cyan", 5, (85.0, 14.0, 200.0), (50.0, 32.0, 230.0)),
)
# Consecutive colours of a family lie this many places apart on the way round the card (of 72 places; without a common
# divisor), so that each family is on all sides and no neighbours look alike. Chosen among all strides for a large
# Delta E*ab between neighbours (12) and little correlation of colour with place (at most 0.12).
_STRIDE = 53


def design_card(name: str = "stripread-1") -> CardLayout:
    """Return the project's own card; ``name`` is the print's or the site's name for it."""
    white = dict.fromkeys(_WHITE_CELLS, _WHITE)
    grey = {cell: (float(level), 0.0, 0.0) for cell, level in _grey_cells().items()}
    colour = _colour_cells(set(white) | set(grey))
    cells: dict[Cell, tuple[Role, Lab]] = {
        **{cell: ("white", lab) for cell, lab in white.items()},
        **{cell: ("grey", lab) for cell, lab in grey.items()},
        **{cell: ("colour", lab) for cell, lab in colour.items()},
    }
    return CardLayout(
        name=name,
        width_mm=_WIDTH_MM,
        height_mm=_HEIGHT_MM,
        dictionary=DICTIONARY,
        markers=_markers(),
        patches=tuple(
            Patch(id=f"{_ROW_LETTERS[row]}{column + 1}", rect=_cell_rect((row, column)), role=role, lab=lab)
            for (row, column), (role, lab) in sorted(cells.items())
        ),
        slot=_SLOT,
        tip_mark_mm=_TIP_MARK,
        vial=_VIAL,
    )


def _markers() -> tuple[Marker, ...]:
    left, top = _MARKER_EDGE_MM, _MARKER_EDGE_MM
    right, bottom = _WIDTH_MM - left - _MARKER_MM, _HEIGHT_MM - top - _MARKER_MM
    places = ((left, top), (right, top), (right, bottom), (left, bottom))
    return tuple(
        Marker(id=marker_id, corners_mm=Rect(x, y, _MARKER_MM, _MARKER_MM).corners)
        for marker_id, (x, y) in zip(MARKER_IDS, places, strict=True)
    )


def _cell_rect(cell: Cell) -> Rect:
    return Rect(_COLUMN_X[cell[1]], _ROW_Y[cell[0]], _PATCH_MM, _PATCH_MM)


def _grey_cells() -> dict[Cell, int]:
    last_row, last_column = len(_ROW_Y) - 1, len(_COLUMN_X) - 1
    inner = _MIDDLE[1:-1]  # whites stand at the ends
    return {
        **{(2, column): level for column, level in zip(inner, _GREY_ROW, strict=True)},
        **{(5, column): level for column, level in zip(inner, reversed(_GREY_ROW), strict=True)},
        **_GREY_SIDES,
        **_GREY_TOP,
        **{(last_row - row, last_column - column): level for (row, column), level in _GREY_TOP.items()},
    }


def _colour_cells(taken: set[Cell]) -> dict[Cell, Lab]:
    """Give each colour a free cell: cells in order of their angle about the card's centre, colours by ``_STRIDE``."""
    last_row = len(_ROW_Y) - 1
    free = [
        (row, column)
        for row in range(len(_ROW_Y))
        for column in range(len(_COLUMN_X))
        if (row, column) not in taken
        and not (row in (0, 1, last_row - 1, last_row) and column in (0, 1, 16, 17))  # markers
        and not (row in (3, 4, 6, 7, 8) and column in _MIDDLE)  # slot and vial
    ]

    def angle(cell: Cell) -> float:
        x, y = _cell_rect(cell).centre - np.array([_WIDTH_MM / 2, _HEIGHT_MM / 2])
        return math.atan2(y, x)

    ring = sorted(free, key=angle)
    colours = _colours()
    if len(ring) != len(colours) or math.gcd(_STRIDE, len(ring)) != 1:
        raise AssertionError(f"{len(colours)} colours for {len(ring)} cells with stride {_STRIDE}")
    return {ring[i * _STRIDE % len(ring)]: lab for i, lab in enumerate(colours)}


def _colours() -> list[Lab]:
    """Return the colours family by family, from faint to deep; the faint end is the denser one."""
    result = []
    for _, number, faint, deep in _FAMILIES:
        # exponent: chosen so that the lightest pinks lie about 3 units apart, near what a faint pad must resolve
        for share in np.linspace(0.0, 1.0, number) ** 1.4:
            lightness, chroma, hue = (a + share * (b - a) for a, b in zip(faint, _near_hue(faint, deep), strict=True))
            a, b = chroma * math.cos(math.radians(hue)), chroma * math.sin(math.radians(hue))
            result.append((round(lightness, 1), round(a, 1), round(b, 1)))
    return result


def _near_hue(faint: Lab, deep: Lab) -> Lab:
    """Return ``deep`` with its hue on the same turn as that of ``faint``."""
    turn = 360.0 * round((faint[2] - deep[2]) / 360.0)
    return (deep[0], deep[1], deep[2] + turn)
