"""What to do, in the order a careful person would, with the cautions: numbers, codes and decisions.

Sentences are made of them in `drift.render.advice_words`; `drift.advice.situation` says as of when
advice is given.

- A knob is turned for the lasting part of the error; a season's part is waited out.  The setting aims at the
  least largest error of the coming year (the centre of the smallest circle round the path on the sky).
- A turn needs an error beyond the tolerance and beyond 2 sd.
- Each effect on a picture is a matrix times the axis error: its largest singular value is the worst
  direction.  Field rotation over a session does not bind (it would cut the default tolerance from 2' to
  0.9').
- Shims of all bolts are searched together so that four bolts seat; nuts go by quarters of a flat, and not
  where that leaves over half of a tip.
- Gain and slack of a knob come from a grid over a mixture of corrections that held and failed.  Until turns
  have taught them, a knob is set by its thread.
- One night's advice is one list, worked out from a history without what was done by it, so that all of it can
  be recorded in any order.  The record keeps each step as it was shown, under an id, and which rows say that
  it was done (`drift.record.acts`); what is to be done is always worked out afresh.
- When the readings came in tells a watched pier from an archive.

Rejected: keeping the list itself in the record (a second truth to keep in step); naming a step by a digest of
its rounded amounts (it changed with the day); shrinking a setting by the gain's sd (it reads as the wrong
way); alarming on any value over the limit; least squares on found/asked (one slip spoils it); each bolt's
shim by itself.
"""
