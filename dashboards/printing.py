"""How a page to print is made from its template; everything that a person typed is escaped."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files

from monitor.profiles import Profile


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """One table of a page: a heading, columns, rows, and a word on it.

    Attributes:
        title: The heading.
        says: One line beneath it; may be empty.
        columns: Headings of the columns.
        rows: The rows.
        nothing: What is said where there is none.
    """

    title: str
    says: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    nothing: str = "Nothing was entered."


def crop_word(crop: str, profiles: Mapping[str, Profile]) -> str:
    """Return what a grower calls a crop."""
    return profiles[crop].name.lower() if crop in profiles else crop


def fill(template: str, **values: object) -> str:
    """Return a template of this folder, filled; every value that it names must be given."""
    from jinja2 import BaseLoader, Environment, StrictUndefined, TemplateNotFound

    class Folder(BaseLoader):
        """Finds templates inside the package, wherever it is installed."""

        def get_source(self, environment: Environment, template: str) -> tuple[str, str, None]:
            """Return a template's text."""
            path = files("dashboards") / "templates" / template
            if not path.is_file():
                raise TemplateNotFound(template)
            return path.read_text(encoding="utf-8"), template, None

    environment = Environment(
        loader=Folder(), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    return environment.get_template(template).render(**values)
