from .toml_table import TomlTable as TomlTable
from .toml_table import is_number as is_number
from .toml_table import read_toml as read_toml
