"""Which news is still to be sent: once to each address, again only when it is new again."""

from dataclasses import dataclass, replace

import numpy as np
import pytest
from advice_world import EAST, LAST_US, correction, event, history, nights, site

from drift.advice.steps import advise
from drift.render.headline import headline
from drift.render.watch_words import letter_words
from drift.types import Analysis
from drift.watch.changes import letters_for, news, state_text


@dataclass
class Kept:
    """A message as the record keeps it."""

    address: str
    about: str
    made_us: int


class Post:
    """What was sent so far, and the last acknowledgement."""

    def __init__(self):
        self.kept, self.acknowledged, self.acknowledged_us, self.clock_us = [], None, None, LAST_US

    def check(self, past, addresses=("a",)):
        """Return the kinds of news that a check sends now."""
        self.clock_us += 1_000_000
        whole = analysis(past)
        found = news(whole, self.acknowledged)
        letters = letters_for(found, whole, self.kept, addresses, self.acknowledged_us, self.clock_us)
        self.kept += [Kept(one.address, one.about, self.clock_us) for one in letters]
        titles = [letter_words(one, "", self.clock_us)[0] for one in letters]
        return [(one.address, title.rpartition(": ")[2]) for one, title in zip(letters, titles, strict=True)]

    def acknowledge(self, past):
        self.clock_us += 1_000_000
        self.acknowledged, self.acknowledged_us = state_text(analysis(past), self.acknowledged), self.clock_us


def analysis(past):
    pier, seen = site(), nights()
    return Analysis(pier, seen, past, advise(pier, seen, past), ())


def tilt_of(*sizes):
    """Return a history whose east tilt takes these values over the forty nights; the limit is 30 arcsec."""
    change = np.zeros((40, 6))
    change[:, EAST] = np.repeat(sizes, 40 // len(sizes))
    return history(change=change)


def upto(past, count):
    return replace(past, time_us=past.time_us[:count], change=past.change[:count], sd=past.sd[:count])


MOVED, TILT = ("a", "something has moved"), ("a", "the tilt is beyond its limit")


def test_an_event_is_sent_once_and_a_later_one_too():
    post = Post()
    first, second = event("pier", 10, tilt_east=20.0), event("pier", 30, tilt_east=20.0)
    assert post.check(history(events=(first,))) == [MOVED]
    assert post.check(history(events=(first,))) == []
    assert post.check(history(events=(first, second))) == [MOVED]
    # a doubt that is settled, and a step that is dated anew, are the same event
    doubt = event("undetermined", 30, probability={"pier": 0.5, "mount_az": 0.5}, tilt_east=20.0)
    assert post.check(history(events=(first, doubt))) == []


def test_each_address_is_told():
    post, past = Post(), history(events=(event("pier", 10, tilt_east=20.0),))
    assert post.check(past, ("a", "b", "a")) == [MOVED, ("b", MOVED[1])]
    assert post.check(past, ("b", "c")) == [("c", MOVED[1])]


def test_one_night_is_not_sent():
    post = Post()
    assert post.check(history(events=(event("pier", 39, provisional=True, tilt_east=40.0),))) == []
    assert post.check(history(events=(event("pier", 39, tilt_east=40.0),))) == [MOVED]


def test_a_limit_is_sent_once_while_it_stays_passed():
    post = Post()
    assert post.check(upto(tilt_of(0.0, 45.0, 45.0, 90.0), 20)) == [TILT]
    assert post.check(upto(tilt_of(0.0, 45.0, 45.0, 90.0), 30)) == []
    assert post.check(tilt_of(0.0, 45.0, 45.0, 90.0)) == [], "told and not yet acknowledged: once is enough"


def test_a_limit_that_came_back_and_is_passed_again_is_sent_again():
    post, past = Post(), tilt_of(0.0, 45.0, 20.0, 45.0)
    assert post.check(upto(past, 20)) == [TILT]
    assert post.check(upto(past, 30)) == []
    assert post.check(past) == [TILT]


@pytest.mark.parametrize(("later", "sent"), [(50.0, []), (70.0, [TILT])])
def test_an_acknowledged_limit_that_grew_by_a_quarter_is_sent_again(later, sent):
    post, past = Post(), tilt_of(0.0, 45.0, 45.0, later)
    assert post.check(upto(past, 20)) == [TILT]
    post.acknowledge(upto(past, 20))
    assert post.check(upto(past, 30)) == []
    assert post.check(past) == sent
    assert post.check(past) == []


def test_a_correction_that_did_not_hold_is_sent_once():
    post = Post()
    past = history(corrections=(correction("azimuth", 30, asked=-120.0, found=-50.0),))
    assert post.check(past) == [("a", "a correction did not hold")]
    assert post.check(past) == []


def test_a_letter_says_what_when_and_its_number():
    past = history(events=(event("mount_az", 10, mount_az=90.0),))
    whole = analysis(past)
    (letter,) = letters_for(news(whole, None), whole, [], ["a"], None, LAST_US)
    title, body = letter_words(letter, "", LAST_US)
    assert title == "drift: the pier: something has moved"
    assert letter_words(letter, "Hill", LAST_US)[0] == "drift: Hill: something has moved"
    assert body.startswith("The mount's azimuth turned by 90\"")
    assert "Seen on 2024-03-19 03:00 UTC." in body
    lines = headline(whole).lines
    assert "\n\n" + "\n".join(lines) + "\n\nSeen on" in letter_words(letter, "", LAST_US, lines)[1]
    assert body.endswith(f"Message {letter.number}.")
    (other,) = letters_for(news(whole, None), whole, [], ["b"], None, LAST_US)
    assert other.number != letter.number


def test_a_kept_message_that_cannot_be_read_stands_for_nothing():
    post, past = Post(), history(events=(event("pier", 10, tilt_east=20.0),))
    post.kept = [Kept("a", "{nonsense", 0), Kept("a", "[]", 0)]
    assert post.check(past) == [MOVED]


def former(text):
    """Return JSON text as the first version wrote it, which said lean for tilt."""
    return text.replace('"tilt', '"lean')


def test_messages_of_the_first_version_are_known_again():
    post, past = Post(), history(events=(event("pier", 10, tilt_east=20.0),))
    assert post.check(past) == [MOVED] and post.check(tilt_of(0.0, 45.0)) == [TILT]
    post.kept = [replace(one, about=former(one.about)) for one in post.kept]
    assert '"lean_limit"' in post.kept[1].about and '"lean_north"' in post.kept[0].about
    assert post.check(past) == [] and post.check(tilt_of(0.0, 45.0)) == []


def test_an_acknowledgement_of_the_first_version_is_read():
    tip = event("pier", 10, tilt_east=45.0)
    past = replace(tilt_of(0.0, 45.0), events=(tip,))
    kept = state_text(analysis(past))
    assert former(kept) != kept and "lean" in former(kept)
    assert news(analysis(past), former(kept)) == news(analysis(past), kept)
    assert news(analysis(past), former(kept)).new == ()
