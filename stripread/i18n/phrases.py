"""Words that the program puts together, in the reader's language.

What a reading or a plan says is kept in English with its numbers in it, as the command line prints it: "under 0.05
mg/L". To say it in another language, it is matched against the patterns of the catalogue, "under %(bound)s", and the
pattern's translation is filled with what stood in its places. What fits no pattern stays, and is marked as English.
"""

import re
from collections.abc import Callable, Set
from dataclasses import dataclass
from functools import lru_cache
from gettext import NullTranslations
from html import unescape
from itertools import zip_longest

from markupsafe import Markup, escape

from stripread.i18n.catalogue import catalogue, patterns

__all__ = ["PHRASES", "Teller", "sayer", "teller"]

Teller = Callable[[str | None], str]

# Patterns of words that are put together outside of what `translations.py` reads by itself.
PHRASES = (
    "under %(bound)s",
    "over %(bound)s",
    "%(low)s to %(high)s",
    "%(middle)s, %(low)s to %(high)s",
    "up to %(high)s",
    "%(low)s and over",
    "%(amount)s (95 %%: %(low)s to %(high)s)",
    "%(amount)s (95 %%: %(low)s to no end known)",
    "%(amount)s of %(what)s",
    "Draw off %(amount)s, then add %(added)s",
    "Add %(amount)s",
    "Add %(amount)s of %(what)s",
    "%(validity)s: %(message)s",
    "%(validity)s, %(side)s range: %(message)s",
    "%(note)s: %(names)s.",
    "%(what)s: %(more)s",
    "%(share)s; z = %(score)s",
    "%(thing)s as %(example)s",
    "%(thing)s in %(file)s",
)
_NUMBER = r"[-+]?[\d.,]+(?:e[-+]?\d+)?"
_FORMATTED = rf"{_NUMBER}%?|-?inf|nan"
_SHAPES = {
    "low": rf"{_NUMBER}|\?",
    "high": rf"(?:{_NUMBER}|\?)(?: [^ ]+)?",
    "bound": rf"{_NUMBER}(?: [^ ]+)?",
    "middle": _NUMBER,
    "seq": r"\d+",
    "count": r"\d+",
    "point": r"[^()]+",
    "note": ".+",  # up to the last colon
    "amount": r"[-+±~]?\d[\d.,]*(?: [^ ,;:.]{1,12}){0,3}?(?: \([^)]*\))?",  # 40 L; 309 mg/L (95 %: 271 to 352)
    "validity": "valid|doubtful|invalid",
    "side": "above|below|undecided|above and below|under|over",
}
# A number with its unit, gallons with litres beside them: symbols, the same in any language; or what somebody typed.
_AMOUNT = rf"{_NUMBER} (?:(?:US|imp) (?:gal(?:/min)?|fl oz)|F)(?: \({_NUMBER} [^ ]+\))?"
_QUANTITY = re.compile(rf"[^A-Za-z]*|{_NUMBER} [^ ]+|{_AMOUNT}|'.*'")
_ENGLISH = '<span lang="en">'
_DEEPEST = 6  # patterns within patterns
_REMEMBERED = 2048  # texts said before
_NAME = 3  # blanks; names of points, batches and lots have fewer
_OF_A_SENTENCE = re.compile(r"\b(?:the|an|it|its|is|are|was|of|in|on|at|to|and|or|with|for|from|by|than|which)\b")


def sayer(language: str) -> Callable[[str], str]:
    """Return what says a text of the program in plain letters: for figures and files, which are no pages."""
    if language == "en":
        return lambda text: text
    tell = teller(language, catalogue(language))
    return lambda text: unescape(re.sub(r"</?span[^>]*>", "", tell(text)))


