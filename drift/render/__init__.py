"""Every sentence, table, picture, page of the report and JSON document.

Pictures
--------
- One SVG serves light, dark and paper: its colours become CSS variables.  Each picture is drawn at two
  widths.
- Okabe-Ito colours, shifted until they are distinct under simulated colour blindness (tested).
- Places are laid out beforehand, never fitted to text, and titles have a fixed height: fitting took most of
  the time.  Thousands of points are one path of pieces without length.
- Nothing is drawn without its uncertainty.  What a picture can't show it says in a sentence (`lacking`), and
  it is left out.
- The band of the sum of causes is the lower of two bounds (the columns' variances added; two nights alone),
  because the history keeps no covariance between columns.
- Nights and a history draw themselves through `notebook.py`, which asks for the site: without it nobody
  knows which side of the pole is east.

Rejected: PNGs; two coloured copies; matplotlib's own layouts; thinning a curve before looking for its gaps
(it makes gaps); frost drawn from the surface down while it thaws from above.

Report
------
- Verdict and what to do stand on a phone's first screen (tested at 375 by 667).
- On paper, pictures stand in a grid of which no row is broken, no higher than leaves room for their captions
  on Letter.  tests/surface/test_report_print.py prints with Chromium and reads from the PDF's named places on
  which sheet each picture begins and ends.

Rejected: CSS columns for pictures side by side (a caption ran into the next column).
"""
