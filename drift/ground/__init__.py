"""What the soil does: freezing, thawing, temperature and settlement, from weather and the pier's build.

How it works, by file
---------------------
- `weather.py`: the log of weather, one value a day without gaps; seasons and the usual year.
- `pier_site.py`: soil, surface and snow, from the words of the site file; what is unknown is assumed.
- `frost_front.py`: the frozen layer day by day; `frost_depth.py`: how deep frost went each winter, and
  whether it reached the pier's base.
- `forcing.py`, `heave.py`: the daily series that a tilt may follow, and how they may go on.

The unknown of the frost model is the heat content of 5 cm cells: backward Euler by days, with Newton's
method on the piecewise linear temperature.  Fronts need no tracking, and all members of a forecast form
one tridiagonal system.  The root of net degree-days is a forcing too, because soil and snow at a pier
are rarely known.  Members of a forecast are past years plus a shift of the winter, whose sd makes their
spread that of a prediction.

Rejected
--------
- a Stefan equation with two fronts: it knows neither the heat of summer nor the thaw from below;
- past years drawn as they were: the bands are too narrow.
"""
