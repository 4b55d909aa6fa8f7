"""The command line: each command parses, calls one function and shows what comes of it."""

from stripread.cli.app import main

__all__ = ["main"]
