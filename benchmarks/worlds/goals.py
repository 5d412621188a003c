"""What the histories come to, a world a line, and which goals are missed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from score import PARTS, Scored
from worlds import SOUND

#: Least share of nights whose 95 % intervals hold, in every world by itself; greatest share, all pooled.
HELD_LEAST, HELD_MOST = 0.92, 0.985
#: False events a pier-year, in worlds without a real step.
FALSE_A_YEAR = 0.01
#: Where the reference is sound: rms over the oracle's, and below this the oracle's counts as this [arcsec].
OVER_ORACLE, ORACLE_FLOOR = 1.15, 1.0
#: Where nothing but a reference moves, its rates are told, and rightly, in this share of histories.
REFERENCE_WORLDS, REFERENCE_TOLD = ("zero_creep", "zero_warm", "level_warm", "level_rate"), 0.5
#: Error of the nights over their sd, rms, in the world of the mirror that shifts.
NIGHT_Z = 1.2
#: The larger of two normal deviates is below this in 95 %.
LARGER_OF_TWO_95 = 2.2365
#: Share of axes now that lie within 95 %.
AXIS_NOW_HELD = 0.92


@dataclass(frozen=True)
class Line:
    """One world."""

    name: str
    histories: int
    unanswered: int
    years: float
    nights: int
    held: np.ndarray
    worst: float  # the least share held of one history and part
    rms: np.ndarray
    sd: np.ndarray
    oracle: np.ndarray
    night_z: float
    axis_known: int
    axis_held: float
    axis_worst_z: float
    axis_sd: float
    true: int
    missed: int
    named: int
    wrong: int
    false: int
    still_false: int  # of them, in histories without any true step
    still_years: float
    extra: int
    accused: int
    references: int
    told: int
    rivals: int
    warned: int
    nulls: int
    seconds: float


def line_of(rows: Sequence[Scored]) -> Line:
    """Pool the histories of a world."""
    kept = [r for r in rows if r.error.shape[0]]
    error = np.concatenate([r.error for r in kept] or [np.zeros((0, 4))])
    held = np.concatenate([r.held for r in kept] or [np.zeros((0, 4), dtype=bool)])
    z = np.concatenate([r.night_z for r in rows])
    now = np.array([r.axis_now_z for r in rows if r.axis_now_z is not None])
    counted = ("true", "missed", "named", "wrong", "false", "extra", "accused", "nulls")
    with np.errstate(invalid="ignore"):
        return Line(
            name=rows[0].name,
            histories=len(rows),
            unanswered=sum(not r.answered for r in rows),
            years=sum(r.years for r in rows),
            nights=sum(r.nights for r in rows),
            held=_mean(held),
            worst=min((float(r.held.mean(axis=0).min()) for r in kept), default=float("nan")),
            rms=np.sqrt(_mean(error**2)),
            sd=_mean(np.concatenate([r.sd for r in kept] or [np.zeros((0, 4))])),
            oracle=np.sqrt(_mean(np.concatenate([r.oracle for r in rows]) ** 2)),
            night_z=float(np.sqrt(np.mean(z**2))) if z.size else float("nan"),
            axis_known=now.size,
            axis_held=float(np.mean(now <= LARGER_OF_TWO_95)) if now.size else float("nan"),
            axis_worst_z=float(now.max()) if now.size else float("nan"),
            axis_sd=float(np.median([r.axis_now_sd for r in rows if r.axis_now_sd is not None] or [np.nan])),
            still_false=sum(r.false for r in rows if not r.true),
            still_years=sum(r.years for r in rows if not r.true),
            references=sum(r.references_said for r in rows),
            told=sum(_told(r) for r in rows),
            rivals=sum(r.rivals_said for r in rows),
            warned=sum(r.warned for r in rows),
            seconds=float(np.mean([r.seconds for r in rows])),
            **{name: sum(getattr(r, name) for r in rows) for name in counted},
        )


def _mean(values: np.ndarray) -> np.ndarray:
    return values.mean(axis=0) if values.shape[0] else np.full(values.shape[1:], np.nan)


def _told(row: Scored) -> bool:
    """Whether each reference that moves is said to, with a value that the truth allows."""
    moving = [one for one in row.references.values() if one[0]]
    return bool(moving) and all(abs(v) > 2.0 * sd and abs(v - true) < 3.0 * sd for true, v, sd in moving)


HEAD = (
    "world             n years | 95 % held: N    E   az  alt worst | rms:  N     E    az   alt |"
    " sd:  N     E    az   alt | oracle N    E | nights | axis now: known held worst    sd |"
    " steps miss named wrong false extra | accused told rivals warned |  s"
)


def text_of(line: Line) -> str:
    """Return a world's line of the table."""
    held = " ".join(f"{v:4.2f}" for v in line.held)
    rms, sd = (" ".join(f"{v:5.1f}" for v in values) for values in (line.rms, line.sd))
    oracle = " ".join(f"{v:4.1f}" for v in line.oracle[:2])
    return (
        f"{line.name:16s} {line.histories:2d} {line.years:5.0f} |      {held}  {line.worst:4.2f} | "
        f"{rms} | {sd} |   {oracle} | {line.night_z:6.2f} |        "
        f"{line.axis_known:3d}  {line.axis_held:4.2f} {line.axis_worst_z:6.1f} {line.axis_sd:6.1f} |"
        f" {line.true:4d} {line.missed:4d} {line.named:5d} {line.wrong:5d} {line.false:5d} {line.extra:5d} |"
        f" {line.accused:4d}  {line.told:4d} {line.rivals:5d} {line.warned:5d} | {line.seconds:4.1f}"
        + (f"  {line.unanswered} NOT ANSWERED" if line.unanswered else "")
        + (f"  {line.nulls} nights not known" if line.nulls else "")
    )


