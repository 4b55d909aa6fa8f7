"""HEIC files as phones write them, by the program ``heif-enc`` of libheif where it is installed."""

import shutil
import subprocess
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image as PillowImage

__all__ = ["encode_heic", "heif_encoder"]


@lru_cache(maxsize=1)
def heif_encoder() -> str | None:
    """Return the path of ``heif-enc``, None where it is not installed (Debian: libheif-examples)."""
    return shutil.which("heif-enc")


def encode_heic(pixels: NDArray[Any], *, quality: int) -> bytes:
    """Return an HEIC file of 8-bit RGB pixels.

    Raises
    ------
    RuntimeError
        If there is no encoder.
    """
    program = heif_encoder()
    if program is None:
        raise RuntimeError("no program heif-enc; install libheif-examples, or draw another file")
    with TemporaryDirectory() as folder:
        source, target = Path(folder) / "photo.png", Path(folder) / "photo.heic"
        PillowImage.fromarray(np.ascontiguousarray(pixels)).save(source, compress_level=1)
        subprocess.run([program, "-q", str(quality), "-o", str(target), str(source)], check=True, capture_output=True)
        return target.read_bytes()
