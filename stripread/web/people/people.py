"""Who may use the page, and who is signed in: names with a secret, paired phones, sessions.

They are kept in a file of their own beside the record, as secrets have no place in a chain that is exported; what
changes - a person added, a role, a secret - is an entry of the record. A secret is stored as its Argon2id hash (RFC
9106), tokens as their SHA-256: whoever reads the file can sign in with neither.
"""

import hashlib
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Literal, get_args

from sqlalchemy import ColumnElement, Connection, delete, exists, func, insert, select, update

from stripread.errors import WrongUsageError
from stripread.i18n import Message, Verbatim
from stripread.records import parse_utc, utc_text
from stripread.units import UNITS, Units
from stripread.web.people.guessable import is_guessable
from stripread.web.people.tables import PEOPLE, devices, open_tables, people, sessions

__all__ = ["PEOPLE", "ROLES", "People", "Person", "Phone", "Role", "Session", "checked_person"]

Role = Literal["technician", "supervisor", "grower"]
ROLES: tuple[Role, ...] = get_args(Role)
_SHORTEST = 6  # signs of a PIN or password; tries are limited as well
_SESSION = timedelta(hours=12)  # a working day
_IDLE = timedelta(hours=4)
_DEVICE = timedelta(days=180)
_PAIRING = timedelta(minutes=10)
_ID = 8  # digits of a phone's hash


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """Somebody who may sign in; language and units are empty where they chose none."""

    name: str
    role: Role
    language: str = ""
    units: Units | Literal[""] = ""
    active: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """Somebody who is signed in; ``csrf`` is to come back with whatever they send."""

    person: Person
    csrf: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Phone:
    """A phone that was paired.

    Attributes
    ----------
    id : str
        The beginning of its token's hash, which opens nothing.
    name : str
        As whoever showed the code called it; may be empty.
    seen : datetime or None
        When it was last used by somebody signed in; None where it was not, or not since this is kept.
    """

    id: str
    name: str
    paired: datetime
    seen: datetime | None


