"""What has changed since last time: events, limits, what will come, and what can't be seen.

Warnings: the false-alarm rate sets the odds that an alarm needs: (steps expected a year) / rate
(Ville's bound, from memory). Each is sent at most once and shown at every check until acknowledged;
after a kill between sending and noting it is not resent, and later checks say so.

Rejected: at-least-once, because a mail box can't know a message again. Check takes the first night
as acknowledged; hysteresis is recomputed from the history.
"""
