"""What the application holds while it serves: made once, typed, and reached through `state_of` everywhere."""

from dataclasses import dataclass, field
from pathlib import Path

from anyio import CapacityLimiter
from jinja2 import Environment
from starlette.requests import Request

from stripread.i18n import Reader
from stripread.site import load_site
from stripread.units import Units
from stripread.web.calibration.drafts import Drafts
from stripread.web.calibration.fits import Fits
from stripread.web.limiter import Limiter
from stripread.web.people.people import People
from stripread.web.queue.reading_queue import ReadingQueue
from stripread.web.settings import Settings

__all__ = ["AppState", "new_state", "state_of"]


@dataclass(slots=True, kw_only=True)
class AppState:
    """The state of one server.

    Attributes
    ----------
    environments : dict
        Templates by who reads them, in a language and units, each made when it is asked for first.
    sign_in_tries, caller_tries, name_tries : Limiter
        Of one name from one place; of all names from one place; of one name from all places, as a paired phone can
        change its address.
    upload_tries, heavy_tries : Limiter
        Of one person: photos and files; reports and exports.
    heavy, hashing, asking, keeping : CapacityLimiter
        Threads for reports and exports; for secrets, as Argon2id takes 64 MB for each; for the file of people: where
        it is held, other threads stay free; for photos held in memory on their way to the disk.
    """

    settings: Settings
    site_name: str
    site_units: Units
    people: People
    drafts: Drafts
    fits: Fits
    queue: ReadingQueue
    environments: dict[Reader, Environment] = field(default_factory=dict)
    sign_in_tries: Limiter = field(default_factory=lambda: Limiter(5, 300))
    caller_tries: Limiter = field(default_factory=lambda: Limiter(30, 300))
    name_tries: Limiter = field(default_factory=lambda: Limiter(50, 3600))
    pairing_tries: Limiter = field(default_factory=lambda: Limiter(10, 600))
    upload_tries: Limiter = field(default_factory=lambda: Limiter(120, 60))
    heavy_tries: Limiter = field(default_factory=lambda: Limiter(20, 600))
    heavy: CapacityLimiter = field(default_factory=lambda: CapacityLimiter(1))
    hashing: CapacityLimiter = field(default_factory=lambda: CapacityLimiter(2))
    asking: CapacityLimiter = field(default_factory=lambda: CapacityLimiter(8))
    keeping: CapacityLimiter = field(default_factory=lambda: CapacityLimiter(4))

    @property
    def folder(self) -> Path:
        """The site's folder."""
        return self.settings.folder


def new_state(settings: Settings) -> AppState:
    """Return the state of a server that begins.

    Raises
    ------
    StripReadError
        If the site cannot be loaded.
    """
    site, drafts = load_site(settings.folder), Drafts(settings.folder)
    return AppState(
        settings=settings,
        site_name=site.name,
        site_units=site.units,
        people=People(settings.folder),
        drafts=drafts,
        fits=Fits(settings.folder, drafts),
        queue=ReadingQueue(settings.folder, workers=settings.workers),
    )


def state_of(request: Request) -> AppState:
    """Return the state of the application that a request is for."""
    state: AppState = request.app.state
    return state
