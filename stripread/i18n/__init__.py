"""The words of the program in the reader's language: catalogues of messages, and what fills their places."""

__all__: list[str] = []
