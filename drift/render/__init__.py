"""Every sentence, table, picture, page of the report and JSON document.

By file
-------
- `notices.py` finds the sentence of a code; the sentences stand in `*_words.py`, one file for each
  room.
- `headline.py`, `status.py`, `outlook.py`, `strip.py`: the screens; `phrases.py`: numbers, dates and
  directions.
- `encode.py`, `status_json.py`: results as JSON, positions rounded.
- `piers.py`: several piers, a line each.
- `figures/`: one picture in each file; `catalogue.py` lists them, `drawing.py` draws them for page or
  file.
- `tables/`, `report.py`, `templates/`: the report.

Pictures
--------
- One SVG serves light, dark and paper: its colours become CSS variables.  Each picture is drawn at two
  widths.
- Okabe-Ito colours, shifted until they are distinct under simulated colour blindness (tested), each
  with one meaning: pier, mount, zero, axis, within a limit, cold.  A third palette is red light alone.
- The strip comes first.  One arcsecond is as high for the pier as for the mount, and no track shows
  less than its limit: that makes a steady pier look steady.
- The layout is fixed, never fitted to the text, and titles have a fixed height: fitting took most of
  the time.  Thousands of points are drawn as one path of segments without length.
- Nothing is drawn without its uncertainty.  A picture with nothing to show is left out, and a sentence
  says why (`lacking`).
- The band of the sum of causes is the lower of two bounds (the columns' variances added; two nights
  alone), because the history keeps no covariance between columns.
- Nights and a history draw themselves through `notebook.py`, which asks for the site: without it nobody
  knows which side of the pole is east.

Rejected: the tilt's two coordinates in the strip (the limit is on its length); PNGs; a light and a dark
copy of each picture; matplotlib's own layouts; thinning a curve before looking for its gaps (it makes
gaps); frost drawn from the surface down while it thaws from above.

Report
------
- Verdict and what to do fit on a phone's first screen (tested at 375 by 667).
- On paper three pictures fit on a sheet, and events stand side by side; pictures drawn only on request
  are left out.  tests/surface/test_report_print.py prints with Chromium and reads from the PDF's named
  places on which sheet each picture begins and ends.

Rejected: CSS columns for pictures side by side (a caption ran into the next column).
"""
