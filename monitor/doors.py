"""Who is let in to the pages: passwords, tokens and the key that signs, in one file that only its owner may read.

The file lies beside the ledger. Passwords are kept as argon2 hashes, tokens as SHA-256 of their 256 random bits.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import secrets
import threading
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from monitor.errors import NotFoundError, RefusedError, StoreError

DOORS_FILE = "doors.json"
LEAST_LETTERS = 8
TokenKind = Literal["read-only", "device"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Token:
    """A secret that lets a program or a device in.

    Attributes:
        name: What it is called, to end it by.
        kind: ``read-only``: sees all and changes nothing; ``device``: writes in a person's name.
        person: The person in whose name it writes; None: it writes nothing.
        made_at: When it was made.
    """

    name: str
    kind: TokenKind
    person: str | None
    made_at: datetime


class Doors:
    """The file of passwords, tokens and key; what another process wrote to it is seen at the next question."""

    def __init__(self, folder: Path) -> None:
        """Take the folder of the ledger; the file is made when something is first written."""
        self._path = folder / DOORS_FILE
        self._lock = threading.Lock()
        self._hashing = threading.Lock()
        self._seen: tuple[int, int] | None = None
        self._held: dict[str, Any] = {}

    def _read(self) -> dict[str, Any]:
        """Return what the file holds, read again if it changed.

        Raises:
            StoreError: It cannot be read.
        """
        try:
            stat = self._path.stat()
        except FileNotFoundError:
            return {}
        mark = (stat.st_mtime_ns, stat.st_ino)
        if mark != self._seen:
            try:
                self._held = json.loads(self._path.read_text(encoding="utf-8"))
            except (OSError, ValueError) as exc:
                raise StoreError(f"{self._path}: {exc}; restore it, or remove it and set the passwords anew") from exc
            self._seen = mark
        return self._held

    def _write(self, document: Mapping[str, Any]) -> None:
        """Put a new file in the place of the old one, readable by its owner only."""
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            new = self._path.with_suffix(f".{secrets.token_hex(4)}")
            with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as file:
                json.dump(document, file, indent=1)
                file.flush()
                os.fsync(file.fileno())
            new.replace(self._path)
        except OSError as exc:
            raise StoreError(f"{self._path} cannot be written: {exc.strerror}") from exc

    def _change(self, **parts: Any) -> None:
        """Write the file with some parts of it new."""
        self._write({**self._read(), **parts})

    @property
    def key(self) -> str:
        """Return the key that signs sessions and links, made at the first call."""
        with self._lock:
            known = self._read().get("key")
            if known is None:
                known = secrets.token_hex(32)
                self._change(key=known)
            return str(known)

    def secret(self, what: str) -> str:
        """Return a secret of a named use (the calendar's address), derived from the key; new keys make new secrets."""
        return hmac.new(bytes.fromhex(self.key), what.encode(), hashlib.sha256).hexdigest()[:32]

    @property
    def has_passwords(self) -> bool:
        """Tell whether anybody has a password."""
        with self._lock:
            return bool(self._read().get("passwords"))

    def people(self) -> tuple[str, ...]:
        """Return who has a password."""
        with self._lock:
            return tuple(self._read().get("passwords", {}))

    def set_password(self, person: str, password: str) -> None:
        """Keep a person's password; sessions under the old one end.

        Raises:
            RefusedError: It is too short.
        """
        if len(password) < LEAST_LETTERS:
            raise RefusedError(f"a password has at least {LEAST_LETTERS} letters; a few words are easier than one")
        from argon2 import PasswordHasher

        hashed = PasswordHasher().hash(password)
        with self._lock:
            self._change(passwords={**self._read().get("passwords", {}), person: hashed})

    def remove_password(self, person: str) -> None:
        """Let a person in no more.

        Raises:
            NotFoundError: The person has no password.
        """
        with self._lock:
            known = dict(self._read().get("passwords", {}))
            if known.pop(person, None) is None:
                raise NotFoundError(f"{person} has no password; there are: {', '.join(known) or 'none'}")
            self._change(passwords=known)

    def is_right(self, person: str, password: str) -> bool:
        """Tell whether a password is a person's; it takes as long for somebody unknown."""
        from argon2 import PasswordHasher
        from argon2.exceptions import Argon2Error, InvalidHashError

        with self._lock:
            hashed = self._read().get("passwords", {}).get(person)
        hasher = PasswordHasher()
        with self._hashing, suppress(Argon2Error, InvalidHashError):  # one at a time: each takes much memory
            if hashed is not None:
                return hasher.verify(hashed, password)
            hasher.hash(password)
        return False

    def mark_of(self, person: str) -> str:
        """Return a short mark of a person's password that changes with it; empty where there is none."""
        with self._lock:
            hashed = self._read().get("passwords", {}).get(person, "")
        return hashlib.sha256(hashed.encode()).hexdigest()[:12] if hashed else ""

    def new_token(self, name: str, kind: TokenKind, person: str | None, *, now: datetime) -> str:
        """Make a token and return it; it is shown this once and kept as its hash.

        Raises:
            RefusedError: The name is taken, or a person is missing or too much.
        """
        if (kind == "device") != (person is not None):
            raise RefusedError("a device writes in a person's name; a read-only token has none")
        token = f"tw_{secrets.token_urlsafe(32)}"
        with self._lock:
            known = dict(self._read().get("tokens", {}))
            if any(each["name"] == name for each in known.values()):
                raise RefusedError(f"there is a token {name!r} already; end it, or take another name")
            known[_hash(token)] = {"name": name, "kind": kind, "person": person, "made_at": now.isoformat()}
            self._change(tokens=known)
        return token

    def tokens(self) -> tuple[Token, ...]:
        """Return all tokens that hold."""
        with self._lock:
            return tuple(_token(each) for each in self._read().get("tokens", {}).values())

    def token(self, said: str) -> Token | None:
        """Return the token that somebody showed, or None where there is none of it."""
        with self._lock:
            known = self._read().get("tokens", {}).get(_hash(said))
        return None if known is None else _token(known)

    def token_named(self, name: str) -> Token | None:
        """Return the token of a name, or None where it was ended."""
        return next((each for each in self.tokens() if each.name == name), None)

    def end_token(self, name: str) -> None:
        """End a token; who shows it is let in no more.

        Raises:
            NotFoundError: There is none of this name.
        """
        with self._lock:
            known = self._read().get("tokens", {})
            kept = {key: each for key, each in known.items() if each["name"] != name}
            if len(kept) == len(known):
                names = ", ".join(each["name"] for each in known.values()) or "none"
                raise NotFoundError(f"there is no token {name!r}; there are: {names}")
            self._change(tokens=kept)


def _hash(token: str) -> str:
    """Return what is kept of a token."""
    return hashlib.sha256(token.encode()).hexdigest()


def _token(kept: Mapping[str, Any]) -> Token:
    """Return a token as the file keeps it."""
    return Token(
        name=kept["name"],
        kind=kept["kind"],
        person=kept["person"],
        made_at=datetime.fromisoformat(kept["made_at"]),
    )
