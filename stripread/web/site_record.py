"""The site's record, opened for one request."""

from typing import Any

from stripread.records import Records, Stamp
from stripread.records.of_site import open_site_records
from stripread.site import load_site

__all__ = ["records_of"]


def records_of(state: Any, *, create: Stamp | None = None) -> Records:
    """Open the record of the application's site; with a stamp it is begun where there is none."""
    return open_site_records(load_site(state.folder), create=create)
