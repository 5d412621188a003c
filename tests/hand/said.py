"""The sentences that are made of codes and numbers, for tests that say how they read."""

from drift.render import advice_words
from drift.render.notices import sentence


def said_of(result):
    """Return the sentence of a verdict, an action, a matter, a notice, and so on."""
    writers = {
        "Verdict": advice_words.verdict_sentence,
        "Action": advice_words.action_sentence,
        "Matter": advice_words.matter_sentence,
        "Poles": advice_words.poles_sentence,
        "YearAim": advice_words.year_sentence,
        "Notice": sentence,
        "Done": lambda done: sentence(done.notice),
    }
    return writers[type(result).__name__](result)
