"""The site's record, opened for one request, and what several pages ask of it."""

from starlette.exceptions import HTTPException

from stripread.errors import RecordsError
from stripread.records import Entry, Point, Records, Stamp, open_site_records
from stripread.site import load_site
from stripread.web.state import AppState

__all__ = ["LAST_ENTRY", "points_of", "reading_entry", "records_of"]

LAST_ENTRY = 2**31 - 1  # the largest number that the database can ask for


def records_of(state: AppState, *, create: Stamp | None = None) -> Records:
    """Open the record of the application's site; with a stamp it is begun where there is none."""
    return open_site_records(load_site(state.folder), create=create)


def points_of(state: AppState) -> list[Point]:
    """Return the points in use, in the order of the way along them."""
    with records_of(state) as records:
        return records.points_in_order()


def reading_entry(records: Records, seq: int) -> Entry:
    """Return the entry of a reading; 404 where there is none of that number."""
    if not 1 <= seq <= LAST_ENTRY:
        raise HTTPException(404)
    try:
        entry = records.entry(seq)
    except RecordsError:
        raise HTTPException(404) from None
    if entry.kind != "reading":
        raise HTTPException(404)
    return entry
