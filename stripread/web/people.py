"""Who may use the page, and who is signed in: names with a secret, paired phones, sessions.

They are kept in a file of their own beside the record, as secrets have no place in a chain that is exported; what
changes - a person added, a role, a secret - is an entry of the record. A secret is stored as its Argon2id hash (RFC
9106), tokens as their SHA-256: whoever reads the file can sign in with neither.
"""

import hashlib
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Literal, get_args

from sqlalchemy import (
    Boolean,
    Column,
    MetaData,
    String,
    Table,
    Text,
    create_engine,
    delete,
    event,
    insert,
    select,
    update,
)
from sqlalchemy.engine import Engine

from stripread.errors import WrongUsageError
from stripread.quantities import UNITS, Units
from stripread.records.canonical import parse_utc, utc_text

__all__ = ["PEOPLE", "ROLES", "People", "Person", "Role", "Session", "checked_person"]

Role = Literal["technician", "supervisor", "grower"]
ROLES: tuple[Role, ...] = get_args(Role)
PEOPLE = "people.db"
_SHORTEST = 6  # signs of a PIN or password; tries are limited as well
_SESSION = timedelta(hours=12)  # a working day
_IDLE = timedelta(hours=4)
_DEVICE = timedelta(days=180)
_PAIRING = timedelta(minutes=10)

_metadata = MetaData()
_people = Table(
    "people",
    _metadata,
    Column("name", String(80), primary_key=True),
    Column("role", String(16), nullable=False),
    Column("secret", Text, nullable=False),
    Column("language", String(8), nullable=False, server_default=""),
    Column("units", String(8), nullable=False, server_default=""),
    Column("active", Boolean, nullable=False),
)
_sessions = Table(
    "sessions",
    _metadata,
    Column("token", String(64), primary_key=True),
    Column("name", String(80), nullable=False),
    Column("csrf", String(64), nullable=False),
    Column("seen", String(27), nullable=False),
    Column("ends", String(27), nullable=False),
)
_devices = Table(
    "devices",
    _metadata,
    Column("token", String(64), primary_key=True),
    Column("kind", String(8), nullable=False),  # code, or device
    Column("ends", String(27), nullable=False),
)


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


