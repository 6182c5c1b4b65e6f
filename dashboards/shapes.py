"""The shapes of the JSON facts, as types from which the OpenAPI document is made; pure.

A crop profile's shape is `monitor.profiles.Profile` itself. Instants are RFC 3339, days ISO 8601.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal, NotRequired, TypedDict

from msgspec import Meta

from dashboards.records import RecordSection
from monitor.profiles import Profile

Day = Annotated[str, Meta(description="A local day.", extra_json_schema={"format": "date"})]
Instant = Annotated[str, Meta(description="An instant.", extra_json_schema={"format": "date-time"})]
Anything = dict[str, Any]


class Refusal(TypedDict):
    """What is said where a wish cannot be met: what is wrong, and how to mend it."""

    error: str


class HoldShape(TypedDict):
    """A hold of a seed lot or of a batch."""

    entry: int
    lot: str | None
    batch: str | None
    why: str
    by: str
    at: Instant
    ended_at: Instant | None
    ended_by: str | None
    ended_why: str | None


class GoneShape(TypedDict):
    """A delivery of what is on hold."""

    batch: str
    crop: str
    at: Instant
    whom: str | None
    trays: int
    grams: float | None
    living: bool
    entry: int


class HereShape(TypedDict):
    """Trays on hold that have not left."""

    batch: str
    crop: str
    trays: int
    spot: str | None
    cut: bool


class ThrownShape(TypedDict):
    """One discard of what is on hold."""

    batch: str
    crop: str
    at: Instant
    trays: int
    why: str
    by: str
    entry: int


class HoldReach(HoldShape):
    """A hold with all that it reaches."""

    batches: list[str]
    gone_out: list[GoneShape]
    thrown_away: list[ThrownShape]
    still_here: list[HereShape]
    seed_left_g: float | None


class Holds(TypedDict):
    """What is on hold."""

    schema: Literal["traywarden.holds/1"]
    holds: list[HoldReach]


class TraysAt(TypedDict):
    """Trays at one place that a task means."""

    trays: int
    spot: str | None
    stack: str | None
    name: str


class TaskShape(TypedDict):
    """One thing to do."""

    key: str
    kind: str
    batch: str
    crop: str
    day: int
    trays: int
    where: list[TraysAt]
    earliest_on: Day
    usual_on: Day
    latest_on: Day
    ask_at: Instant
    standing: Literal["may be done", "due", "last day", "past the latest day"]
    not_yet_until: Instant | None
    move: str
    why: str
    cautions: list[str]
    answer: str
    water_ml: int


class HeldBatch(TypedDict):
    """A batch on hold."""

    batch: str
    crop: str
    holds: list[HoldShape]


class Rounds(TypedDict):
    """What is to be done now, at the next round and tomorrow."""

    schema: Literal["traywarden.rounds/1"]
    at: Instant
    next_round_at: Instant
    on_hold: list[HeldBatch]
    due: list[TaskShape]
    may_be_done: list[TaskShape]
    next_round: list[TaskShape]
    tomorrow: list[TaskShape]


class SpanShape(TypedDict):
    """One phase: behind, now or ahead."""

    phase: str
    manner: str | None
    begins_on: Day
    began_at: Instant | None
    ends_on: Day | None
    known_by: Literal["entered", "presumed", "expected"]
    move: str | None
    earliest_on: Day | None
    usual_on: Day | None
    latest_on: Day | None


class PartShape(TypedDict):
    """Trays of a batch that share place and history."""

    trays: int
    fate: Literal["standing", "cut", "delivered", "discarded"]
    spot: str | None
    stack: str | None
    phase: SpanShape | None
    watered_at: Instant | None
    ended_at: Instant | None
    lifted_early: bool


class BatchShape(TypedDict):
    """A batch as its entries tell it."""

    id: str
    crop: str
    name: str
    soaked_at: Instant | None
    sown_at: Instant | None
    day: int | None
    lot: str | None
    supplier: str | None
    treated: bool | None
    tray_kind: str | None
    seed_g_per_tray: float | None
    sown: int
    standing: int
    cut: int
    delivered: int
    discarded: int
    parts: list[PartShape]
    on_hold: list[HoldShape]
    next: list[str]


class Batches(TypedDict):
    """The batches that stand, or all."""

    schema: Literal["traywarden.batches/1"]
    batches: list[BatchShape]


class EntryShape(TypedDict):
    """An entry of the ledger."""

    id: int
    kind: str
    at: Instant
    recorded_at: Instant
    by: str
    batch: str | None
    trays: int | None
    spot: str | None
    stack: str | None
    corrects: int | None
    data: Anything


class MeasuredShape(TypedDict):
    """What is known of one quantity for trays at a place."""

    quantity: str
    sensors: list[str]
    says: str | None
    value: float | None
    sensor: str | None
    at: Instant | None


class MeasuredAt(TypedDict):
    """What the sensors say of a batch's trays at one place."""

    spot: str | None
    now: list[MeasuredShape]


