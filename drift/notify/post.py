"""Bring the waiting messages on their way, so that none goes out twice and none is lost unseen.

A receiver that can't know a message again (a mail box, most web hooks) allows
either "at least once" or "at most once", not both.  Here a message goes out at
most once, and the owner is told what did not surely arrive:

1. it is written into the record as "waiting", in the transaction that compares it with all earlier ones;
2. it is taken ("going"), which only one program can do, before a byte leaves;
3. it is sent, with its number in it;
4. what came of it is noted: "sent"; "waiting" again when the server surely did not take it; "unsure".

A program that dies between 2 and 4 leaves it "going".  It is not sent again,
because it may have arrived; every later check says so until it is acknowledged,
and goes on telling the warning itself.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from drift.errors import NotifyError
from drift.notify.send import FAILED, SENT, UNSURE, Sent, filled_in, mark_of, send, shown

#: The states of a message.
WAITING, GOING = "waiting", "going"
Send = Callable[[str, str, str, str], Sent]


class OutgoingMessage(Protocol):
    """One message to one address, as the record keeps it."""

    @property
    def number(self) -> str:
        """Its own number."""

    @property
    def address(self) -> str:
        """The mark of its address."""

    @property
    def title(self) -> str:
        """One line."""

    @property
    def body(self) -> str:
        """Plain text."""

    @property
    def state(self) -> str:
        """Waiting, going, sent, unsure or dropped."""


class Box(Protocol):
    """Where messages are kept."""

    def messages(self) -> Sequence[OutgoingMessage]:
        """Return all messages, the oldest first."""

    def take_message(self, number: str) -> bool:
        """Turn a message from waiting to going; False when another program was quicker."""

    def note_message(self, number: str, state: str, why: str) -> None:
        """Note what came of a message that is going."""


@dataclass(frozen=True)
class Delivered:
    """What came of all: how many went out now, and a sentence for each trouble."""

    sent: int
    troubles: tuple[str, ...]


def deliver(
    box: Box, addresses: Sequence[str], environment: Mapping[str, str], sender: Send = send
) -> Delivered:
    """Send the waiting messages of these addresses.

    Parameters
    ----------
    box
        Where the messages are.
    addresses
        As they stand in the site file, in its order.
    environment
        Environment variables, for the secrets in them.
    sender
        What sends one message.

    Returns
    -------
    Delivered
        Its sentences name addresses by place and kind only.
    """
    sent, troubles = 0, []
    kept = box.messages()
    for number, address in enumerate(addresses, start=1):
        own = [message for message in kept if message.address == mark_of(address)]
        name = shown(number, address)
        left = sum(message.state == GOING for message in own)
        unsure = sum(message.state == UNSURE for message in own)
        if left or unsure:
            troubles.append(_may_not_have_arrived(left + unsure, name))
        waiting = [message for message in own if message.state == WAITING]
        if waiting:
            went, why = _send_all(box, waiting, address, environment, sender)
            sent += went
            troubles += [_not_sent(clause, name) for clause in why]
    return Delivered(sent, tuple(troubles))


def try_all(
    addresses: Sequence[str], environment: Mapping[str, str], title: str, body: str, sender: Send = send
) -> list[tuple[bool, str]]:
    """Send a trial to each address; return for each whether it went, and a sentence."""
    out = []
    for number, address in enumerate(addresses, start=1):
        name = shown(number, address)
        try:
            came = sender(filled_in(address, environment), title, body, "trial")
        except NotifyError as error:
            came = Sent(FAILED, str(error))
        went = came.state == SENT
        text = f"A trial message went to {name}." if went else _not_sent(came.why.rstrip("."), name, "trial")
        out.append((went, text))
    return out


def _send_all(
    box: Box, waiting: Sequence[OutgoingMessage], address: str, environment: Mapping[str, str], sender: Send
) -> tuple[int, list[str]]:
    """Send messages to one address until one fails; return how many went, and what was wrong."""
    try:
        whole = filled_in(address, environment)
    except NotifyError as error:
        return 0, [_kept(len(waiting), str(error))]
    sent = 0
    for k, message in enumerate(waiting):
        if not box.take_message(message.number):
            continue
        try:
            came = sender(whole, message.title, message.body, message.number)
        except NotifyError as error:
            came = Sent(FAILED, str(error))
        box.note_message(message.number, WAITING if came.state == FAILED else came.state, came.why)
        if came.state == SENT:
            sent += 1
        elif came.state == UNSURE:
            return sent, [f"{came.why}: it may or may not have arrived and is not sent again"]
        else:
            return sent, [_kept(len(waiting) - k, came.why)]
    return sent, []


def _kept(count: int, why: str) -> str:
    kept = "The warning is kept and" if count == 1 else f"The {count} warnings are kept and"
    return f"{why.rstrip('.')}.  {kept} will be sent by the next `drift check`"


def _not_sent(clause: str, name: str, what: str = "warning") -> str:
    return f"A {what} could not be sent to {name}: {clause}."


def _may_not_have_arrived(count: int, name: str) -> str:
    what = "A warning" if count == 1 else f"{count} warnings"
    return (
        f"{what} to {name} may not have arrived: the check that sent it was cut off, or is still at work.  "
        "It is not sent again, so that none comes twice; `drift acknowledge` ends this line."
    )
