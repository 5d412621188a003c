"""One history judged against the truth."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import numpy as np
from course import Step
from worlds import World

PARTS = ("tilt_north", "tilt_east", "mount_az", "mount_alt")
#: Two-sided 95 % of a normal law.
NORMAL_95 = 1.959964
#: An event belongs to a true one when they lie within this [days].
NEAR_DAYS = 40.0
#: Events within this after a shock that comes partly back belong to it, and are too many [days].
RECOVERY_DAYS = 200.0
#: A part that never moved further than this is not to be accused [arcsec].
STILL = 8.0


@dataclass
class Scored:
    """What one history gave.  Arrays hold a row a night after the first, a column a part [arcsec]."""

    name: str
    seed: int
    answered: bool
    nights: int = 0
    years: float = 0.0
    error: np.ndarray = field(default_factory=lambda: np.zeros((0, 4)))
    sd: np.ndarray = field(default_factory=lambda: np.zeros((0, 4)))
    oracle: np.ndarray = field(default_factory=lambda: np.zeros((0, 4)))
    night_z: np.ndarray = field(default_factory=lambda: np.zeros(0))
    nulls: int = 0
    axis_now_z: float | None = None  # the larger of the two; None where the axis is said to be unknown
    axis_now_sd: float | None = None
    wrong: int = 0  # a part named at ten to one that did not move
    named: int = 0
    false: int = 0  # events that never were, unrecorded
    true: int = 0
    missed: int = 0
    extra: int = 0  # further events made of one shock
    accused: bool = False  # the verdict names a part that never moved
    references: dict[str, tuple[float, float, float]] = field(default_factory=dict)  # true, found, sd
    references_said: bool = False
    rivals_said: bool = False
    warned: bool = False
    seconds: float = 0.0
    verdict: str = ""
    events: list[str] = field(default_factory=list)

    @property
    def held(self) -> np.ndarray:
        """Whether the 95 % intervals hold."""
        return np.asarray(np.abs(self.error) <= NORMAL_95 * self.sd)


def mjd_of(text: str) -> float:
    """Return the MJD of a time of the answer."""
    return datetime.fromisoformat(text.replace("Z", "+00:00")).timestamp() / 86_400.0 + 40_587.0


def pick(row: dict[str, Any], name: str) -> float:
    """Return a number of the answer by the present or the former spelling, nan where it is null."""
    value = row.get(name, row.get(name.replace("tilt", "lean")))
    return float("nan") if value is None else float(value)


def score(world: World, status: dict[str, Any] | None, seconds: float) -> Scored:
    """Judge an answer."""
    if status is None:
        return Scored(world.name, world.seed, False, years=world.days / 365.25, seconds=seconds)
    out = Scored(world.name, world.seed, True, len(status["nights"]), world.days / 365.25, seconds=seconds)
    _history(world, status, out)
    _nights(world, status, out)
    _axis_now(world, status, out)
    _events(world, status, out)
    _verdict(world, status, out)
    _references(world, status, out)
    return out


def night_rows(status: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the rows of the history that are nights; the first is what change is counted from."""
    nights = {row["time_utc"] for row in status["nights"]}
    return [row for row in status["history"] if row["time_utc"] in nights]


def _history(world: World, status: dict[str, Any], out: Scored) -> None:
    rows = night_rows(status)
    if len(rows) < 2:
        return
    day = world.day(np.array([mjd_of(row["time_utc"]) for row in rows]))
    true = np.column_stack([world.course.at(part, day) for part in PARTS])
    found = np.array([[pick(row, part) for part in PARTS] for row in rows])
    sd = np.array([[pick(row, f"{part}_sd") for part in PARTS] for row in rows])
    error = (found - true + true[0])[1:]
    known = np.all(np.isfinite(error) & np.isfinite(sd[1:]), axis=1)
    out.nulls = int(np.sum(~known))
    out.error, out.sd = error[known], sd[1:][known]


def _nights(world: World, status: dict[str, Any], out: Scored) -> None:
    rows = [row for row in status["nights"] if row["az_error"] is not None and row["alt_error"] is not None]
    if not rows:
        return
    day = world.day(np.array([mjd_of(row["time_utc"]) for row in rows]))
    z = []
    for name, true in zip(("az_error", "alt_error"), world.axis_errors(day), strict=True):
        found, sd = (np.array([pick(row, key) for row in rows]) for key in (name, f"{name}_sd"))
        z.append((found - true) / sd)
    out.night_z = np.concatenate(z)


def _axis_now(world: World, status: dict[str, Any], out: Scored) -> None:
    now = status.get("axis_now") or {}
    if now.get("az_error") is None or now.get("alt_error") is None:
        return
    # the axis now is that of the last night; levels and sensors may have been read for weeks since
    last = [row["time_utc"] for row in status["nights"] if row.get("az_error") is not None][-1]
    day = world.day(np.array([mjd_of(last)]))
    az, alt = (float(true[0]) for true in world.axis_errors(day))
    z = [
        (pick(now, name) - true) / pick(now, f"{name}_sd")
        for name, true in (("az_error", az), ("alt_error", alt))
    ]
    out.axis_now_z = float(np.max(np.abs(z)))
    out.axis_now_sd = float(np.hypot(pick(now, "az_error_sd"), pick(now, "alt_error_sd")) / np.sqrt(2.0))


