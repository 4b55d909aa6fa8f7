"""Whether the lot file and the card file that a strip is read with are those that somebody has accepted."""

from collections.abc import Iterator

from stripread.check.case import StripCase
from stripread.findings import Finding, make_finding
from stripread.i18n import Message, joined

__all__ = ["files_accepted"]

_SHORT = 12  # digits of a SHA-256 that are shown


def files_accepted(case: StripCase) -> Iterator[Finding]:
    """Refuse a file that is not the accepted one; doubt one that nobody accepted where others were, else tell it."""
    for file in case.files:
        if file.state == "other":
            yield make_finding(
                "file_not_accepted",
                Message(
                    "The file of %(what)s (SHA-256 %(found)s…) is not the one that %(by)s accepted on %(on)s "
                    "(%(accepted)s…).",
                    what=file.words,
                    found=file.sha256[:_SHORT],
                    by=file.by,
                    on=file.on,
                    accepted=file.accepted_sha256[:_SHORT],
                ),
            )
    for file in case.files:
        if file.state == "waits":
            yield make_finding(
                "file_never_accepted",
                Message(
                    "The file of %(what)s was accepted by %(by)s on %(on)s and waits for a second person.",
                    what=file.words,
                    by=file.by,
                    on=file.on,
                ),
                severity="warning" if file.usual else "info",
            )
    never = [file for file in case.files if file.state == "never"]
    if never:
        yield make_finding(
            "file_never_accepted",
            Message("Nobody has accepted the file of %(what)s.", what=joined(file.words for file in never)),
            severity="warning" if any(file.usual for file in never) else "info",
        )
