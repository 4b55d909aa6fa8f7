"""Changes of who may use the page, each with its entry in the record; the entry holds no secret."""

import threading
from pathlib import Path

from stripread.errors import WrongUsageError
from stripread.i18n import Message, Number, Verbatim, joined
from stripread.records import Draft, Entry, Records, Stamp
from stripread.web.people.people import People, checked_person

__all__ = ["new_pairing_code", "pair_phone", "retire_person", "set_person", "unpair_phone"]

_PAIRING = threading.Lock()  # so that a code that two phones send at once is entered once
_LONGEST = 80  # signs of a phone's name


def set_person(records: Records, folder: Path, name: str, role: str, secret: str, stamp: Stamp) -> Entry:
    """Add somebody, or give them another role and secret. The entry comes first: no change without one.

    Raises
    ------
    WrongUsageError
        If name, role or secret is not one.
    """
    people = People(folder)
    try:
        person = checked_person(name, role, secret)
        payload = {"change": "may sign in", "role": person.role}
        entry = records.append([Draft(kind="account", payload=payload, subject=person.name)], stamp)[0]
        people.add(person.name, person.role, secret)
    finally:
        people.close()
    return entry


def retire_person(records: Records, folder: Path, name: str, stamp: Stamp) -> Entry:
    """Let somebody no longer sign in. The entry comes first.

    Raises
    ------
    WrongUsageError
        If there is no such person.
    """
    people = People(folder)
    try:
        known = [person.name for person in people.everybody()]
        if name not in known:
            raise WrongUsageError(
                expected=Message("a person: %(known)s", known=joined(known) if known else Message("nobody")),
                found=Verbatim(repr(name)),
                remedy=Message("Name one of these."),
            )
        payload = {"change": "may no longer sign in"}
        entry = records.append([Draft(kind="account", payload=payload, subject=name)], stamp)[0]
        people.retire(name)
    finally:
        people.close()
    return entry


def new_pairing_code(records: Records, people: People, stamp: Stamp, *, name: str = "") -> str:
    """Return a code with which one phone can be paired in the next ten minutes; the entry tells who asked for it.

    Raises
    ------
    WrongUsageError
        If the phone's name is too long.
    """
    name = name.strip()
    if len(name) > _LONGEST:
        raise WrongUsageError(
            expected=Message("a name of at most %(most)s signs", most=_LONGEST),
            found=Number(len(name)),
            remedy=Message("Choose a shorter one."),
        )
    payload = {"change": "code for a new phone", **({"name": name} if name else {})}
    records.append([Draft(kind="account", payload=payload, subject=stamp.who)], stamp)
    return people.pairing_code(now=stamp.at, name=name)


def pair_phone(records: Records, people: People, code: str, caller: str, stamp: Stamp) -> str | None:
    """Use up a code and return the phone's token; None where the code is none.

    The entry, which tells the phone's address, comes first: without one the code is as good as before.
    """
    with _PAIRING:
        if not people.is_code(code, now=stamp.at):
            return None
        records.append([Draft(kind="account", payload={"change": "phone paired"}, subject=caller)], stamp)
        return people.pair(code, now=stamp.at)


def unpair_phone(records: Records, people: People, id: str, stamp: Stamp) -> Entry:
    """Let a paired phone no longer in, and end whatever is signed in on it. The entry comes first.

    Raises
    ------
    WrongUsageError
        If there is no such phone.
    """
    known = {phone.id: phone for phone in people.phones(now=stamp.at)}
    if id not in known:
        ids = ", ".join(known) or Message("none")
        raise WrongUsageError(
            expected=Message("a paired phone: %(known)s", known=ids),
            found=Verbatim(repr(id)),
            remedy=Message("Name one of these."),
        )
    payload = {"change": "phone no longer let in", "paired": known[id].paired.date().isoformat()}
    if known[id].name:
        payload["name"] = known[id].name
    entry = records.append([Draft(kind="account", payload=payload, subject=f"phone {id}")], stamp)[0]
    people.unpair(id)
    return entry
