"""The commands ``serve`` and ``person``: the page for phones, and who may use it."""

import socket
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stripread.cli.inputs import SiteFolder
from stripread.cli.output import note, say
from stripread.errors import MissingExtraError, WrongUsageError
from stripread.i18n import Message

if TYPE_CHECKING:
    from stripread.site import Site

__all__ = ["person_app", "serve"]

person_app = typer.Typer(
    rich_markup_mode=None, no_args_is_help=True, help="Who may use the page of `stripread serve`, and on which phones."
)

_Who = Annotated[
    str | None, typer.Option(metavar="NAME", envvar="STRIPREAD_WHO", help="Who enters. [who is logged in]")
]
_Name = Annotated[str, typer.Argument(metavar="NAME", help="The person.")]


def serve(
    lan: Annotated[
        bool, typer.Option("--lan", help="Let phones on the house's network reach it. [only this machine]")
    ] = False,
    port: Annotated[int, typer.Option(metavar="N", min=1, max=65535, help="Port.")] = 8471,
    tls: Annotated[
        bool, typer.Option("--tls", help="Serve over HTTPS, with a certificate made here unless one is given.")
    ] = False,
    tls_certificate: Annotated[
        Path | None, typer.Option(metavar="PEM", exists=True, dir_okay=False, help="Certificate of your own.")
    ] = None,
    tls_key: Annotated[Path | None, typer.Option(metavar="PEM", exists=True, dir_okay=False, help="Its key.")] = None,
    workers: Annotated[int, typer.Option(metavar="N", min=1, max=16, help="Photos read at a time.")] = 2,
    also: Annotated[
        list[Path] | None,
        typer.Option(metavar="DIR", help="Another site whose day supervisors and growers see, too; repeat it."),
    ] = None,
    proxy: Annotated[
        str | None,
        typer.Option(metavar="ADDRESS", help="A reverse proxy, believed whom it asks for. [none]"),
    ] = None,
    site: SiteFolder = None,
) -> None:
    """Serve the page on which strips are read with a phone; nothing leaves the house.

    Example:

      stripread serve --lan --tls

    Without --lan only this machine reaches it. With it, a phone is let in by the square code that is shown here.
    """
    from stripread.cli.site_record import open_site_records, site_of_records, stamp_of
    from stripread.records import clean_folders

    try:
        import uvicorn

        from stripread.web import CountedConnections, People, Settings, create_app, new_pairing_code, own_certificate
    except ImportError as error:
        raise _missing(error) from None
    where = _begun(site, port=port, secure=tls or tls_certificate is not None)
    others = tuple(site_of_records(folder).folder for folder in also or ())  # a wrong one is told now
    stamp = stamp_of(None)
    if (tls_certificate is None) != (tls_key is None):
        raise WrongUsageError(
            expected=Message("certificate and key"),
            found=Message("one of them"),
            remedy=Message("Name both, or neither."),
        )
    clean_folders(where.folder)
    people = People(where.folder)
    host = _lan_address() if lan else "127.0.0.1"
    secure = tls or tls_certificate is not None
    files: tuple[Path, Path] | None = None
    if secure:
        given = (tls_certificate, tls_key)
        own = own_certificate(where.folder, ("127.0.0.1", "localhost", host), now=stamp.at, warn=_warn)
        files = (given[0], given[1]) if given[0] is not None and given[1] is not None else own
    address = f"http{'s' if secure else ''}://{host}:{port}"
    note(f"{where.name}: {address}")
    with open_site_records(where, create=stamp) as records:
        code = new_pairing_code(records, people, stamp) if lan else ""
    if lan:
        if not secure:
            note("Without --tls, PINs and photos travel in the clear over your network.")
        _show_code(f"{address}/pair/{code}")
        note(f"Scan it with a new phone, within ten minutes. For another: stripread person pair --address {address}")
    people.close()
    app = create_app(
        Settings(
            folder=where.folder,
            also=others,
            proxy=proxy,
            lan=lan,
            address=address if lan else None,
            secure=secure,
            workers=workers,
        )
    )
    uvicorn.run(
        app,
        host="0.0.0.0" if lan else "127.0.0.1",  # asked for by --lan
        port=port,
        log_level="warning",
        server_header=False,
        http=CountedConnections,
        proxy_headers=proxy is not None,
        forwarded_allow_ips=proxy,
        ssl_certfile=None if files is None else files[0],
        ssl_keyfile=None if files is None else files[1],
    )


def _warn(said: Message) -> None:
    note(str(said))


def _begun(folder: Path | None, *, port: int, secure: bool) -> "Site":
    """Return the site; where there is none, or nobody to sign in, a page on this machine asks for what is needed."""
    import uvicorn

    from stripread.site import find_site, load_site
    from stripread.web import People, create_first_start

    where = folder or find_site(Path.cwd()) or Path.cwd()
    if (where / "site.toml").is_file():
        site, people = load_site(where), People(where)
        known = any(person.active for person in people.everybody())
        people.close()
        if known:
            return site
    ready: list[bool] = []
    servers: list[uvicorn.Server] = []

    def done() -> None:
        ready.append(True)
        servers[0].should_exit = True

    onward = f"{'https' if secure else 'http'}://127.0.0.1:{port}/sign-in"
    app = create_first_start(where.resolve(), onward=onward, done=done)
    server = uvicorn.Server(uvicorn.Config(app, host="127.0.0.1", port=port, log_level="warning", server_header=False))
    servers.append(server)
    note(f"A first start: open http://127.0.0.1:{port} on this machine and answer a few questions.")
    server.run()
    if not ready:
        raise typer.Exit(1)  # stopped before it was begun
    return load_site(where)


