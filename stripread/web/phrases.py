"""Words that the program puts together, in the reader's language.

What a reading or a plan says is kept in English with its numbers in it, as the command line prints it: "under 0.05
mg/L". To say it in another language, it is matched against the patterns of the catalogue, "under %(bound)s", and the
pattern's translation is filled with what stood in its places. What fits no pattern stays, and is marked as English.
"""

import re
from collections.abc import Callable
from gettext import NullTranslations

from markupsafe import Markup, escape

from stripread.web.words import patterns

__all__ = ["PHRASES", "Teller", "teller"]

Teller = Callable[[str | None], str]

# Patterns of words that are put together outside of what `translations.py` reads by itself.
PHRASES = (
    "DOUBTFUL, repeat: %(water)s",
    "NOT READ: %(trouble)s",
    "under %(bound)s",
    "over %(bound)s",
    "because: %(meaning)s",
    "%(low)s to %(high)s",
    "%(middle)s, %(low)s to %(high)s",
    "up to %(high)s",
    "%(low)s and over",
    "95 %% interval %(interval)s",
    "%(amount)s (95 %%: %(low)s to %(high)s)",
    "%(amount)s (95 %%: %(low)s to no end known)",
    "%(amount)s of %(what)s",
    "Draw off %(amount)s, then add %(added)s",
    "Add %(amount)s",
    "%(analyte)s is %(side)s the %(expected)s expected for %(sample)s: %(read)s.",
    "%(analyte)s is %(side)s the %(expected)s expected for %(sample)s: %(read)s; in range with a "
    "probability of %(share)s.",
    "Whether %(analyte)s is in the %(expected)s expected for %(sample)s is undecided: %(read)s.",
    "Whether %(analyte)s is in the %(expected)s expected for %(sample)s is undecided: %(read)s; in range with a "
    "probability of %(share)s.",
    "%(validity)s: %(message)s",
    "%(validity)s, %(side)s range: %(message)s",
)
_NUMBER = r"[-+]?[\d.,]+"
_SHAPES = {
    "low": _NUMBER,
    "high": rf"{_NUMBER}(?: [^ ]+)?",
    "bound": rf"{_NUMBER}(?: [^ ]+)?",
    "middle": _NUMBER,
    "amount": r"[-+±~]?\d[\d.,]*(?: [^ ,;:.]{1,12}){0,3}?(?: \([^)]*\))?",  # 40 L; 309 mg/L (95 %: 271 to 352)
    "validity": "valid|doubtful|invalid",
    "side": "above|below|undecided|above and below",
}
# A number with its unit, gallons with litres beside them: symbols, the same in any language; or what somebody typed.
_AMOUNT = rf"{_NUMBER} (?:(?:US|imp) (?:gal(?:/min)?|fl oz)|F)(?: \({_NUMBER} [^ ]+\))?"
_QUANTITY = re.compile(rf"[^A-Za-z]*|{_NUMBER} [^ ]+|{_AMOUNT}|'.*'")
_ENGLISH = '<span lang="en">'
_DEEPEST = 4  # patterns within patterns
_NAME = 3  # blanks; names of points, batches and lots have fewer


def teller(language: str, words: NullTranslations) -> Teller:
    """Return what says a text of the program in a language."""
    if language == "en":
        return lambda text: text or ""
    compiled = [(_regex(pattern), pattern) for pattern in sorted(patterns(language), key=_literal, reverse=True)]

    def tell(text: str | None, depth: int = 0) -> str:
        if not text:
            return ""
        text = text.strip()
        if (found := words.gettext(text)) != text:
            return escape(found)
        if _QUANTITY.fullmatch(text) or depth > _DEEPEST:
            return escape(text)
        first = None
        for regex, pattern in compiled:
            if match := regex.fullmatch(text):
                filled = {name: _within(name, value, depth) for name, value in match.groupdict().items()}
                told = escape(words.gettext(pattern)) % filled
                if _ENGLISH not in told:
                    return told
                first = first or told
        if first is not None:
            return first
        sentences = re.split(r"(?<=[.!]) (?=[A-Z])", text)
        if len(sentences) > 1:
            return Markup(" ").join(tell(sentence, depth) for sentence in sentences)
        # A name inside a sentence may be of any language; a sentence that nobody translated is English.
        if depth and text.count(" ") < _NAME:
            return escape(text)
        return Markup(_ENGLISH + "{}</span>").format(text)

    def _within(name: str, value: str, depth: int) -> str:
        if name != "meaning":
            return tell(value, depth + 1)
        # A finding's meaning inside a sentence: it stands in the catalogue as a sentence of its own.
        told = words.gettext(f"{value[:1].upper()}{value[1:]}.")
        return escape(f"{told[:1].lower()}{told[1:].rstrip('.')}")

    return tell


def _regex(pattern: str) -> re.Pattern[str]:
    parts = re.split(r"%\((\w+)\)[sdg]", pattern)
    made = "".join(
        f"(?P<{part}>{_SHAPES.get(part, '.+?')})" if index % 2 else re.escape(part.replace("%%", "%"))
        for index, part in enumerate(parts)
    )
    return re.compile(made, re.DOTALL)


def _literal(pattern: str) -> int:
    """How much of a pattern is fixed: what says more comes first."""
    return len(re.sub(r"%\(\w+\)[sdg]", "", pattern))
