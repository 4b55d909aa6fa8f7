"""The site's record, opened for one request."""

from typing import Any

from stripread.records import Draft, Point, Records, Stamp, open_records
from stripread.site import load_site

__all__ = ["points_in_order", "records_of"]


def records_of(state: Any, *, create: Stamp | None = None) -> Records:
    """Open the record of the application's site; with a stamp it is begun where there is none."""
    site = load_site(state.folder)
    records = open_records(site.folder, site.database, create=create is not None)
    if create is not None and records.head().count == 0:
        records.append([Draft(kind="site", payload={"name": site.name}, subject=site.name)], create)
    return records


def points_in_order(records: Records) -> list[Point]:
    """Return the points, line by line in the order of the water."""
    return sorted((p.said for p in records.points()), key=lambda p: (p.line or "", p.order or 0, p.name))
