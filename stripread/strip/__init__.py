"""Strip kinds, finding strips and pads."""

from stripread.strip.kinds import Dip, PadSpec, StripKind, load_kind, parse_kind, shipped_kinds

__all__ = ["Dip", "PadSpec", "StripKind", "load_kind", "parse_kind", "shipped_kinds"]
