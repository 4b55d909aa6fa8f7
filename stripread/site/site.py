"""The site file, ``site.toml``: what is sampled, what is expected there, and the short names of lots, cards and kinds.

The keys are explained in ``site_demo.toml``, the file that a new site starts from.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal, cast, get_args

from stripread.card import CardLayout, load_card
from stripread.errors import SiteError
from stripread.files import TomlTable, read_toml
from stripread.i18n import Joined, Message, Number, Verbatim
from stripread.lot import Lot, load_lot
from stripread.site.analytes import KNOWN_ANALYTES, Analyte, analytes_of_table, find_analyte, judged_strength
from stripread.site.events import EventType, parse_events
from stripread.site.schedule import Schedule, parse_schedule
from stripread.site.supply import Supply, parse_supply
from stripread.strip import StripKind, load_kind, shipped_kinds
from stripread.units import UNITS, Units

__all__ = [
    "SITE_FILE",
    "Expectation",
    "SampleType",
    "Site",
    "find_card_file",
    "find_lot_file",
    "find_site",
    "kind_of_lot",
    "load_site",
    "resolve_card",
    "resolve_kind",
    "resolve_lot",
]

SITE_FILE = "site.toml"
_EXPECTATION_KEYS = {"expected", "unit", "target"}
_SAMPLE_KEYS = _EXPECTATION_KEYS | {"analyte", "kinds", "note", "strong", "batch", "also"}
Made = Literal["concentrate", "stock"]  # batches that a sample may be of; a top-up makes a stock


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectation:
    """What is right for one analyte of a sample type: ``low`` to ``high``, aimed at ``target``, all in ``unit``."""

    analyte: str
    unit: str
    low: float
    high: float
    target: float | None = None

    def __str__(self) -> str:
        """Return the range as people write it, in English."""
        return str(self.words)

    @property
    def words(self) -> Message:
        """The range as people write it."""
        return Message(
            "%(low)s to %(high)s", low=Number(self.low, "g"), high=Joined((Number(self.high, "g"), self.unit))
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleType:
    """What was dipped into.

    Attributes
    ----------
    expectations : tuple of Expectation
        The main analyte's first, then those under ``also``.
    kinds : tuple of str
        Names of the strip kinds that suit it, the best first.
    strong : bool
        Whether it is strong enough to give off gas, and to bleach a pad made for less.
    batch : {"concentrate", "stock"} or None
        What kind of batch it is a sample of; a type that has a kind's name is of that kind without saying so.
    """

    name: str
    expectations: tuple[Expectation, ...]
    kinds: tuple[str, ...]
    note: str = ""
    strong: bool = False
    batch: Made | None = None

    @property
    def main(self) -> Expectation:
        """The expectation of the main analyte."""
        return self.expectations[0]

    def expectation(self, analyte: str) -> Expectation | None:
        """Return what is expected of an analyte (upper and lower case alike), None where the site says nothing."""
        for expectation in self.expectations:
            if expectation.analyte.casefold() == analyte.casefold():
                return expectation
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """A site; ``lots``, ``cards`` and ``kinds`` map names to files, which may not be there yet."""

    folder: Path
    name: str
    samples: Mapping[str, SampleType]
    lots: Mapping[str, Path]
    cards: Mapping[str, Path]
    kinds: Mapping[str, Path]
    database: str | None = None  # of the record, where it is not the SQLite file in the folder
    anchor: Path | None = None  # a file elsewhere, in which the heads of the record are noted down
    units: Units = "metric"  # in which amounts are told where nobody chose others
    analytes: Mapping[str, Analyte] = field(default_factory=dict)  # its own, besides the known ones
    schedule: Schedule | None = None
    events: Mapping[str, EventType] = field(default_factory=lambda: parse_events(None))
    accepts_files: bool = False  # whether a lot or card file that nobody accepted makes readings doubtful
    second_person: bool = False  # whether such a file holds only once two people have accepted it
    supply: Supply = field(default_factory=lambda: Supply(tanks={}, injectors={}, lines={}))

    @property
    def all_analytes(self) -> tuple[str, ...]:
        """Names of what may be entered from an instrument: what its samples are judged by first."""
        judged = [e.analyte for sample in self.samples.values() for e in sample.expectations]
        own = self._own_analytes()
        known = {*KNOWN_ANALYTES, *own}
        return tuple(dict.fromkeys(name for name in (*judged, *own, *KNOWN_ANALYTES) if name in known))

    def analyte(self, name: str) -> Analyte:
        """Return an analyte that may be entered; `SiteError` with the known ones for any other name."""
        return find_analyte(name, self._own_analytes())

    def _own_analytes(self) -> dict[str, Analyte]:
        """Return the analytes that the site names, be it only as what a sample is judged by."""
        known = {name.casefold() for name in (*KNOWN_ANALYTES, *self.analytes)}
        judged = [e for sample in self.samples.values() for e in sample.expectations]
        strengths = {e.analyte: judged_strength(e.analyte, e.unit) for e in judged if e.analyte.casefold() not in known}
        return {**{name: one for name, one in strengths.items() if one is not None}, **self.analytes}

    @property
    def main_analytes(self) -> dict[str, str]:
        """Of each sample type the analyte that it is judged by."""
        return {name: sample.main.analyte for name, sample in self.samples.items()}

    def expectation(self, sample: str | None, analyte: str) -> Expectation | None:
        """Return what is expected of an analyte in a sample type; None where the site says nothing of either."""
        known = self.samples.get(sample or "")
        return None if known is None else known.expectation(analyte)

    def card_for(self, lot_card: str) -> str:
        """Return the name of the card that a lot is read on: the site's only one, else that of its calibration."""
        return next(iter(self.cards)) if len(self.cards) == 1 else lot_card

    def sample_of_batch(self, kind: str) -> SampleType | None:
        """Return the first sample type that is taken of such batches; None where the site has none."""
        made = "stock" if kind == "top-up" else kind
        return next((sample for sample in self.samples.values() if sample.batch == made), None)

    def sample(self, name: str) -> SampleType:
        """Return a sample type; `SiteError` with the known ones for any other name."""
        try:
            return self.samples[name]
        except KeyError:
            raise SiteError(
                expected=Message(
                    "a sample type of %(folder)s: %(samples)s",
                    folder=self.folder / SITE_FILE,
                    samples=", ".join(self.samples),
                ),
                found=Verbatim(repr(name)),
                remedy=Message("Name one of these, or add [sample.%(name)s] to the file.", name=name),
            ) from None


