"""Reading text and tables as other programs write them: encodings, byte order marks, separators, line ends."""

import csv
from dataclasses import dataclass

__all__ = ["CsvTable", "decode_text", "read_csv"]

_LONGEST = 131_072  # characters of a cell: the csv module's own limit, which others in this process may have raised


@dataclass(frozen=True, slots=True, kw_only=True)
class CsvTable:
    """A table; ``rows`` have their line numbers, and a cell for each column, empty where there is none."""

    columns: tuple[str, ...]
    rows: tuple[tuple[int, dict[str, str]], ...]
    separator: str

    @property
    def decimal_comma(self) -> bool:
        """Whether a comma may be a decimal sign: where it does not part the cells."""
        return self.separator != ","


def decode_text(data: bytes) -> str:
    """Return the text: UTF-8 or UTF-16 with a byte order mark, UTF-8, else Latin-1, which any bytes are."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", errors="replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("latin-1")


def read_csv(data: bytes) -> CsvTable:
    """Return a table with a line of column names: of cells with commas, semicolons or tabs between them.

    Raises
    ------
    ValueError
        If it cannot be taken apart, or a column stands there twice; names the line.
    """
    lines = decode_text(data).splitlines()
    first = next((line for line in lines if line.strip()), "")
    separator = max(",;\t", key=first.count)
    reader = csv.reader(lines, delimiter=separator, skipinitialspace=separator != "\t", strict=True)
    columns: tuple[str, ...] = ()
    rows = []
    try:
        for cells in reader:
            if any(len(cell) > _LONGEST for cell in cells):
                raise csv.Error(f"field larger than field limit ({_LONGEST})")
            texts = [cell.strip() for cell in cells]
            if not any(texts):
                continue
            if not columns:
                columns = tuple(texts)
                if twice := {name for name in columns if name and columns.count(name) > 1}:
                    raise ValueError(f"line {reader.line_num}: column {', '.join(sorted(twice))} more than once")
                continue
            texts += [""] * (len(columns) - len(texts))
            rows.append((reader.line_num, dict(zip(columns, texts, strict=False))))
    except csv.Error as error:
        raise ValueError(f"line {reader.line_num}: {error}") from error
    return CsvTable(columns=columns, rows=tuple(rows), separator=separator)
