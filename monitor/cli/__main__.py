"""``python -m monitor.cli`` is the command ``traywarden``."""

from __future__ import annotations

from monitor.cli import main

main()
