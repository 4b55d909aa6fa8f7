"""What the record is made of: entries, the files they rest on, and what people enter - plain dataclasses."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import datetime
from typing import Any, Literal, TypeVar, get_args

from stripread.errors import RecordsError
from stripread.i18n import Message, Shown, Verbatim

__all__ = [
    "Action",
    "ActionDone",
    "Batch",
    "BatchKind",
    "CheckStandard",
    "Draft",
    "Entry",
    "FileRef",
    "InjectorSetting",
    "Kind",
    "Note",
    "Part",
    "Point",
    "Role",
    "Stamp",
    "StoreItem",
    "StoreUse",
    "TankEvent",
    "from_payload",
    "to_payload",
]

Kind = Literal[
    "site", "point", "sample_type", "strip_kind", "lot", "card_print", "batch", "injector_setting", "reading",
    "photo", "check_standard", "note", "account", "calibration", "study", "tank_event", "action", "action_done",
    "store_item", "store_use", "lot_accepted", "card_accepted",
]  # fmt: skip
Role = Literal["photo", "flash_photo", "lot", "card"]
BatchKind = Literal["concentrate", "stock", "top-up"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stamp:
    """When something is entered, on the local clock and with its zone, and by whom."""

    at: datetime
    who: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FileRef:
    """A file that an entry rests on; ``path`` counts from the site's folder, ``name`` is what people called it."""

    role: Role
    sha256: str
    name: str
    path: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """An entry before it is in the chain.

    Attributes
    ----------
    subject : str or None
        What it is about, by its stable name: a point, a batch's id, a lot's number.
    supersedes : int or None
        The entry in whose place it stands.
    origin : str or None
        Of an imported entry: the hash that it had where it came from.
    """

    kind: Kind
    payload: Mapping[str, Any]
    subject: str | None = None
    supersedes: int | None = None
    files: tuple[FileRef, ...] = ()
    origin: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """An entry of the chain; ``at`` is in the local zone in which it was entered."""

    seq: int
    kind: Kind
    at: datetime
    zone_name: str
    who: str
    software: str
    subject: str | None
    supersedes: int | None
    origin: str | None
    files: tuple[FileRef, ...]
    payload: Mapping[str, Any]
    previous_hash: str
    hash: str

    @property
    def withdrawn(self) -> bool:
        """Whether it takes back what it supersedes and puts nothing in its place."""
        return bool(self.payload.get("withdrawn", False))

    @property
    def why(self) -> str | None:
        """Why it supersedes another entry, in a person's words."""
        correction = self.payload.get("correction")
        return str(correction["why"]) if isinstance(correction, Mapping) and "why" in correction else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """What went into a batch: a volume of another batch (None: of something that is not in the record)."""

    batch: str | None
    volume_l: float
    u_volume_l: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """One generation of concentrate, one stock made from it, or a top-up of a stock.

    Attributes
    ----------
    parts : tuple of Part
        The solutions that it was made of; none for a concentrate generated from a sachet.
    water_l, u_water_l : float
        Water put in, and its standard uncertainty (k = 1).
    expected_mg_per_l, u_expected_mg_per_l : float or None
        The strength that the recipe should give.
    expected_interval : (low, high) or None
        Its 95 % interval, which need not lie evenly about it.
    expected_by_hand : bool
        Whether a person put the strength in place of what the recipe gives; the note says why.
    source : str or None
        What a concentrate was generated from.
    ready_at : datetime or None
        When a concentrate has given its strength; it is lost from then on. None: when it was made.
    """

    id: str
    kind: BatchKind
    made_at: datetime
    made_by: str
    water_l: float
    u_water_l: float = 0.0
    parts: tuple[Part, ...] = ()
    expected_mg_per_l: float | None = None
    u_expected_mg_per_l: float | None = None
    expected_interval: tuple[float, float] | None = None
    expected_by_hand: bool = False
    source: str | None = None
    ready_at: datetime | None = None
    tank: str | None = None
    cover: str | None = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """A place where samples are taken; ``order`` counts along its line from the injector, ``flush_min`` is a time.

    A point of a ``tank`` tells what is in that one.
    """

    name: str
    sample: str
    line: str | None = None
    order: int | None = None
    tank: str | None = None
    flush_min: float | None = None
    before_injector: bool = False
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class InjectorSetting:
    """A setting of an injector: 1:``ratio``, as one part in so many in all, or to so many of water."""

    injector: str
    since: datetime
    ratio: float
    convention: Literal["in", "to"]
    batch: str | None = None
    flow_l_per_min: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Action:
    """What somebody is to do about a finding, until when (a day, ISO 8601).

    Attributes
    ----------
    about : int
        The entry of the reading that has the finding.
    code : str
        The finding.
    """

    about: int
    code: str
    text: str
    owner: str
    by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ActionDone:
    """What was done for an action, by its entry, and the reading that shows it."""

    action: int
    text: str
    reading: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreItem:
    """A box of sachets or a vial of strips as it was received; days are ISO 8601.

    Attributes
    ----------
    name : str
        What it is called; of a vial of strips the lot's number, whose readings then count as used.
    what : {"sachets", "strips"}
    count : int
        Sachets or strips in it.
    """

    name: str
    what: Literal["sachets", "strips"]
    count: int
    received: str
    expires: str | None = None
    lot: str | None = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreUse:
    """Something taken from a store, or (``count`` 0) that it was opened; ``batch`` is what it was used for."""

    item: str
    count: int
    at: datetime
    batch: str | None = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class TankEvent:
    """What left a tank other than by the injector or into another batch.

    Attributes
    ----------
    what : {"emptied", "discarded", "moved"}
        A tank was emptied; some or all of a batch was thrown away; a batch was put into another tank.
    tank : str or None
        Which one was emptied, or into which the batch was put.
    volume_l : float or None
        Of what was discarded; None: all of it.
    """

    what: Literal["emptied", "discarded", "moved"]
    at: datetime
    tank: str | None = None
    batch: str | None = None
    volume_l: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckStandard:
    """A check of a lot, by its row in the lot's file of checks, which holds the numbers.

    Attributes
    ----------
    file : str
        The CSV file (`stripread.lot.record`), from the site's folder.
    photo_sha256, lot_sha256, pad : str
        The key of the row.
    row_sha256 : str
        Of the row as it was written.
    """

    lot: str
    file: str
    photo_sha256: str
    lot_sha256: str
    pad: str
    row_sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """A remark, about an entry where it names one; or an event with a time of its own.

    Attributes
    ----------
    at : datetime or None
        When it happened; None: when it was entered.
    type : str or None
        Of an event, as the site names its types; ``missed`` is a reading that was not taken, at ``point``, and why;
        ``check`` is one of the checks of the event that it is about.
    line, tank, point : str or None
        Where.
    """

    text: str
    about: int | None = None
    tags: tuple[str, ...] = field(default=())
    at: datetime | None = None
    type: str | None = None
    line: str | None = None
    tank: str | None = None
    point: str | None = None


