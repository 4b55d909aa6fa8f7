"""The site: its file and the names in it, how it is written, and files put in place in its folder."""

from stripread.site.files import UNFINISHED, replace_file, sync_folder
from stripread.site.site import (
    SITE_FILE,
    Expectation,
    SampleType,
    Site,
    find_lot_file,
    find_site,
    kind_of_lot,
    load_site,
    resolve_card,
    resolve_kind,
    resolve_lot,
)
from stripread.site.write import add_name, write_demo_site

__all__ = [
    "SITE_FILE",
    "UNFINISHED",
    "Expectation",
    "SampleType",
    "Site",
    "add_name",
    "find_lot_file",
    "find_site",
    "kind_of_lot",
    "load_site",
    "replace_file",
    "resolve_card",
    "resolve_kind",
    "resolve_lot",
    "sync_folder",
    "write_demo_site",
]
