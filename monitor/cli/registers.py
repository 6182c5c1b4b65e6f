"""``traywarden registers``: every Modbus register read once, as it would be stored, and as its words could be read."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import click

from monitor.cli.common import Context, json_option
from monitor.errors import FeedError, RefusedError

if TYPE_CHECKING:
    from collectors.modbus import Line
    from collectors.registers import Span
    from monitor.farm import Farm
    from monitor.feeds import Register


def _row(register: Register, farm: Farm, words: list[int] | None, why: str | None) -> dict[str, Any]:
    """Return what one register says as the documented JSON."""
    from collectors.registers import number_in, value_in
    from monitor.readings import STORED_UNIT

    sensor = farm.sensors[register.sensor]
    turned = replace(register, word_order="little" if register.word_order == "big" else "big")
    value = None if words is None else value_in(register, sensor, words)
    return {
        "sensor": register.sensor,
        "line": register.line,
        "device": register.device,
        "table": register.table,
        "address": register.address,
        "type": register.type,
        "words": words,
        "number": None if words is None else number_in(register, words),
        "value": value,
        "unit": STORED_UNIT[sensor.quantity],
        "value_other_word_order": None if words is None or len(words) < 2 else value_in(turned, sensor, words),
        "why": why,
    }


def _of_span(line: Line, span: Span, farm: Farm) -> list[dict[str, Any]]:
    """Return what the registers of one request say, or why they do not."""
    from collectors.registers import words_of

    try:
        words = line.read(span)
    except FeedError as exc:
        return [_row(register, farm, None, str(exc)) for register in span.registers]
    return [_row(register, farm, list(words_of(register, span, words)), None) for register in span.registers]


def _read(farm: Farm) -> list[dict[str, Any]]:
    """Return what every register of the farm says."""
    from collectors.modbus import Line
    from collectors.registers import spans

    rows: list[dict[str, Any]] = []
    for settings in farm.feeds.lines.values():
        ours = [each for each in farm.feeds.registers if each.line == settings.id]
        line = Line(settings)
        try:
            line.connect()
            for span in spans(ours):
                rows += _of_span(line, span, farm)
        except FeedError as exc:
            rows += [_row(register, farm, None, str(exc)) for register in ours]
        finally:
            line.close()
    return rows


def _tell(context: Context, row: dict[str, Any]) -> None:
    """Say what one register says."""
    where = f"{row['sensor']}: unit {row['device']}, {row['table']} register {row['address']}, {row['type']}"
    if row["why"] is not None:
        context.echo(f"{where}: {row['why']}")
        return
    words = " ".join(f"{word:04x}" for word in row["words"])
    value = "no value" if row["value"] is None else f"{row['value']:.6g} {row['unit']}"
    other = row["value_other_word_order"]
    turned = "" if other is None else f"; the other word_order would give {other:.6g}"
    context.echo(f"{where}: words {words}, which is {value}{turned}")


@click.command(epilog="Example: traywarden registers")
@json_option
@click.pass_obj
def registers(context: Context) -> None:
    """Read each Modbus register of farm.toml once, and show what it would become; nothing is stored."""
    farm = context.farm()
    if not farm.feeds.registers:
        raise RefusedError("farm.toml has no [[register]]; `traywarden keys` says what one takes")
    rows = _read(farm)
    if context.as_json:
        context.echo_json({"schema": "traywarden.registers/1", "registers": rows})
    else:
        for row in rows:
            _tell(context, row)
    failed = [row["sensor"] for row in rows if row["why"] is not None]
    if failed:
        raise RefusedError(f"not read: {', '.join(failed)}; see the lines above")
