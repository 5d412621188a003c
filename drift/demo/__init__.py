"""An invented observatory that makes logs with their truth; it shares nothing with the rooms that analyse.

- One random stream for each purpose and night, so that one reading more changes no other.
- Syncs are performed, not drawn; the frost forcing is deliberately not the estimator's.

Rejected: the installed Earth-rotation table (its revisions would change the samples).
"""
