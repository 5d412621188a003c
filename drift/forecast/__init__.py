"""The coming year: where axis and pier will be, sample paths, and past forecasts scored.

- `coming.py`: axis and tilt day by day, with bands and sample paths.  The history's model is carried
  on, once for each sample path of the frost (`drift.ground.heave`); without frost, by the annual shape
  and the lasting rate.  Until a season is sure that simple forecast is used, because the model's would
  be that of its priors.
- `season.py`: what comes and goes with the year, and where to leave the axis so that the coming year
  goes best.
- `outlook.py`: what follows from the forecast, as numbers: months, turning days, chances, re-aligning;
  and the last winters hidden, forecast from what was known then, and scored.
"""
