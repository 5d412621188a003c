"""An invented observatory that makes logs with their truth; it shares nothing with the rooms that answer.

One random stream a purpose and night; syncs are made, not drawn; the frost forcing is deliberately
not the estimator's.

Rejected: the installed Earth-rotation table (its revisions would change the samples).
"""
