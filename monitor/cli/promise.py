"""``traywarden promise``: trays are promised to somebody; a promise is changed or ended."""

from __future__ import annotations

import click

from alerts.promising import Asked, change_promise, end_promise, new_promise
from monitor.cli.common import Context
from monitor.cli.desk import Desk, common
from monitor.cli.rounds import tick_of
from monitor.errors import RefusedError


@click.command(
    epilog="Example: traywarden promise 12 radish --for friday --whom 'the corner table' --every week\n\n"
    "Example: traywarden promise --change P3 --trays 10, or traywarden promise --change P3 --only fri --trays 0\n\n"
    "Example: traywarden promise --end P3"
)
@click.argument("trays", required=False, type=click.IntRange(min=1))
@click.argument("crop", required=False)
@click.option("--for", "for_day", metavar="DAY", help="The day they go out: friday, 2026-03-13.")
@click.option("--whom", metavar="NAME", help="Who gets them; deliveries to the same name count.")
@click.option("--every", metavar="RHYTHM", help="A standing order: week, '2 weeks', '3 days'; once ends the rhythm.")
@click.option("--living/--cut", "living", default=None, help="As living trays, or cut (so unless said).")
@click.option("--change", "change", metavar="PROMISE", help="Change this promise, e.g. P3.")
@click.option("--trays", "new_trays", type=click.IntRange(min=0), help="With --change: so many; 0 with --only: none.")
@click.option("--crop", "new_crop", metavar="CROP", help="With --change: another crop.")
@click.option("--only", metavar="DAY", help="With --change: on this day only.")
@click.option("--end", "end", metavar="PROMISE", help="End this promise.")
@click.option("--from", "from_day", metavar="DAY", help="With --change or --end: from this day on; else from now on.")
@common
@click.pass_obj
def promise(
    context: Context,
    trays: int | None,
    crop: str | None,
    for_day: str | None,
    whom: str | None,
    every: str | None,
    living: bool | None,
    change: str | None,
    new_trays: int | None,
    new_crop: str | None,
    only: str | None,
    end: str | None,
    from_day: str | None,
    at: str | None,
    by: str | None,
) -> None:
    """Note trays promised to somebody; change or end a promise. Says at once when nothing stands for it.

    No prices and no addresses are kept: a name is enough.
    """
    desk = Desk(context, by, at)
    asked = Asked(
        trays=trays if new_trays is None else new_trays,
        crop=crop or new_crop,
        for_day=for_day,
        whom=whom,
        every=every,
        living=living,
        from_day=from_day,
        only=only,
    )
    if change and end:
        raise RefusedError("give --change or --end, not both")
    tick = tick_of(context, desk.now)
    if end:
        desk.note(end_promise(desk, tick, end, asked))
    elif change:
        desk.note(change_promise(desk, tick, change, asked))
    else:
        desk.note(new_promise(desk, tick, asked))
