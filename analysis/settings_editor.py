"""Writing values into a settings file that a person wrote: what is not changed stays as it is, comments too."""

from __future__ import annotations

from collections.abc import MutableMapping
from typing import TYPE_CHECKING, Any, cast

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import InlineTable, Table

from logger.errors import PlainError
from logger.files import whole_file
from logger.settings import SettingsError, settings_from_text

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

Value = Any
"""What goes into TOML: text, number, date, list; None takes the key away."""


class EditError(PlainError):
    """A settings file that can't be changed."""


def edited(text: str, tables: Mapping[tuple[str, ...], Mapping[str, Value]], path: Path) -> str:
    """The text with these keys set in these tables; the result is held against the settings' own rules.

    Raises SettingsError if the text is no valid settings file, EditError if the change would make it none.

    >>> from pathlib import Path
    >>> print(edited("[rig]  # ours\\n", {("rig",): {"name": "bay-2"}}, Path("x.toml")))
    [rig]  # ours
    name = "bay-2"
    <BLANKLINE>
    """
    settings_from_text(text, path)
    mark = "\ufeff" if text.startswith("\ufeff") else ""
    ends = "\r\n" if "\r\n" in text else "\n"
    try:
        document = tomlkit.parse(text.removeprefix(mark).replace("\r\n", "\n"))
        for keys, values in tables.items():
            _set(document, keys, values)
        plain = tomlkit.dumps(document)
        if plain.endswith("\n\n") and not text.endswith(ends + ends):
            plain = plain.rstrip("\n") + "\n"
        written = mark + plain.replace("\n", ends)
        settings_from_text(written, path)
    except (TOMLKitError, SettingsError, TypeError, ValueError, KeyError, RecursionError) as error:
        raise EditError(f"{path}: can't be changed without harm ({' '.join(str(error).split())})") from None
    return written


def _set(document: tomlkit.TOMLDocument, keys: Sequence[str], values: Mapping[str, Value]) -> None:
    table: Any = document
    made = False
    for depth, key in enumerate(keys):
        made = key not in table
        if made:
            inline = isinstance(table, InlineTable)
            last = depth == len(keys) - 1
            new = tomlkit.inline_table() if inline else tomlkit.table(is_super_table=not last)
            # a table that stands in several places has no end to append to
            if hasattr(table, "append"):
                table.append(key, new)
            else:
                table[key] = new
        table = table[key]
        if not isinstance(table, MutableMapping):
            raise TypeError(f"{'.'.join(keys[: depth + 1])} is no table")
    for key, value in values.items():
        if value is None:
            table.pop(key, None)
        else:
            table[key] = value
    if made and isinstance(table, Table):
        table.add(tomlkit.nl())  # a line between it and whatever follows


def edit_file(path: Path, tables: Mapping[tuple[str, ...], Mapping[str, Value]]) -> None:
    """Set these keys in a settings file, whole or not at all; its owner, rights and links stay. See `edited`."""
    before = path.read_bytes()
    try:
        text = before.decode("utf-8")
    except UnicodeDecodeError as error:
        raise SettingsError(str(path), "", f"is not UTF-8 text (byte {error.start})") from None
    after = edited(text, tables, path)
    with whole_file(path) as file:
        # the bytes as they are: on a text file newlines would be translated
        cast("Any", file).buffer.write(after.encode("utf-8"))
        if path.read_bytes() != before:
            raise EditError(f"{path}: was changed by somebody else meanwhile; nothing is written")
