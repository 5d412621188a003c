"""What the soil does: freezing, thawing, temperature and settlement, from weather and the pier's build.

- Heat content on 5 cm cells, backward Euler by days, Newton on the piecewise linear temperature.  Fronts need
  no tracking, and all members of a forecast form one tridiagonal system.
- The root of net degree-days is a forcing too, because soil and snow at a pier are rarely known.
- Members of a forecast are past years plus a shift of the winter, whose sd makes the spread that of a
  prediction.

Rejected: a two-front Stefan equation (no heat of the summer, no thaw from below); plain resampling of past
years (bands too narrow).
"""