class BatchStory(TypedDict):
    """One batch: its trays, its days, and every entry."""

    schema: Literal["traywarden.batch/1"]
    batch: BatchShape
    days: list[SpanShape]
    measured: list[MeasuredAt]
    entries: list[EntryShape]


class AlarmShape(TypedDict):
    """A condition that is wrong, or was; the state is the standard's, ``says`` the grower's."""

    key: str
    alarm: str
    state: Literal[
        "normal",
        "unacknowledged",
        "acknowledged",
        "returned unacknowledged",
        "shelved",
        "suppressed by design",
        "out of service",
    ]
    says: str
    priority: Literal["low", "medium", "urgent"]
    spot: str
    batch: str | None
    sensor: str | None
    first_at: Instant
    last_change_at: Instant
    cause: str
    consequence: str
    action: str


class Alarms(TypedDict):
    """What is wrong, or was in the last two days."""

    schema: Literal["traywarden.alarms/1"]
    alarms: list[AlarmShape]


class ReadyShape(TypedDict):
    """One crop on one coming day."""

    on: Day
    crop: str
    ready: int
    ready_living: int
    promised: int
    lacking: int
    free: int
    free_living: int
    batches: list[str]


class Ready(TypedDict):
    """What will be ready on coming days."""

    schema: Literal["traywarden.ready/1"]
    days: list[Day]
    ready: list[ReadyShape]


class SowDayShape(TypedDict):
    """A day of sowing with its hours."""

    on: Day
    sow_at: Instant
    soak_at: Instant | None


DaysFrom = TypedDict(
    "DaysFrom",
    {
        "opens": int,
        "usual": int,
        "closes": int,
        "living_until": int,
        "from": str,
        "batches": int,
    },
)


class SowByShape(TypedDict):
    """When to sow, and how many."""

    trays: int
    to_sow: int
    spare: int
    loss_pct: float
    loss_from: str
    earliest: SowDayShape
    usual: SowDayShape
    latest: SowDayShape
    days: DaysFrom


SowBy = TypedDict(
    "SowBy",
    {
        "schema": Literal["traywarden.sow-by/1"],
        "crop": str,
        "for": Day,
        "living": bool,
        "too_late": bool,
        "sown_today_ready_from": Day,
        "seed_g": int,
        "trays": int,
        "to_sow": int,
        "spare": int,
        "loss_pct": float,
        "loss_from": str,
        "earliest": SowDayShape,
        "usual": SowDayShape,
        "latest": SowDayShape,
        "days": DaysFrom,
    },
)

PromiseShape = TypedDict(
    "PromiseShape",
    {
        "id": str,
        "crop": str,
        "trays": int,
        "whom": str,
        "living": bool,
        "for": Day,
        "every_days": int | None,
        "says": str,
        "ends_on": Day | None,
        "entries": list[int],
    },
)


class CoverShape(TypedDict):
    """Something owed on one day, and what stands for it."""

    promise: str
    on: Day
    crop: str
    trays: int
    whom: str
    living: bool
    delivered: int
    stands: int
    lacking: int
    batches: list[str]
    state: Literal["delivered", "stands", "to sow", "too late", "unknown crop"]
    says: str
    sow: SowByShape | None


