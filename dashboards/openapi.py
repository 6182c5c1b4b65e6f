"""The document that describes what programs may ask of the pages, made from the shapes of the facts; pure.

Source: OpenAPI 3.1.0 [OPENAPI31]; its schemas are JSON Schema 2020-12.
"""

from __future__ import annotations

import inspect
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from dashboards import shapes

VERSION = "3.1.0"
BASE = "/api/v1"
_TEXT = {"type": "string", "minLength": 1, "maxLength": 200}


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """One thing that may be said with a question.

    Attributes:
        name: What it is called in the address.
        schema: Its JSON schema.
        says: What it means.
        needed: The question cannot be answered without it.
    """

    name: str
    schema: Mapping[str, Any]
    says: str
    needed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One question that may be asked.

    Attributes:
        name: What it is called; its handler bears the name.
        path: Where it is asked, below BASE.
        says: What it answers.
        shape: Type of the answer.
        wishes: What may be said with it.
        part: What the address itself names, in braces, with what it means; None: nothing.
    """

    name: str
    path: str
    says: str
    shape: type
    wishes: tuple[Wish, ...] = ()
    part: tuple[str, str] | None = None


def _all(says: str) -> Wish:
    return Wish(name="all", schema={"type": "boolean", "default": False}, says=says)


def _weeks(most: int, usual: int) -> Wish:
    schema = {"type": "integer", "minimum": 1, "maximum": most, "default": usual}
    return Wish(name="weeks", schema=schema, says="How far ahead.")


_WHEN = Wish(
    name="at", schema=_TEXT, says="At this time: 17:00, 'tomorrow 07:30', 2026-03-02T07:30:00+00:00; else now."
)

QUESTIONS: tuple[Question, ...] = (
    Question(
        name="rounds", path="/rounds", says="What is to be done now, next and tomorrow.", shape=shapes.Rounds,
        wishes=(_WHEN,),
    ),
    Question(
        name="batches", path="/batches", says="The batches that stand.", shape=shapes.Batches,
        wishes=(_all("Also those of which no tray stands any more."),),
    ),
    Question(
        name="batch", path="/batches/{batch}", says="One batch's whole story.", shape=shapes.BatchStory,
        part=("batch", "The batch's number."),
    ),
    Question(name="alarms", path="/alarms", says="What is wrong, or was lately.", shape=shapes.Alarms),
    Question(
        name="dry", path="/dry", says="What is dry, how much to pour, when the rest will be.", shape=shapes.Dry,
        wishes=(Wish(name="batch", schema=_TEXT, says="This batch only."), _WHEN),
    ),
    Question(name="sensors", path="/sensors", says="What each sensor last said.", shape=shapes.Sensors),
    Question(
        name="ready", path="/ready", says="What will be ready on coming days, and what of it is free.",
        shape=shapes.Ready,
        wishes=(Wish(name="day", schema=_TEXT, says="This day only: friday, 2026-03-13; else a week."),),
    ),
    Question(
        name="promises", path="/promises", says="What is promised to whom, and what stands for it.",
        shape=shapes.Promises, wishes=(_weeks(52, 2), _all("Also those that are past or over.")),
    ),
    Question(
        name="plan", path="/plan", says="What to sow on which day for all promises.", shape=shapes.Plan,
        wishes=(_weeks(12, 4),),
    ),
    Question(
        name="sow_by", path="/sow-by", says="When to sow, and soak, for a day.", shape=shapes.SowBy,
        wishes=(
            Wish(name="crop", schema=_TEXT, says="What, by any of its names.", needed=True),
            Wish(name="day", schema=_TEXT, says="The day on which it is to be ready.", needed=True),
            Wish(
                name="trays", schema={"type": "integer", "minimum": 1, "maximum": 10_000}, says="How many.", needed=True
            ),
            Wish(name="living", schema={"type": "boolean", "default": False}, says="They go out living."),
        ),
    ),
    Question(
        name="holds", path="/holds", says="What is on hold, and what of it has gone out.", shape=shapes.Holds,
        wishes=(_all("Also those that were released."),),
    ),
    Question(
        name="lots", path="/lots", says="Which seed there is, and how much is left.", shape=shapes.Lots,
        wishes=(_all("Also those that are used up."),),
    ),
    Question(name="profiles", path="/profiles", says="The crops that are known.", shape=shapes.Profiles),
    Question(
        name="profile", path="/profiles/{crop}", says="What one crop needs, with its sources.",
        shape=shapes.OneProfile, part=("crop", "The crop, by any of its names."),
    ),
    Question(
        name="covers", path="/covers", says="Who stands in for whom, now and later.", shape=shapes.Covers,
        wishes=(_all("Also those that are over."),),
    ),
    Question(name="seen", path="/seen", says="What the scales saw that nobody has entered.", shape=shapes.Seen),
    Question(
        name="light", path="/light", says="How long each place was lit, day by day.", shape=shapes.Light,
        wishes=(
            Wish(name="place", schema=_TEXT, says="This place only, e.g. 1/2."),
            Wish(
                name="days", schema={"type": "integer", "minimum": 1, "maximum": 60, "default": 7},
                says="How many days back.",
            ),
        ),
    ),
    Question(
        name="records", path="/records", says="What others ask to see: holds, cleaning, water, seed, harvests.",
        shape=shapes.Records,
        wishes=(
            Wish(name="first", schema=_TEXT, says="First day: 2026-03-01, 'mon'.", needed=True),
            Wish(name="last", schema=_TEXT, says="Last day; else today."),
        ),
    ),
    Question(name="status", path="/status", says="How the monitor is.", shape=shapes.Status),
)  # fmt: skip


def openapi_document(release: str) -> dict[str, Any]:
    """Return the whole document.

    Args:
        release: The program's version.
    """
    from msgspec.json import schema_components

    _, found = schema_components(
        [*(each.shape for each in QUESTIONS), shapes.Refusal], ref_template="#/components/schemas/{name}"
    )
    paths = {BASE + each.path: {"get": _operation(each)} for each in QUESTIONS}
    return {
        "openapi": VERSION,
        "info": {
            "title": "Traywarden",
            "version": release,
            "description": "The facts that the commands print with --json. Everything here looks; nothing changes "
            "anything. On a farm with passwords show a token: Authorization: Bearer tw_...",
        },
        "paths": {**paths, **_others()},
        "components": {
            "schemas": {name: _tidy(schema) for name, schema in sorted(found.items())},
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}},
        },
        "security": [{}, {"token": []}],
    }


def _tidy(schema: Mapping[str, Any]) -> dict[str, Any]:
    """Return a shape's schema with its description in one paragraph, and no room for fields that it does not name."""
    tidy = dict(schema)
    if "description" in tidy:
        tidy["description"] = inspect.cleandoc(str(tidy["description"])).partition("\n\n")[0]
    if tidy.get("type") == "object" and "properties" in tidy:
        tidy["additionalProperties"] = False
    return tidy


