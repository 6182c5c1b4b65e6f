"""Which commands there are, what each says of itself, and where it stands; nothing is imported here."""

from __future__ import annotations

from typing import NamedTuple


class Known(NamedTuple):
    """One command: the section of the help that it stands in, its one-line help, and ``module:attribute``."""

    section: str
    says: str
    where: str


START = "To begin"
WALK = "On the walk"
SOWING = "Sowing and stacking"
TRAYS = "Trays in the room"
LEAVING = "What leaves the room"
AHEAD = "What is coming"
BOOK = "The book"
ROOM = "The monitor"

SECTIONS = (START, WALK, SOWING, TRAYS, LEAVING, AHEAD, BOOK, ROOM)

COMMANDS: dict[str, Known] = {
    "demo": Known(START, "Run a simulated cellar through 14 days in a minute.", "monitor.cli.demo:demo"),
    "init": Known(START, "Write a farm.toml by answering a few questions.", "monitor.cli.init:init"),
    "check": Known(START, "Look over farm.toml, profiles and broker; list every fault.", "monitor.cli.check:check"),
    "keys": Known(START, "List every key that farm.toml may hold.", "monitor.cli.check:keys"),
    "profiles": Known(START, "List the crops that are known, and what each needs.", "monitor.cli.profiles:profiles"),
    "rounds": Known(WALK, "What is to be done now, next and tomorrow.", "monitor.cli.rounds:rounds"),
    "done": Known(WALK, "Answer a whole round, or one shelf, at once.", "monitor.cli.done:done"),
    "undo": Known(WALK, "Take back what was entered last.", "monitor.cli.done:undo"),
    "sheet": Known(WALK, "The rounds of the next days on paper.", "monitor.cli.sheet:sheet"),
    "enter": Known(WALK, "Enter what was ticked on the sheet.", "monitor.cli.sheet:enter"),
    "dry": Known(WALK, "What is dry, how much to pour, when the rest will be.", "monitor.cli.dry:dry"),
    "seen": Known(WALK, "What the scales saw that nobody has entered.", "monitor.cli.seen:seen"),
    "confirm": Known(WALK, "Enter what the scales saw.", "monitor.cli.seen:confirm"),
    "refuse": Known(WALK, "Say that the scales saw something else.", "monitor.cli.seen:refuse"),
    "alarms": Known(WALK, "What is wrong in the room, or was lately.", "monitor.cli.alarms:alarms"),
    "heard": Known(WALK, "Say that you have heard of it, and are on it.", "monitor.cli.alarms:heard"),
    "shelve": Known(WALK, "Put an alarm aside for a time.", "monitor.cli.alarms:shelve"),
    "accept": Known(WALK, "Live with a room that cannot reach a band.", "monitor.cli.alarms:accept"),
    "not-yet": Known(WALK, "Answer a task with not yet.", "monitor.cli.verbs_book:not_yet"),
    "look": Known(WALK, "A stack was looked into.", "monitor.cli.verbs_trays:look"),
    "lift": Known(WALK, "How a tray feels in the hand: heavy, right or light.", "monitor.cli.verbs_trays:lift"),
    "note": Known(WALK, "Write something down about a batch.", "monitor.cli.verbs_trays:note"),
    "soak": Known(SOWING, "Seed was put to soak.", "monitor.cli.verbs_sow:soak"),
    "drain": Known(SOWING, "A soak was drained.", "monitor.cli.verbs_trays:drain"),
    "sow": Known(SOWING, "Trays were sown, or an earlier day's sowing again.", "monitor.cli.verbs_sow:sow"),
    "lot": Known(SOWING, "A seed lot was bought.", "monitor.cli.lots:lot"),
    "lots": Known(SOWING, "Which seed there is, whose, how old, and how much is left.", "monitor.cli.lots:lots"),
    "germination": Known(SOWING, "A germination test was counted.", "monitor.cli.lots:germination"),
    "labels": Known(SOWING, "Tray labels to print, with a code that opens the batch.", "monitor.cli.labels:labels"),
    "stack": Known(SOWING, "Trays were piled up, or covered, in the dark.", "monitor.cli.verbs_trays:stack"),
    "uncover": Known(TRAYS, "Weight or cover came off.", "monitor.cli.verbs_trays:uncover"),
    "lights": Known(TRAYS, "The blackout ended.", "monitor.cli.verbs_trays:lights"),
    "water": Known(TRAYS, "Trays were watered.", "monitor.cli.verbs_trays:water"),
    "weigh": Known(TRAYS, "A tray was weighed.", "monitor.cli.verbs_trays:weigh"),
    "move": Known(TRAYS, "Trays stand somewhere else now.", "monitor.cli.verbs_trays:move"),
    "harvest": Known(LEAVING, "Trays were cut.", "monitor.cli.verbs_leave:harvest"),
    "deliver": Known(LEAVING, "Trays, or what was cut, went out.", "monitor.cli.verbs_leave:deliver"),
    "discard": Known(LEAVING, "Trays were thrown away.", "monitor.cli.verbs_leave:discard"),
    "hold": Known(LEAVING, "Put a seed lot or a batch on hold: no cutting, no delivery.", "monitor.cli.holds:hold"),
    "release": Known(LEAVING, "End a hold, with a reason and a name.", "monitor.cli.holds:release"),
    "holds": Known(LEAVING, "What is on hold, and what of it has gone out.", "monitor.cli.holds:holds"),
    "outcome": Known(LEAVING, "How a batch turned out: stand, evenness, what was seen.", "monitor.cli.outcome:outcome"),
    "clean": Known(LEAVING, "A place was cleared and washed.", "monitor.cli.verbs_leave:clean"),
    "ready": Known(AHEAD, "What will be ready on coming days, and what is free.", "monitor.cli.ahead:ready"),
    "promise": Known(AHEAD, "Trays are promised to somebody.", "monitor.cli.promise:promise"),
    "promises": Known(AHEAD, "What is promised, and what stands for it.", "monitor.cli.promises:promises"),
    "sow-by": Known(AHEAD, "When to sow, and soak, for a day.", "monitor.cli.ahead:sow_by_command"),
    "plan": Known(AHEAD, "What to sow on which day for all promises.", "monitor.cli.plan:plan"),
    "calendar": Known(AHEAD, "The coming tasks in your phone's own calendar.", "monitor.cli.calendar:calendar"),
    "batches": Known(BOOK, "What stands, where, in which phase.", "monitor.cli.batches:batches"),
    "batch": Known(BOOK, "One batch's whole story.", "monitor.cli.batches:batch"),
    "record": Known(BOOK, "A cold-store temperature, a water test, a hand-over line.", "monitor.cli.records:record"),
    "records": Known(BOOK, "What others ask to see, as a page or a table.", "monitor.cli.records:records"),
    "correct": Known(BOOK, "Correct or withdraw an entry.", "monitor.cli.verbs_book:correct"),
    "lookback": Known(
        BOOK, "What a batch lived through, and what went wrong by the record.", "monitor.cli.lookback:lookback"
    ),
    "season": Known(BOOK, "How many batches came out, by crop, lot, place and month.", "monitor.cli.season:season"),
    "trace": Known(BOOK, "What a recall needs: one step back, one step forward.", "monitor.cli.season:trace"),
    "light": Known(BOOK, "How long each place was lit, day by day.", "monitor.cli.light:light"),
    "replay": Known(ROOM, "What recorded readings would have brought, by other limits.", "monitor.cli.replay:replay"),
    "cover": Known(ROOM, "Hand somebody's rounds to a stand-in for some days.", "monitor.cli.people:cover"),
    "covers": Known(ROOM, "Who stands in for whom; what happened meanwhile.", "monitor.cli.people:covers"),
    "run": Known(ROOM, "Listen, judge and nudge until stopped.", "monitor.cli.run:run"),
    "serve": Known(ROOM, "Serve the pages alone.", "monitor.cli.serve:serve"),
    "password": Known(ROOM, "Set somebody's password for the pages.", "monitor.cli.letin:password"),
    "token": Known(ROOM, "Let a program or a device in to the pages.", "monitor.cli.letin:token"),
    "collect": Known(ROOM, "One of several collectors that share the messages.", "monitor.cli.collect:collect"),
    "watch": Known(ROOM, "One of several watchers that share the rooms.", "monitor.cli.watch:watch"),
    "status": Known(ROOM, "How the monitor is.", "monitor.cli.run:status"),
    "try-channels": Known(ROOM, "Send everyone a test message.", "monitor.cli.channels:try_channels"),
    "sensors": Known(ROOM, "What each sensor last said, and how it is.", "monitor.cli.sensors:sensors"),
    "unread": Known(ROOM, "What came in and could not be read, and why; try it again.", "monitor.cli.unread:unread"),
    "registers": Known(ROOM, "Read each Modbus register once, and show it.", "monitor.cli.registers:registers"),
    "calibrate": Known(ROOM, "Check a sensor in ice or over salts.", "monitor.cli.calibrate:calibrate"),
    "scale": Known(ROOM, "Set up the scales under trays, and list them.", "monitor.cli.scale:scale"),
    "out-of-service": Known(ROOM, "Take a sensor out of service for a time.", "monitor.cli.alarms:out_of_service"),
    "import": Known(ROOM, "Bring in readings from a logger's file or an export.", "monitor.cli.import_:import_"),
    "export": Known(ROOM, "Write readings to a CSV, Parquet or SenML file.", "monitor.cli.export:export"),
    "inspect": Known(ROOM, "Whether what is kept is whole; gaps, clocks, disk.", "monitor.cli.inspect_:inspect_"),
    "compact": Known(ROOM, "Pack older readings into files now.", "monitor.cli.compact:compact"),
    "rebuild": Known(ROOM, "Work out the rolled-up readings afresh.", "monitor.cli.rebuild:rebuild"),
    "migrate": Known(ROOM, "Copy all readings into InfluxDB, or back.", "monitor.cli.migrate:migrate"),
    "backup": Known(ROOM, "Copy ledger and readings into one file.", "monitor.cli.backup:backup"),
    "restore": Known(ROOM, "Put a backup in place.", "monitor.cli.backup:restore"),
    "unit-file": Known(ROOM, "Print a systemd unit for this farm.", "monitor.cli.unitfile:unit_file"),
}