def find_site(start: Path) -> Path | None:
    """Return the nearest folder with a site file, from ``start`` upwards; None where there is none."""
    start = start.resolve()
    return next((folder for folder in (start, *start.parents) if (folder / SITE_FILE).is_file()), None)


def load_site(folder: Path) -> Site:
    """Read the site file of a folder.

    Raises
    ------
    SiteError
        If it is missing, is not TOML, or a field is missing, wrong or misspelt (the error names it).
    """
    path = folder / SITE_FILE
    try:
        data = read_toml(path, what=Message("a site file"), error=SiteError)
    except FileNotFoundError:
        raise SiteError(
            expected=Message("a site file %(file)s in %(folder)s", file=SITE_FILE, folder=folder),
            found=Message("none"),
            remedy=Message("Start in the folder of your site, or write a first one with `stripread init`."),
        ) from None
    top = TomlTable(data, str(path), SiteError)
    files = {key: _files(top, key, folder) for key in ("lots", "cards", "kinds")}
    known_kinds = {*shipped_kinds(), *files["kinds"]}
    named = top.table("sample", _named("sample"))
    samples = {name: _sample(name, named.table(name, Message("a table")), known_kinds) for name in named.data}
    if not samples:
        raise top.wrong("sample", Message("at least one table [sample.NAME]"))
    analytes = analytes_of_table(top.table("analyte", _named("analyte"))) if "analyte" in top.data else {}
    return Site(
        folder=folder,
        name=top.text("name"),
        samples=samples,
        **files,
        database=_record_key(top, "database"),
        anchor=None if (anchor := _record_key(top, "anchor")) is None else folder / anchor,
        units=_units(top),
        analytes=analytes,
        supply=parse_supply(top),
        schedule=parse_schedule(top),
        events=parse_events(top),
        accepts_files="acceptance" in top.data,
        second_person=_second_person(top),
    )


def _named(key: str) -> Message:
    return Message("tables [%(key)s.NAME]", key=key)


def _sample(name: str, table: TomlTable, known_kinds: set[str]) -> SampleType:
    table.no_other_keys(_SAMPLE_KEYS)
    main = _expectation(table, table.text("analyte"), table.text("unit"))
    expectations = [main]
    if "also" in table.data:
        also = table.table("also", _named("also"))
        for analyte in also.data:
            inner = also.table(analyte, Message("a table"))
            inner.no_other_keys(_EXPECTATION_KEYS)
            default = "pH" if analyte == "pH" else main.unit
            expectations.append(_expectation(inner, analyte, inner.text("unit") if "unit" in inner.data else default))
    kinds = table.data.get("kinds")
    if not isinstance(kinds, list) or not kinds or not all(isinstance(kind, str) for kind in kinds):
        raise table.wrong("kinds", Message("a list of strip kinds"))
    if not known_kinds.issuperset(kinds):
        raise table.wrong(
            "kinds", Message("strip kinds out of %(known_kinds)s", known_kinds=", ".join(sorted(known_kinds)))
        )
    return SampleType(
        name=name,
        expectations=tuple(expectations),
        kinds=tuple(kinds),
        note=table.text("note") if "note" in table.data else "",
        strong=table.truth("strong", default=False),
        batch=_batch(name, table),
    )


