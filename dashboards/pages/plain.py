"""What commands say, as a page says it: without the commands and options that only a keyboard has; pure."""

from __future__ import annotations

import re
from collections.abc import Iterable

_REST = r"(?:'[^']*'|[^.;'])*"
_COMMAND = re.compile(
    r"\s*\([^()]*traywarden [a-z-]+[^()]*\)"  # in brackets
    rf"|[;:,.]?\s*`traywarden [^`]*`{_REST}"  # in marks
    rf"|(?:[;:,]|(?<=\.)|\bwith:)\s*(?:[A-Z][a-z ]+:\s*)?traywarden [a-z-]+ {_REST}(?:\.\.\.)?"  # after a colon
)
_OPTION = re.compile(
    r"\s*\((?:use |with )?--[a-z][^()]*\)"
    r"|[;:,.]?\s*(?:or )?(?:e\.g\. |[Gg]ive e\.g\. |give |[Ss]ay (?:which|it) with |[Ss]ay |note it |with |and say |"
    rf"add )?--[a-z]{_REST}"
)
_ONLY_COMMANDS = ("It ends with", "It ends.")


def plain(text: str) -> str:
    """Return a sentence without what only the command line needs, ended as a sentence; empty where nothing is left."""
    text = text.replace("e.g. traywarden", "traywarden").replace(
        "; note it with --untreated, and its lot with --lot", ""
    )
    found = _OPTION.sub("", _COMMAND.sub("", text)).strip()
    found = re.sub(r"\s+([.,;:])", r"\1", found).strip(" ,;:.") + (found[-1:] if found[-1:] in ("!", "?") else ".")
    return "" if found == "." or found.startswith(_ONLY_COMMANDS) else found.replace("?.", "?").replace("??", "?")


def plain_lines(lines: Iterable[str]) -> tuple[str, ...]:
    """Return what is left of some sentences."""
    return tuple(found for line in lines if (found := plain(line)))


def upper(text: str) -> str:
    """Return a text with a capital at its beginning."""
    return text[:1].upper() + text[1:]
