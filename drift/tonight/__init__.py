"""Which fields to solve tonight: the most information for the minutes there are, and what beats any field.

A plan stands in altitude and bearing, so that the same fields come again each night: what constants and
flexure put into a night is then the same every time and cancels in the difference of two nights.

`places` is the sky that horizon and mount leave, as candidates; `plan` chooses among them; `evening` gives
the chosen fields their stars for a night and an hour; `state` says what is to be found out, what is known
before, and which readings would do more than any field.

Choosing: unknown are a session's zeros, the axis and the instrument's constants, with the slopes of
`mount.instrument.first_order`; var(alt) + var(az cos phi) is made least by taking the best field after the
best, then exchanging single fields while that helps, from several starts.  Constants count as three times
as uncertain as they are thought to be, so that droop or a mirror that has shifted does not make the promised
uncertainty false; zeros count as lost unless the record shows that they are kept.

Rejected: maximising the determinant of the information (it buys constants that nobody asked for); a
continuous choice of places (nothing is gained over a 5 degree grid, and a horizon has corners); ordering
by the shortest slew (a list cut short by clouds is then worth little).
"""
