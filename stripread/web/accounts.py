"""Changes of who may use the page, each with its entry in the record; the entry holds no secret."""

import threading
from pathlib import Path

from stripread.errors import WrongUsageError
from stripread.records import Draft, Entry, Records, Stamp
from stripread.web.people import People, checked_person

__all__ = ["new_pairing_code", "pair_phone", "retire_person", "set_person"]

_PAIRING = threading.Lock()  # so that a code that two phones send at once is entered once


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
                expected=f"a person: {', '.join(known) or 'nobody'}", found=repr(name), remedy="Name one of these."
            )
        payload = {"change": "may no longer sign in"}
        entry = records.append([Draft(kind="account", payload=payload, subject=name)], stamp)[0]
        people.retire(name)
    finally:
        people.close()
    return entry


def new_pairing_code(records: Records, people: People, stamp: Stamp) -> str:
    """Return a code with which one phone can be paired in the next ten minutes; the entry tells who asked for it."""
    records.append([Draft(kind="account", payload={"change": "code for a new phone"}, subject=stamp.who)], stamp)
    return people.pairing_code(now=stamp.at)


def pair_phone(records: Records, people: People, code: str, caller: str, stamp: Stamp) -> str | None:
    """Use up a code and return the phone's token; None where the code is none.

    The entry, which tells the phone's address, comes first: without one the code is as good as before.
    """
    with _PAIRING:
        if not people.is_code(code, now=stamp.at):
            return None
        records.append([Draft(kind="account", payload={"change": "phone paired"}, subject=caller)], stamp)
        return people.pair(code, now=stamp.at)
