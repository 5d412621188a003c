"""An invented observatory that makes logs with their truth; it shares nothing with the rooms that analyse.

- `scenario.py`: what a history is made from; `samples.py`: the two sample sets.
- `motion.py`: weather, ground, pier and knobs at any moment; `instrument.py`: the mount under the full
  sky.
- `sessions.py`, `observing.py`: which nights are used, and what is observed and written down.
- `files.py`: all of it as files; `truth.py`: the truth beside them, and an analysis compared with it.

Each purpose and night has a random stream of its own, so that one reading more changes no other.  Syncs
are performed as a mount would, not drawn.  The frost forcing is deliberately not the estimator's.

Rejected: the installed Earth-rotation table, because its revisions would change the samples.
"""
