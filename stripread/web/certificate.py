"""A certificate that the server makes for itself, so that nothing travels in the clear over the house's network."""

import ipaddress
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from stripread.files import write_file
from stripread.i18n import Message

if TYPE_CHECKING:
    from cryptography.x509 import GeneralName

__all__ = ["own_certificate"]

_DAYS = 397  # browsers refuse longer ones
_RENEW = 30


def own_certificate(
    folder: Path, hosts: tuple[str, ...], *, now: datetime, warn: Callable[[Message], None] = lambda said: None
) -> tuple[Path, Path]:
    """Return certificate and key for some names and addresses, made anew where there are none or they run out.

    Damaged ones are made anew, too; ``warn`` is told.

    A browser warns of it once, as nobody else vouches for it; phones that are paired by the code that the server shows
    know that they are at the right place.
    """
    from cryptography import x509
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.hazmat.primitives.serialization import load_pem_private_key
    from cryptography.x509.oid import NameOID

    certificate, key = folder / "tls-certificate.pem", folder / "tls-key.pem"
    if certificate.is_file() and key.is_file():
        try:
            there = x509.load_pem_x509_certificate(certificate.read_bytes())
            names = there.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
            public = load_pem_private_key(key.read_bytes(), None).public_key()
        except (ValueError, TypeError, UnsupportedAlgorithm, x509.ExtensionNotFound) as problem:
            warn(
                Message(
                    "the certificate in %(path)s was damaged (%(problem)s) and is made anew: browsers warn of it once "
                    "more, phones that are paired stay so",
                    path=certificate,
                    problem=str(problem).splitlines()[0][:80] if str(problem) else type(problem).__name__,
                )
            )
        else:
            known = {str(name.value) for name in names}
            belong = public == there.public_key()  # a kill between the two leaves those of different makes
            lasts = there.not_valid_after_utc > now.astimezone(UTC) + timedelta(days=_RENEW)
            if belong and lasts and known >= set(hosts):
                key.chmod(0o600)
                return certificate, key
    private = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "stripread")])
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(private.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=_DAYS))
        .add_extension(x509.SubjectAlternativeName([_name(host) for host in hosts]), critical=False)
        .sign(private, hashes.SHA256())
    )
    text = private.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    write_file(key, text, mode=0o600)
    write_file(certificate, made.public_bytes(serialization.Encoding.PEM))
    return certificate, key


def _name(host: str) -> "GeneralName":
    from cryptography import x509

    try:
        return x509.IPAddress(ipaddress.ip_address(host))
    except ValueError:
        return x509.DNSName(host)