class People:
    """The file of people, sessions and paired phones of a site's folder; it is made if need be."""

    def __init__(self, folder: Path, *, hash_secret: Callable[[str], str] | None = None) -> None:
        """Open it; ``hash_secret`` takes the place of Argon2id as its library sets it, as tests want it quick."""
        self._engine = open_tables(folder)
        self._hash_secret = hash_secret or _hash

    def close(self) -> None:
        """Close the file."""
        self._engine.dispose()

    # --- people ---

    def add(self, name: str, role: Role, secret: str) -> Person:
        """Add somebody, or give them another role and secret; ends their sessions.

        Raises
        ------
        WrongUsageError
            If the name is empty, the role unknown, or the secret too short.
        """
        person = checked_person(name, role, secret)
        name = person.name
        row = {"name": name, "role": role, "secret": self._hash_secret(secret), "active": True}
        with self._engine.begin() as connection:
            connection.execute(delete(sessions).where(sessions.c.name == name))
            if connection.execute(select(people.c.name).where(people.c.name == name)).first() is None:
                connection.execute(insert(people).values(**row, language=""))
            else:
                connection.execute(update(people).where(people.c.name == name).values(**row))
        return person

    def retire(self, name: str) -> bool:
        """Let somebody no longer sign in, and end their sessions; False where there is no such person."""
        with self._engine.begin() as connection:
            connection.execute(delete(sessions).where(sessions.c.name == name))
            done = connection.execute(update(people).where(people.c.name == name).values(active=False))
            return done.rowcount > 0

    def speak(self, name: str, language: str) -> None:
        """Keep the language in which somebody reads."""
        with self._engine.begin() as connection:
            connection.execute(update(people).where(people.c.name == name).values(language=language))

    def measure_in(self, name: str, units: Units) -> None:
        """Keep the units in which somebody is told amounts."""
        with self._engine.begin() as connection:
            connection.execute(update(people).where(people.c.name == name).values(units=units))

    def everybody(self) -> tuple[Person, ...]:
        """Return all people, by name."""
        with self._engine.connect() as connection:
            rows = connection.execute(select(people).order_by(people.c.name)).mappings()
            return tuple(_person(dict(row)) for row in rows)

    # --- sessions ---

    def sign_in(self, name: str, secret: str, *, now: datetime, phone: str | None = None) -> str | None:
        """Return a new session's token; None where name or secret is wrong, in the same time either way.

        The session of a paired phone, by its token, ends when that is no longer let in.
        """
        from argon2 import PasswordHasher
        from argon2.exceptions import VerificationError

        with self._engine.connect() as connection:
            row = connection.execute(select(people).where(people.c.name == name.strip())).mappings().first()
        try:
            PasswordHasher().verify(_decoy() if row is None else row["secret"], secret)
        except VerificationError:
            return None
        if row is None or not row["active"]:
            return None
        token = secrets.token_urlsafe(32)
        device = _digest(phone) if phone is not None and self.is_paired(phone, now=now) else ""
        with self._engine.begin() as connection:
            connection.execute(delete(sessions).where(sessions.c.ends < utc_text(now)))
            connection.execute(
                insert(sessions).values(
                    token=_digest(token), name=row["name"], csrf=secrets.token_urlsafe(32), seen=utc_text(now),
                    ends=utc_text(now + _SESSION), device=device,
                )
            )  # fmt: skip
            _see(connection, device, now)
        return token

    def session(self, token: str, *, now: datetime) -> Session | None:
        """Return the session of a token; None where there is none, or it has ended or was idle for too long."""
        with self._engine.begin() as connection:
            query = select(sessions, people).join(people, people.c.name == sessions.c.name)
            row = connection.execute(query.where(sessions.c.token == _digest(token))).mappings().first()
            if row is None or not row["active"]:
                return None
            over = now > parse_utc(row["ends"]) or now - parse_utc(row["seen"]) > _IDLE
            if over or not _still_paired(connection, row["device"]):
                connection.execute(delete(sessions).where(sessions.c.token == _digest(token)))
                return None
            if now - parse_utc(row["seen"]) > timedelta(minutes=1):
                done = update(sessions).where(sessions.c.token == _digest(token))
                connection.execute(done.values(seen=utc_text(now)))
                _see(connection, row["device"], now)
        return Session(person=_person(dict(row)), csrf=row["csrf"])

    def sign_out(self, token: str) -> None:
        """End a session."""
        with self._engine.begin() as connection:
            connection.execute(delete(sessions).where(sessions.c.token == _digest(token)))

    # --- phones ---

    def pairing_code(self, *, now: datetime, name: str = "") -> str:
        """Return a code with which one phone, to be called so, can be paired in the next ten minutes."""
        code = secrets.token_urlsafe(24)
        row = {"token": _digest(code), "kind": "code", "ends": utc_text(now + _PAIRING), "name": name}
        with self._engine.begin() as connection:
            connection.execute(delete(devices).where(devices.c.ends < utc_text(now)))
            connection.execute(insert(devices).values(**row))
        return code

    def is_code(self, code: str, *, now: datetime) -> bool:
        """Tell whether a phone can be paired with a code, and leave the code as it is."""
        with self._engine.connect() as connection:
            return connection.execute(select(devices.c.token).where(_is_code(code, now))).first() is not None

    def pair(self, code: str, *, now: datetime) -> str | None:
        """Use up a code and return the phone's token; None where the code is none, used or too old."""
        token = secrets.token_urlsafe(24)
        device = {"token": _digest(token), "kind": "device", "ends": utc_text(now + _DEVICE)}
        with self._engine.begin() as connection:
            done = connection.execute(update(devices).where(_is_code(code, now)).values(**device))
            return token if done.rowcount == 1 else None

    def is_paired(self, token: str, *, now: datetime) -> bool:
        """Tell whether a phone was paired."""
        with self._engine.connect() as connection:
            query = select(devices.c.ends).where(devices.c.token == _digest(token), devices.c.kind == "device")
            row = connection.execute(query).first()
            return row is not None and now <= parse_utc(row.ends)

    def phones(self, *, now: datetime) -> tuple[Phone, ...]:
        """Return the paired phones, the one paired last first."""
        query = select(devices).where(devices.c.kind == "device", devices.c.ends >= utc_text(now))
        with self._engine.connect() as connection:
            return tuple(
                Phone(
                    id=row.token[:_ID],
                    name=row.name,
                    paired=parse_utc(row.ends) - _DEVICE,
                    seen=parse_utc(row.seen) if row.seen else None,
                )
                for row in connection.execute(query.order_by(devices.c.ends.desc()))
            )

    def unpair(self, id: str) -> bool:
        """Let a phone no longer in, and end the sessions on it; False where there is no such phone."""
        with self._engine.begin() as connection:
            own = (devices.c.kind == "device") & (func.substr(devices.c.token, 1, _ID) == id)
            tokens = connection.execute(select(devices.c.token).where(own)).scalars().all()
            connection.execute(delete(sessions).where(sessions.c.device.in_(tokens)))
            connection.execute(delete(devices).where(devices.c.token.in_(tokens)))
            return bool(tokens)


