"""Strip kinds, finding strips in the card's slot, finding and measuring their pads."""

from stripread.strip.find import find_strip
from stripread.strip.kinds import Dip, PadSpec, StripKind, kind_to_data, load_kind, parse_kind, shipped_kinds
from stripread.strip.pads import PadColour, measure_pad
from stripread.strip.pose import StripPose
from stripread.strip.view import SlotView

__all__ = [
    "Dip",
    "PadColour",
    "PadSpec",
    "SlotView",
    "StripKind",
    "StripPose",
    "find_strip",
    "kind_to_data",
    "load_kind",
    "measure_pad",
    "parse_kind",
    "shipped_kinds",
]
