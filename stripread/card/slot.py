"""Where on a card the strip lies: its slot, or else its largest free area."""

import numpy as np

from stripread.card.layout import CardLayout
from stripread.errors import CardFileError
from stripread.geometry import Rect
from stripread.i18n import Message, Number

__all__ = ["strip_room"]

_LEAST_MM = (40.0, 8.0)  # a strip of any kind needs so much


def strip_room(card: CardLayout) -> Rect:
    """Return the card's slot, or where it names none the largest rectangle without patch or marker.

    Raises
    ------
    CardFileError
        If there is no slot and no free area of 40 x 8 mm.
    """
    if card.slot is not None:
        return card.slot
    columns, rows = int(card.width_mm), int(card.height_mm)  # cells of 1 mm
    taken = np.zeros((rows, columns), dtype=bool)
    for box in [p.rect.corners for p in card.patches] + [m.corners_mm for m in card.markers]:
        (x0, y0), (x1, y1) = np.floor(box.min(axis=0)), np.ceil(box.max(axis=0))
        taken[max(int(y0), 0) : int(y1), max(int(x0), 0) : int(x1)] = True
    best = Rect(0.0, 0.0, 0.0, 0.0)
    heights = np.zeros(columns + 1, dtype=int)  # free cells above and with this row; the last column ends every run
    for row in range(rows):
        heights[:-1] = np.where(taken[row], 0, heights[:-1] + 1)
        starts: list[tuple[int, int]] = []  # rising heights with the column from which each holds
        for column, height in enumerate(heights.tolist()):
            start = column
            while starts and starts[-1][1] >= height:
                start, tall = starts.pop()
                wide = column - start
                if wide * tall > best.width * best.height:
                    best = Rect(float(start), float(row - tall + 1), float(wide), float(tall))
            starts.append((start, height))
    if max(best.width, best.height) < _LEAST_MM[0] or min(best.width, best.height) < _LEAST_MM[1]:
        raise CardFileError(
            expected=Message("a slot for the strip on card %(name)s", name=repr(card.name)),
            found=Message(
                "no [slot], and no free area of %(width)s x %(height)s mm",
                width=Number(_LEAST_MM[0], "g"),
                height=Number(_LEAST_MM[1], "g"),
            ),
            remedy=Message("Add [slot] with rect_mm to the card layout file."),
        )
    return best
