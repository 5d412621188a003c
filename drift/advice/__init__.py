"""What to do, in the order a careful person would, with the cautions: numbers, codes and decisions.

Sentences are made of them in `drift.render.advice_words`.

The lasting part of the error is what a knob is turned for; a season's part is waited out; the
setting aims at the least largest error of the coming year (the centre of the smallest circle round
the path on the sky). A turn needs the error beyond tolerance and 2 sd. Each effect on a picture is
a matrix times the axis error: its largest singular value is the worst direction. Field rotation
over a session does not bind (it would cut the default tolerance from 2' to 0.9'). Shims of all
bolts are searched together so that four seat. Gain and slack of a knob come from a grid over a
mixture of held and failed corrections. One night's advice is one list, worked out from a history
without what was done by it, so that all of it can be recorded in any order. A knob is set by the
record until turns teach otherwise; nuts go by quarters of a flat and not where that leaves over
half of a tip. Of when advice is: advice/situation.py; when the readings came in tells a watched
pier from an archive.

The record keeps each step as it was shown, under an id, and which rows say that it was done
(`drift.record.acts`): what is to be done is always worked out afresh.

Rejected: keeping the list itself in the record (a second truth to keep in step), a step's name as a
digest of its rounded amounts (it changed with the day), shrinking a setting by
the gain's sd (it reads as the wrong way), alarming on any value over the limit, least squares on
found/asked (one slip spoils it), each bolt's shim by itself.
"""
