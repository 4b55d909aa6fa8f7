"""How the page is served."""

from dataclasses import dataclass
from pathlib import Path

__all__ = ["Settings"]

MEGABYTE = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Settings of one server.

    Attributes
    ----------
    folder : Path
        The site's.
    also : tuple of Path
        Folders of other sites whose day is shown beside this one's.
    lan : bool
        Whether phones may reach it; each must then be paired before anybody can sign in on it.
    address : str or None
        Where phones reach it, for labels and codes; None: as the browser that asks for them does.
    proxy : str or None
        Address of a reverse proxy, which tells whom it asks for; whoever comes from there is not the machine itself.
    secure : bool
        Whether it is served over TLS: cookies then travel over nothing else.
    workers : int
        Photos read at a time.
    largest_photo : int
        Bytes of one photo; two make an upload with a flash pair.
    most_waiting : int
        Photos kept that are not read yet; more are turned away, and stay on the phone.
    """

    folder: Path
    also: tuple[Path, ...] = ()
    lan: bool = False
    address: str | None = None
    proxy: str | None = None
    secure: bool = False
    workers: int = 2
    largest_photo: int = 40 * MEGABYTE
    most_waiting: int = 500
