"""What a user names on the command line - site, lot, card, kind, sample type - looked up before any photo is read."""

from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TypeVar

from stripread.card import CardLayout, design_card
from stripread.errors import LotFileError, SiteError, WrongUsageError
from stripread.i18n import Message, Verbatim
from stripread.lot import Lot
from stripread.site import (
    SampleType,
    Site,
    find_card_file,
    find_lot_file,
    find_site,
    kind_of_lot,
    load_site,
    resolve_card,
    resolve_kind,
    resolve_lot,
    write_demo_site,
)
from stripread.strip import StripKind
from stripread.workflow import ResolvedInputs

__all__ = [
    "look_up_card",
    "look_up_card_file",
    "look_up_inputs",
    "look_up_kind",
    "look_up_lot",
    "look_up_lot_file",
    "look_up_sample",
    "look_up_site",
]

_T = TypeVar("_T")

_DEMO_CAUTION = Message(
    "No site.toml was found: the expected range is a demo value of an invented nursery. Write your own with "
    "`stripread init`."
)


def look_up_site(folder: Path | None) -> Site | None:
    """Return the site of a folder, or the nearest one from the working folder upwards; None where there is none."""
    if folder is None:
        nearest = find_site(Path.cwd())
        return None if nearest is None else load_site(nearest)
    if not (folder / "site.toml").is_file():
        return _given(lambda: load_site(folder))
    return load_site(folder)


def look_up_card(name: str | None, site: Site | None, *, lot_card: str | None = None) -> CardLayout:
    """Return the card of a name or path; without one the site's only card, the lot's, or the project's own design."""
    if name is not None:
        return _given(lambda: resolve_card(name, site))
    known = {} if site is None else site.cards
    if len(known) == 1:
        return resolve_card(next(iter(known)), site)
    return resolve_card(lot_card, site) if lot_card in known and lot_card is not None else design_card()


def look_up_lot(name: str, site: Site | None) -> Lot:
    """Return the lot of a name or path."""
    return _given(lambda: resolve_lot(name, site))


def look_up_lot_file(name: str, site: Site | None) -> Path:
    """Return the file of a lot of a name or path."""
    return _given(lambda: find_lot_file(name, site))


def look_up_card_file(name: str, site: Site | None) -> Path:
    """Return the file of a card of a name or path."""
    return _given(lambda: find_card_file(name, site))


def look_up_kind(name: str, site: Site | None) -> StripKind:
    """Return the kind of a name or path."""
    return _given(lambda: resolve_kind(name, site))


def look_up_inputs(lot: str, site: Site | None, *, card: str | None, kind: str | None = None) -> ResolvedInputs:
    """Return what strips of a lot are read with.

    Raises
    ------
    WrongUsageError
        If something named does not exist.
    StripReadError
        If a file is wrong, or lot and kind do not belong together.
    """
    the_lot = look_up_lot(lot, site)
    the_kind = look_up_kind(kind, site) if kind is not None else kind_of_lot(the_lot, site)
    if the_lot.kind != the_kind.name:
        raise LotFileError(
            expected=Message("a lot of kind %(name)s", name=repr(the_kind.name)),
            found=Message("lot %(number)s of kind %(kind)s", number=repr(the_lot.number), kind=repr(the_lot.kind)),
            remedy=Message("Name the lot and the kind that belong together; look at the vial."),
        )
    return ResolvedInputs(
        lot=the_lot,
        lot_file=look_up_lot_file(lot, site),
        kind=the_kind,
        card=look_up_card(card, site, lot_card=the_lot.card),
    )


def look_up_sample(name: str, site: Site | None) -> tuple[SampleType, tuple[Message, ...]]:
    """Return a sample type, and cautions where it is not the site's own but that of the demo site."""
    if site is not None:
        return _given(lambda: site.sample(name)), ()
    with TemporaryDirectory() as folder:
        write_demo_site(Path(folder))
        demo = load_site(Path(folder))
    if name not in demo.samples:
        raise WrongUsageError(
            expected=Message("a sample type: %(samples)s", samples=", ".join(demo.samples)),
            found=Verbatim(repr(name)),
            remedy=Message("Name one of these, or write a site.toml with your own: `stripread init`."),
        )
    return demo.samples[name], (_DEMO_CAUTION,)


def _given(look: Callable[[], _T]) -> _T:
    """Run a look-up of something the user named: what does not exist is wrong usage, not a wrong file."""
    try:
        return look()
    except SiteError as error:
        raise WrongUsageError(expected=error.expected, found=error.found, remedy=error.remedy) from error
