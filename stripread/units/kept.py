"""Messages as the record keeps them: template and parameters beside the English text.

So an old reading can be shown in another language and in other units. The English text is what was entered and what
the chain of hashes seals: a template that does not give this very text is not shown.
"""

from collections.abc import Mapping
from typing import Any

from stripread.findings import Finding
from stripread.i18n import ByFace, Clause, Joined, Message, Number, Opening, Shown, Verbatim, plural, without_exponents
from stripread.units.amounts import Volume

__all__ = ["findings_of", "kept_findings", "kept_message", "kept_shown", "message_of"]


def kept_findings(findings: tuple[Finding, ...]) -> list[dict[str, Any]]:
    """Return the findings' messages as JSON values, in their order."""
    return [{"message": kept_message(f.message), "advice": kept_message(f.advice)} for f in findings]


def findings_of(payload: Mapping[str, Any]) -> tuple[Finding, ...]:
    """Return the findings of a recorded reading; entries of before carry their English only."""
    kept = payload.get("messages")
    kept = kept if isinstance(kept, list) else []
    return tuple(_finding(f, kept[n] if n < len(kept) else None) for n, f in enumerate(payload.get("findings", [])))


def _finding(said: Mapping[str, Any], kept: object) -> Finding:
    own = kept if isinstance(kept, Mapping) else {}
    message, advice = (message_of(own.get(name), said[name]) for name in ("message", "advice"))
    return Finding(said["code"], said["severity"], message, advice)


def message_of(kept: object, english: str) -> Shown:
    """Return a kept message, or its English as it stands where it has none, or one that says something else."""
    try:
        made = _made(kept)
        # entries of before have 1.17e+03 where 1170 is shown now
        if isinstance(made, Shown) and str(made) in (english, without_exponents(english)):
            return made
    except (KeyError, TypeError, ValueError, AttributeError):  # of a version that is not ours
        pass
    return Message(english) if "%" not in english else Verbatim(english)


def kept_shown(kept: object) -> Shown:
    """Return what `kept_message` was given, where nobody else may have changed it: no text is there to hold it to.

    Raises
    ------
    KeyError, TypeError, ValueError
        If it is not what `kept_message` returns.
    """
    return _shown(kept)


def kept_message(thing: object) -> Any:
    """Return a message, or what fills a place of one, as a JSON value."""
    match thing:
        case Message():
            params = {name: kept_message(value) for name, value in thing.params}
            return {
                "template": thing.template,
                **({} if thing.plural is None else {"plural": thing.plural}),
                "params": params,
            }
        case Number():
            return {"number": thing.value, "format": thing.spec}
        case Volume():
            return {"volume_l": thing.volume_l}
        case Joined():
            parts = [kept_message(part) for part in thing.parts]
            return {
                "parts": parts,
                "separator": thing.separator,
                "last": None if thing.last is None else kept_message(thing.last),
            }
        case Clause():
            return {"clause": kept_message(thing.sentence)}
        case Opening():
            return {"opening": kept_message(thing.words)}
        case ByFace():
            return {"terminal": kept_message(thing.terminal), "page": kept_message(thing.page)}
        case str() | int() | float() | None:
            return thing
        case _:
            return str(thing)


def _made(kept: Any) -> object:
    match kept:
        case {"template": template, "plural": many, "params": params}:
            places = {name: _made(value) for name, value in params.items() if name != "count"}
            return plural(template, many, count=params["count"], **places)
        case {"template": template, "params": params}:
            return Message(template, **{name: _made(value) for name, value in params.items()})
        case {"number": number, "format": spec}:
            return Number(number, spec)
        case {"volume_l": volume}:
            return Volume(volume)
        case {"parts": parts, "separator": separator, "last": last}:
            word = None if last is None else _made(last)
            return Joined(tuple(map(_made, parts)), separator, word if isinstance(word, Message) else None)
        case {"clause": sentence}:
            return Clause(_message(sentence))
        case {"opening": words}:
            return Opening(_shown(words))
        case {"terminal": terminal, "page": page}:
            return ByFace(_message(terminal), _message(page))
        case _:
            return kept


def _message(kept: Any) -> Message:
    made = _made(kept)
    if not isinstance(made, Message):
        raise TypeError(f"{kept!r} is no message")
    return made


def _shown(kept: Any) -> Shown:
    made = _made(kept)
    return made if isinstance(made, Shown) else Verbatim(str(made))
