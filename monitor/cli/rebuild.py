"""``traywarden rebuild``: what is worked out from the readings is worked out afresh."""

from __future__ import annotations

import click

from monitor.cli.common import Context, json_option


@click.command(epilog="Example: traywarden rebuild")
@json_option
@click.pass_obj
def rebuild(context: Context) -> None:
    """Work out the rolled-up readings (low, mean, high by 5 minutes and hour) afresh; the monitor may go on running.

    They follow late and corrected readings by themselves; this is for a file that was damaged or restored.
    """
    from monitor.stores.opening import open_readings

    store = open_readings(context.farm())
    try:
        days, readings, sensors = store.rebuild_rolled(), store.count(), len(store.sensors())
    finally:
        store.close()
    if context.as_json:
        context.echo_json(
            {"schema": "traywarden.rebuild/1", "sensors": sensors, "readings": readings, "sensor_days": days}
        )
    if days:
        context.echo(f"{readings} readings of {sensors} sensors: {days} sensor-days rolled up afresh.")
    else:
        context.echo(f"{readings} readings of {sensors} sensors: nothing is kept rolled up here, nothing to rebuild.")