def _missing(error: ImportError) -> MissingExtraError:
    return MissingExtraError(
        expected=Message("the packages of the page"),
        found=Message("no %(name)s", name=error.name),
        remedy=Message("Install them with `pip install 'stripread[web]'`."),
    )


def _lan_address() -> str:
    """Return this machine's address on its own network; nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address that is nobody's, RFC 5737
            return str(probe.getsockname()[0])
        except OSError:
            return "127.0.0.1"


def _show_code(text: str) -> None:
    import io

    import segno

    drawn = io.StringIO()
    segno.make(text, error="m").terminal(drawn, compact=True)
    say(drawn.getvalue())
    say(text)


@person_app.command()
def add(
    name: _Name,
    role: Annotated[str, typer.Option(metavar="ROLE", help="technician, supervisor or grower.")],
    secret: Annotated[
        str | None, typer.Option(metavar="PIN", help="PIN or password, six signs or more. [asked for]")
    ] = None,
    who: _Who = None,
    site: SiteFolder = None,
) -> None:
    """Let somebody sign in, or give them another role and PIN.

    Example:

      stripread person add Ines --role technician
    """
    from stripread.cli.site_record import open_site_records, site_of_records, stamp_of
    from stripread.web import set_person

    where, stamp = site_of_records(site), stamp_of(who)
    if secret is None:
        secret = typer.prompt("PIN or password", hide_input=True, confirmation_prompt=True)
    with open_site_records(where, create=stamp) as records:
        entry = set_person(records, where.folder, name, role, secret, stamp)
    note(f"recorded as entry {entry.seq}")


@person_app.command(name="list")
def list_people(site: SiteFolder = None) -> None:
    """List who may sign in.

    Example:

      stripread person list
    """
    from stripread.cli.site_record import site_of_records
    from stripread.report import table
    from stripread.web import People

    people = People(site_of_records(site).folder)
    rows = [(p.name, p.role, "" if p.active else "retired") for p in people.everybody()]
    people.close()
    say(table(("name", "role", ""), rows) if rows else "Nobody yet: stripread person add")


@person_app.command()
def retire(name: _Name, who: _Who = None, site: SiteFolder = None) -> None:
    """Let somebody no longer sign in; what they entered stays.

    Example:

      stripread person retire Ines
    """
    from stripread.cli.site_record import open_site_records, site_of_records, stamp_of
    from stripread.web import retire_person

    where, stamp = site_of_records(site), stamp_of(who)
    with open_site_records(where, create=stamp) as records:
        entry = retire_person(records, where.folder, name, stamp)
    note(f"recorded as entry {entry.seq}")


@person_app.command()
def pair(
    address: Annotated[str, typer.Option(metavar="URL", help="Where phones reach the page, as `serve --lan` says.")],
    name: Annotated[str, typer.Option(metavar="TEXT", help="What to call it, such as whose it is.")] = "",
    who: _Who = None,
    site: SiteFolder = None,
) -> None:
    """Show a square code that lets one new phone in, for ten minutes.

    Example:

      stripread person pair --address https://192.0.2.10:8471
    """
    from stripread.cli.site_record import open_site_records, site_of_records, stamp_of
    from stripread.web import People, new_pairing_code

    where, stamp = site_of_records(site), stamp_of(who)
    people = People(where.folder)
    with open_site_records(where, create=stamp) as records:
        code = new_pairing_code(records, people, stamp, name=name)
    people.close()
    _show_code(f"{address.rstrip('/')}/pair/{code}")


@person_app.command()
def phones(site: SiteFolder = None) -> None:
    """List the phones that are let in, the one paired last first.

    Example:

      stripread person phones
    """
    from datetime import datetime

    from stripread.cli.site_record import site_of_records
    from stripread.report import table
    from stripread.web import People

    now = datetime.now().astimezone()

    def told(at: datetime | None) -> str:
        return "" if at is None else f"{at.astimezone(now.tzinfo):%Y-%m-%d %H:%M}"

    people = People(site_of_records(site).folder)
    rows = [(phone.id, phone.name, told(phone.paired), told(phone.seen)) for phone in people.phones(now=now)]
    people.close()
    say(table(("phone", "name", "paired", "last used"), rows) if rows else "No phone is paired: stripread person pair")


@person_app.command()
def unpair(
    phone: Annotated[str, typer.Argument(metavar="PHONE", help="As the first column of `person phones`.")],
    who: _Who = None,
    site: SiteFolder = None,
) -> None:
    """Let a phone no longer in, and sign out whoever is signed in on it.

    Example:

      stripread person unpair 3f0a91c2
    """
    from stripread.cli.site_record import open_site_records, site_of_records, stamp_of
    from stripread.web import People, unpair_phone

    where, stamp = site_of_records(site), stamp_of(who)
    people = People(where.folder)
    try:
        with open_site_records(where, create=stamp) as records:
            entry = unpair_phone(records, people, phone, stamp)
    finally:
        people.close()
    note(f"recorded as entry {entry.seq}")