class People:
    """The file of people, sessions and paired phones of a site's folder; it is made if need be."""

    def __init__(self, folder: Path) -> None:
        path = folder / PEOPLE
        path.touch(mode=0o600, exist_ok=True)
        self._engine: Engine = create_engine(f"sqlite:///{path}", connect_args={"timeout": 10})
        event.listen(self._engine, "connect", lambda connection, _: connection.execute("PRAGMA journal_mode=WAL"))
        _metadata.create_all(self._engine)
        _add_units(self._engine)

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
        row = {"name": name, "role": role, "secret": _hash(secret), "active": True}
        with self._engine.begin() as connection:
            connection.execute(delete(_sessions).where(_sessions.c.name == name))
            if connection.execute(select(_people.c.name).where(_people.c.name == name)).first() is None:
                connection.execute(insert(_people).values(**row, language=""))
            else:
                connection.execute(update(_people).where(_people.c.name == name).values(**row))
        return person

    def retire(self, name: str) -> bool:
        """Let somebody no longer sign in, and end their sessions; False where there is no such person."""
        with self._engine.begin() as connection:
            connection.execute(delete(_sessions).where(_sessions.c.name == name))
            done = connection.execute(update(_people).where(_people.c.name == name).values(active=False))
            return done.rowcount > 0

    def speak(self, name: str, language: str) -> None:
        """Keep the language in which somebody reads."""
        with self._engine.begin() as connection:
            connection.execute(update(_people).where(_people.c.name == name).values(language=language))

    def measure_in(self, name: str, units: Units) -> None:
        """Keep the units in which somebody is told amounts."""
        with self._engine.begin() as connection:
            connection.execute(update(_people).where(_people.c.name == name).values(units=units))

    def everybody(self) -> tuple[Person, ...]:
        """Return all people, by name."""
        with self._engine.connect() as connection:
            rows = connection.execute(select(_people).order_by(_people.c.name)).mappings()
            return tuple(_person(dict(row)) for row in rows)

    # --- sessions ---

    def sign_in(self, name: str, secret: str, *, now: datetime) -> str | None:
        """Return a new session's token; None where name or secret is wrong, in the same time either way."""
        from argon2 import PasswordHasher
        from argon2.exceptions import VerificationError

        with self._engine.connect() as connection:
            row = connection.execute(select(_people).where(_people.c.name == name.strip())).mappings().first()
        try:
            PasswordHasher().verify(_decoy() if row is None else row["secret"], secret)
        except VerificationError:
            return None
        if row is None or not row["active"]:
            return None
        token = secrets.token_urlsafe(32)
        with self._engine.begin() as connection:
            connection.execute(delete(_sessions).where(_sessions.c.ends < utc_text(now)))
            connection.execute(
                insert(_sessions).values(
                    token=_digest(token), name=row["name"], csrf=secrets.token_urlsafe(32), seen=utc_text(now),
                    ends=utc_text(now + _SESSION),
                )
            )  # fmt: skip
        return token

    def session(self, token: str, *, now: datetime) -> Session | None:
        """Return the session of a token; None where there is none, or it has ended or was idle for too long."""
        with self._engine.begin() as connection:
            query = select(_sessions, _people).join(_people, _people.c.name == _sessions.c.name)
            row = connection.execute(query.where(_sessions.c.token == _digest(token))).mappings().first()
            if row is None or not row["active"]:
                return None
            if now > parse_utc(row["ends"]) or now - parse_utc(row["seen"]) > _IDLE:
                connection.execute(delete(_sessions).where(_sessions.c.token == _digest(token)))
                return None
            if now - parse_utc(row["seen"]) > timedelta(minutes=1):
                done = update(_sessions).where(_sessions.c.token == _digest(token))
                connection.execute(done.values(seen=utc_text(now)))
        return Session(person=_person(dict(row)), csrf=row["csrf"])

    def sign_out(self, token: str) -> None:
        """End a session."""
        with self._engine.begin() as connection:
            connection.execute(delete(_sessions).where(_sessions.c.token == _digest(token)))

    # --- phones ---

    def pairing_code(self, *, now: datetime) -> str:
        """Return a code with which one phone can be paired in the next ten minutes."""
        return self._keep("code", now + _PAIRING, now)

    def is_code(self, code: str, *, now: datetime) -> bool:
        """Tell whether a phone can be paired with a code, and leave the code as it is."""
        own = (_devices.c.token == _digest(code)) & (_devices.c.kind == "code") & (_devices.c.ends >= utc_text(now))
        with self._engine.connect() as connection:
            return connection.execute(select(_devices.c.token).where(own)).first() is not None

    def pair(self, code: str, *, now: datetime) -> str | None:
        """Use up a code and return the phone's token; None where the code is none, used or too old."""
        with self._engine.begin() as connection:
            own = (_devices.c.token == _digest(code)) & (_devices.c.kind == "code") & (_devices.c.ends >= utc_text(now))
            if connection.execute(delete(_devices).where(own)).rowcount != 1:
                return None
        return self._keep("device", now + _DEVICE, now)

    def is_paired(self, token: str, *, now: datetime) -> bool:
        """Tell whether a phone was paired."""
        with self._engine.connect() as connection:
            query = select(_devices.c.ends).where(_devices.c.token == _digest(token), _devices.c.kind == "device")
            row = connection.execute(query).first()
            return row is not None and now <= parse_utc(row.ends)

    def _keep(self, kind: str, ends: datetime, now: datetime) -> str:
        token = secrets.token_urlsafe(24)
        with self._engine.begin() as connection:
            connection.execute(delete(_devices).where(_devices.c.ends < utc_text(now)))
            connection.execute(insert(_devices).values(token=_digest(token), kind=kind, ends=utc_text(ends)))
        return token


def _add_units(engine: Engine) -> None:
    """Give a file from before there were units to choose the column that holds them; it stays empty."""
    with engine.connect() as connection:
        connection.exec_driver_sql("BEGIN IMMEDIATE")  # a second process waits here, and then finds it done
        known = {row[1] for row in connection.exec_driver_sql("PRAGMA table_info(people)")}
        if "units" not in known:
            connection.exec_driver_sql("ALTER TABLE people ADD COLUMN units VARCHAR(8) NOT NULL DEFAULT ''")
        connection.commit()


def _person(row: dict[str, object]) -> Person:
    return Person(
        name=str(row["name"]),
        role=row["role"],  # type: ignore[arg-type]  # one of ROLES, as `add` saw to
        language=str(row["language"] or ""),
        units=next((known for known in UNITS if known == row["units"]), ""),
        active=bool(row["active"]),
    )


def _check_secret(secret: str) -> None:
    if len(secret) < _SHORTEST or len(set(secret)) < 3 or len(secret) > 200:
        raise WrongUsageError(
            expected=f"a PIN or password of {_SHORTEST} signs or more, three of them different",
            found=f"one of {len(secret)}",
            remedy="Choose a longer one.",
        )


def checked_person(name: str, role: str, secret: str) -> Person:
    """Return somebody who may be added; raises as `People.add`."""
    name = name.strip()
    if not name or len(name) > 80:
        raise WrongUsageError(expected="a name of 1 to 80 signs", found=repr(name[:90]), remedy="Choose another.")
    if role not in ROLES:
        raise WrongUsageError(expected=f"a role: {', '.join(ROLES)}", found=repr(role), remedy="Name one of these.")
    _check_secret(secret)
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
