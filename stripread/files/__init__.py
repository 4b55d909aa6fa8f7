"""Files that people write or mend: read so that an error names the field at fault."""

from stripread.files.toml_table import TomlTable, read_toml

__all__ = ["TomlTable", "read_toml"]
