"""What is due and what is wrong at a site today, by its record: the most urgent first."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from stripread.check.history_rules import drifted
from stripread.errors import StripReadError
from stripread.lot.lot import load_lot
from stripread.records.queries.batches import batch_forecast, batch_of, batch_readings, find_batch
from stripread.records.queries.checks import lot_scores
from stripread.records.queries.readings import ReadingFilter, RecordedReading
from stripread.records.store import Records
from stripread.site import Site

__all__ = ["Due", "due_today"]

Urgency = Literal["now", "today", "soon"]
Matter = Literal["reading", "point", "batch", "lot"]
_ORDER: dict[Urgency, int] = {"now": 0, "today": 1, "soon": 2}
_LOT_SOON, _STOCK_SOON = timedelta(days=14), timedelta(hours=24)  # ours
_KNOWN_LOSS = 2  # readings from which a batch's own loss shows
_IN_USE = timedelta(days=30)  # a lot that no reading used for so long is not asked about


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """One thing to look after: about what, what is the matter, and what to do.

    Attributes
    ----------
    kind : str
        Of what ``about`` is the name; of a reading it is the point's.
    entry : int or None
        The reading's.
    """

    urgency: Urgency
    about: str
    matter: str
    advice: str
    kind: Matter
    entry: int | None = None


def due_today(records: Records, site: Site, *, now: datetime) -> tuple[Due, ...]:
    """Return what is due, the most urgent first; nothing where all is well."""
    latest = records.latest_by_point()
    found = [
        *_wrong(latest),
        *_unsampled(records, latest, now),
        *_stock(records, site, now),
        *_lots(records, site, now),
    ]
    return tuple(sorted(found, key=lambda due: _ORDER[due.urgency]))


def _wrong(latest: dict[str, RecordedReading]) -> list[Due]:
    """Points whose latest reading is not a good one within its range."""
    found = []
    for point, reading in sorted(latest.items()):
        findings = reading.entry.payload.get("findings", [])
        worst = next((f for f in findings if f["severity"] != "info"), None)
        states = {pad.range_state for pad in reading.pads if pad.range_state is not None}
        if reading.validity == "valid" and states <= {"within"}:
            continue
        when = reading.when.isoformat(sep=" ", timespec="minutes")[:16]
        out = states & {"above", "below"}
        matter = f"{reading.validity}, {' and '.join(sorted(out)) or 'undecided'} range" if out else reading.validity
        if worst is not None:
            matter = f"{matter}: {worst['message']}"
        advice = worst["advice"] if worst is not None else "Read a second strip and take both together."
        found.append(
            Due(urgency="now" if out else "today", about=point, matter=f"entry {reading.entry.seq}, {when}, {matter}",
                advice=advice, kind="reading", entry=reading.entry.seq)
        )  # fmt: skip
    return found


def _unsampled(records: Records, latest: dict[str, RecordedReading], now: datetime) -> list[Due]:
    found = []
    for point in records.points_in_order():
        reading = latest.get(point.name)
        if reading is not None and reading.when.astimezone(now.tzinfo).date() >= now.date():
            continue
        last = "never" if reading is None else f"last on {reading.when.date().isoformat()}"
        flush = f"Flush for {60 * point.flush_min:.0f} s, then dip" if point.flush_min else "Dip"
        found.append(
            Due(urgency="today", about=point.name, matter=f"no {point.sample} sample today; {last}",
                advice=f"{flush} a new strip and read it.", kind="point")
        )  # fmt: skip
    return found


def _stock(records: Records, site: Site, now: datetime) -> list[Due]:
    """Return whether the stock in use was never read, or is weak soon by its own loss of strength."""
    sample = site.samples.get("stock")
    name = None if sample is None else batch_of(records, sample, at=now)
    batch = None if name is None else find_batch(records, name)
    if sample is None or batch is None:
        return []
    read = batch_readings(records, batch)
    if not read:
        return [
            Due(urgency="today", about=batch.id, matter="this stock was never read", advice="Read its strength.",
                kind="batch")
        ]  # fmt: skip
    forecast = batch_forecast(records, batch, sample, at=now)
    if forecast is None or forecast.use_until is None or forecast.use_until > now + _STOCK_SOON:
        return []
    when = forecast.use_until.isoformat(sep=" ", timespec="minutes")[:16]
    past = forecast.use_until <= now
    limit = f"{sample.main.low:g} {sample.main.unit}"
    # One reading tells nothing of the loss: what its tank's cover lets expect is a guess.
    if len(read) < _KNOWN_LOSS:
        urgency: Urgency = "today" if past else "soon"
        matter = f"read once; as such tanks go it may {'have fallen' if past else 'fall'} under {limit} about {when}"
    else:
        urgency = "now" if past else "soon"
        matter = f"by its loss of strength it {'fell' if past else 'will fall'} under {limit} at {when}"
    return [
        Due(
            urgency=urgency,
            about=batch.id,
            matter=matter,
            advice="Read it; top it up or make a new one if it is weak: stripread water top-up.",
            kind="batch",
        )
    ]


def _lots(records: Records, site: Site, now: datetime) -> list[Due]:
    """Lots in use that expire, were never checked, or have drifted."""
    found = []
    for name, path in sorted(site.lots.items()):
        try:
            lot = load_lot(path)
        except StripReadError as error:
            found.append(Due(urgency="today", about=f"lot {name}", matter=error.found, advice=error.remedy, kind="lot"))
            continue
        if not records.readings(ReadingFilter(lot=lot.number, since=now - _IN_USE), limit=1):
            continue
        left = lot.expires - now.date()
        if left < timedelta():
            found.append(
                Due(urgency="now", about=f"lot {lot.number}", matter=f"expired on {lot.expires.isoformat()}",
                    advice="Open a fresh lot; calibrate it first.", kind="lot")
            )  # fmt: skip
        elif left <= _LOT_SOON:
            found.append(
                Due(urgency="soon", about=f"lot {lot.number}", matter=f"expires on {lot.expires.isoformat()}",
                    advice="Order a fresh lot and calibrate it while this one is still good.", kind="lot")
            )  # fmt: skip
        checks = lot_scores(records, lot)
        if checks == ():
            found.append(
                Due(urgency="soon", about=f"lot {lot.number}", matter="no check standard was ever read with it",
                    advice="Read a fresh known dilution: stripread lot verify.", kind="lot")
            )  # fmt: skip
        elif checks and (words := drifted(checks)):
            found.append(
                Due(urgency="today", about=f"lot {lot.number}", matter=words,
                    advice="Read a fresh known dilution; if it is off as well, calibrate the lot anew.", kind="lot")
            )  # fmt: skip
    return found
