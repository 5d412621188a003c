"""Every sentence, table, picture, page of the report and JSON document.

Pictures
--------
- One SVG serves light, dark and paper: its colours become CSS variables.  Each picture is drawn at two
  widths.
- Okabe-Ito colours, shifted until they are distinct under simulated colour blindness (tested), each for one
  thing: pier, mount, zero, axis, within a limit, cold.  A third palette gives red light alone.
- The strip comes first.  One arcsecond is as high for the pier as for the mount, and no track shows less than
  its limit: that is what makes a steady pier look steady.
- Places are laid out beforehand, never fitted to text, and titles have a fixed height: fitting took most of
  the time.  Thousands of points are one path of pieces without length.
- Nothing is drawn without its uncertainty.  What a picture can't show it says in a sentence (`lacking`), and
  it is left out.
- The band of the sum of causes is the lower of two bounds (the columns' variances added; two nights alone),
  because the history keeps no covariance between columns.
- Nights and a history draw themselves through `notebook.py`, which asks for the site: without it nobody
  knows which side of the pole is east.

Rejected: the tilt's two coordinates in the strip (the limit is on its length). PNGs; two coloured copies;
matplotlib's own layouts; thinning a curve before looking for its gaps (it makes gaps); frost drawn from the
surface down while it thaws from above.

Report
------
- Verdict and what to do stand on a phone's first screen (tested at 375 by 667).
- On paper, pictures are no higher than leaves three to a sheet, and events stand side by side; those drawn
  on request are left out. tests/surface/test_report_print.py prints with Chromium and reads from the PDF's
  named places on which sheet each picture begins and ends.

Rejected: CSS columns for pictures side by side (a caption ran into the next column).
"""
