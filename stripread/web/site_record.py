"""The site's record, opened for one request."""

from typing import Any

from stripread.records import Draft, Records, Stamp, open_records
from stripread.site import load_site

__all__ = ["records_of"]


def records_of(state: Any, *, create: Stamp | None = None) -> Records:
    """Open the record of the application's site; with a stamp it is begun where there is none."""
    site = load_site(state.folder)
    records = open_records(site.folder, site.database, create=create is not None)
    if create is not None and records.head().count == 0:
        records.append([Draft(kind="site", payload={"name": site.name}, subject=site.name)], create)
    return records
