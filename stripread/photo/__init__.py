"""Bytes to an upright picture with its light made linear, within limits; and whether it is fit to measure."""
