"""What a module of the program says to people, read from its source: the messages that are to be translated.

Fixed sentences are messages as they stand. An f-string becomes a message with places to fill, named after what fills
them; where one of two fixed words stands in it by a condition, it becomes two messages, as a translation needs both.
What is formatted as a number is noted, so that the message is not found in a text with words there.
"""

import ast
import itertools
import re
from collections.abc import Iterator
from dataclasses import dataclass

__all__ = ["Message", "asked_to_say", "said", "said_to_users"]

# What people read of errors, tasks and findings: these arguments, single words too.
_ARGUMENTS = ("remedy", "advice", "matter", "expected", "found", "label", "name_of_it")
_OURS = {"ValueError", "TypeError", "KeyError", "RuntimeError", "AssertionError", "IndexError", "OSError"}
_PLACE = r"%\(\w+\)s"
_SENTENCE = r"[a-z]{2,}[ '][a-z]|^an? .*[a-z]{3}"
_LEAST = 4  # fixed letters of a pattern, in words of two and more
_NO_NAME = r"tell|scaled|system|if|else|max|date|iso"  # words of an expression that do not name what it gives


@dataclass(frozen=True, slots=True)
class Message:
    """What is to be translated, and which of its places hold numbers."""

    text: str
    numbers: tuple[str, ...] = ()
    filled: bool = False  # by whoever says it: then it is never looked for in a text

    @property
    def has_places(self) -> bool:
        """Whether it is a pattern of printf."""
        return re.search(_PLACE, self.text) is not None

    @property
    def composed(self) -> bool:
        """Whether it has places and is filled before it is said."""
        return self.has_places and not self.filled


def said_to_users(tree: ast.Module) -> Iterator[Message]:
    """Return the texts given as one of the arguments that people read, by their name where a module names them."""
    named = {
        target.id: node.value.value
        for node in tree.body
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.Constant)
        for target in node.targets
        if isinstance(target, ast.Name) and isinstance(node.value.value, str)
    }
    for node in ast.walk(tree):
        if not isinstance(node, ast.keyword) or node.arg not in _ARGUMENTS:
            continue
        for value in _parts(node.value):
            if isinstance(value, ast.JoinedStr):
                # With less in it, it would fit too much.
                yield from (m for m in _patterns(value) if _says_enough(m.text) and ")s%(" not in m.text)
            elif isinstance(value, ast.Name) and value.id in named:
                yield Message(named[value.id])
            elif isinstance(value, ast.Constant) and isinstance(value.value, str) and value.value.strip():
                yield Message(value.value.strip())


def asked_to_say(tree: ast.Module) -> Iterator[Message]:
    """Return the texts that stand inside a call of ``say``, as reports and figures have them."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and ast.unparse(node.func) == "say":
            for value in _parts(node.args[0]):
                if isinstance(value, ast.JoinedStr):
                    yield from (message for message in _patterns(value) if _says_enough(message.text))
                elif isinstance(value, ast.Constant) and isinstance(value.value, str):
                    yield Message(value.value, filled=True)


def said(tree: ast.Module, *, choices: bool = True, labels: bool = False) -> Iterator[Message]:
    """Return every sentence of a module, those with places too.

    ``choices`` takes its single words that stand by a condition, ``labels`` the first of each pair: labels of facts.
    """
    inner = {id(part) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for part in ast.walk(node)}
    inner -= {id(node) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr)}
    single: set[int] = set()
    if choices:
        single |= {id(c) for n in ast.walk(tree) if isinstance(n, ast.IfExp) for c in (n.body, n.orelse)}
    if labels:
        single |= {id(n.elts[0]) for n in ast.walk(tree) if isinstance(n, ast.Tuple) and len(n.elts) == 2}
    for node in _heard(tree):
        if isinstance(node, ast.JoinedStr):
            yield from (m for m in _patterns(node) if _says_enough(m.text))
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in inner:
            text = node.value.strip()
            # A pattern of str.format has places without names.
            if not re.search(r"\{|%s", text) and (re.search(_SENTENCE, text) or (id(node) in single and _word(text))):
                yield Message(text.replace("%", "%%") if "%(" in text else text)


def _word(text: str) -> bool:
    return re.fullmatch(r"[A-Za-z][A-Za-z ]{2,}", text) is not None


def _says_enough(pattern: str) -> bool:
    """Tell whether so much of a pattern is fixed that it does not fit everything, and it is no address or file."""
    fixed = re.sub(_PLACE, "", pattern)
    return " " in fixed and '="' not in fixed and sum(map(len, re.findall(r"[A-Za-z]{2,}", fixed))) >= _LEAST


def _heard(node: ast.AST) -> Iterator[ast.AST]:
    """Return the nodes of a tree but docstrings, types, keys, what is compared, and errors that are bugs of ours."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.Compare | ast.match_case) or (isinstance(child, ast.Expr) and _is_text(child.value)):
            continue
        if isinstance(child, ast.Raise) and isinstance(child.exc, ast.Call) and ast.unparse(child.exc.func) in _OURS:
            continue
        if isinstance(child, ast.Call) and ast.unparse(child.func).startswith("re."):
            continue
        if isinstance(node, ast.Subscript) and child is node.slice:
            continue
        if isinstance(node, ast.Dict) and any(child is key for key in node.keys):
            continue
        if isinstance(node, ast.AnnAssign | ast.arg) and child is node.annotation:
            continue
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
            continue
        yield child
        yield from _heard(child)


def _is_text(node: ast.AST) -> bool:
    return isinstance(node, ast.Constant) and isinstance(node.value, str)


def _parts(node: ast.expr) -> Iterator[ast.expr]:
    """Return the texts that an expression may give: both sides of a condition, all of `or`."""
    if isinstance(node, ast.IfExp):
        yield from _parts(node.body)
        yield from _parts(node.orelse)
    elif isinstance(node, ast.BoolOp):
        for value in node.values:
            yield from _parts(value)
    else:
        yield node


def _patterns(node: ast.JoinedStr) -> Iterator[Message]:
    """Return an f-string as messages; its places are named after what fills them."""
    choices: list[list[str]] = []
    names: list[str] = []
    numbers: list[str] = []
    for value in node.values:
        if isinstance(value, ast.Constant):
            choices.append([str(value.value).replace("%", "%%")])
        elif isinstance(value, ast.FormattedValue):
            fixed = list(_parts(value.value))
            if len(fixed) > 1 and all(_is_text(part) for part in fixed):
                choices.append([str(ast.literal_eval(part)).replace("%", "%%") for part in fixed])
                continue
            words = [w for w in re.findall(r"[a-z_]+", ast.unparse(value.value)) if len(w) > 2 and w[0] != "_"]
            name = next((w for w in reversed(words) if not re.match(_NO_NAME, w)), "it")
            name = name if name not in names else f"{name}_{len(names)}"
            names.append(name)
            if value.format_spec is not None and re.search(r"[dfge%]['\"]$", ast.unparse(value.format_spec)):
                numbers.append(name)
            choices.append([f"%({name})s"])
    yield from (Message("".join(choice).strip(), tuple(numbers)) for choice in itertools.product(*choices))