MOVING = ("pier", "mount_az", "mount_alt")


def _events(world: World, status: dict[str, Any], out: Scored) -> None:
    """Match the unrecorded events of the answer with the true ones."""
    told = [e for e in status["events"] if not e.get("recorded")]
    spans = [world.day(np.array([mjd_of(e["after_utc"]), mjd_of(e["before_utc"])])) for e in told]
    ends = (status["history"][0]["time_utc"], status["history"][-1]["time_utc"])
    first, last = world.day(np.array([mjd_of(end) for end in ends]))
    left = set(range(len(told)))
    for step in (s for s in world.course.steps if s.unrecorded and first < s.day < last):
        apart = {k: max(spans[k][0] - step.day, step.day - spans[k][1], 0.0) for k in sorted(left)}
        near = [k for k, days in apart.items() if days <= NEAR_DAYS]
        if step.what == "clock":
            left -= _clock(told, near, out)
        else:
            # of several events in one gap the one that is said of this part, or has a size in it
            own = min(near, key=lambda k: (apart[k], not _is_of(told[k], step)), default=None)
            left -= _step(step, told, spans, left, own, out)
    # What is told around a recorded correction, of its knob, says how well that correction took.
    for step in (s for s in world.course.steps if not s.unrecorded):
        left -= {k for k in left if spans[k][0] <= step.day <= spans[k][1] and told[k]["what"] == step.what}
    out.false = len(left)
    for k, event in enumerate(told):
        size = {name: round(value, 1) for name, value in event["size"].items() if value}
        out.events.append(f"{'false ' * (k in left)}{event['what']} {event['before_utc'][:10]} {size}")


def _is_of(event: dict[str, Any], step: Step) -> bool:
    """Whether an event is told of what stepped, or where that isn't told, sized in it."""
    if event["what"] != "undetermined":
        return bool(event["what"] == step.what)
    return any(event["size"].get(name) for name in step.sizes)


def _step(
    step: Step, told: list[dict[str, Any]], spans: list[Any], left: set[int], own: int | None, out: Scored
) -> set[int]:
    """Judge what was made of a true step; return the events that it accounts for."""
    out.true += 1
    if own is None:
        out.missed += 1
        return set()
    what = told[own]["what"]
    if what != "undetermined":
        out.named += 1
        out.wrong += what != step.what
    if not step.back:
        return {own}
    more = {k for k in left - {own} if step.day - 5.0 <= spans[k][1] <= step.day + RECOVERY_DAYS}
    out.extra += len(more)
    return more | {own}


def _clock(told: list[dict[str, Any]], near: list[int], out: Scored) -> set[int]:
    """Judge what was made of a clock's change: whatever is said to have moved there did not."""
    blamed = {k for k in near if told[k]["what"] in MOVING}
    out.named += len(blamed)
    out.wrong += len(blamed)
    return set(near) - blamed


def _verdict(world: World, status: dict[str, Any], out: Scored) -> None:
    verdict = status["verdict"]
    out.verdict = verdict.get("sentence", "")
    day = np.linspace(0.0, world.days, 800)
    parts = {"pier": ("tilt_north", "tilt_east"), "mount": ("mount_az", "mount_alt")}
    for part, channels in parts.items():
        furthest = max(float(np.ptp(world.course.at(channel, day))) for channel in channels)
        if verdict["moved"] and verdict["part"] in (part, "both") and furthest < STILL:
            out.accused = True
    notices = status.get("notices") or status.get("warnings") or []
    out.warned = any(not isinstance(n, dict) or n.get("severity") == "warning" for n in notices)
    codes = [str(n.get("code", "")) for n in notices if isinstance(n, dict)]
    out.rivals_said = any("rival" in code for code in codes) or _has_key(status, "rivals")


def _has_key(node: Any, key: str) -> bool:
    if isinstance(node, dict):
        return bool(node.get(key)) or any(_has_key(value, key) for value in node.values())
    return isinstance(node, list) and any(_has_key(value, key) for value in node)


#: Where the answer says what each reference does: true rate of a world, then the keys that lead there.
REFERENCE_KEYS = {
    "zero_creep": ("hour_angle_zero", "creep_arcsec_per_year"),
    "zero_warmth": ("hour_angle_zero", "warmth_arcsec_per_c"),
    "level_warmth_north": ("levels", "warmth_north_arcsec_per_c"),
    "level_warmth_east": ("levels", "warmth_east_arcsec_per_c"),
    "level_rate_north": ("levels", "creep_north_arcsec_per_year"),
    "level_rate_east": ("levels", "creep_east_arcsec_per_year"),
}


def _references(world: World, status: dict[str, Any], out: Scored) -> None:
    said = status.get("references") or {}
    out.references_said = bool(said)
    for name, (where, key) in REFERENCE_KEYS.items():
        node = said.get(where)
        node = node[0] if isinstance(node, list) and node else node
        if isinstance(node, dict) and node.get(key) is not None and node.get(f"{key}_sd") is not None:
            true = world.reference_rates.get(name, 0.0)
            out.references[name] = (true, float(node[key]), float(node[f"{key}_sd"]))