@dataclass(frozen=True)
class Goal:
    """A goal, what was reached, and whether that is enough."""

    what: str
    value: str
    reached: bool


def goals_of(lines: Sequence[Line], rows: Sequence[Scored]) -> list[Goal]:
    """Judge all goals that these worlds can show."""
    out: list[Goal] = []
    for line in lines:
        known = line.held[np.isfinite(line.held)]
        if known.size:
            low = float(known.min())
            out.append(
                Goal(f"{line.name}: 95 % hold in at least {HELD_LEAST}", f"{low:.3f}", low >= HELD_LEAST)
            )
        out += _world_goals(line)
    pooled = float(np.concatenate([r.held for r in rows]).mean())
    out.append(Goal(f"all worlds: 95 % hold in at most {HELD_MOST}", f"{pooled:.3f}", pooled <= HELD_MOST))
    wrong, named = sum(line.wrong for line in lines), sum(line.named for line in lines)
    out.append(Goal("all worlds: wrong culprits at ten to one: none", f"{wrong} of {named}", wrong == 0))
    return out


def _world_goals(line: Line) -> list[Goal]:
    out = []
    if line.still_years:
        rate = line.still_false / line.still_years
        out.append(
            Goal(
                f"{line.name}: false events under {FALSE_A_YEAR} a pier-year",
                f"{line.still_false} in {line.still_years:.0f} years",
                rate < FALSE_A_YEAR,
            )
        )
    if line.extra or line.name == "shock":
        out.append(Goal(f"{line.name}: a shock is one event", f"{line.extra} more", line.extra == 0))
    if line.unanswered:
        out.append(Goal(f"{line.name}: every history is answered", f"{line.unanswered} not", False))
    if line.accused:
        out.append(Goal(f"{line.name}: nobody still is accused", f"{line.accused}", False))
    if line.name in SOUND and np.all(np.isfinite(line.oracle)):
        ratio = line.rms / np.maximum(line.oracle, ORACLE_FLOOR)
        worst = int(np.argmax(ratio))
        value = f"{ratio[worst]:.2f} ({PARTS[worst]})"
        out.append(
            Goal(
                f"{line.name}: rms within {OVER_ORACLE} of the oracle (at least {ORACLE_FLOOR:g} arcsec)",
                value,
                bool(ratio[worst] <= OVER_ORACLE),
            )
        )
    if line.name == "mirror":
        out.append(
            Goal(
                f"mirror: nights' errors within {NIGHT_Z} sd", f"{line.night_z:.2f}", line.night_z <= NIGHT_Z
            )
        )
    if line.name == "star_model":
        out.append(Goal("star_model: axis not known", f"{line.axis_known} said", line.axis_known == 0))
    elif line.axis_known:
        out.append(
            Goal(
                f"{line.name}: axis now within 95 % in at least {AXIS_NOW_HELD}",
                f"{line.axis_held:.2f}",
                line.axis_held >= AXIS_NOW_HELD,
            )
        )
    if line.name in REFERENCE_WORLDS:
        out.append(
            Goal(
                f"{line.name}: what the reference does is told in at least {REFERENCE_TOLD:g} of histories",
                f"{line.told} of {line.histories}",
                line.told >= REFERENCE_TOLD * line.histories,
            )
        )
    if line.name == "rivals":
        out.append(
            Goal(
                "rivals: the answer names them",
                f"{line.rivals} of {line.histories}",
                line.rivals == line.histories,
            )
        )
    if line.name == "j2000":
        out.append(
            Goal(
                "j2000: the warning stands with the answer",
                f"{line.warned} of {line.histories}",
                line.warned == line.histories,
            )
        )
    return out