class Promises(TypedDict):
    """What is promised to whom, and what stands for each day of it."""

    schema: Literal["traywarden.promises/1"]
    until: Day
    promises: list[PromiseShape]
    days: list[CoverShape]


SownShape = TypedDict(
    "SownShape",
    {
        "on": Day,
        "sow_at": Instant,
        "soak_at": Instant | None,
        "usual_on": Day,
        "crop": str,
        "trays": int,
        "spare": int,
        "promise": str,
        "whom": str,
        "for": Day,
        "living": bool,
        "seed_g": int,
        "lot": str | None,
    },
)

UnmetShape = TypedDict(
    "UnmetShape",
    {
        "promise": str,
        "whom": str,
        "for": Day,
        "crop": str,
        "trays": int,
        "why": list[str],
        "places_full_on": list[Day],
        "trays_short_on": list[Day],
        "says": str,
    },
)


class BerthShape(TypedDict):
    """Places on a shelf for some days."""

    shelf: str
    name: str
    crop: str
    batch: str | None
    sown_on: Day | None
    first: Day
    last: Day
    places: int
    piled: bool


class PlanDay(TypedDict):
    """What a day of the plan needs."""

    on: Day
    trays: dict[str, int]
    in_use: int
    places: int
    places_free: int | None


class PlanSeed(TypedDict):
    """Seed of one crop for the whole plan."""

    crop: str
    lot: str | None
    grams: int
    left_g: float | None


class PlanMedium(TypedDict):
    """Medium for the whole plan."""

    name: str
    trays: int
    litres: float | None


Plan = TypedDict(
    "Plan",
    {
        "schema": Literal["traywarden.plan/1"],
        "from": Day,
        "until": Day,
        "promised": int,
        "stands": int,
        "met": int,
        "unmet": int,
        "chosen": bool,
        "met_at_most": int | None,
        "sow": list[SownShape],
        "not_met": list[UnmetShape],
        "room": list[BerthShape],
        "days": list[PlanDay],
        "places": int | None,
        "trays_owned": int | None,
        "trays_in_pile": int,
        "seed": list[PlanSeed],
        "medium": PlanMedium,
    },
)


class TestShape(TypedDict):
    """A germination test."""

    at: Instant
    by: str
    entry: int
    germinated: int
    seeds: int
    share_pct: float
    share_95_pct: list[float]
    label_pct: float | None
    tolerance_points: float | None
    differs_from_label: bool


class LotShape(TypedDict):
    """A seed lot."""

    lot: str
    crop: str | None
    supplier: str | None
    treated: bool | None
    bought_g: float | None
    sown_g: float
    left_g: float | None
    packed_on: Day | None
    use_by: Day | None
    on_hold: str | None
    batches: list[str]
    tests: list[TestShape]


class Lots(TypedDict):
    """Which seed there is."""

    schema: Literal["traywarden.lots/1"]
    lots: list[LotShape]


class SensorShape(TypedDict):
    """A sensor with what it last said."""

    sensor: str
    quantity: str
    spot: str
    under_cover: bool
    value: float | None
    at: Instant | None
    flag: int | None
    out_of_service: bool
    set_up: str


class Sensors(TypedDict):
    """All sensors, in walking order."""

    schema: Literal["traywarden.sensors/1"]
    sensors: list[SensorShape]


class WaterShape(TypedDict):
    """The water of trays at one place; the amounts only where it is known."""

    batch: str
    crop: str
    spot: str | None
    trays: int
    phase: str
    covered: bool
    known_by: str | None
    scale: str | None
    doubt: str | None
    due: bool
    poured_at: Instant | None
    stands_in_water_since: Instant | None
    left: NotRequired[float]
    left_80: NotRequired[list[float]]
    deficit_g: NotRequired[int]
    pour_ml: NotRequired[int]
    plants_g: NotRequired[int]
    hours_to_refill: NotRequired[float]
    hours_to_refill_80: NotRequired[list[float]]
    hours_to_limp: NotRequired[float]
    hours_to_limp_80: NotRequired[list[float]]
    lit_g_per_h: NotRequired[float]
    dark_g_per_h: NotRequired[float]


