"""The record that belongs to a site."""

from stripread.records.chain.entries import Draft, Stamp
from stripread.records.store import Records, open_records
from stripread.site import Site

__all__ = ["open_site_records"]


def open_site_records(site: Site, *, create: Stamp | None = None) -> Records:
    """Open a site's record; with a stamp it is begun where there is none, with an entry about the site.

    Raises
    ------
    RecordsError
        As of `open_records`.
    """
    records = open_records(site.folder, site.database, create=create is not None, anchor=site.anchor)
    if create is not None and records.head().count == 0:
        try:
            records.append([Draft(kind="site", payload={"name": site.name}, subject=site.name)], create)
        except BaseException:
            records.close()
            raise
    return records
