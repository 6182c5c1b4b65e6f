"""What a test needs of its machine: a server's program, the shared records; left out, or failed where compulsory."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SHARED_DATA = ROOT.parent / "shared" / "data"
_SYSTEM_FOLDERS = "/usr/sbin:/usr/local/sbin:/sbin"  # where Debian keeps servers; not on a plain user's PATH


def require_binary(name: str) -> str:
    """Return the path of a program that a live test starts.

    It is left out where the program is missing, and failed where TRAYWARDEN_LIVE=required (``make test``).
    """
    found = shutil.which(name) or shutil.which(name, path=_SYSTEM_FOLDERS)
    if found is not None:
        return found
    why = f"{name} is not installed; `make test` installs what the live tests start"
    if os.environ.get("TRAYWARDEN_LIVE") == "required":
        pytest.fail(why)
    pytest.skip(why)


def require_shared(name: str) -> Path:
    """Return a folder or file of the shared records, which only the developers' machines have.

    It is left out where it is missing, and failed where TRAYWARDEN_SHARED=required (``.ci/run``).
    """
    found = SHARED_DATA / name
    if found.exists():
        return found
    why = f"the shared records have no {name} here"
    if os.environ.get("TRAYWARDEN_SHARED") == "required":
        pytest.fail(why)
    pytest.skip(why)
