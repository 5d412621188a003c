"""What to do, in the order a careful person would, with the cautions: numbers, codes and decisions.

The sentences are made in `drift.render.advice_words`.

How it works, by file
---------------------
- `situation.py`: where the axis stands, from the true or the refracted pole, and as of when; what the
  season takes back, and what lasts.
- `movement.py`: what has moved, and from what a tilt is counted.
- `verdict.py`: pier or mount, in one verdict; `misrecorded.py`: corrections that look written down
  wrongly.
- `matters.py`: what an axis error does in the picture.
- `steps.py`: what to do, and which steps are done already; `knobs.py`, `plate.py`, `levelling.py` work
  out the turns, shims and nuts.  A knob learns its gain and slack from past corrections in `knobs.py`.
- `cautions.py`: what to mind, and when to call for help; `ground.py`: what can be done about the pier
  itself.

Rules
-----
- A knob is turned for the lasting part of the error; the season's part is waited out.  The setting
  makes the largest error of the coming year as small as possible (the centre of the smallest circle
  round the path on the sky).
- A turn needs an error beyond the tolerance and beyond 2 sd.
- Each effect on a picture is a matrix times the axis error; its largest singular value is the worst
  direction.  Field rotation over a session sets no limit (it would cut the default tolerance from 2' to
  0.9').
- Shims of all bolts are searched together so that four bolts seat.  Nuts are set to quarters of a flat,
  and not used where that leaves over half of a tip undone.
- Gain and slack of a knob come from a grid over a mixture of corrections that held and failed.  Until
  turns have shown them, a knob is set by its thread.
- One night's advice is one list, worked out from a history that does not know what was done by it, so
  that all of it can be recorded in any order.  The record keeps each step as it was shown, under an id,
  with the rows that say it was done (`drift.record.acts`); what is to be done is always worked out
  afresh.
- When the readings came in tells a watched pier from an archive.

Rejected
--------
- keeping the list itself in the record: a second truth to keep in step;
- naming a step by a digest of its rounded amounts: it changed with the day;
- shrinking a setting by the gain's sd: it looks as if the knob were to be turned the wrong way;
- an alarm at any value over the limit;
- least squares on found/asked: one slip spoils it;
- each bolt's shim by itself.
"""
