"""Who may use the page, the phones that are let in, and the code that lets in a new one."""

from datetime import datetime

from anyio import to_thread
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from stripread.errors import WrongUsageError
from stripread.i18n import Message, Verbatim
from stripread.records import Stamp
from stripread.web.addresses import is_local, phone_address, qr_uri
from stripread.web.forms import chosen, needed, text
from stripread.web.people.accounts import new_pairing_code, retire_person, set_person, unpair_phone
from stripread.web.people.people import ROLES, People, Person
from stripread.web.render import render
from stripread.web.security import need, of_people
from stripread.web.sent_form import form_of, sent_form
from stripread.web.site_record import records_of
from stripread.web.state import state_of

__all__ = ["people_routes"]


def people_routes() -> list[Route]:
    """Return the routes."""
    return [
        Route("/people", show_people, methods=["GET"]),
        Route("/people", keep_person, methods=["POST"]),
        Route("/people/retire", take_out, methods=["POST"]),
        Route("/people/pair", show_code, methods=["POST"]),
        Route("/people/unpair", shut_out, methods=["POST"]),
    ]


@need("supervisor")
async def show_people(request: Request, person: Person) -> Response:
    """List the people, with forms to add and retire, and the phones, to let no longer in."""
    now = datetime.now().astimezone()
    people, phones = await of_people(request, lambda known: (known.everybody(), known.phones(now=now)))
    return render(request, "people.html", people=people, roles=ROLES, phones=phones, zone=now.tzinfo)


@need("supervisor")
async def keep_person(request: Request, person: Person) -> Response:
    """Add somebody, or give them another role and secret."""
    form = await form_of(request)
    name = needed(form, "name", Message("a name"), most=80)
    role = chosen(form, "role", ROLES, Message("a role of the list"))
    if role is None:
        raise WrongUsageError(expected=Message("a role"), found=Message("nothing"), remedy=Message("Choose one."))
    secret, again = str(form.get("secret", "")), str(form.get("again", ""))
    if secret != again:
        raise WrongUsageError(
            expected=Message("the same PIN or password twice"),
            found=Message("two different ones"),
            remedy=Message("Type it again."),
        )
    everybody = await of_people(request, lambda people: people.everybody())
    there = name in {one.name for one in everybody if one.active}
    if there is not (text(form, "change") == "yes"):
        raise WrongUsageError(
            expected=(Message("somebody who is in the list") if not there else Message("a new name")),
            found=Verbatim(repr(name)),
            remedy=Message("Tick the box to change somebody who is there; leave it for somebody new."),
        )
    if role != "supervisor":
        await of_people(request, lambda people: _keep_a_supervisor(people, name))
    stamp = Stamp(at=datetime.now().astimezone(), who=person.name)
    await to_thread.run_sync(lambda: _set(request, name, role, secret, stamp), limiter=state_of(request).hashing)
    return RedirectResponse("/people", status_code=303)


def _set(request: Request, name: str, role: str, secret: str, stamp: Stamp) -> None:
    with records_of(state_of(request), create=stamp) as records:
        set_person(records, state_of(request).folder, name, role, secret, stamp)


@need("supervisor")
async def take_out(request: Request, person: Person) -> Response:
    """Let somebody no longer sign in; what they entered stays."""
    form = await form_of(request)
    name = needed(form, "name", Message("a person"), most=80)
    await of_people(request, lambda people: _keep_a_supervisor(people, name))
    stamp = Stamp(at=datetime.now().astimezone(), who=person.name)
    await to_thread.run_sync(lambda: _retire(request, name, stamp))
    return RedirectResponse("/people", status_code=303)


def _retire(request: Request, name: str, stamp: Stamp) -> None:
    with records_of(state_of(request), create=stamp) as records:
        retire_person(records, state_of(request).folder, name, stamp)


def _keep_a_supervisor(people: People, name: str) -> None:
    """Refuse to take the last supervisor's leave to look after people."""
    left = [one.name for one in people.everybody() if one.active and one.role == "supervisor" and one.name != name]
    if not left:
        raise WrongUsageError(
            expected=Message("a supervisor who is left"),
            found=Message("%(name)s as the only one", name=name),
            remedy=Message("Add another supervisor first."),
        )


@need("supervisor")
def show_code(request: Request, person: Person) -> Response:
    """Show a code that lets in one phone: no redirect, as its address would hold the code."""
    name = text(sent_form(request), "phone", most=80)
    stamp = Stamp(at=datetime.now().astimezone(), who=person.name)
    state, address = state_of(request), phone_address(request)
    with records_of(state, create=stamp) as records:
        code = new_pairing_code(records, state.people, stamp, name=name)
    picture = qr_uri(f"{address}/pair/{code}")
    return render(request, "pair_phone.html", picture=picture, link=f"{address}/pair/{code}", local=is_local(address))


@need("supervisor")
def shut_out(request: Request, person: Person) -> Response:
    """Let a paired phone no longer in, whoever is signed in on it."""
    id = needed(sent_form(request), "phone", Message("a phone of the list"), most=80)
    stamp = Stamp(at=datetime.now().astimezone(), who=person.name)
    state = state_of(request)
    with records_of(state, create=stamp) as records:
        unpair_phone(records, state.people, id, stamp)
    return RedirectResponse("/people", status_code=303)
