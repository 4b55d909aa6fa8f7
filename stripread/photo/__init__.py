"""Bytes to an upright picture with its light made linear, within limits; and whether it is fit to measure."""

from stripread.photo.load import (
    Limits,
    PhotoFile,
    decode_photo,
    open_photo,
    open_photo_bytes,
    suggested_reduction,
)
from stripread.photo.photo import Photo

__all__ = ["Limits", "Photo", "PhotoFile", "decode_photo", "open_photo", "open_photo_bytes", "suggested_reduction"]
