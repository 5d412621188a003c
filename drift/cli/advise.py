"""`drift advise`: what to do, step by step, and a step recorded as done."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from drift.cli.options import pier_option, say, site_of, site_time
from drift.cli.record import now_text, write_down

if TYPE_CHECKING:
    from drift.advice.knobs import Knob
    from drift.advice.situation import Situation
    from drift.advice.steps import AdvisedStep
    from drift.record.record import Record
    from drift.types import Analysis, CorrectionFound


@click.command(
    "advise",
    help="Show what to do, step by step, with what past corrections did and what they teach of the knobs.\n\n"
    "A step that was done as advised is recorded by its id: `drift advise --done ID`.  It can't be "
    "recorded twice, and what was advised for it is not advised again before a night has seen it; the other "
    "steps of the list stay until then.  What was done otherwise is recorded with `drift record`.",
)
@pier_option
@click.option(
    "--done",
    "ids",
    multiple=True,
    metavar="ID",
    help="Record the step of this id as done as advised; give it once a step.",
)
@click.option(
    "--time",
    "when",
    metavar="TIME",
    help="When it was done, by the site's clock or with Z or an offset; now, when not given.",
)
@click.option("--note", default="", help="In your words; kept with what is recorded.")
@click.option("--json", "as_json", is_flag=True, help="Print the steps as JSON, in arcseconds.")
def command(pier: str | None, ids: tuple[str, ...], when: str | None, note: str, as_json: bool) -> None:
    """Print the steps, or record some of them."""
    from drift.advice.situation import situation_of
    from drift.advice.steps import AdvisedStep
    from drift.api import analyse_readings, open_record
    from drift.cli.options import working
    from drift.record.engine import now_us

    if (when is not None or note) and not ids:
        raise click.UsageError("--time and --note go with --done.")
    site, now = site_of(pier), now_us()
    with open_record(site) as record:
        with working("Working out the axis of each night and the pier's tilt"):
            analysis = analyse_readings(site, record.readings(), record, now)
        situation = situation_of(site, analysis.nights, analysis.history, now)
        if ids:
            _record(analysis, situation, record, ids, when, note)
            return
        steps = [AdvisedStep.of(action) for action in analysis.advice.actions]
        shown = step_ids(record, situation.time_us, steps)
        if as_json:
            import json

            click.echo(json.dumps(_as_mapping(analysis, steps, shown), indent=1, allow_nan=False))
        else:
            _print(analysis, shown)


def step_ids(record: Record, night_us: int, steps: Sequence[AdvisedStep | None]) -> list[str]:
    """Store the steps in the record and return their ids; "" for what can't be recorded as done."""
    ids = iter(
        record.keep_steps(night_us, [(str(one.do), one.numbers()) for one in steps if one is not None])
    )
    return ["" if one is None else next(ids) for one in steps]


def _record(
    analysis: Analysis,
    situation: Situation,
    record: Record,
    ids: Sequence[str],
    when: str | None,
    note: str,
) -> None:
    """Record steps by their ids, all or none.

    Raises
    ------
    drift.errors.RecordError
        If there is no step with an id, it is recorded already, or it is no longer to be done.
    """
    from drift.render.phrases import as_advised_note

    found = [(step, _step_of(analysis, situation, record, step)) for step in dict.fromkeys(ids)]
    time_utc = now_text() if when is None else site_time(analysis.site, when)
    for step, numbers in found:
        rows = [{**row, "note": f"{as_advised_note(step)} {note}".strip()} for row in numbers.rows()]
        write_down(analysis.site, record, "corrections", rows, time_utc, step)


