"""Fixtures that tests of several folders use."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.support import needs


@pytest.fixture
def shared_data() -> Callable[[str], Path]:
    """Return what finds a folder of the shared records, or leaves the test out (see tests/support/needs.py)."""
    return needs.require_shared


@pytest.fixture
def require_binary() -> Callable[[str], str]:
    """Return what finds a server's program, or leaves the test out (see tests/support/needs.py)."""
    return needs.require_binary
