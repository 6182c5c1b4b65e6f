"""Passwords, tokens and the signing key, in a file that only its owner reads."""

from __future__ import annotations

import stat
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.doors import DOORS_FILE, Doors
from monitor.errors import NotFoundError, RefusedError, StoreError

NOW = datetime(2026, 3, 4, 9, 0, tzinfo=UTC)


def test_the_file_is_its_owners_alone_and_holds_no_secret_in_clear(tmp_path: Path) -> None:
    """Mode 0600; argon2 for passwords, a hash for tokens."""
    doors = Doors(tmp_path)
    doors.set_password("ines", "salt and light")
    token = doors.new_token("wall", "device", "ines", now=NOW)
    path = tmp_path / DOORS_FILE

    text = path.read_text(encoding="utf-8")

    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert "salt and light" not in text
    assert "$argon2id$" in text
    assert token not in text
    assert list(tmp_path.iterdir()) == [path]


def test_another_process_is_heard_at_the_next_question(tmp_path: Path) -> None:
    """`traywarden password` while the pages are served."""
    serving, typing = Doors(tmp_path), Doors(tmp_path)
    assert serving.people() == ()

    typing.set_password("ines", "salt and light")

    assert serving.people() == ("ines",)
    assert serving.is_right("ines", "salt and light")
    assert not serving.is_right("ines", "salt and dark")
    assert not serving.is_right("nobody", "salt and light")


def test_the_key_stays_and_secrets_come_from_it(tmp_path: Path) -> None:
    """Made once; each use has its own secret."""
    key = Doors(tmp_path).key

    assert Doors(tmp_path).key == key
    assert len(bytes.fromhex(key)) == 32
    assert Doors(tmp_path).secret("calendar") == Doors(tmp_path).secret("calendar")
    assert Doors(tmp_path).secret("calendar") != Doors(tmp_path).secret("labels")


def test_a_short_password_is_refused_with_a_hint(tmp_path: Path) -> None:
    """Nothing is written."""
    with pytest.raises(RefusedError, match="at least 8 letters"):
        Doors(tmp_path).set_password("ines", "short")
    assert not Doors(tmp_path).has_passwords


def test_a_mark_changes_with_the_password(tmp_path: Path) -> None:
    """So that old sessions end; without a password there is none."""
    doors = Doors(tmp_path)
    assert doors.mark_of("ines") == ""
    doors.set_password("ines", "salt and light")
    first = doors.mark_of("ines")

    doors.set_password("ines", "light and salt")

    assert first
    assert doors.mark_of("ines") not in ("", first)


def test_tokens_are_ended_by_name(tmp_path: Path) -> None:
    """A name is taken once; what is not there is said."""
    doors = Doors(tmp_path)
    token = doors.new_token("reports", "read-only", None, now=NOW)
    with pytest.raises(RefusedError, match="already"):
        doors.new_token("reports", "read-only", None, now=NOW)
    found = doors.token(token)
    assert found is not None
    assert (found.name, found.kind, found.person, found.made_at) == ("reports", "read-only", None, NOW)

    doors.end_token("reports")

    assert doors.token(token) is None
    with pytest.raises(NotFoundError, match="no token 'reports'"):
        doors.end_token("reports")


def test_a_device_needs_a_person_and_a_reader_none(tmp_path: Path) -> None:
    """Entries always have a name."""
    with pytest.raises(RefusedError, match="in a person's name"):
        Doors(tmp_path).new_token("wall", "device", None, now=NOW)
    with pytest.raises(RefusedError, match="read-only token has none"):
        Doors(tmp_path).new_token("wall", "read-only", "ines", now=NOW)


def test_a_file_that_cannot_be_read_is_said_with_the_way_out(tmp_path: Path) -> None:
    """It is not taken for an empty one, which would let everybody in."""
    (tmp_path / DOORS_FILE).write_text("{", encoding="utf-8")

    with pytest.raises(StoreError, match="restore it, or remove it"):
        _ = Doors(tmp_path).has_passwords


def test_removing_a_password_lets_a_person_in_no_more(tmp_path: Path) -> None:
    """The last one too."""
    doors = Doors(tmp_path)
    doors.set_password("ines", "salt and light")

    doors.remove_password("ines")

    assert doors.people() == ()
    with pytest.raises(NotFoundError, match="no password"):
        doors.remove_password("ines")