class Dry(TypedDict):
    """What is dry, how much to pour now, and when the rest will be."""

    schema: Literal["traywarden.dry/1"]
    at: Instant
    next_round_at: Instant
    pour_ml_in_all: int
    trays: list[WaterShape]


class Profiles(TypedDict):
    """The crops that are known."""

    schema: Literal["traywarden.profiles/1"]
    profiles: list[Profile]


class OneProfile(TypedDict):
    """What one crop needs, each figure with its source."""

    schema: Literal["traywarden.profile/1"]
    profile: Profile


CoverDays = TypedDict(
    "CoverDays",
    {
        "person": str,
        "standin": str,
        "from": Day,
        "to": Day,
        "note": str,
        "entry": int,
        "by": str,
        "now": bool,
    },
)


class Covers(TypedDict):
    """Who stands in for whom."""

    schema: Literal["traywarden.covers/1"]
    covers: list[CoverDays]


class ActiveAlarm(TypedDict):
    """An alarm that is wrong now."""

    key: str
    state: str
    priority: str
    since: Instant
    cause: str
    action: str


class Undelivered(TypedDict):
    """A message that did not get through."""

    key: str
    person: str
    channel: str
    title: str
    attempts: int
    why: str | None
    next_try_at: Instant | None
    given_up_at: Instant | None


class SeenShape(TypedDict):
    """What a scale saw that nobody has entered."""

    key: str
    deed: str
    at: Instant
    batch: str
    scale: str
    would_be: str
    data: Anything


class Seen(TypedDict):
    """What the scales saw that waits for a word."""

    schema: Literal["traywarden.seen/1"]
    seen: list[SeenShape]


class LitDay(TypedDict):
    """How long a place was lit on one day, and how much light that was."""

    day: Day
    lit_h: float
    dark_h: float
    unknown_h: float
    mol_m2: float | None


class LightAt(TypedDict):
    """What one light sensor tells."""

    sensor: str
    spot: str
    days: list[LitDay]


class Light(TypedDict):
    """How long each place was lit, day by day."""

    schema: Literal["traywarden.light/1"]
    sensors: list[LightAt]


class Records(TypedDict):
    """What others ask to see; it is no certificate, and says so."""

    schema: Literal["traywarden.records/1"]
    farm: str
    from_on: Day
    to_on: Day
    span: str
    printed: str
    sections: list[RecordSection]
    replaced: int
    no_certificate: str
    files: list[str]


class FeedAt(TypedDict):
    """A Modbus line or watched folder that a collector reads, and what is wrong with it."""

    name: str
    trouble: str | None


class CollectorAt(TypedDict):
    """One of several processes that take in readings; counts are since its start, as it wrote them last."""

    name: str
    host: str
    running: bool
    stopped: bool
    started_at: Instant
    last_sign_at: Instant
    listens: bool
    broker_connected: bool
    readings: int
    quarantined: int
    waiting: int
    refused: int
    trouble: str | None
    feeds: list[FeedAt]


class WatcherAt(TypedDict):
    """One of several processes that watch a farm's rooms."""

    name: str
    host: str
    running: bool
    stopped: bool
    last_sign_at: Instant
    rooms: list[str]
    has_no_room: bool
    stands_by: list[str]


class UnwatchedRoom(TypedDict):
    """A room that no watcher has now."""

    room: str
    since: Instant | None


class Status(TypedDict):
    """How the monitor is."""

    schema: Literal["traywarden.status/2"]
    at: Instant
    running: bool
    unread: int
    service: Anything | None
    collectors: list[CollectorAt]
    watchers: list[WatcherAt]
    unwatched: list[UnwatchedRoom]
    alarms: list[ActiveAlarm]
    undelivered: list[Undelivered]
