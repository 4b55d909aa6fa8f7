"""Everything known of a sample besides its photo, and what its strip is read with."""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from stripread.card import CardLayout
from stripread.i18n import Message
from stripread.lot import Lot
from stripread.photo import PhotoFile
from stripread.site import SampleType, Site, find_lot_file, kind_of_lot, resolve_card, resolve_lot
from stripread.strip import StripKind
from stripread.water import SampleDilution
from stripread.workflow.second_strip import FirstStrip

__all__ = ["ResolvedInputs", "SampleContext", "resolve_inputs"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleContext:
    """Everything known of a sample besides its photo.

    Attributes
    ----------
    batch : str or None
        The batch of the record that it is of; None: the latest one when its photo was taken (`history.with_batch`).
    who : str
        Who reads and records it; empty where nothing is recorded.
    dipped_at : datetime or None
        When the strip was dipped; without a zone it is the local time, as in most photos.
    flushed_s : float or None
        For how long the outlet was flushed.
    waited_s : float or None
        From the dip to the photo by a timer; it goes before the time of the dip.
    flash : PhotoFile or None
        A second photo of the strip, with the phone's flash.
    dilution : SampleDilution or None
        How the sample was diluted before the strip was dipped; None: it was dipped into as it was.
    first_strip : FirstStrip or None
        Another strip of the same sample, read before, with which this one must agree.
    together, one_strip, replicates : bool
        Whether several photos make one reading, are of one strip, or are of strips held against each other.
    job : str or None
        What asked for it, so that it is recorded once however often it is tried.
    cautions : tuple of Message
        To be shown with every reading of it, as that its sample type is of the demo site.
    """

    sample: SampleType
    point: str | None = None
    batch: str | None = None
    who: str = ""
    dipped_at: datetime | None = None
    flushed_s: float | None = None
    waited_s: float | None = None
    flash: PhotoFile | None = None
    dilution: SampleDilution | None = None
    first_strip: FirstStrip | None = None
    together: bool = False
    one_strip: bool = False
    replicates: bool = False
    job: str | None = None
    cautions: tuple[Message, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ResolvedInputs:
    """What a strip is read with: its lot, the file that the lot was loaded from, its kind and the card print."""

    lot: Lot
    lot_file: Path
    kind: StripKind
    card: CardLayout


def resolve_inputs(lot: str, site: Site) -> ResolvedInputs:
    """Return what strips of a lot that a site knows are read with there.

    Raises
    ------
    StripReadError
        If the site does not know the lot, or a file is wrong.
    """
    the_lot = resolve_lot(lot, site)
    return ResolvedInputs(
        lot=the_lot,
        lot_file=find_lot_file(lot, site),
        kind=kind_of_lot(the_lot, site),
        card=resolve_card(site.card_for(the_lot.card), site),
    )
