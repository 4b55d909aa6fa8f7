"""What a module of the program says to people, read from its source: the messages that are to be translated.

Fixed sentences are messages as they stand. An f-string becomes a message with places to fill, named after what fills
them; where one of two fixed words stands in it by a condition, it becomes two messages, as a translation needs both.
"""

import ast
import itertools
import re
from collections.abc import Iterator

__all__ = ["said", "said_to_users"]

# What people read of errors, tasks and findings: these arguments, single words too.
_ARGUMENTS = ("remedy", "advice", "matter", "expected", "found", "label", "name_of_it")
_OURS = {"ValueError", "TypeError", "KeyError", "RuntimeError", "AssertionError", "IndexError", "OSError"}
_PLACE = r"%\(\w+\)s"
_WORD, _SENTENCE = r"[A-Za-z]{3,}", r"[a-z]{2,}[ '][a-z]"
_NO_NAME = r"tell|scaled|system|if|else|max|date|iso"  # words of an expression that do not name what it gives


def said_to_users(tree: ast.Module) -> Iterator[str]:
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
                yield from (text for text in _patterns(value) if len(_words(text)) > 1 and ")s%(" not in text)
            elif isinstance(value, ast.Name) and value.id in named:
                yield named[value.id]
            elif isinstance(value, ast.Constant) and isinstance(value.value, str) and value.value.strip():
                yield value.value.strip()


def said(tree: ast.Module, *, labels: bool = False) -> Iterator[str]:
    """Return every sentence of a module, those with places too, and its words that stand by a condition.

    ``labels`` takes the first of each pair as well: the labels of facts.
    """
    inner = {id(part) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for part in ast.walk(node)}
    inner -= {id(node) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr)}
    single = {id(c) for n in ast.walk(tree) if isinstance(n, ast.IfExp) for c in (n.body, n.orelse)}
    if labels:
        single |= {id(n.elts[0]) for n in ast.walk(tree) if isinstance(n, ast.Tuple) and len(n.elts) == 2}
    for node in _heard(tree):
        if isinstance(node, ast.JoinedStr):
            yield from (text for text in _patterns(node) if len(_words(text)) > 1 or any(len(w) > 3 for w in _words(text)))
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in inner:
            text = node.value.strip()
            # A pattern of str.format has places without names.
            if "{" not in text and (re.search(_SENTENCE, text) or (id(node) in single and _word(text))):
                yield text.replace("%", "%%") if "%(" in text else text


def _word(text: str) -> bool:
    return re.fullmatch(r"[A-Za-z][A-Za-z ]{2,}", text) is not None


def _words(pattern: str) -> list[str]:
    """Return what of a pattern is fixed words."""
    return re.findall(_WORD, re.sub(_PLACE, "", pattern))


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


def _patterns(node: ast.JoinedStr) -> Iterator[str]:
    """Return an f-string as messages; its places are named after what fills them."""
    choices: list[list[str]] = []
    names: list[str] = []
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
            choices.append([f"%({name})s"])
    yield from ("".join(choice).strip() for choice in itertools.product(*choices))
