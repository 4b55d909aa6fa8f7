"""What a user can get wrong or a photo can fail at: each error says what was expected, what was found, what to do."""

from typing import ClassVar

from stripread.i18n import Message, Shown

__all__ = [
    "CalibrationRefusedError",
    "CardBentError",
    "CardFileError",
    "CardNotFoundError",
    "ChartError",
    "DrawingError",
    "FlashPairError",
    "KindFileError",
    "LotFileError",
    "MeasurementFileError",
    "MirroredPhotoError",
    "MissingExtraError",
    "PadCountError",
    "PadCoveredError",
    "PhotoFormatError",
    "PhotoTooLargeError",
    "PhotoTooSmallError",
    "PhotoUnfitError",
    "PhotoUnreadableError",
    "QuantityError",
    "RecordFileError",
    "RecordsError",
    "SachetFileError",
    "SeriesError",
    "SeveralCardsError",
    "SiteError",
    "StripNotFoundError",
    "StripReadError",
    "StripUpsideDownError",
    "StudyError",
    "WaterError",
    "WrongUsageError",
]


class StripReadError(Exception):
    """Base of every error a user can act on.

    Parameters
    ----------
    expected, found, remedy : Shown
        What should have been there, what was there (with the value; name the file and field at fault),
        and what to do next, as a sentence.
    """

    code: ClassVar[str] = "error"
    title: ClassVar[Message] = Message("error")

    def __init__(self, *, expected: Shown, found: Shown, remedy: Shown) -> None:
        super().__init__(f"Expected {expected}; found {found}. {remedy}")
        self.expected, self.found, self.remedy = expected, found, remedy

    def __reduce__(self) -> tuple[object, ...]:
        """Pickle by fields, so that worker processes can hand the error back."""
        return (_rebuild, (type(self), self.expected, self.found, self.remedy))


def _rebuild(kind: type[StripReadError], expected: Shown, found: Shown, remedy: Shown) -> StripReadError:
    return kind(expected=expected, found=found, remedy=remedy)


class PhotoUnreadableError(StripReadError):
    """The file is not a whole photo in a known format."""

    code = "photo_unreadable"
    title = Message("photo unreadable")


class PhotoTooLargeError(StripReadError):
    """The file or its picture exceeds the limits."""

    code = "photo_too_large"
    title = Message("photo too large")


class PhotoUnfitError(StripReadError):
    """The photo is whole but no honest number can come of it."""

    code = "photo_unfit"
    title = Message("photo unfit")


class PhotoTooSmallError(PhotoUnfitError):
    """The picture, or the pad in it, has too few pixels."""

    code = "photo_too_small"
    title = Message("photo too small")


class PhotoFormatError(PhotoUnfitError):
    """The picture is of another sort than phones take, such as one with inks for its colours."""

    code = "photo_format"
    title = Message("photo format")


class CardFileError(StripReadError):
    """A card layout file is wrong."""

    code = "card_file"
    title = Message("card file")


class MeasurementFileError(StripReadError):
    """A file of measured patch colours is wrong."""

    code = "measurement_file"
    title = Message("measurement file")


class DrawingError(StripReadError):
    """The card cannot be drawn as asked."""

    code = "drawing"
    title = Message("drawing")


class CardNotFoundError(StripReadError):
    """Fewer than three of the card's markers were found."""

    code = "card_not_found"
    title = Message("card not found")


class SeveralCardsError(StripReadError):
    """More than one card is in view."""

    code = "several_cards"
    title = Message("several cards")


class MirroredPhotoError(StripReadError):
    """The picture is a mirror image."""

    code = "mirrored_photo"
    title = Message("mirrored photo")


class CardBentError(StripReadError):
    """The card is not flat."""

    code = "card_bent"
    title = Message("card bent")


class ChartError(StripReadError):
    """The colour chart on a vial cannot be found, or not told."""

    code = "chart"
    title = Message("chart")


class KindFileError(StripReadError):
    """A strip kind file is wrong."""

    code = "kind_file"
    title = Message("kind file")


class StripNotFoundError(StripReadError):
    """No strip lies where one should."""

    code = "strip_not_found"
    title = Message("strip not found")


class StripUpsideDownError(StripReadError):
    """The strip shows its back: no pad is visible."""

    code = "strip_upside_down"
    title = Message("strip upside down")


class PadCoveredError(StripReadError):
    """Something lies over a pad."""

    code = "pad_covered"
    title = Message("pad covered")


class PadCountError(StripReadError):
    """The pads seen are not those of the kind."""

    code = "pad_count"
    title = Message("pad count")


class FlashPairError(StripReadError):
    """Two photos are no pair without and with the flash."""

    code = "flash_pair"
    title = Message("flash pair")


class SeriesError(StripReadError):
    """A dilution series file is wrong."""

    code = "series_file"
    title = Message("series file")


class CalibrationRefusedError(StripReadError):
    """The series gives no curve that may be trusted."""

    code = "calibration_refused"
    title = Message("calibration refused")


class LotFileError(StripReadError):
    """A lot file is wrong, or does not fit the kind or the card."""

    code = "lot_file"
    title = Message("lot file")


class RecordFileError(StripReadError):
    """A record of check standards is wrong or damaged."""

    code = "record_file"
    title = Message("record file")


class RecordsError(StripReadError):
    """The record of readings and batches cannot be opened, read, written or trusted."""

    code = "records"
    title = Message("records")


class TogetherError(StripReadError):
    """Readings that cannot be combined."""

    code = "together"
    title = Message("together")


class SiteError(StripReadError):
    """The site's file is wrong, or lacks a name that was asked for."""

    code = "site"
    title = Message("site")


class WrongUsageError(StripReadError):
    """A command was given a name that does not exist, or one that cannot be used."""

    code = "wrong_usage"
    title = Message("wrong usage")


class QuantityError(WrongUsageError):
    """What was typed is no quantity of the kind that was asked for."""

    code = "quantity"
    title = Message("quantity")


class SachetFileError(StripReadError):
    """A sachet file is wrong."""

    code = "sachet_file"
    title = Message("sachet file")


class WaterError(StripReadError):
    """What is wished for cannot be made of what there is."""

    code = "water"
    title = Message("water")


class MissingExtraError(StripReadError):
    """An optional package is needed and not installed."""

    code = "missing_extra"
    title = Message("missing extra")


class StudyError(StripReadError):
    """A study cannot be planned, run or evaluated so."""

    code = "study"
    title = Message("study")