def pooled_text(lines: Sequence[Line], rows: Sequence[Scored]) -> str:
    """Return what all worlds come to together."""
    held = np.concatenate([r.held for r in rows])
    worst = min(lines, key=lambda line: np.nan_to_num(line.held, nan=1.0).min())
    return (
        f"all {len(rows)} histories: 95 % hold in {held.mean():.3f} "
        f"(N {held[:, 0].mean():.3f}, E {held[:, 1].mean():.3f}, "
        f"az {held[:, 2].mean():.3f}, alt {held[:, 3].mean():.3f}), "
        f"worst world {worst.name} ({np.nanmin(worst.held):.3f}); "
        f"wrong culprits {sum(x.wrong for x in lines)} of {sum(x.named for x in lines)} named, "
        f"missed {sum(x.missed for x in lines)} of {sum(x.true for x in lines)}, "
        f"false {sum(x.still_false for x in lines)} in {sum(x.still_years for x in lines):.0f} years "
        "without a step"
    )


def as_data(lines: Sequence[Line], rows: Sequence[Scored], goals: Sequence[Goal]) -> dict[str, Any]:
    """Return everything as plain data for `--json`."""
    return {
        "worlds": [_plain(vars(line)) for line in lines],
        "goals": [_plain(vars(goal)) for goal in goals],
        "histories": [_history(row) for row in rows],
    }


def _history(row: Scored) -> dict[str, Any]:
    out = _plain({k: v for k, v in vars(row).items() if k not in ("error", "sd", "oracle", "night_z")})
    if row.error.shape[0]:
        with np.errstate(invalid="ignore"):
            out["held"] = _plain(row.held.mean(axis=0))
            out["rms"] = _plain(np.sqrt(np.mean(row.error**2, axis=0)))
            out["mean_sd"] = _plain(row.sd.mean(axis=0))
            out["oracle_rms"] = _plain(np.sqrt(np.mean(row.oracle**2, axis=0)) if row.oracle.size else None)
            out["night_z"] = _plain(np.sqrt(np.mean(row.night_z**2)) if row.night_z.size else None)
    return dict(out)


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    if isinstance(value, np.ndarray):
        return [_plain(v) for v in value.tolist()]
    if isinstance(value, (float, np.floating)):
        return round(float(value), 4) if np.isfinite(value) else None
    if isinstance(value, (np.integer, np.bool_)):
        return value.item()
    return value
