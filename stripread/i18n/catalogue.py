"""The program's words in other languages: gettext catalogues, compiled from the .po files when first asked for."""

from functools import lru_cache
from gettext import GNUTranslations, NullTranslations
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from babel.messages.catalog import Catalog

__all__ = ["LANGUAGES", "catalogue_of", "decimal_sign", "read_catalogue"]

_FOLDER = Path(__file__).parent / "locale"
_NAMES = {"en": "English", "es": "Español"}
# Only those that there is a catalogue of: a page must not call English words Spanish.
LANGUAGES = {code: name for code, name in _NAMES.items() if code == "en" or (_FOLDER / f"{code}.po").is_file()}


@lru_cache(maxsize=8)
def catalogue_of(language: str) -> NullTranslations:
    """Return the translations of a language; English needs none."""
    if language == "en" or language not in LANGUAGES:
        return NullTranslations()
    from babel.messages.mofile import write_mo

    compiled = BytesIO()
    write_mo(compiled, read_catalogue(language))
    compiled.seek(0)
    return GNUTranslations(compiled)


@lru_cache(maxsize=8)
def decimal_sign(language: str) -> str:
    """Return what parts a number's whole from its tenths (Unicode CLDR, as Babel has it)."""
    if language == "en":
        return "."
    from babel.numbers import get_decimal_symbol

    return get_decimal_symbol(language)


@lru_cache(maxsize=8)
def read_catalogue(language: str) -> "Catalog":
    """Return the catalogue of a language as it is written."""
    from babel.messages.pofile import read_po

    with (_FOLDER / f"{language}.po").open("rb") as file:
        return read_po(file, locale=language)