@lru_cache(maxsize=8)
def teller(language: str, words: NullTranslations) -> Teller:
    """Return what says a text of the program in a language; what nobody translated is marked as English."""
    if language == "en":
        return lambda text: text or ""
    numbers = patterns(language)
    compiled = [_Pattern.of(text, numbers[text]) for text in sorted(numbers, key=_literal, reverse=True)]

    @lru_cache(maxsize=_REMEMBERED)
    def tell(text: str, depth: int = 0) -> str:
        text = text.strip()
        if (found := words.gettext(text)) != text:
            return escape(found)
        best = None
        for way in () if depth > _DEEPEST else (_by_pattern, _as_quantity, _by_sentences, _as_sentence, _by_list):
            told = way(text, depth)
            if told is not None and _ENGLISH not in told:
                return told
            if told is not None and (best is None or _left_english(told) < _left_english(best)):
                best = told
        if best is not None:
            return best
        # A name inside a sentence may be of any language; a sentence that nobody translated is English.
        if depth and text.count(" ") < _NAME and not _OF_A_SENTENCE.search(text):
            return escape(text)
        return Markup(_ENGLISH + "{}</span>").format(text)

    def _by_pattern(text: str, depth: int) -> str | None:
        best = None
        for pattern in compiled:
            if (match := pattern.match(text)) is None:
                continue
            filled = {name: _within(name, value, depth) for name, value in match.groupdict().items()}
            told = escape(words.gettext(pattern.text)) % filled
            if _ENGLISH not in told:
                return told
            best = told if best is None or _left_english(told) < _left_english(best) else best
        return best

    def _as_quantity(text: str, depth: int) -> str | None:
        return escape(text) if _QUANTITY.fullmatch(text) else None

    def _by_sentences(text: str, depth: int) -> str | None:
        sentences = re.split(r"(?<=[.!]) (?=[A-Z])", text)
        return Markup(" ").join(tell(sentence, depth) for sentence in sentences) if len(sentences) > 1 else None

    def _as_sentence(text: str, depth: int) -> str | None:
        """Say what stands in the catalogue without its capital, or without its full stop."""
        if text.endswith("."):
            told = tell(text[:-1], depth + 1) + "."
        elif re.match("[A-Z][a-z]", text):
            plain = text[0].lower() + text[1:]
            told = tell(plain, depth + 1)
            told = told[:1].upper() + told[1:]
        else:
            return None
        return told if _ENGLISH not in told and told.casefold() != escape(text).casefold() else None

    def _by_list(text: str, depth: int) -> str | None:
        for sign, joined in ((", ", ", "), (" and ", f" {words.gettext('and')} ")):
            parts = text.split(sign)
            told = [tell(part, depth + 1) for part in parts]
            known = [
                _QUANTITY.fullmatch(part) is not None or (one != escape(part) and _ENGLISH not in one)
                for one, part in zip(told, parts, strict=True)
            ]
            # Two names may be joined by a word; names with commas between them are the same in any language.
            if len(parts) > 1 and (any(known) or (sign == " and " and _ENGLISH not in "".join(told))):
                return Markup(joined).join(told)
        return None

    def _within(name: str, value: str, depth: int) -> str:
        if name != "meaning":
            return tell(value, depth + 1)
        # A finding's meaning inside a sentence: it stands in the catalogue as a sentence of its own.
        told = words.gettext(f"{value[:1].upper()}{value[1:]}.")
        return escape(f"{told[:1].lower()}{told[1:].rstrip('.')}")

    return lambda text: tell(text) if text else ""


@dataclass(frozen=True, slots=True)
class _Pattern:
    """A message with places, what is fixed in it, and how to take it apart."""

    text: str
    fixed: tuple[str, ...]
    regex: re.Pattern[str]

    @classmethod
    def of(cls, text: str, numbers: Set[str]) -> "_Pattern":
        parts = re.split(r"%\((\w+)\)[sdg]", text)
        fixed = [re.escape(part.replace("%%", "%")) for part in parts[::2]]
        places = [f"(?P<{name}>{_FORMATTED if name in numbers else _SHAPES.get(name, '.+?')})" for name in parts[1::2]]
        made = "".join(one for pair in zip_longest(fixed, places, fillvalue="") for one in pair)
        return cls(text, tuple(part.replace("%%", "%") for part in parts[::2]), re.compile(made, re.DOTALL))

    def match(self, text: str) -> re.Match[str] | None:
        """Take a text apart; what is fixed is looked for first, as that is quick."""
        if not (text.startswith(self.fixed[0]) and text.endswith(self.fixed[-1])):
            return None
        at = 0
        for part in self.fixed:
            at = text.find(part, at) + len(part)
            if at < len(part):
                return None
        return self.regex.fullmatch(text)


def _left_english(told: str) -> int:
    return sum(map(len, re.findall(f"{_ENGLISH}(.*?)</span>", told)))


def _literal(pattern: str) -> int:
    """How much of a pattern is fixed: what says more comes first."""
    return len(re.sub(r"%\(\w+\)[sdg]", "", pattern))
