"""A follower's place in the journal, across restarts and accidents."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from logger.cursor_file import CursorFile, sealed

if TYPE_CHECKING:
    from pathlib import Path


def test_what_was_saved_is_found_again(tmp_path: Path) -> None:
    file = CursorFile(tmp_path / "c")
    assert file.load(100) == 0
    file.save(7)
    file.save(42)
    assert CursorFile(tmp_path / "c").load(100) == 42
    assert [path.name for path in tmp_path.iterdir()] == ["c"]


SEALED = [sealed(said) for said in ({"entry": "7"}, {"entry": -1}, {"entry": 101}, {"place": 7})]


@pytest.mark.parametrize(
    "text", ["", "{", "[]", "7", '{"entry": 7}', sealed({"entry": 7}).replace("7", "5", 1), *SEALED]
)
def test_what_is_no_place_in_this_journal_begins_again_with_a_word(
    tmp_path: Path, text: str, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / "c").write_text(text)
    assert CursorFile(tmp_path / "c").load(100) == 0
    assert "begun again" in caplog.text
