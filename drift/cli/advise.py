"""`drift advise`: what to do, step by step, and a step recorded as done."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from drift.cli.options import pier_option, site_of
from drift.cli.record import now_text, write_down

if TYPE_CHECKING:
    from drift.advice.knobs import Knob
    from drift.advice.steps import AdvisedStep
    from drift.record.record import Record
    from drift.types import Analysis, CorrectionFound


@click.command(
    "advise",
    help="Show what to do, step by step, with what past corrections did and what they teach of the knobs.\n\n"
    "A step that was done as advised is recorded by its code: `drift advise --done CODE`.  It can't be "
    "recorded twice, and what was advised for it is not advised again before a night has seen it; the other "
    "steps of the list stay until then.  What was done otherwise is recorded with `drift record`.",
)
@pier_option
@click.option(
    "--done",
    "codes",
    multiple=True,
    metavar="CODE",
    help="Record the step of this code as done as advised; give it once a step.",
)
@click.option(
    "--time", "when", metavar="TIME", help="When it was done, with Z or an offset; now, when not given."
)
@click.option("--note", default="", help="In your words; kept with what is recorded.")
@click.option("--json", "as_json", is_flag=True, help="Print the steps as JSON, in arcseconds.")
def command(pier: str | None, codes: tuple[str, ...], when: str | None, note: str, as_json: bool) -> None:
    """Print the steps, or record some of them."""
    from drift.advice.situation import situation_of
    from drift.advice.steps import steps_of, steps_of_late
    from drift.api import analyse_readings, open_record
    from drift.cli.options import working
    from drift.record.engine import now_us

    if (when is not None or note) and not codes:
        raise click.UsageError("--time and --note go with --done.")
    site, now = site_of(pier), now_us()
    with open_record(site) as record:
        with working("Working out the axis of each night and the pier's tilt"):
            analysis = analyse_readings(site, record.readings(), record, now)
        night_us = situation_of(site, analysis.nights, analysis.history, now).time_us
        steps = steps_of(analysis.advice.actions, night_us)
        if codes:
            known = {*codes} <= {step.code for step in steps}
            late: list[AdvisedStep] = []
            if not known:
                late += steps_of_late(
                    analysis.site, analysis.nights, analysis.history, now, record.latest_import_us()
                )
                late += list_as_made(analysis, record, night_us, now)
            _record(analysis, record, (steps, late), codes, when, note)
        elif as_json:
            import json

            click.echo(json.dumps(_as_mapping(analysis, steps), indent=1, allow_nan=False))
        else:
            _print(analysis, steps)


def list_as_made(analysis: Analysis, record: Record, night_us: int, now_us: int) -> tuple[AdvisedStep, ...]:
    """Return what is left of the last night's list, to the digit as it was made; () where none of it is done.

    What was recorded since changes a history by rounding alone, but that may change the last digit of an
    amount, and with it a code.
    """
    from dataclasses import replace

    from drift.advice.steps import is_as_advised, steps_of
    from drift.analysis import work_out

    if not analysis.advice.done:
        return ()
    readings = record.readings()
    made = readings["corrections"]
    since = (made["time_us"] > night_us) & made["note"].map(lambda note: is_as_advised(str(note)))
    before = replace(readings, tables={**readings.tables, "corrections": made[~since]}, readings_id="")
    whole = work_out(analysis.site, before, None, now_us, record.latest_import_us())
    left = {action.do for action in analysis.advice.actions}
    return tuple(step for step in steps_of(whole.advice.actions, night_us) if step.action.do in left)


def _record(
    analysis: Analysis,
    record: Record,
    steps: tuple[Sequence[AdvisedStep], Sequence[AdvisedStep]],
    codes: Sequence[str],
    when: str | None,
    note: str,
) -> None:
    """Record steps of now or of late by their codes, all or none.

    Raises
    ------
    drift.errors.RecordError
        If there is no step of a code, or it is recorded already.
    """
    found = [_step_of(record, *steps, code) for code in dict.fromkeys(codes)]
    time_utc = now_text() if when is None else when
    for step in found:
        rows = [{**row, "note": f"{row['note']} {note}".strip()} for row in step.rows]
        write_down(analysis.site, record, "corrections", rows, time_utc)


def _step_of(
    record: Record, steps: Sequence[AdvisedStep], late: Sequence[AdvisedStep], code: str
) -> AdvisedStep:
    from drift.advice.steps import note_of
    from drift.errors import RecordError
    from drift.render.phrases import utc_text

    for row in record.held("corrections"):
        if row.in_use and code and note_of(code) in str(row.values["note"]):
            when = utc_text(row.values["time_us"])
            raise RecordError(
                f"the step {code} is recorded already: row {row.row_id}, at {when}.  If it was not done "
                "then, `drift record edit` or `drift record withdraw` puts that right."
            )
    for step in (*steps, *late):
        if code and step.code == code:
            return step
    known = [step.code for step in steps if step.code]
    now = f"the codes now are {', '.join(known)}" if known else "no step can be recorded now"
    raise RecordError(
        f"there is no step {code!r}: {now}.  New readings or corrections may have changed the advice: look "
        "at `drift advise` again, and record what was done with `drift record`."
    )


def _print(analysis: Analysis, steps: Sequence[AdvisedStep]) -> None:
    from drift.render.advice_words import action_sentence
    from drift.render.notices import sentence

    for done in analysis.advice.done:
        click.echo(f"{sentence(done.notice)}  (step {done.step})")
    for number, step in enumerate(steps, start=1):
        mark = f"{number}. " if len(steps) > 1 else ""  # a sole step is no list
        click.echo(f"{mark}{action_sentence(step.action)}")
        if step.code:
            click.echo(f"{' ' * len(mark)}When it is done so: drift advise --done {step.code}")
    for caution in analysis.advice.cautions:
        click.echo(f"Take care: {sentence(caution)}")
    for said in (*_correction_sentences(analysis), *_knob_sentences(analysis)):
        click.echo(said)


def _correction_sentences(analysis: Analysis) -> list[str]:
    from drift.advice.knobs import odds_held

    odds = odds_held(analysis.site, analysis.history)
    return [
        _held_sentence(correction, held, analysis)
        for correction, held in zip(analysis.history.corrections, odds, strict=True)
        if held is not None
    ]


def _held_sentence(correction: CorrectionFound, held: float, analysis: Analysis) -> str:
    from drift.quantities import local_date
    from drift.render.phrases import asked_and_found, percent, zone_of

    when = local_date(correction.time_us, zone_of(analysis.site.site.timezone))
    said = asked_and_found(correction, analysis.site.site.latitude_deg)
    odds = f"held ({percent(held)} sure)" if held >= 0.5 else f"did not hold ({percent(1.0 - held)} sure)"
    return f"The {correction.kind} correction of {when}: {said}; it {odds}."


def _knob_sentences(analysis: Analysis) -> list[str]:
    from drift.advice.knobs import learned_knobs

    knobs = learned_knobs(analysis.site, analysis.history)
    return [_knob_sentence(knob) for knob in knobs.values() if knob.turns_seen]


def _knob_sentence(knob: Knob) -> str:
    from drift.render.phrases import angle, counted

    told = f"what is set, to ± {knob.gain_sd:.2f} of it"
    if knob.gain_told:
        told = f"{knob.gain:.2f} ± {knob.gain_sd:.2f} of what is set"
    lost = "what is lost when the knob is turned back can't be told yet"
    if knob.slack_told:
        lost = f"{angle(knob.slack, knob.slack_sd)} is lost when the knob is turned back"
    turns = counted(knob.turns_seen, "correction")
    return f"The {knob.name} knob, going by {turns}: the axis does {told}; {lost}."


def _as_mapping(analysis: Analysis, steps: Sequence[AdvisedStep]) -> dict[str, Any]:
    from drift.advice.knobs import learned_knobs
    from drift.render.notices import sentence
    from drift.render.phrases import utc_text
    from drift.render.status_json import as_mapping

    status = as_mapping(analysis)
    return {
        "format": "drift-advise",
        "version": 1,
        "steps": [
            {"code": step.code or None, **action, "record": list(step.rows)}
            for step, action in zip(steps, status["actions"], strict=True)
        ],
        "done": [
            {"code": done.step, "time_utc": utc_text(done.time_us), "sentence": sentence(done.notice)}
            for done in analysis.advice.done
        ],
        "cautions": status["cautions"],
        "corrections": status["corrections"],
        "knobs": [
            {
                "knob": knob.name,
                "gain": knob.gain,
                "gain_sd": knob.gain_sd,
                "slack": knob.slack,
                "slack_sd": knob.slack_sd,
                "corrections_seen": knob.turns_seen,
            }
            for knob in learned_knobs(analysis.site, analysis.history).values()
        ],
    }
