"""What has changed since last time: events, limits, what will come, and what can't be seen.

- `limits.py`: the warning limits, how sure an alarm must be, and how axis and tilt stand now.
- `changes.py`: what is new since it was last acknowledged, and what is still to be sent to whom.
- `nightly.py`: what came of a nightly run, and what a digest says.
- `coming.py`: limits that will be passed soon, movements over gaps, readings too old or too few.

The accepted rate of false alarms sets the odds that an alarm needs: (steps expected a year) / rate
(Ville's inequality, from memory).  Each warning is sent at most once, and shown at every check until it
is acknowledged.  After a kill between sending and noting it is not sent again, and later checks say
so.  The first check takes the first night as acknowledged; hysteresis is worked out anew from the
history.

Rejected: sending at least once, because a mailbox can't recognise a repeated message.
"""