def _operation(question: Question) -> dict[str, Any]:
    """Return one question as the document has it."""
    parameters = [
        {
            "name": wish.name,
            "in": "query",
            "required": wish.needed,
            "schema": dict(wish.schema),
            "description": wish.says,
        }
        for wish in question.wishes
    ]
    if question.part is not None:
        name, says = question.part
        parameters.append({"name": name, "in": "path", "required": True, "schema": _TEXT, "description": says})
    answers = {"200": _answer(question.says, question.shape.__name__), **_REFUSALS}
    if question.part is None:
        answers = {status: answer for status, answer in answers.items() if status != "404" or question.wishes}
    return {
        "operationId": question.name,
        "summary": question.says,
        "parameters": parameters,
        "responses": answers,
    }


def _answer(says: str, shape: str) -> dict[str, Any]:
    """Return one answer as the document has it."""
    schema = {"$ref": f"#/components/schemas/{shape}"}
    return {"description": says, "content": {"application/json": {"schema": schema}}}


_REFUSALS = {
    "401": _answer("No token, or one that does not hold.", "Refusal"),
    "404": _answer("There is none of that name.", "Refusal"),
    "422": _answer("It cannot be read, or cannot be.", "Refusal"),
    "503": _answer("The monitor cannot answer now.", "Refusal"),
}


def _others() -> dict[str, Any]:
    """Return what programs may fetch that is no JSON fact: this document, metrics, the calendar."""
    text = {"schema": {"type": "string"}}
    secret = {
        "name": "secret",
        "in": "path",
        "required": True,
        "schema": {"type": "string", "pattern": "^[0-9a-f]{32}$"},
        "description": "The secret that `traywarden calendar` tells.",
    }
    return {
        "/openapi.json": {
            "get": {
                "operationId": "document",
                "summary": "This document.",
                "security": [],
                "responses": {
                    "200": {
                        "description": "This document.",
                        "content": {"application/json": {"schema": {"type": "object"}}},
                    }
                },
            }
        },
        "/metrics": {
            "get": {
                "operationId": "metrics",
                "summary": "How the machine and its messages are, as OpenMetrics text.",
                "responses": {
                    "200": {"description": "The metrics.", "content": {"application/openmetrics-text": text}},
                    "401": _REFUSALS["401"],
                    "503": _REFUSALS["503"],
                },
            }
        },
        "/calendar/{secret}.ics": {
            "get": {
                "operationId": "calendar",
                "summary": "The coming tasks as iCalendar.",
                "security": [],
                "parameters": [secret],
                "responses": {
                    "200": {"description": "The calendar.", "content": {"text/calendar": text}},
                    "304": {"description": "It has not changed."},
                    "404": {"description": "That is not its address.", "content": {"text/html": text}},
                },
            }
        },
    }