def _step_of(analysis: Analysis, situation: Situation, record: Record, step: str) -> AdvisedStep:
    from drift.advice.steps import AdvisedStep, may_be_recorded
    from drift.errors import RecordError
    from drift.render.phrases import listed, utc_text

    done = record.steps_done()
    for one in done:
        if one.step == step:
            rows = listed([str(row_id) for row_id in one.row_ids])
            raise RecordError(
                f"the step {step} is recorded already: row {rows}, at {utc_text(one.time_us)}.  If it was "
                "not done then, `drift record edit` or `drift record withdraw` puts that right."
            )
    stored = record.kept_step(step)
    if stored is not None:
        found = AdvisedStep.from_numbers(stored.do, stored.numbers)
        if may_be_recorded(found.do, stored.night_us, situation, analysis.history, done):
            return found
    steps = [AdvisedStep.of(action) for action in analysis.advice.actions]
    known = [one for one in step_ids(record, situation.time_us, steps) if one]
    now = f"those now are {', '.join(known)}" if known else "no step can be recorded now"
    was = f"there is no step {step!r}" if stored is None else f"the step {step} is not to be done any more"
    raise RecordError(
        f"{was}: {now}.  New readings or corrections may have changed the advice: look at `drift advise` "
        "again, and record what was done with `drift record`."
    )


def _print(analysis: Analysis, shown: Sequence[str]) -> None:
    from drift.advice.steps import awaits_a_night
    from drift.render.headline import headline
    from drift.render.notices import sentence
    from drift.render.status import step_sentences

    for line in headline(analysis).lines:
        say(line)
    click.echo()
    for done in analysis.advice.done:
        say(f"{sentence(done.notice)}  (step {done.step})")
    actions = analysis.advice.actions
    triples = zip(actions, step_sentences(analysis), shown, strict=True)
    for number, (action, text, step) in enumerate(triples, start=1):
        mark = f"{number}. " if len(shown) > 1 else ""  # a single step is no list
        say(text, mark)
        if step and not awaits_a_night(actions, action):
            say(f"When you have done it: drift advise --done {step}", " " * len(mark))
    if analysis.advice.cautions:
        say("Take care:", style="yellow")
    for caution in analysis.advice.cautions:
        say(sentence(caution), "- ", style="yellow")
    for said in (*_correction_sentences(analysis), *_knob_sentences(analysis)):
        say(said)


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
    outcome = asked_and_found(correction, analysis.site.site.latitude_deg)
    odds = f"held ({percent(held)} sure)" if held >= 0.5 else f"did not hold ({percent(1.0 - held)} sure)"
    return f"The {correction.kind} correction of {when}: {outcome}; it {odds}."


def _knob_sentences(analysis: Analysis) -> list[str]:
    from drift.advice.knobs import learned_knobs

    knobs = learned_knobs(analysis.site, analysis.history)
    return [_knob_sentence(knob) for knob in knobs.values() if knob.turns_seen]


def _knob_sentence(knob: Knob) -> str:
    from drift.render.phrases import angle, counted, percent

    effect = f"as far as it is set to, within {percent(knob.gain_sd)}"
    if knob.gain_known:
        effect = f"{knob.gain:.2f} ± {knob.gain_sd:.2f} times as far as it is set to"
    play = "its play, which is lost when it is turned back, isn't known yet"
    if knob.slack_known:
        play = f"its play takes {angle(knob.slack, knob.slack_sd)} when it is turned back"
    turns = counted(knob.turns_seen, "past correction")
    return f"By {turns}, the {knob.name} knob moves the axis {effect}; {play}."


def _as_mapping(
    analysis: Analysis, steps: Sequence[AdvisedStep | None], shown: Sequence[str]
) -> dict[str, Any]:
    from drift.advice.knobs import learned_knobs
    from drift.render.encode import named
    from drift.render.notices import sentence
    from drift.render.status_json import as_mapping

    status = as_mapping(analysis)
    return {
        "format": "drift-advise",
        "version": 2,
        "steps": [
            {"step": step_id or None, **action, "record": [] if step is None else list(step.rows())}
            for step_id, step, action in zip(shown, steps, status["actions"], strict=True)
        ],
        "done": [
            {**named(done, "step", "time_us"), "sentence": sentence(done.notice)}
            for done in analysis.advice.done
        ],
        "cautions": status["cautions"],
        "corrections": status["corrections"],
        "knobs": [
            {
                "knob": knob.name,
                **named(
                    knob, "gain", "gain_sd", "slack", "slack_sd", corrections_seen="turns_seen", decimals=None
                ),
            }
            for knob in learned_knobs(analysis.site, analysis.history).values()
        ],
    }
