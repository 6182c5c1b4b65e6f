"""``traywarden labels``: tray labels to print on sheets of stickers, with a code that opens the batch."""

from __future__ import annotations

from pathlib import Path

import click

from monitor.cli.common import Context, json_option
from monitor.errors import RefusedError

SIZE = "70x37"


@click.command(epilog="Example: traywarden labels 12 13 --size 63.5x38.1 --html labels.html")
@click.argument("batches", nargs=-1, metavar="BATCH...")
@click.option("--size", default=SIZE, show_default=True, metavar="MM", help="Width and height of a label; ? lists all.")
@click.option("--count", type=click.IntRange(min=1), help="So many of each; else one for each tray that stands.")
@click.option("--skip", type=click.IntRange(min=0), default=0, help="Places of the first page that are used up.")
@click.option("--html", type=click.Path(path_type=Path, dir_okay=False), help="Write the page to print.")
@json_option
@click.pass_obj
def labels(
    context: Context, batches: tuple[str, ...], size: str, count: int | None, skip: int, html: Path | None
) -> None:
    """Make tray labels: crop, seed lot, sowing day, the days to come, and a code that opens the batch.

    Print the page at 100 %; on plain paper first, held against your sheet of labels.
    """
    from dashboards.feedbook import pages_address
    from dashboards.labels import SHEETS, label_sheet, labels_facts, labels_for, render
    from monitor.cli.records import write_file
    from monitor.cli.rounds import tick_of

    if size.strip() == "?":
        for each in SHEETS.values():
            context.echo(f"{each.id:>10} mm  {each.page}")
        return
    if not batches:
        raise RefusedError("of which batches? E.g. traywarden labels 12 13 --html labels.html")
    sheet = label_sheet(size)
    base, is_reachable = pages_address(context.farm())
    tick = tick_of(context, context.clock())
    wanted = [(batch, count) for batch in batches]
    made = labels_for(wanted, sheet, tick, base=base, skip=skip, reachable=is_reachable)
    files = [write_file(html, render(made))] if html is not None else []
    if context.as_json:
        context.echo_json({**labels_facts(made, tick.now), "files": files})
        return
    if not is_reachable:
        context.warn(f"Mind: no phone reaches {base}; set url under [pages] in farm.toml, or the codes open nothing.")
    for batch, _ in wanted:
        label = next(each for page in made.pages for each in page if each is not None and each.batch == batch)
        days = "; ".join(f"{day.what.lower()} {day.when}" for day in label.days)
        hold = f"{label.hold}. " if label.hold else ""
        context.echo(f"{hold}{label.crop}, batch {batch}, lot {label.lot or 'not entered'}, sown {label.sown}: {days}")
    pages = f"{len(made.pages)} page{'' if len(made.pages) == 1 else 's'}"
    wrote = f"Written: {html}" if html is not None else "Write them with --html FILE"
    context.echo(f"{made.count} labels of {sheet.id} mm, {pages}. {wrote}")
