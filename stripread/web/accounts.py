"""Changes of who may use the page, each with its entry in the record; the entry holds no secret."""

from pathlib import Path

from stripread.errors import WrongUsageError
from stripread.records import Draft, Entry, Records, Stamp
from stripread.web.people import ROLES, People

__all__ = ["new_pairing_code", "retire_person", "set_person"]


def set_person(records: Records, folder: Path, name: str, role: str, secret: str, stamp: Stamp) -> Entry:
    """Add somebody, or give them another role and secret.

    Raises
    ------
    WrongUsageError
        If name, role or secret is not one.
    """
    people = People(folder)
    try:
        wanted = next((r for r in ROLES if r == role), None)
        if wanted is None:
            raise WrongUsageError(expected=f"a role: {', '.join(ROLES)}", found=repr(role), remedy="Name one of these.")
        person = people.add(name, wanted, secret)
    finally:
        people.close()
    payload = {"change": "may sign in", "role": person.role}
    return records.append([Draft(kind="account", payload=payload, subject=person.name)], stamp)[0]


def retire_person(records: Records, folder: Path, name: str, stamp: Stamp) -> Entry:
    """Let somebody no longer sign in.

    Raises
    ------
    WrongUsageError
        If there is no such person.
    """
    people = People(folder)
    try:
        if not people.retire(name):
            known = ", ".join(p.name for p in people.everybody()) or "nobody"
            raise WrongUsageError(expected=f"a person: {known}", found=repr(name), remedy="Name one of these.")
    finally:
        people.close()
    return records.append([Draft(kind="account", payload={"change": "may no longer sign in"}, subject=name)], stamp)[0]


def new_pairing_code(records: Records, people: People, stamp: Stamp) -> str:
    """Return a code with which one phone can be paired in the next ten minutes; the entry tells who asked for it."""
    records.append([Draft(kind="account", payload={"change": "code for a new phone"}, subject=stamp.who)], stamp)
    return people.pairing_code(now=stamp.at)
