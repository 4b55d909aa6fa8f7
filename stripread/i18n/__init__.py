"""The words of the program in the reader's language: messages, who they are shown to, and the catalogues."""

from stripread.i18n.message import (
    ENGLISH,
    ByFace,
    Clause,
    Face,
    InWords,
    Joined,
    Message,
    Number,
    Opening,
    Reader,
    Say,
    Shown,
    System,
    Verbatim,
    joined,
    plural,
)

__all__ = [
    "ENGLISH",
    "ByFace",
    "Clause",
    "Face",
    "InWords",
    "Joined",
    "Message",
    "Number",
    "Opening",
    "Reader",
    "Say",
    "Shown",
    "System",
    "Verbatim",
    "joined",
    "plural",
]