_Entered = (
    Batch | Point | InjectorSetting | TankEvent | Action | ActionDone | StoreItem | StoreUse | CheckStandard | Note
)
_E = TypeVar(
    "_E", Batch, Point, InjectorSetting, TankEvent, Action, ActionDone, StoreItem, StoreUse, CheckStandard, Note
)


_TIMES = ("made_at", "ready_at", "since", "at")


def to_payload(entered: _Entered) -> dict[str, Any]:
    """Return a dataclass as JSON values; times in ISO 8601 with their zone."""
    return {key: _plain(value) for key, value in asdict(entered).items()}


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        if value.tzinfo is None:
            raise _wrong(Message("a time with its zone"), Verbatim(value.isoformat()))
        return value.isoformat()
    if isinstance(value, tuple | list):
        return [_plain(one) for one in value]
    return value


def from_payload(shape: type[_E], payload: Mapping[str, Any]) -> _E:
    """Return the dataclass that a payload describes; keys of the record itself, such as ``correction``, are left out.

    Raises
    ------
    RecordsError
        If a field is missing or cannot be what it should be.
    """
    known = {key: value for key, value in payload.items() if key in shape.__dataclass_fields__}
    try:
        for key in _TIMES:
            if known.get(key) is not None:
                known[key] = datetime.fromisoformat(known[key])
                if known[key].tzinfo is None:
                    raise _wrong(
                        Message("a time with its zone for %(key)s", key=repr(key)), Verbatim(str(payload[key]))
                    )
        if "parts" in known:
            known["parts"] = tuple(Part(**part) for part in known["parts"])
        for key in ("tags", "expected_interval"):
            if known.get(key) is not None:
                known[key] = tuple(known[key])
        entered = shape(**known)
    except (TypeError, ValueError) as error:
        raise _wrong(
            Message("the fields of a %(shape)s", shape=shape.__name__.lower()), Verbatim(str(error))
        ) from error
    if isinstance(entered, Batch):
        _check_batch(entered)
    return entered


def _check_batch(batch: Batch) -> None:
    if batch.kind not in get_args(BatchKind):
        raise _wrong(
            Message("a kind of batch: %(known)s", known=", ".join(get_args(BatchKind))), Verbatim(repr(batch.kind))
        )
    volumes = (batch.water_l, batch.u_water_l, *(v for part in batch.parts for v in (part.volume_l, part.u_volume_l)))
    if not all(isinstance(v, int | float) and v >= 0 for v in volumes):
        raise _wrong(Message("volumes of 0 or more"), Verbatim(repr(volumes)))


def _wrong(expected: Shown, found: Shown) -> RecordsError:
    return RecordsError(expected=expected, found=found, remedy=Message("Correct what is entered."))