def _is_code(code: str, now: datetime) -> ColumnElement[bool]:
    return (devices.c.token == _digest(code)) & (devices.c.kind == "code") & (devices.c.ends >= utc_text(now))


def _still_paired(connection: Connection, device: str) -> bool:
    """Tell whether a session's phone may still be used: it can be shut out while somebody signs in on it."""
    return not device or bool(connection.execute(select(exists().where(devices.c.token == device))).scalar())


def _see(connection: Connection, device: str, now: datetime) -> None:
    if device:
        connection.execute(update(devices).where(devices.c.token == device).values(seen=utc_text(now)))


def _person(row: dict[str, object]) -> Person:
    return Person(
        name=str(row["name"]),
        role=row["role"],  # type: ignore[arg-type]  # one of ROLES, as `add` saw to
        language=str(row["language"] or ""),
        units=next((known for known in UNITS if known == row["units"]), ""),
        active=bool(row["active"]),
    )


def _check_secret(secret: str, name: str) -> None:
    if len(secret) < _SHORTEST or len(set(secret)) < 3 or len(secret) > 200:
        raise WrongUsageError(
            expected=Message("a PIN or password of %(least)s signs or more, three of them different", least=_SHORTEST),
            found=Message("one of %(count)s", count=len(secret)),
            remedy=Message("Choose a longer one."),
        )
    if is_guessable(secret, name=name):
        raise WrongUsageError(
            expected=Message("a PIN or password that nobody guesses first"),
            found=Message("a repetition, a row, a date, or a name"),
            remedy=Message("Choose another, such as two words that do not belong together."),
        )


def checked_person(name: str, role: str, secret: str) -> Person:
    """Return somebody who may be added; raises as `People.add`."""
    name = name.strip()
    if not name or len(name) > 80:
        raise WrongUsageError(
            expected=Message("a name of 1 to 80 signs"),
            found=Verbatim(repr(name[:90])),
            remedy=Message("Choose another."),
        )
    if role not in ROLES:
        raise WrongUsageError(
            expected=Message("a role: %(known)s", known=", ".join(ROLES)),
            found=Verbatim(repr(role)),
            remedy=Message("Name one of these."),
        )
    _check_secret(secret, name)
    return Person(name=name, role=next(known for known in ROLES if known == role))


def _hash(secret: str) -> str:
    from argon2 import PasswordHasher

    return PasswordHasher().hash(secret)


@lru_cache(maxsize=1)
def _decoy() -> str:
    """Return the hash of a secret that nobody has, against which unknown names are held."""
    return _hash(secrets.token_urlsafe(16))


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8")).hexdigest()