def _batch(name: str, table: TomlTable) -> Made | None:
    kinds = get_args(Made)
    said = table.data.get("batch", name if name in kinds else None)
    if said is not None and said not in kinds:
        raise table.wrong("batch", Message("one of %(kinds)s", kinds=", ".join(kinds)))
    return cast(Made | None, said)


def _expectation(table: TomlTable, analyte: str, unit: str) -> Expectation:
    low, high = table.span("expected", least=0)
    target = table.number("target", least=low, most=high) if "target" in table.data else None
    return Expectation(analyte=analyte, unit=unit, low=low, high=high, target=target)


def _record_key(top: TomlTable, key: Literal["database", "anchor"]) -> str | None:
    if "records" not in top.data:
        return None
    table = top.table("records", Message("a table [records]"))
    table.no_other_keys({"database", "anchor"})
    return table.text(key) if key in table.data else None


def _second_person(top: TomlTable) -> bool:
    if "acceptance" not in top.data:
        return False
    table = top.table("acceptance", Message("a table [acceptance]"))
    table.no_other_keys({"second_person"})
    return table.truth("second_person", default=False)


def _units(top: TomlTable) -> Units:
    value = top.data.get("units", "metric")
    if value not in UNITS:
        raise top.wrong("units", Verbatim(" or ".join(f'"{known}"' for known in UNITS)))
    return cast(Units, value)


def _files(top: TomlTable, key: str, folder: Path) -> dict[str, Path]:
    if key not in top.data:
        return {}
    names = top.table(key, Message("a table of names, each with the path of a file,"))
    return {name: folder / names.text(name) for name in names.data}


def resolve_lot(name_or_path: str, site: Site | None) -> Lot:
    """Load a lot by its name in the site file or by its path.

    Raises
    ------
    SiteError
        If it is neither a known name nor a file.
    LotFileError
        If the file is no lot file.
    """
    return load_lot(find_lot_file(name_or_path, site))


def find_lot_file(name_or_path: str, site: Site | None) -> Path:
    """Return the file of a lot by its name in the site file or by its path (`SiteError`)."""
    return _find_file("lot", name_or_path, {} if site is None else site.lots, site)


def resolve_card(name_or_path: str, site: Site | None) -> CardLayout:
    """Load a card layout by its name in the site file or by its path (`SiteError`, `CardFileError`)."""
    return load_card(find_card_file(name_or_path, site))


def find_card_file(name_or_path: str, site: Site | None) -> Path:
    """Return the file of a card by its name in the site file or by its path (`SiteError`)."""
    return _find_file("card", name_or_path, {} if site is None else site.cards, site)


def resolve_kind(name_or_path: str, site: Site | None) -> StripKind:
    """Load a strip kind by its name in the site file, a shipped name, or its path (`SiteError`, `KindFileError`)."""
    names = {} if site is None else site.kinds
    shipped = shipped_kinds()
    if name_or_path in shipped and name_or_path not in names:
        return load_kind(name_or_path)
    path = _find_file("kind", name_or_path, names, site, shipped)
    kind = load_kind(path)
    if name_or_path in names and kind.name != name_or_path:  # lots and sample types know it by the name in its file
        raise SiteError(
            expected=Message(
                "a strip kind of the name %(name_or_path)s in %(path)s, as the site's [kinds] says",
                name_or_path=repr(name_or_path),
                path=path,
            ),
            found=Message("the name %(name)s", name=repr(kind.name)),
            remedy=Message("Give both the same name."),
        )
    return kind


def kind_of_lot(lot: Lot, site: Site | None) -> StripKind:
    """Return a lot's strip kind: the site's file where it lists one, else what the lot file itself carries.

    Lot files of before carry none; their kind is sought by its name (`resolve_kind`).
    """
    if lot.strip_kind is not None and (site is None or lot.kind not in site.kinds):
        return lot.strip_kind
    return resolve_kind(lot.kind, site)


def _find_file(
    what: str, name: str, names: Mapping[str, Path], site: Site | None, shipped: tuple[str, ...] = ()
) -> Path:
    if name in names:
        if not names[name].is_file():
            raise SiteError(
                expected=Message("a file for '%(table)s.%(name)s' of the site file", table=what + "s", name=name),
                found=Message("no file %(name)s", name=names[name]),
                remedy=Message("Correct the path in the site file, or put the file there."),
            )
        return names[name]
    path = Path(name)
    if not path.is_file():
        known = ", ".join([*names, *shipped]) or Message("none")
        expected = (
            Message(
                "the path of a %(what)s file, or a known name (no site file): %(known)s",
                what=Message(what),
                known=known,
            )
            if site is None
            else Message(
                "the path of a %(what)s file, or a name of the site in %(folder)s: %(known)s",
                what=Message(what),
                folder=site.folder,
                known=known,
            )
        )
        raise SiteError(
            expected=expected,
            found=Verbatim(repr(name)),
            remedy=Message(
                "Check the spelling, or add the name under [%(table)s] of the site file.",
                table=what + "s",
            ),
        )
    return path
